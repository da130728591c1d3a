"""Speeds and grades of a CSV file, in m/s and rise over run. Pure."""

import re
from collections.abc import Mapping, Sequence

import numpy as np

from guard.arrays import Floats
from guard.csv.columns import ColumnNames, Form, unit_in
from guard.csv.series import smoothed_grade, to_m_s
from guard.csv.table import Table, number
from guard.errors import UsageError
from guard.events import Speed

FASTEST_MEDIAN_M_S = 8.0  # a median over this is no running
TOP_SPEED_M_S = 100.0  # more is another column or unit (ours)
STANDING = re.compile(r"[-\N{EN DASH}]+[:'][-\N{EN DASH}]+\"?")  # a pace of somebody who stands: --:--
STEEPEST_GRADE = 0.6  # what is more as a share is a percentage


def speeds_of(
    table: Table, columns: ColumnNames, form: Form, t_s: Floats,
    cells: Mapping[str, Sequence[str]], notes: list[str],
) -> list[Speed]:
    if columns.speed is None and columns.grade is None:
        return []
    speed = grade = np.full(len(t_s), np.nan)
    if columns.speed is not None:
        speed = _speed_m_s(table, columns.speed, form, cells["speed"], notes)
    if columns.grade is not None:
        grade = _grade(columns.grade, cells["grade"], notes)
    elif columns.altitude is not None:
        grade = smoothed_grade(t_s, speed, numbers(cells["altitude"]))
        notes.append("grade is the slope of altitude over the last 60 m run")
    items = {}
    for moment, v, g in zip(t_s.tolist(), speed.tolist(), grade.tolist(), strict=True):
        if v == v or g == g:
            at = round(moment, 3)
            items[at] = Speed(at, v if v == v else None, round(g, 5) if g == g else None)
    return list(items.values())


def _grade(column: str, cells: Sequence[str], notes: list[str]) -> Floats:
    """Rise over run; in percent where the name says so or a value is too large for a share."""
    grade = numbers(cells)
    known = np.abs(grade[np.isfinite(grade)])
    percent = unit_in(column, "grade") == "%" or bool(len(known) and known.max() > STEEPEST_GRADE)
    notes.append(f"grade read {'in percent' if percent else 'as rise over run'}")
    grade = grade / 100.0 if percent else grade
    return np.where(np.abs(grade) <= STEEPEST_GRADE, grade, np.nan)


def _speed_m_s(table: Table, column: str, form: Form, cells: Sequence[str], notes: list[str]) -> Floats:
    told = form.speed_unit or unit_in(column, "speed")
    unit = told or "m/s"
    if told is None and any(":" in cell and _pace_or_number(cell) is not None for cell in cells):
        raise UsageError(f"{table.path}: paces such as 6:00 in {column!r}, and no word of what distance they "
                         "are for: add --speed-unit min/km or min/mile")
    values = np.array([np.nan if (value := _pace_or_number(cell)) is None else value for cell in cells])
    speed = to_m_s(values, unit)
    standing = np.array([bool(STANDING.fullmatch(cell.strip())) for cell in cells])
    if standing.any():
        notes.append(f"{rows(int(standing.sum()))} with a pace of --:-- counted as standing")
        speed = np.where(standing, 0.0, speed)
    speed = np.where((speed >= 0) & (speed <= TOP_SPEED_M_S), speed, np.nan)
    moving = speed[speed > 0]
    if told is None and len(moving) and float(np.median(moving)) > FASTEST_MEDIAN_M_S:
        raise UsageError(f"{table.path}: a median speed of {float(np.median(moving)):.3g} m/s is no running: "
                         "add --speed-unit km/h, mph, min/km or min/mile (or m/s if it is right)")
    notes.append(f"speed read in {unit}")
    return speed


def _pace_or_number(cell: str) -> float | None:
    """A number, or minutes written m:ss as paces are."""
    minutes, colon, seconds = cell.partition(":")
    if not colon:
        return number(cell)
    whole, part = number(minutes), number(seconds)
    return None if whole is None or part is None or not 0 <= part < 60 else whole + part / 60


def rows(number: int) -> str:
    return f"{number} row{'' if number == 1 else 's'}"


def numbers(cells: Sequence[str]) -> Floats:
    return np.array([np.nan if (value := number(cell)) is None else value for cell in cells])
