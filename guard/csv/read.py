"""A recording from a CSV file: columns named by the user, all else found and said.

The rows become what a live session gets, so that a replay cannot tell the
difference: readings, and speeds with grade where the file has them.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from itertools import pairwise
from pathlib import Path

import numpy as np

from guard.csv.order import in_order
from guard.csv.series import (
    GAP_S,
    Floats,
    beats_to_readings,
    smoothed_grade,
    to_m_s,
)
from guard.csv.table import Table, number, open_table, shown
from guard.csv.times import TimeForm, begun_on, form_beside_date, over_midnight, time_form
from guard.errors import InputError, UsageError
from guard.events import Input, Reading, Speed
from guard.log.log import session_header
from guard.log.records import BPM_LIMIT, LONGEST_S, Record

RR_UNITS_S = {"ms": 0.001, "s": 1.0}
FASTEST_M_S = 8.0  # a median over this is no running
TOP_SPEED_M_S = 100.0
STANDING = re.compile(r"[-\N{EN DASH}]+[:'][-\N{EN DASH}]+\"?")  # a pace of somebody who stands: --:--
PAUSED_S, PAUSED_TIMES = 5.0, 4.0  # rows that are missing for longer, and for so many usual steps


@dataclass(frozen=True)
class Columns:
    """Names (or numbers from 1, without a header) of the columns to take.

    `where` keeps only rows whose column holds the value, e.g. {"ID": "1"}.
    """

    time: str | None = None
    heart_rate: str | None = None
    rr: str | None = None
    speed: str | None = None
    altitude: str | None = None
    date: str | None = None
    where: Mapping[str, str] = field(default_factory=dict)

    def named(self) -> dict[str, str]:
        """What is taken from where, leaving out what is not taken."""
        taken = {"time": self.time, "heart_rate": self.heart_rate, "rr": self.rr,
                 "speed": self.speed, "altitude": self.altitude, "date": self.date}
        return {what: column for what, column in taken.items() if column is not None}


@dataclass(frozen=True)
class Form:
    """How the columns are written; None finds it out."""

    separator: str | None = None
    time_unit: str = "s"
    date_order: str | None = None
    rr_unit: str = "ms"
    speed_unit: str | None = None
    day: date | None = None  # of a file whose times tell none
    speed_from: str | None = None  # what told the speed


@dataclass(frozen=True)
class Imported:
    """The recording made; `notes` say how each column was read and what was left out."""

    header: Record
    items: tuple[Input, ...]
    notes: tuple[str, ...]


def import_csv(path: Path, columns: Columns, form: Form | None = None) -> Imported:
    """Read the CSV file at `path` as a recording that begins at 0 s.

    Raises InputError or UsageError, with the mend, when a column is missing or
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
    speeds = _speeds(table, columns, form, t_s, cells, notes)
    if not any(reading.bpm for reading in readings):
        raise InputError(f"{path} gives no heart rate at all: check the column and its unit")
    _say_gaps(readings, notes)
    source = {"kind": "csv", "file": path.name, "columns": columns.named(), "where": dict(columns.where),
              "shift_s": shift_s, "notes": notes,
              **({"speed_from": form.speed_from} if form.speed_from and columns.speed else {})}
    header = session_header({}, started=started, clock_trusted=started is not None, source=source)
    # The speed that holds comes before the reading of the same moment.
    items: list[Input] = sorted([*speeds, *readings], key=lambda item: (item.t_s, isinstance(item, Reading)))
    return Imported(header, tuple(items), tuple(notes))


def _check(columns: Columns) -> None:
    if columns.heart_rate is None and columns.rr is None:
        raise UsageError("no heart rate is named: add --heart-rate COLUMN, or --rr COLUMN for beat intervals")
    if columns.time is None and columns.heart_rate is not None:
        raise UsageError("no time is named: add --time COLUMN (only beat intervals alone need none)")
    if columns.altitude is not None and columns.speed is None:
        raise UsageError("--altitude needs --speed too: grade is rise over distance run")


def _taken(table: Table, columns: Columns) -> tuple[list[int], dict[str, list[str]]]:
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
        values = ", ".join(shown(value) for value in list(seen)[:10])
        raise InputError(f"{table.path} has no row where {_where(columns)}"
                         + (f"; values there: {values}" if values else ": it holds no data"))
    return lines, cells


def _where(columns: Columns) -> str:
    return " and ".join(f"{name}={value}" for name, value in columns.where.items()) or "there is data"


