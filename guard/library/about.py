"""What the runner says of a session afterwards, in a small file beside its log.

`2026-03-02_0610.about.json` holds the title, tags and whatever else (a note on
how it felt) belongs to `2026-03-02_0610.jsonl`. The log itself is never
changed. Keys this version does not know are kept.
"""

import json
import math
from collections.abc import Callable, Mapping
from pathlib import Path

from guard.errors import InputError
from guard.files.whole import remove, write_whole

SUFFIX = ".about.json"
ABOUT_FORMAT = 1  # of the file; a change needs a new number
LARGEST_ABOUT_BYTES = 1 << 18  # bytes

AboutFields = dict[str, object]


def about_path(log: Path) -> Path:
    """Where the words about the session `log` are, or would be."""
    return log.with_name(log.stem + SUFFIX)


def read_about(log: Path, warn: Callable[[str], None] = lambda sentence: None) -> AboutFields:
    """What is known about the session `log`, without `format`; empty when nothing is.

    A file that cannot be understood is no reason not to list a session: `warn`
    gets one sentence and the answer is empty.
    """
    path = about_path(log)
    try:
        with path.open("rb") as file:
            return _parsed(file.read(LARGEST_ABOUT_BYTES + 1))
    except FileNotFoundError:
        return {}
    except (OSError, ValueError, RecursionError) as error:
        why = (error.strerror or str(error)) if isinstance(error, OSError) else "it is not one of the guard's"
        warn(f"{path} cannot be read ({why}) and is left out: correct it or move it away")
        return {}


def change_about(log: Path, changes: Mapping[str, object]) -> Path:
    """Set the keys of `changes`, drop those whose value is None; returns the file.

    It appears whole or not at all, for its owner only. A file that cannot be
    understood is never written over (InputError); HardwareError when the
    folder does not take it.
    """
    path = about_path(log)
    troubles: list[str] = []
    about = read_about(log, troubles.append)
    if troubles:
        raise InputError(troubles[0])
    about.update(changes)
    about = {key: value for key, value in about.items() if value is not None}
    if not about:
        remove(path)
        return path
    try:
        text = json.dumps({"format": ABOUT_FORMAT, **about}, indent=1, ensure_ascii=True, allow_nan=False)
    except RecursionError:
        raise InputError(f"{path} is nested too deeply: correct it or move it away") from None
    write_whole(path, [text.encode() + b"\n"], force=True)
    return path


def _parsed(data: bytes) -> AboutFields:
    if len(data) > LARGEST_ABOUT_BYTES:
        raise ValueError("too large")
    about = json.loads(data, parse_constant=_finite, parse_float=_finite)
    if not isinstance(about, dict) or about.get("format") != ABOUT_FORMAT:
        raise ValueError("not of this form")
    del about["format"]
    return about


def _finite(word: str) -> float:
    number = float(word)
    if not math.isfinite(number):
        raise ValueError(f"{word} is not a number of JSON")
    return number
