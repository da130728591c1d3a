"""Reading a session log, whatever state a crash, a power cut or an editor left it in.

A recording is what can be trusted of a log plus notes on what could not. The
file is never changed, except by `repair`, which only cuts a torn tail.
"""

import io
import json
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from guard.errors import InputError, SettingError
from guard.events import CueGiven, Input, Output, ReadingDoubted, StateChanged
from guard.files.whole import open_file
from guard.log.records import LONGEST_SESSION_S, Record, from_line, from_record
from guard.settings import RetiredSetting, Settings, check, find

LOG_FORMAT = 1  # of the log; a change that old readers cannot ignore needs a new number
LARGEST_LOG_BYTES = 1 << 28  # bytes; a day of readings is under 20 MB
LONGEST_LINE = 1 << 20  # bytes; far above any line the guard writes
MOST_SKIPS_NAMED = 20  # damaged lines; the rest is counted


@dataclass(frozen=True)
class Recording:
    """A session as read: `items` in file order, times in s since it began.

    `notes` says in plain words what was cut, skipped or not understood;
    `unknown` holds whole lines of types this version does not know; `summary`
    is None when the log has none; `interrupted` tells that it has no end line,
    `end_s` is then the last time seen. `damaged` tells that lines before the
    end are missing, so that a replay may differ.
    """

    header: Record
    items: tuple[Input | Output, ...] = ()
    notes: tuple[str, ...] = ()
    unknown: tuple[Record, ...] = ()
    summary: Record | None = None
    end_s: float = 0.0
    damaged: bool = False
    interrupted: bool = False
    settings: Settings = field(default_factory=Settings)

    @property
    def inputs(self) -> list[Input]:
        """What came in: everything a session is fed with."""
        return [item for item in self.items if not isinstance(item, CueGiven | StateChanged | ReadingDoubted)]

    @property
    def outputs(self) -> list[Output]:
        """What the guard said at the time."""
        return [item for item in self.items if isinstance(item, CueGiven | StateChanged | ReadingDoubted)]


def read_log(path: str | os.PathLike[str]) -> Recording:
    """Read the session log at `path`.

    Raises InputError, naming the file and the fix, when it cannot be opened
    or its first line is not that of a session log. Everything after the first
    line is taken as far as it goes: a torn or NUL tail is cut after the last
    whole line, a damaged line in between is skipped, and `notes` says so.
    """
    return parse_log(path, log_bytes(path))


def log_bytes(path: str | os.PathLike[str]) -> bytes:
    """The bytes of a log for `parse_log`; InputError where they cannot be read, or are too many for one."""
    try:
        with open_file(path) as file:
            data = file.read(LARGEST_LOG_BYTES + 1)
    except OSError as error:
        raise InputError(f"cannot read {path} ({error.strerror or error}): "
                         "check the name and that you may read it") from None
    if len(data) > LARGEST_LOG_BYTES:
        most_mb = LARGEST_LOG_BYTES >> 20
        raise InputError(f"{path} is far too large for a session log (over {most_mb} MB): move it away")
    return data


def parse_log(path: str | os.PathLike[str], data: bytes) -> Recording:
    """The same of a log's bytes; `path` stands in what is said of it."""
    header, body = parted(Path(path), data)
    return _body(Path(path), header, body)


def repair(path: str | os.PathLike[str]) -> int:
    """Cut a torn or NUL tail off the log at `path`; returns the bytes cut."""
    read_log(path)  # refuses what is not a log
    name = Path(path)
    try:
        with name.open("r+b") as file:
            data = file.read()
            kept = _whole_end(data)
            if kept < len(data):
                file.truncate(kept)
                os.fsync(file.fileno())
            return len(data) - kept
    except OSError as error:
        raise InputError(f"cannot repair {name} ({error.strerror or error}): "
                         "copy it to a folder you may write to and repair the copy") from None


def _whole_end(data: bytes) -> int:
    """Offset just after the last whole line that is neither NUL nor torn."""
    end = at = 0
    for raw in io.BytesIO(data):
        at += len(raw)
        if not raw.strip(b"\0"):
            break
        if not _torn(raw):
            end = at - (len(raw) - len(raw.rstrip(b"\0")))
    return end


def _line(raw: bytes) -> Record:
    """The object of a line, NULs at its end left out; ValueError for none, or one too long to be ours."""
    if len(raw) > LONGEST_LINE:
        raise json.JSONDecodeError("too long", "", 0)
    return from_line(raw.rstrip(b"\0"))


def _torn(raw: bytes) -> bool:
    """No newline at its end and not a whole JSON object either."""
    if raw.endswith(b"\n"):
        return False
    try:
        _line(raw)
    except ValueError:
        return True
    return False