def _equal(cell: str, value: str) -> bool:
    if cell.strip() == value:
        return True
    left, right = number(cell), number(value)
    return left is not None and left == right


def _times(
    table: Table, columns: Columns, form: Form, lines: Sequence[int],
    cells: Mapping[str, Sequence[str]], notes: list[str],
) -> tuple[Floats, list[int], datetime | None]:
    """Seconds of the rows that have a time, which rows those are, and the wall time of the first."""
    if columns.time is None:
        intervals = _rr_seconds(table, cells["rr"], form)
        keep = [row for row, rr in enumerate(intervals) if np.isfinite(rr)]
        if not keep:
            raise InputError(f"{table.path} gives no beat interval at all: check the column and its unit")
        notes.append("times are the beat intervals added up")
        return np.cumsum(intervals[keep]), keep, begun_on(form.day, 0.0, notes)
    day: date | None = None
    cells_read: Sequence[str] = cells["time"]
    if columns.date is None:
        read = time_form(columns.time, cells_read, unit=form.time_unit, date_order=form.date_order)
    else:
        read, cells_read, day = form_beside_date(columns.date, cells["date"], columns.time, cells_read,
                                                 unit=form.time_unit, date_order=form.date_order)
    notes.append(f"times read as {read.words}")
    values = [read.seconds(cell) for cell in cells_read]
    keep = [row for row, value in enumerate(values) if value is not None]
    if len(keep) < len(values):
        odd = next(row for row, value in enumerate(values) if value is None)
        notes.append(f"{_rows(len(values) - len(keep))} without a time left out "
                     f"(first: line {lines[odd]}, {shown(cells['time'][odd])})")
    seconds = [value for value in values if value is not None]
    if read.wraps and over_midnight(seconds):
        notes.append("the times pass midnight: a day was added")
    started = _start(read, seconds)
    if started is not None and form.day is not None and started.date() != form.day:
        raise UsageError(f"--date {form.day} is not the day that the times tell ({started.date()}): "
                         "leave it out")
    of_day = min(seconds) if read.wraps and 3600.0 <= min(seconds) < 86_400.0 else 0.0
    return np.array(seconds), keep, started or begun_on(day or form.day, of_day, notes)


def _start(form: TimeForm, seconds: Sequence[float]) -> datetime | None:
    if not form.dated:
        return None
    try:
        return datetime.fromtimestamp(min(seconds)).astimezone()
    except (ValueError, OverflowError, OSError):
        return None


def _rows(number: int) -> str:
    return f"{number} row{'' if number == 1 else 's'}"


def _numbers(cells: Sequence[str]) -> Floats:
    return np.array([np.nan if (value := number(cell)) is None else value for cell in cells])


def _rr_seconds(table: Table, cells: Sequence[str], form: Form) -> Floats:
    rr_s = _numbers(cells) * RR_UNITS_S[form.rr_unit]
    rr_s = np.where((rr_s > 0) & (rr_s < LONGEST_S), rr_s, np.nan)
    known = rr_s[np.isfinite(rr_s)]
    if len(known) and not 0.15 <= float(np.median(known)) <= 4.0:
        other = next(unit for unit in RR_UNITS_S if unit != form.rr_unit)
        raise UsageError(f"{table.path}: beat intervals read in {form.rr_unit} have a median of "
                         f"{float(np.median(known)):g} s, which is no heart: try --rr-unit {other}")
    return rr_s


def _readings(
    table: Table, columns: Columns, form: Form, t_s: Floats,
    cells: Mapping[str, Sequence[str]], notes: list[str],
) -> list[Reading]:
    if columns.heart_rate is None:
        rr_s = _rr_seconds(table, cells["rr"], form)
        missing = int(np.count_nonzero(~np.isfinite(rr_s)))
        notes.append("heart rate made from beat intervals as a strap does: one reading a second, "
                     "60 / mean of the last 5 s, intervals outside 0.2 to 3 s not in the mean"
                     + (f"; {_rows(missing)} without an interval" if missing else ""))
        return list(beats_to_readings(t_s, rr_s))
    bpm = _numbers(cells["heart_rate"])
    usable = np.isfinite(bpm) & (bpm >= 0) & (bpm <= BPM_LIMIT)
    zeros = int(np.count_nonzero(bpm == 0))
    if not usable.all():
        notes.append(f"{_rows(int(np.count_nonzero(~usable)))} without a heart rate left out")
    if zeros:
        notes.append(f"{_rows(zeros)} with a heart rate of 0: kept as no signal")
    if np.any(bpm[usable] % 1):
        notes.append("heart rates rounded to whole beats a minute")
    intervals = [_several_rr(cell, form) for cell in cells["rr"]] if columns.rr else [()] * len(t_s)
    by_time: dict[float, Reading] = {}
    for row in np.flatnonzero(usable):
        moment = round(float(t_s[row]), 3)
        by_time[moment] = Reading(moment, round(float(bpm[row])), None, intervals[row])
    doubled = int(np.count_nonzero(usable)) - len(by_time)
    if doubled:
        notes.append(f"{_rows(doubled)} with the time of another: the last of each time is kept")
    return list(by_time.values())


