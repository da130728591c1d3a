"""Where rendered phrases are kept: folders that can be written to, and their upkeep."""

import contextlib
import os
import tempfile
import time
from collections.abc import Iterable
from pathlib import Path

MOST_CACHED = 3_000  # phrases: a few voices' worth (ours)


def writable(folder: Path) -> bool:
    """Whether a file can be made in `folder`, which is made if need be."""
    probe = folder / f".try-{os.getpid()}"
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        probe.write_bytes(b"x")
        probe.unlink()
    except OSError:
        return False
    return True


def temporary_folder(places: Iterable[str]) -> Path | None:
    """A new folder in the first of `places` that takes one, else where temporary files go."""
    for place in (*places, None):
        with contextlib.suppress(OSError):
            return Path(tempfile.mkdtemp(prefix="guard-phrases-", dir=place))
    return None


def prune(folder: Path) -> None:
    """Drop unfinished files of earlier runs and the oldest beyond a bound."""
    hour_ago_s = time.time() - 3_600
    with contextlib.suppress(OSError):
        for path in folder.glob(".*.wav"):
            if path.stat().st_mtime < hour_ago_s:
                path.unlink(missing_ok=True)
        kept = sorted(folder.glob("*.wav"), key=lambda path: path.stat().st_mtime, reverse=True)
        for path in kept[MOST_CACHED:]:
            path.unlink(missing_ok=True)
