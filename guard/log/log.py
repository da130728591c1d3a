"""The session log: JSON Lines that survive a crash, a power cut and a full disk.

Line 1 is the header, then one line an event as it happens, last the end with
the summary (`guard.log.records` has the forms, `guard.log.recording` reads
them back). Each line is one write; the file is synced to disk every 3 s and at
once for what matters. When the disk fails the session goes on: lines wait in
memory and are tried again.

Writing blocks while the disk is slow; call it from a thread of its own.
"""

import os
import tempfile
import time
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from datetime import datetime
from pathlib import Path

from guard import __version__
from guard.events import CueGiven, Input, Link, Output
from guard.files.folders import sessions_dir
from guard.files.whole import write_whole
from guard.log.file import LogFile, numbered
from guard.log.recording import LOG_FORMAT, Recording, read_log, repair
from guard.log.records import Record, from_record, to_line, to_record
from guard.settings import Settings

__all__ = ["Recording", "SessionLog", "from_record", "new_session_path", "read_log", "repair",
           "session_header", "to_record", "write_recording"]

SYNC_EVERY_S = 3.0  # so that with a slow disk and a late tick at most 5 s are ever lost
RETRY_EVERY_S = 2.0  # between tries of a disk that failed (ours)
KEPT_BYTES = 8 << 20  # lines that wait in memory; about a day of readings


def session_header(
    settings: Settings | Mapping[str, object],
    *,
    started: datetime | None,
    clock_trusted: bool,
    plan: Mapping[str, object] | None = None,
    source: Mapping[str, object] | None = None,
) -> Record:
    """The first line of a log. `started` is wall time, for people only."""
    return {
        "type": "session",
        "format": LOG_FORMAT,
        "started": started.isoformat(timespec="seconds") if started else None,
        "clock_trusted": clock_trusted,
        "guard": __version__,
        "settings": settings.as_dict() if isinstance(settings, Settings) else dict(settings),
        "plan": dict(plan) if plan else None,
        "source": dict(source or {}),
    }


def new_session_path(started: datetime, folder: Path | None = None) -> Path:
    """A name not yet taken, such as 2026-03-02_0610.jsonl, in the sessions folder."""
    home = sessions_dir() if folder is None else folder
    names = numbered(home / f"{started.strftime('%Y-%m-%d_%H%M')}.jsonl")
    return next(path for path in names if not path.exists())


