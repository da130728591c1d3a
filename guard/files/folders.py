"""Where the guard keeps things: the platform's own folders, or one of yours.

Without more, the folders are those the platform gives every program
(`platformdirs`: XDG base directories on Linux, Application Support on macOS,
AppData on Windows). The environment variable GUARD_HOME gathers all of them
under one folder. A folder is made, for its owner only, when it is first asked
for; asking with `make=False` only names it.
"""

import os
from pathlib import Path

import platformdirs

from guard.errors import HardwareError

APP = "guard"
HOME_VARIABLE = "GUARD_HOME"
OWNER_ONLY, OWNER_ONLY_FOLDER = 0o600, 0o700  # of files and folders: health data


def config_dir(make: bool = True) -> Path:
    """Settings and plans."""
    return _folder("config", make)


def data_dir(make: bool = True) -> Path:
    """What cannot be rebuilt: sessions, journal, remembered straps."""
    return _folder("data", make)


def cache_dir(make: bool = True) -> Path:
    """What can be rebuilt at any time: summaries, rendered phrases."""
    return _folder("cache", make)


def sessions_dir(make: bool = True) -> Path:
    """Session logs, one file a session, inside the data folder."""
    folder = data_dir(make) / "sessions"
    return make_private(folder) if make else folder


def make_private(folder: Path) -> Path:
    """`folder`, made for its owner only (mode 700) if it was missing.

    An existing folder keeps its mode. Raises HardwareError with the fix when
    it cannot be made.
    """
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        folder.mkdir(mode=OWNER_ONLY_FOLDER, exist_ok=True)
    except OSError as error:
        raise HardwareError(
            f"cannot make the folder {folder} ({error.strerror or error})",
            f"give write permission or free space there, or set {HOME_VARIABLE} to a folder of your own"
        ) from None
    return folder


def _folder(kind: str, make: bool) -> Path:
    home = os.environ.get(HOME_VARIABLE, "").strip()
    if home:
        root = Path(home).expanduser().absolute()
        if make:
            make_private(root)
        folder = root / kind
    else:
        find = getattr(platformdirs, f"user_{kind}_path")
        folder = Path(find(APP, appauthor=False))
    return make_private(folder) if make else folder
