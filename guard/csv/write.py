"""A recording as CSV for spreadsheets: one row a reading. Pure but for the format.

Cues and changes of state between two readings (a lost signal) get rows of
their own, with no heart rate.
"""

import csv
import io
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import chain

from guard.events import CueGiven, Input, Mark, Output, Reading, ReadingDoubted, Speed, StateChanged
from guard.library.facts import began
from guard.log.recording import Recording
from guard.reasons import reason
from guard.session.speeds import Speeds

EXPORT_COLUMNS = ("t_s", "wall_time", "bpm", "trusted", "contact", "speed_m_s", "grade",
           "state", "cue", "reason", "mark")
# A spreadsheet takes text that begins so for a formula (common practice: quote it).
# The wide forms count where East Asian text is written.
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "＝", "＋", "－", "＠")
_YES_NO = {True: "yes", False: "no", None: ""}

_ORDER = {Speed: 0, Reading: 1, ReadingDoubted: 2, Mark: 3, StateChanged: 4, CueGiven: 5}


@dataclass
class _Row:
    t_s: float
    reading: Reading | None = None
    trusted: bool | None = None
    speed: Speed | None = None
    state: str = ""
    cues: list[str] = field(default_factory=list)
    reasons: list[str] = field(default_factory=list)
    mark: str = ""


def csv_chunks(recording: Recording) -> Iterator[bytes]:
    """The file piece by piece, UTF-8, comma separated, lines ended as RFC 4180 says."""
    buffer = io.StringIO()
    writer = csv.writer(buffer)
    starts = began(recording)
    judged = bool(recording.outputs)
    for cells in chain([EXPORT_COLUMNS], (_cells(row, starts, judged) for row in _rows(recording))):
        writer.writerow(cells)
        yield buffer.getvalue().encode("utf-8", "replace")
        buffer.seek(0)
        buffer.truncate()


def table_csv(columns: Sequence[str], rows: Iterable[Iterable[object]]) -> str:
    """A table as RFC 4180 has it, its texts safe for a spreadsheet."""
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(columns)
    writer.writerows([safe_text(cell) if isinstance(cell, str) else cell for cell in row] for row in rows)
    return text.getvalue()


def safe_text(text: str) -> str:
    """Text that no spreadsheet takes for a formula and no terminal for a command.

    >>> safe_text("=1+1"), safe_text("hill")
    ("'=1+1", 'hill')
    """
    plain = "".join(ch if ch.isprintable() else " " for ch in text)
    return "'" + plain if text.startswith(_FORMULA) or plain.startswith(_FORMULA) else plain


def _rows(recording: Recording) -> Iterator[_Row]:
    taken = [item for item in recording.items if type(item) in _ORDER]
    taken.sort(key=lambda item: (item.t_s, _ORDER[type(item)]))
    speeds = Speeds()
    state = ""
    row: _Row | None = None
    for item in taken:
        if isinstance(item, Speed):
            speeds.take(item)
            continue
        shows = isinstance(item, CueGiven | StateChanged | Mark) and (row is None or row.t_s != item.t_s)
        if shows or isinstance(item, Reading):
            if row is not None:
                yield row
            row = _Row(item.t_s, speed=speeds.known(item.t_s), state=state)
        if row is None:
            continue
        _add(row, item)
        state = row.state
    if row is not None:
        yield row


def _add(row: _Row, item: Input | Output) -> None:
    match item:
        case Reading():
            row.reading, row.trusted = item, True
        case ReadingDoubted():
            if row.t_s == item.t_s:
                row.trusted = False
                row.reasons.append(reason(item))
        case StateChanged():
            row.state = item.state.key
            row.reasons.append(reason(item))
        case CueGiven():
            row.cues.append(item.cue.key)
            row.reasons.append(reason(item))
        case Mark():
            row.mark = str(item.value) if item.value is not None else "mark"


def _cells(row: _Row, starts: datetime | None, judged: bool) -> list[str]:
    reading, speed = row.reading, row.speed
    wall = ""
    if starts is not None:
        wall = (starts + timedelta(seconds=row.t_s)).isoformat(timespec="milliseconds")
    return [
        repr(row.t_s),
        wall,
        "" if reading is None else str(reading.bpm),
        _YES_NO[row.trusted] if judged and reading is not None else "",
        "" if reading is None else _YES_NO[reading.contact],
        "" if speed is None or speed.speed_m_s is None else repr(speed.speed_m_s),
        "" if speed is None or speed.grade is None else repr(speed.grade),
        row.state,
        "; ".join(row.cues),
        safe_text("; ".join(dict.fromkeys(filter(None, row.reasons)))),
        safe_text(row.mark),
    ]
