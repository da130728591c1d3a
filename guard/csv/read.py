"""A recording from a CSV file: columns named by the user, all else found and said.

The rows become what a live session gets, so that a replay cannot tell the
difference: readings, and speeds with grade where the file has them.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from itertools import pairwise
from pathlib import Path

import numpy as np

from guard.arrays import Floats
from guard.csv.columns import YES_NO, ColumnNames, Form, unit_in
from guard.csv.series import GRADE_GAP_S, beats_to_readings, numbers, speeds_of
from guard.csv.table import Table, number, open_table
from guard.csv.times import (
    TimeForm,
    begun_on,
    commands,
    form_beside_date,
    in_order,
    over_midnight,
    pauses,
    said,
    time_form,
)
from guard.errors import InputError, UsageError, number_of, quoted
from guard.events import Input, Reading
from guard.log.log import session_header
from guard.log.records import BPM_LIMIT, LONGEST_SESSION_S, Record

RR_UNITS_S = {"ms": 0.001, "s": 1.0}


@dataclass(frozen=True)
class Imported:
    """The recording made; `notes` say how each column was read and what was left out."""

    header: Record
    items: tuple[Input, ...]
    notes: tuple[str, ...]


def import_csv(path: Path, columns: ColumnNames, form: Form | None = None) -> Imported:
    """Read the CSV file at `path` as a recording that begins at 0 s.

    Raises InputError or UsageError, with the fix, when a column is missing or
    cannot be understood, or when the rows are not one recording.
    """
    form = form or Form()
    _check(columns)
    table = open_table(path, [*columns.named().values(), *columns.where], form.separator)
    notes = list(table.notes)
    lines, cells = _taken(table, columns)
    t_s, keep, started = _times(table, columns, form, lines, cells, notes)
    lines = [lines[row] for row in keep]
    cells = {what: [texts[row] for row in keep] for what, texts in cells.items()}
    order, shift_s = in_order(table, lines, t_s, notes)
    t_s = t_s[order]
    cells = {what: [texts[row] for row in order] for what, texts in cells.items()}
    readings = _readings(table, columns, form, t_s, cells, notes)
    speeds = speeds_of(table, columns, form, t_s, cells, notes)
    if not any(reading.bpm for reading in readings):
        raise InputError(f"{path} gives no heart rate at all: check the column and its unit")
    # What a strap itself sent, beats or skin contact, has no rows but its own: a gap is a lost signal.
    own = columns.heart_rate is None or columns.contact is not None
    paused = [] if own else pauses(t_s, readings)
    notes += said(paused, readings)
    _say_gaps(readings, paused, notes)
    source = {"kind": "csv", "file": path.name, "columns": columns.named(), "where": dict(columns.where),
              "shift_s": shift_s, "notes": notes,
              **({"speed_from": form.speed_from} if form.speed_from and columns.speed else {})}
    header = session_header({}, started=started, clock_trusted=started is not None, source=source)
    # The speed that holds comes before the reading of the same moment.
    items: list[Input] = sorted(
        [*commands(paused), *speeds, *readings], key=lambda item: (item.t_s, isinstance(item, Reading)))
    return Imported(header, tuple(items), tuple(notes))


def _check(columns: ColumnNames) -> None:
    if columns.heart_rate is None and columns.rr is None:
        raise UsageError("no heart rate is named: add --heart-rate COLUMN, or --rr COLUMN for beat intervals")
    if columns.time is None and columns.heart_rate is not None:
        raise UsageError("no time is named: add --time COLUMN (only beat intervals alone need none)")
    if columns.altitude is not None and columns.speed is None:
        raise UsageError("--altitude needs --speed too: grade is rise over distance run")
    if columns.altitude is not None and columns.grade is not None:
        raise UsageError("--altitude and --grade both give the grade: name one of them")


def _taken(table: Table, columns: ColumnNames) -> tuple[list[int], dict[str, list[str]]]:
    """Line numbers and cells of the columns taken, of the rows that `where` keeps."""
    places = {what: table.index(column) for what, column in columns.named().items()}
    wanted = {table.index(column): value.strip() for column, value in columns.where.items()}
    widest = max([*places.values(), *wanted])
    lines: list[int] = []
    cells: dict[str, list[str]] = {what: [] for what in places}
    seen: Counter[str] = Counter()
    longer = rows = 0
    for line, row in table.rows():
        rows += 1
        longer += len(row) > len(table.columns) and any(cell.strip() for cell in row[len(table.columns):])
        if len(row) <= widest:
            row = row + [""] * (widest + 1 - len(row))
        if wanted:
            seen[", ".join(row[place].strip() for place in wanted)] += 1
            if not all(_equal(row[place], value) for place, value in wanted.items()):
                continue
        lines.append(line)
        for what, place in places.items():
            cells[what].append(row[place])
    if longer * 2 > rows:
        raise InputError(f"{table.path} has rows with more cells than its header: numbers with decimal "
                         "commas need quotes or another separator; save it with semicolons")
    if not lines:
        values = ", ".join(quoted(value) for value in list(seen)[:10])
        raise InputError(f"{table.path} has no row where {_where(columns)}"
                         + (f"; values there: {values}" if values else ": it holds no data"))
    return lines, cells


def _where(columns: ColumnNames) -> str:
    return " and ".join(f"{name}={value}" for name, value in columns.where.items()) or "there is data"


def _equal(cell: str, value: str) -> bool:
    if cell.strip() == value:
        return True
    left, right = number(cell), number(value)
    return left is not None and left == right


def _times(
    table: Table, columns: ColumnNames, form: Form, lines: Sequence[int],
    cells: Mapping[str, Sequence[str]], notes: list[str],
) -> tuple[Floats, list[int], datetime | None]:
    """Seconds of the rows that have a time, which rows those are, and the wall time of the first."""
    if columns.time is None:
        intervals = _rr_seconds(table, columns, form, cells["rr"])
        keep = [row for row, rr in enumerate(intervals) if np.isfinite(rr)]
        if not keep:
            raise InputError(f"{table.path} gives no beat interval at all: check the column and its unit")
        notes.append("times are the beat intervals added up")
        return np.cumsum(intervals[keep]), keep, begun_on(form.day, 0.0, notes)
    unit = form.time_unit or unit_in(columns.time, "time") or "s"
    day: date | None = None
    cells_read: Sequence[str] = cells["time"]
    if columns.date is None:
        read = time_form(columns.time, cells_read, unit=unit, date_order=form.date_order)
    else:
        read, cells_read, day = form_beside_date(columns.date, cells["date"], columns.time, cells_read,
                                                 unit=unit, date_order=form.date_order)
    notes.append(f"times read as {read.words}")
    values = [read.seconds(cell) for cell in cells_read]
    keep = [row for row, value in enumerate(values) if value is not None]
    if len(keep) < len(values):
        odd = next(row for row, value in enumerate(values) if value is None)
        notes.append(f"{number_of(len(values) - len(keep), 'row')} without a time left out "
                     f"(first: line {lines[odd]}, {quoted(cells['time'][odd])})")
    seconds = [value for value in values if value is not None]
    if read.wraps and over_midnight(seconds):
        notes.append("the times pass midnight: a day was added")
    started = _start(read, seconds)
    if started is not None and form.day is not None and started.date() != form.day:
        raise UsageError(f"--date {form.day} is not the day that the times tell ({started.date()}): "
                         "leave it out")
    of_day = min(seconds) if read.wraps and 3600.0 <= min(seconds) < 86_400.0 else 0.0
    if started is None and columns.wall is not None:
        started = _by_the_wall(columns.wall, cells["wall"], form, values)
    return np.array(seconds), keep, started or begun_on(day or form.day, of_day, notes)


def _by_the_wall(
    column: str, cells: Sequence[str], form: Form, seconds: Sequence[float | None],
) -> datetime | None:
    """When the first time was, by the first row that has a date beside its time."""
    read = time_form(column, cells, date_order=form.date_order)
    known = ((value, at_s) for cell, at_s in zip(cells, seconds, strict=True)
             if at_s is not None and (value := read.seconds(cell)) is not None)
    value, at_s = next(known, (0.0, 0.0))
    return _start(read, [value - at_s + min(one for one in seconds if one is not None)])


def _start(form: TimeForm, seconds: Sequence[float]) -> datetime | None:
    if not form.dated:
        return None
    try:
        return datetime.fromtimestamp(min(seconds)).astimezone()
    except (ValueError, OverflowError, OSError):
        return None


def _rr_unit(columns: ColumnNames, form: Form) -> str:
    return form.rr_unit or unit_in(columns.rr or "", "rr") or "ms"


def _rr_seconds(table: Table, columns: ColumnNames, form: Form, cells: Sequence[str]) -> Floats:
    read_in = _rr_unit(columns, form)
    rr_s = numbers(cells) * RR_UNITS_S[read_in]
    rr_s = np.where((rr_s > 0) & (rr_s < LONGEST_SESSION_S), rr_s, np.nan)
    known = rr_s[np.isfinite(rr_s)]
    if len(known) and not 0.15 <= float(np.median(known)) <= 4.0:
        other = next(unit for unit in RR_UNITS_S if unit != read_in)
        raise UsageError(f"{table.path}: beat intervals read in {read_in} have a median of "
                         f"{float(np.median(known)):g} s, which is no heart rate: try --rr-unit {other}")
    return rr_s


def _readings(
    table: Table, columns: ColumnNames, form: Form, t_s: Floats,
    cells: Mapping[str, Sequence[str]], notes: list[str],
) -> list[Reading]:
    if columns.heart_rate is None:
        rr_s = _rr_seconds(table, columns, form, cells["rr"])
        missing = int(np.count_nonzero(~np.isfinite(rr_s)))
        notes.append("heart rate made from beat intervals as a strap does: one reading a second, "
                     "60 / mean of the last 5 s, intervals outside 0.2 to 3 s not in the mean"
                     + (f"; {number_of(missing, 'row')} without an interval" if missing else ""))
        return list(beats_to_readings(t_s, rr_s))
    bpm = numbers(cells["heart_rate"])
    usable = np.isfinite(bpm) & (bpm >= 0) & (bpm <= BPM_LIMIT)
    zeros = int(np.count_nonzero(bpm == 0))
    if not usable.all():
        notes.append(f"{number_of(int(np.count_nonzero(~usable)), 'row')} without a heart rate left out")
    if zeros:
        notes.append(f"{number_of(zeros, 'row')} with a heart rate of 0: kept as no signal")
    if np.any(bpm[usable] % 1):
        notes.append("heart rates rounded to whole beats a minute")
    unit_s, none = RR_UNITS_S[_rr_unit(columns, form)], [""] * len(t_s)
    intervals = [_several_rr(cell, unit_s) for cell in cells.get("rr", none)]
    contacts = [YES_NO.get(cell.strip().casefold()) for cell in cells.get("contact", none)]
    by_time: dict[float, Reading] = {}
    for row in np.flatnonzero(usable):
        moment = round(float(t_s[row]), 3)
        by_time[moment] = Reading(moment, round(float(bpm[row])), contacts[row], intervals[row])
    doubled = int(np.count_nonzero(usable)) - len(by_time)
    if doubled:
        notes.append(f"{number_of(doubled, 'row')} with the time of another: the last of each time is kept")
    return list(by_time.values())


def _several_rr(cell: str, unit_s: float) -> tuple[float, ...]:
    """One or several intervals in a cell, divided by spaces, semicolons or bars."""
    parts = cell.replace(";", " ").replace("|", " ").split()
    values = [value * unit_s for part in parts if (value := number(part)) is not None]
    return tuple(value for value in values if 0 < value < LONGEST_SESSION_S)


def _say_gaps(
    readings: Sequence[Reading], paused: Sequence[tuple[float, float]], notes: list[str]
) -> None:
    gaps = [b.t_s - a.t_s for a, b in pairwise(readings) if b.t_s - a.t_s > GRADE_GAP_S
            and not any(begin_s < b.t_s and end_s > a.t_s for begin_s, end_s in paused)]
    if gaps:
        notes.append(f"no reading for over {GRADE_GAP_S:g} s: {len(gaps)} times, at most {max(gaps):.0f} s")
