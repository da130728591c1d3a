"""The library of sessions: every log of a folder in short.

The logs are the truth. An index in the cache folder spares reading those that
have not changed; when it is missing, old or damaged it is made anew from them.
"""

import contextlib
import os
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path

from guard.errors import InputError
from guard.files.cache import cache_of, read_cached, write_cached
from guard.files.folders import data_dir, make_private, sessions_dir
from guard.library.about import SUFFIX, read_about
from guard.library.facts import SessionFacts, facts_from, facts_of

INDEX_FORMAT = 1  # a change in what facts_of finds needs a new number
MADE_FOR = {"format": INDEX_FORMAT}
Stamp = tuple[int, int]  # size in bytes, mtime in ns


@dataclass(frozen=True, kw_only=True)
class SessionEntry(SessionFacts):
    """One session log in short. `path` and the pair `size`, `mtime_ns` name it and its state.

    Beside its facts `about`: what the runner said afterwards, `title` and `tags` among it.
    """

    path: Path
    size: int
    mtime_ns: int
    about: Mapping[str, object] = field(default_factory=dict)

    @property
    def fingerprint(self) -> str:
        """Changes whenever the log does; for caches of what was worked out from it."""
        return f"{self.size:x}-{self.mtime_ns:x}"

    @property
    def name(self) -> str:
        """What the session is called on the command line: its file without the ending."""
        return self.path.stem

    @property
    def began(self) -> datetime | None:
        """Wall time of the start, aware; None when no clock could tell."""
        return datetime.fromisoformat(self.started) if self.started else None

    @property
    def title(self) -> str:
        value = self.about.get("title")
        return value if isinstance(value, str) else ""

    @property
    def tags(self) -> tuple[str, ...]:
        value = self.about.get("tags")
        return tuple(tag for tag in value if isinstance(tag, str)) if isinstance(value, list) else ()

    @property
    def share_at_or_under(self) -> float | None:
        """Of the time with a trusted heart rate, 0 to 1; None where unknown."""
        under, over = self.summary.get("at_or_under_s"), self.summary.get("over_s")
        if not isinstance(under, float | int) or not isinstance(over, float | int) or under + over <= 0:
            return None
        return float(under / (under + over))

    @property
    def cue_count(self) -> int:
        cues = self.summary.get("cues")
        return sum(cues.values()) if isinstance(cues, dict) else 0

    def ran_on(self) -> date | None:
        """The day it began, by the clock of where it was run."""
        return self.began.date() if self.began else None


def rehearsals_dir(make: bool = True) -> Path:
    """Logs of rehearsals, kept apart from sessions."""
    folder = data_dir(make) / "rehearsals"
    return make_private(folder) if make else folder


def sessions(
    folder: Path | None = None,
    *,
    progress: Callable[[int, int], None] | None = None,
    warn: Callable[[str], None] = lambda sentence: None,
) -> list[SessionEntry]:
    """Every session log (`*.jsonl`) in `folder`, oldest first; the sessions folder by default.

    A file that is no session log is in the list too, with its `problem`.
    `progress` gets (logs read, logs to read) while new ones are read; `warn`
    a sentence about anything else. Raises InputError when the folder is there
    but cannot be read; a missing one holds no sessions.
    """
    home = (sessions_dir(make=False) if folder is None else folder).absolute()
    logs, abouts = _found(home)
    index = cache_of("library", home)
    known = _read_index(index)
    new = [name for name, stamp in logs.items() if name not in known or known[name][0] != stamp]
    for done, name in enumerate(new):
        if progress:
            progress(done, len(new))
        known[name] = (logs[name], facts_of(home / name))
    if progress and new:
        progress(len(new), len(new))
    if new or known.keys() != logs.keys():
        write_cached(index, MADE_FOR, {name: [*known[name][0], asdict(known[name][1])] for name in logs})
    entries = [
        SessionEntry(**vars(known[name][1]), path=home / name, size=size, mtime_ns=mtime_ns,
                     about=read_about(home / name, warn) if name.removesuffix(".jsonl") in abouts else {})
        for name, (size, mtime_ns) in logs.items()]
    return sorted(entries, key=_by_time)


def _by_time(entry: SessionEntry) -> tuple[datetime, str]:
    started = entry.began if entry.clock_trusted else None
    with contextlib.suppress(OverflowError, ValueError, OSError):
        # No clock could tell when it began: it was last written about when it ended.
        started = started or datetime.fromtimestamp(entry.mtime_ns / 1e9, UTC)
    return started or datetime.min.replace(tzinfo=UTC), entry.path.name


def _found(home: Path) -> tuple[dict[str, Stamp], set[str]]:
    """Logs with their stamps, and the stems that have words about them."""
    logs: dict[str, Stamp] = {}
    abouts: set[str] = set()
    try:
        with os.scandir(home) as places:
            for place in places:
                if place.name.startswith("."):
                    continue
                if place.name.endswith(SUFFIX):
                    if place.is_file():  # a pipe would be waited for
                        abouts.add(place.name.removesuffix(SUFFIX))
                elif place.name.endswith(".jsonl"):
                    with contextlib.suppress(OSError):  # gone meanwhile
                        if place.is_file():
                            state = place.stat()
                            logs[place.name] = (state.st_size, state.st_mtime_ns)
    except FileNotFoundError:
        return {}, set()
    except OSError as error:
        raise InputError(f"cannot read the folder {home} ({error.strerror or error}): "
                         "check that it is a folder you may read") from None
    return logs, abouts


# -- the index

def _read_index(path: Path) -> dict[str, tuple[Stamp, SessionFacts]]:
    """What is known by file name; empty when the index is missing or not whole."""
    kept = read_cached(path, MADE_FOR)
    try:
        return {name: ((int(size), int(mtime_ns)), facts_from(stored))
                for name, (size, mtime_ns, stored) in (kept if isinstance(kept, dict) else {}).items()}
    except (ValueError, TypeError, AttributeError):
        return {}