def parted(name: Path, data: bytes) -> tuple[Record, bytes]:
    """The header of the log `name` and what follows it; InputError when its first line is not that of one."""
    begin = data.find(b"\n") + 1 or len(data)
    raw = data[:begin]
    if not raw:
        raise InputError(f"{name} is empty: no session was written to it")
    what = f"{name} is not a session log"
    fix = "give a .jsonl file of the guard, or make one from a CSV file with `guard import`"
    if raw.lstrip(b"\xef\xbb\xbf").startswith(b'{"type":"session"') and _torn(raw):
        raise InputError(f"{name} breaks off inside its first line: "
                         "the session ended before anything was kept")
    try:
        header = _line(raw.removeprefix(b"\xef\xbb\xbf"))
    except ValueError:
        raise InputError(f"{what}: its first line is not JSON; {fix}") from None
    if header.get("type") != "session":
        raise InputError(f"{what}: its first line does not say that it is one; {fix}")
    version = header.get("format")
    if type(version) is not int or version < 1:
        raise InputError(f"{what}: its first line has no usable format number; {fix}")
    if version > LOG_FORMAT:
        raise InputError(f"{name} was written by a newer guard (format {min(version, 10**6)}): "
                         "update the guard to read it")
    return header, data[begin:]


def _body(name: Path, header: Record, body: bytes) -> Recording:
    notes = _Notes()
    settings = settings_of(name, header, notes)
    items: list[Input | Output] = []
    unknown: list[Record] = []
    summary: object = None
    ended = False
    cut = ""
    fed_s = last_s = 0.0
    for number, raw in enumerate(io.BytesIO(body), start=2):
        if not raw.strip(b"\0"):
            cut = f"empty blocks after line {number - 1}, as a power cut leaves them, were cut off"
            break
        if not raw.strip():
            continue
        try:
            record = _line(raw)
            item = from_record(record)
            if item is None:
                end_s = _foreign(record, last_s, notes)
                last_s = max(last_s, end_s)
                if record.get("type") == "end":
                    ended, summary = True, record.get("summary")
                else:
                    unknown.append(record)
                continue
            # A timeout may be noticed, and so logged, after the input that came next.
            if not isinstance(item, CueGiven | StateChanged | ReadingDoubted):
                if item.t_s < fed_s:
                    raise ValueError(f"its time {item.t_s:g} s lies before that of a line above")
                fed_s = item.t_s
        except ValueError as error:
            if not raw.endswith(b"\n"):
                cut = f"the last line (line {number}) breaks off and was cut"
                break
            notes.skipped(f"line {number} skipped: {_cause(error)}")
            continue
        items.append(item)
        last_s = max(last_s, item.t_s)
    if not ended:
        notes.tail("the session was interrupted: its log has no end" + (f": {cut}" if cut else ""))
    elif cut:
        notes.tail(cut)
    totals = summary if isinstance(summary, dict) and summary else None
    return Recording(header, tuple(items), notes.all(), tuple(unknown), totals, last_s,
                     notes.damaged, not ended, settings)


class _Notes:
    """Collects notes; a file full of junk gets a count, not a flood."""

    def __init__(self) -> None:
        self._skips: list[str] = []
        self._count = 0
        self._others: list[str] = []
        self.damaged = False

    def skipped(self, note: str) -> None:
        self.damaged = True
        self._count += 1
        if len(self._skips) < MOST_SKIPS_NAMED:
            self._skips.append(note)

    def tail(self, note: str) -> None:
        self._others.append(note)

    def all(self) -> tuple[str, ...]:
        more = self._count - len(self._skips)
        rest = [f"{more} more lines skipped"] if more else []
        return (*self._skips, *rest, *self._others)


def _foreign(record: Record, last_s: float, notes: _Notes) -> float:
    """Time of a line that is no event, and a note if it tells of lost lines."""
    if record.get("type") == "gap":
        lost = record.get("lines")
        notes.skipped(f"{lost if type(lost) is int and 0 < lost < 10**9 else 'some'} lines are missing: "
                      "they could not be written at the time")
    t_s = record.get("t")
    usable = type(t_s) in (int, float) and 0 <= t_s <= LONGEST_SESSION_S  # type: ignore[operator]
    return float(t_s) if usable else last_s  # type: ignore[arg-type]


def _cause(error: ValueError) -> str:
    if type(error) is ValueError:
        return str(error)
    return "it is not UTF-8 text" if isinstance(error, UnicodeDecodeError) else "it is not whole JSON"


def settings_of(name: Path, header: Mapping[str, object], notes: _Notes) -> Settings:
    """The settings the session was made with; what is not known any more is noted."""
    stored = header.get("settings")
    values: dict[str, object] = {}
    retired: list[str] = []
    for key, value in (stored if isinstance(stored, dict) else {}).items():
        try:
            values[key] = check(find(key), value)
        except RetiredSetting:
            retired.append(key)
        except SettingError as error:
            notes.tail(f"a setting of the log was left out: {error}")
    if retired:
        notes.tail(f"left out of the log's settings, as they no longer exist: {', '.join(retired)} "
                   f"(`guard settings {retired[0]}` says what became of it)")
    try:
        return Settings().replaced(values)
    except SettingError as error:
        raise InputError(f"{name} holds settings that contradict each other ({error}): "
                         "correct its first line") from None
