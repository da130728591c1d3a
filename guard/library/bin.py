"""Deleted sessions wait in a bin beside the others until it is emptied."""

import contextlib
from pathlib import Path

from guard.errors import HardwareError, UsageError
from guard.files.folders import make_private
from guard.files.whole import remove
from guard.library.about import about_path
from guard.library.library import SessionEntry
from guard.log.file import is_being_written, numbered

BIN_FOLDER = "bin"


def bin_of(home: Path) -> Path:
    """The bin of the sessions folder `home`; it may not be there yet."""
    return home / BIN_FOLDER


def discard(entry: SessionEntry) -> Path:
    """Move a session and what was said about it to the bin; returns where it is now.

    Raises UsageError while the session is running, HardwareError where the
    folder does not allow it.
    """
    if is_being_written(entry.path):
        raise UsageError(f"{entry.name} is being recorded now: end that session first")
    return _move(entry.path, make_private(bin_of(entry.path.parent)))


def restore(entry: SessionEntry) -> Path:
    """Move a session from the bin back to where it was; returns where it is now."""
    return _move(entry.path, entry.path.parent.parent)


def empty(entries: list[SessionEntry]) -> int:
    """Remove these sessions of a bin for good; returns how many."""
    for entry in entries:
        for path in (about_path(entry.path), entry.path):
            remove(path)
    if entries:
        with contextlib.suppress(OSError):  # something else is in it
            entries[0].path.parent.rmdir()
    return len(entries)


def _move(log: Path, folder: Path) -> Path:
    # Of a name that is taken in the other folder, both are kept.
    target = next(path for path in numbered(folder / log.name)
                  if not path.exists() and not about_path(path).exists())
    try:
        # The words first: alone they are found again, a log without its title is not missed.
        with contextlib.suppress(FileNotFoundError):
            about_path(log).rename(about_path(target))
        log.rename(target)
    except OSError as error:
        with contextlib.suppress(OSError):
            about_path(target).rename(about_path(log))
        raise HardwareError(f"cannot move {log} to {folder} ({error.strerror or error}): "
                            "give write permission there") from None
    return target