def _several_rr(cell: str, form: Form) -> tuple[float, ...]:
    """One or several intervals in a cell, divided by spaces, semicolons or bars."""
    parts = cell.replace(";", " ").replace("|", " ").split()
    values = [value * RR_UNITS_S[form.rr_unit] for part in parts if (value := number(part)) is not None]
    return tuple(value for value in values if 0 < value < LONGEST_S)


def _speeds(
    table: Table, columns: Columns, form: Form, t_s: Floats,
    cells: Mapping[str, Sequence[str]], notes: list[str],
) -> list[Speed]:
    if columns.speed is None:
        return []
    unit = form.speed_unit or "m/s"
    values = np.array([np.nan if (value := _pace_or_number(cell)) is None else value
                       for cell in cells["speed"]])
    speed = to_m_s(values, unit)
    standing = np.array([bool(STANDING.fullmatch(cell.strip())) for cell in cells["speed"]])
    if standing.any():
        notes.append(f"{_rows(int(standing.sum()))} with a pace of --:-- counted as standing")
        speed = np.where(standing, 0.0, speed)
    speed = np.where((speed >= 0) & (speed <= TOP_SPEED_M_S), speed, np.nan)
    moving = speed[speed > 0]
    if form.speed_unit is None and len(moving) and float(np.median(moving)) > FASTEST_M_S:
        raise UsageError(f"{table.path}: a median speed of {float(np.median(moving)):.3g} m/s is no running: "
                         "add --speed-unit km/h, mph, min/km or min/mile (or m/s if it is right)")
    notes.append(f"speed read in {unit}")
    grade = np.full(len(t_s), np.nan)
    if columns.altitude is not None:
        grade = smoothed_grade(t_s, speed, _numbers(cells["altitude"]))
        notes.append("grade is the slope of altitude over the last 60 m run")
    items = {}
    for moment, v, g in zip(t_s.tolist(), speed.tolist(), grade.tolist(), strict=True):
        if v == v or g == g:
            at = round(moment, 3)
            items[at] = Speed(at, v if v == v else None, round(g, 5) if g == g else None)
    pauses = _pauses(t_s)
    if pauses:
        notes.append(f"{len(pauses)} pause{'s' if len(pauses) > 1 else ''} without rows counted as standing")
    return [*items.values(), *(Speed(at, 0.0) for at in pauses if at not in items)]


def _pauses(t_s: Floats) -> list[float]:
    """When a recorder stopped writing, a step after its last row: it does so when the runner stands."""
    if len(t_s) < 3:
        return []
    step_s = np.diff(t_s)
    usual_s = float(np.median(step_s[step_s > 0])) if np.any(step_s > 0) else 1.0
    long = np.flatnonzero(step_s > max(PAUSED_S, PAUSED_TIMES * usual_s))
    return [round(float(t_s[place]) + min(usual_s, float(step_s[place]) / 2), 3) for place in long]


def _pace_or_number(cell: str) -> float | None:
    """A number, or minutes written m:ss as paces are."""
    minutes, colon, seconds = cell.partition(":")
    if not colon:
        return number(cell)
    whole, part = number(minutes), number(seconds)
    return None if whole is None or part is None or not 0 <= part < 60 else whole + part / 60


def _say_gaps(readings: Sequence[Reading], notes: list[str]) -> None:
    gaps = [b.t_s - a.t_s for a, b in pairwise(readings) if b.t_s - a.t_s > GAP_S]
    if gaps:
        notes.append(f"no reading for over {GAP_S:g} s: {len(gaps)} times, at most {max(gaps):.0f} s")
