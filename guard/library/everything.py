"""All that the guard keeps on this machine: shown, taken along in one ZIP file, deleted.

Also session logs that had to be kept in the temporary folder because their own
place failed. Links are never followed.
"""

import contextlib
import os
import shutil
import stat
import tempfile
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from guard.errors import HardwareError, UsageError
from guard.files.folders import OWNER_ONLY_FOLDER, cache_dir, config_dir, data_dir
from guard.files.whole import whole_file
from guard.log.file import is_being_written

FILE_MODE = 0o600  # health data are their owner's alone
LOG_BEGINS = b'{"type":"session"'
RESCUED = "rescued"
README = """\
Everything the heart-rate guard kept on one machine.

config/   settings, remembered devices, plans, your own phrases
data/     session logs (sessions/, rehearsals/), journal; data/sessions/bin/ holds deleted ones
cache/    what can be made again at any time (only when asked for)
rescued/  session logs that had to be kept in the temporary folder

Session logs are JSON Lines (one JSON object a line, UTF-8), settings are TOML.
To use all of it elsewhere, unpack this file into a folder and set the
environment variable GUARD_HOME to that folder.
"""


@dataclass(frozen=True)
class Kept:
    """One file: where it is, its name in an export, its size in bytes, whether only its owner may read it."""

    path: Path
    name: str
    size: int
    private: bool


def roots() -> dict[str, Path]:
    """The three folders by kind, whether they exist or not."""
    return {"config": config_dir(make=False), "data": data_dir(make=False), "cache": cache_dir(make=False)}


def kept() -> list[Kept]:
    """Every file, by kind of folder and name."""
    found = [_kept(path, f"{kind}/{path.relative_to(root).as_posix()}")
             for kind, root in roots().items() for path in _files(root)]
    spare = Path(tempfile.gettempdir())
    return found + [_kept(path, f"{RESCUED}/{path.relative_to(spare).as_posix()}") for path in rescued()]


def rescued() -> list[Path]:
    """Session logs of this user in the temporary folder."""
    found = []
    with contextlib.suppress(OSError):
        for place in sorted(Path(tempfile.gettempdir()).glob("guard-*")):
            with contextlib.suppress(OSError):
                inside = sorted(place.glob("*.jsonl")) if place.is_dir() else [place]
                found += [path for path in inside if _is_own_log(path)]
    return found


def export(target: Path, *, with_cache: bool = False, force: bool = False) -> list[Kept]:
    """Write all of it to the ZIP file `target`, whole or not at all; returns what is in it.

    The cache is left out unless `with_cache`. UsageError when the file is
    there and not `force`, HardwareError when something cannot be read or written.
    """
    packed = []
    with whole_file(target, force=force) as file:
        with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr(_info("README.txt", datetime.now()), README)
            for one in kept():
                left_out = one.name.startswith("cache/") and not with_cache
                if left_out or one.path.name == Path(file.name).name:
                    continue
                try:  # a session may be growing: what is there now is taken
                    data, changed = one.path.read_bytes(), one.path.stat().st_mtime
                except FileNotFoundError:  # gone meanwhile
                    continue
                except OSError as error:
                    raise HardwareError(f"cannot read {one.path} ({error.strerror or error}), so that not "
                                        "everything can be taken along: give read permission there") from None
                archive.writestr(_info(one.name, datetime.fromtimestamp(changed)), data)
                packed.append(one)
        file.flush()
        with zipfile.ZipFile(file) as archive:
            if (bad := archive.testzip()) is not None:
                raise HardwareError(f"{target} does not read back ({bad}): write it to another disk")
    return packed


def running() -> list[Path]:
    """Logs of sessions that are being recorded now."""
    return [one.path for one in kept() if one.path.suffix == ".jsonl" and is_being_written(one.path)]


def delete_everything() -> list[str]:
    """Remove it all and the folders; returns a sentence about each that could not be removed.

    UsageError while a session is running.
    """
    if now := running():
        raise UsageError(f"a session is being recorded ({now[0].name}): end it first")
    troubles = []

    def trouble(function: object, path: str, error: object) -> None:
        reason = error[1] if isinstance(error, tuple) else error
        if not isinstance(reason, FileNotFoundError):
            troubles.append(f"{path} could not be removed ({getattr(reason, 'strerror', None) or reason})")

    # The sessions are the truth: were this stopped half way, no index without logs may stay.
    for root in reversed(roots().values()):
        with contextlib.suppress(FileNotFoundError):
            for path in list(root.iterdir()) if root.is_symlink() else [root]:
                _remove(path, trouble)
    for path in rescued():
        _remove(path, trouble)
        if path.parent != Path(tempfile.gettempdir()):
            with contextlib.suppress(OSError):
                path.parent.rmdir()
    return troubles


def make_private() -> list[Path]:
    """Take from others the right to read any of it; returns what was changed."""
    changed = []
    for root in roots().values():
        for folder, _, names in os.walk(root):
            inside = [(Path(folder, name), FILE_MODE) for name in names]
            for path, mode in [(Path(folder), OWNER_ONLY_FOLDER), *inside]:
                with contextlib.suppress(OSError):
                    if not path.is_symlink() and path.stat().st_mode & 0o077:
                        path.chmod(mode | (path.stat().st_mode & 0o100))
                        changed.append(path)
    return changed


def open_folders() -> list[Path]:
    """Folders of the guard that others may look into."""
    found = []
    for root in roots().values():
        for folder, _, _ in os.walk(root):
            with contextlib.suppress(OSError):
                if os.name == "posix" and Path(folder).stat().st_mode & 0o077:
                    found.append(Path(folder))
    return found


def _files(root: Path) -> Iterator[Path]:
    for folder, folders, names in os.walk(root):
        folders.sort()
        for name in sorted(names):
            path = Path(folder, name)
            with contextlib.suppress(OSError):
                if stat.S_ISREG(path.lstat().st_mode):
                    yield path


def _kept(path: Path, name: str) -> Kept:
    state = path.lstat()
    return Kept(path, name, state.st_size, os.name != "posix" or not state.st_mode & 0o077)


def _is_own_log(path: Path) -> bool:
    state = path.lstat()
    if not stat.S_ISREG(state.st_mode) or path.suffix != ".jsonl":
        return False
    if hasattr(os, "getuid") and state.st_uid != os.getuid():
        return False
    with path.open("rb") as file:
        return file.read(len(LOG_BEGINS)) == LOG_BEGINS


def _remove(path: Path, trouble: object) -> None:
    try:
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path, onerror=trouble)  # type: ignore[arg-type]
        else:
            path.unlink(missing_ok=True)
    except OSError as error:
        trouble(None, str(path), error)  # type: ignore[operator]


def _info(name: str, changed: datetime) -> zipfile.ZipInfo:
    # A ZIP file knows no year before 1980 or after 2107 (APPNOTE 6.3, MS-DOS dates).
    year = min(max(changed.year, 1980), 2107)
    info = zipfile.ZipInfo(name, (year, *changed.timetuple()[1:6]))
    info.compress_type = zipfile.ZIP_DEFLATED
    info.external_attr = (stat.S_IFREG | FILE_MODE) << 16
    return info