class SessionLog:
    """Writes one session to `path`, or to its name with a number when that is taken.

    `report` gets one plain sentence when writing begins to fail (False) and
    one when it works again (True). `clock` is monotonic, in s. No disk error is
    ever raised: what cannot be written waits in memory.
    """

    def __init__(
        self,
        path: Path,
        header: Mapping[str, object],
        *,
        clock: Callable[[], float] = time.monotonic,
        report: Callable[[str, bool], None] | None = None,
    ) -> None:
        self._file = LogFile(path)
        self._clock = clock
        self._report = report or (lambda sentence, works: None)
        self._waiting: deque[bytes] = deque()
        self._lost_lines = self._gaps = 0
        self._failing = False
        self._retry_at_s = 0.0
        self._synced_at_s = clock()
        self._last_t_s = 0.0
        self._put(to_line(header))
        self.sync()

    @property
    def path(self) -> Path:
        """Where the log is; another guard may have taken the name asked for."""
        return self._file.path

    @property
    def failing(self) -> bool:
        """Whether lines wait in memory because they cannot be written."""
        return self._failing

    def write(self, item: Input | Output) -> None:
        """Add one event; cues and link changes are on disk when this returns."""
        self._last_t_s = max(self._last_t_s, item.t_s)
        self._put(to_line(to_record(item)))
        if isinstance(item, CueGiven | Link):
            self.sync()

    def tick(self) -> None:
        """Sync or try again if that is due; call it every second or so when idle."""
        if self._failing and self._clock() >= self._retry_at_s:
            self._drain()
        self._sync_if_due()

    def sync(self) -> None:
        """Ask the disk to keep what was written so far, and see that it is where it belongs."""
        if self._failing:
            return
        self._synced_at_s = self._clock()
        try:
            self._file.sync()
        except OSError as error:
            self._fail(error.strerror or str(error))
            return
        if not self._file.in_place():
            self._fail("it was removed or moved away")

    def close(self, summary: Mapping[str, object], t_s: float | None = None) -> Path | None:
        """Write the end and close; returns where the whole session is kept.

        That is `path`, or a rescue file in the temporary folder when `path`
        cannot be written even now; None when neither could be.
        """
        t_s = self._last_t_s if t_s is None else t_s
        self._put(to_line({"t": t_s, "type": "end", "summary": dict(summary)}))
        for _ in range(2):  # what fails now is tried once more, at once
            if self._failing:
                self._drain()
            self.sync()
        kept = self._rescue() if self._failing else self.path
        self._file.close()
        return kept

    def _put(self, line: bytes) -> None:
        self._waiting.append(line)
        if not self._failing or self._clock() >= self._retry_at_s:
            self._drain()
        while self._waiting_bytes > KEPT_BYTES and len(self._waiting) > 2:
            # The first waiting line may be half written (or the header): it stays.
            del self._waiting[1]
            self._lost_lines += 1
        self._sync_if_due()

    @property
    def _waiting_bytes(self) -> int:
        return sum(map(len, self._waiting))

    def _sync_if_due(self) -> None:
        if self._clock() - self._synced_at_s >= SYNC_EVERY_S:
            self.sync()

    def _drain(self) -> None:
        """Write what waits, oldest first, as far as the disk takes it."""
        try:
            if self._failing:
                self._restore()
            while self._waiting:
                line = self._waiting[0]
                written = self._file.write(line)
                if written == len(line):
                    self._waiting.popleft()
                    self._mark_gap()
                else:
                    # A full disk takes part of a line; the rest must follow it.
                    self._waiting[0] = line[written:]
            if self._failing:
                self._file.sync()
        except OSError as error:
            self._fail(error.strerror or str(error))
            return
        if self._failing:
            self._failing = False
            self._synced_at_s = self._clock()
            self._report(f"recording again, nothing is missing in {self.path}" if not self._gaps
                         else f"recording again, with a gap in {self.path}", True)

    def _restore(self) -> None:
        again = self._file.restore()
        if again:
            # It may end inside the line that waits first: the two belong together.
            first = self._waiting.popleft() if self._waiting else b""
            self._waiting.appendleft(again + first)

    def _mark_gap(self) -> None:
        if not self._lost_lines:
            return
        self._gaps += 1
        line = to_line({"t": self._last_t_s, "type": "gap", "lines": self._lost_lines})
        self._waiting.appendleft(line)
        self._lost_lines = 0

    def _fail(self, why: str) -> None:
        self._retry_at_s = self._clock() + RETRY_EVERY_S
        if not self._failing:
            self._failing = True
            # The point first: a narrow screen cuts the path off.
            self._report(f"not recording ({why}): free some space or give write permission; the guard "
                         f"goes on, keeps it in memory and tries again to write {self.path}", False)

    def _rescue(self) -> Path | None:
        """The whole session in the temporary folder, when its own place fails."""
        try:
            data = self._so_far()
            fd, name = tempfile.mkstemp(prefix=f"guard-{self.path.stem}-", suffix=".jsonl")
            with os.fdopen(fd, "wb") as file:
                file.write(data)
                if self._waiting:
                    file.write(self._waiting.popleft())
                self._mark_gap()
                file.writelines(self._waiting)
                file.flush()
                os.fsync(file.fileno())
        except OSError as error:
            self._report(f"the log {self.path} is not complete and could not be kept elsewhere either "
                         f"({error.strerror or error})", False)
            return None
        self._report(f"the log {self.path} could not be written; the whole session is in {name}: "
                     "move it from there", False)
        return Path(name)

    def _so_far(self) -> bytes:
        try:
            return self._file.whole()
        except OSError:
            return self.path.read_bytes()


def write_recording(path: Path, header: Mapping[str, object], items: Iterable[Input | Output],
                    *, summary: Mapping[str, object] | None = None, force: bool = False) -> None:
    """Write a whole log at once (an import); all of it appears or nothing.

    An existing file is refused (UsageError) unless `force`.
    """
    def lines() -> Iterable[bytes]:
        yield to_line(header)
        t_s = 0.0
        for item in items:
            t_s = item.t_s
            yield to_line(to_record(item))
        yield to_line({"t": t_s, "type": "end", "summary": dict(summary or {})})

    write_whole(path, lines(), force=force)
