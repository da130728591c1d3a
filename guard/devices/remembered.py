"""The remembered strap, treadmill and foot pod: a small JSON file each in the config folder.

Remembering keeps the guard from taking a neighbour's. A file that cannot be
understood is set aside with a note, never a reason not to run. `kind` is
`guard.devices.peripheral.Peripheral.kind`.
"""

import json
from collections.abc import Callable
from pathlib import Path

from guard.devices.peripheral import STRAP_PERIPHERAL, by_kind
from guard.devices.seen import RememberedDevice, plain
from guard.files.folders import config_dir
from guard.files.whole import remove, write_whole

STRAP = STRAP_PERIPHERAL.kind
DEVICES_FORMAT = 1  # of the file; a change needs a new number
SIZE_LIMIT = 10_000  # bytes; far above a file of three devices


def strap_file(make: bool = False, kind: str = STRAP) -> Path:
    """Where the device of this kind is remembered; `make` makes its folder."""
    return config_dir(make) / f"{kind}.json"


def remembered(warn: Callable[[str], None] = lambda text: None, kind: str = STRAP) -> RememberedDevice | None:
    """The remembered device, or None; `warn` gets one sentence when the file is no good."""
    path, noun = strap_file(kind=kind), by_kind(kind).noun
    try:
        with path.open("rb") as file:
            data = json.loads(file.read(SIZE_LIMIT).decode())
        strap = RememberedDevice(plain(_text(data, "name")), plain(_text(data, "address")))
        if data.get("format") != DEVICES_FORMAT or not (strap.name or strap.address):
            raise ValueError("unknown format")
    except FileNotFoundError:
        return None
    except (OSError, ValueError, RecursionError) as error:
        what = error.strerror if isinstance(error, OSError) else f"not a {noun} file"
        warn(f"{path} cannot be read ({what}) and is ignored: "
             f"remember your {noun} again with `guard straps --remember ADDRESS`")
        return None
    return strap


def remember(strap: RememberedDevice, kind: str = STRAP) -> Path:
    """Write the device down in one step, readable by its owner only; returns the file.

    Raises HardwareError where the folder cannot be written.
    """
    path = strap_file(make=True, kind=kind)
    kept = {"format": DEVICES_FORMAT, "name": strap.name, "address": strap.address}
    text = json.dumps(kept, ensure_ascii=True)
    write_whole(path, [f"{text}\n".encode()], force=True)
    return path


def forget(kind: str = STRAP) -> bool:
    """Remember none of this kind; True where one was remembered. Raises HardwareError."""
    return remove(strap_file(kind=kind))


def _text(data: object, key: str) -> str:
    value = data.get(key) if isinstance(data, dict) else None
    if not isinstance(value, str):
        raise ValueError(f"{key} is no text")
    return value
