"""From columns of numbers to what a strap and a foot pod would have sent. Pure.

Arrays are float64 of one length n, NaN where a row has no value; times are
seconds in ascending order.
"""

import re
from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from guard.arrays import Floats
from guard.csv.columns import ColumnNames, Form, unit_in
from guard.csv.table import Table, number
from guard.errors import UsageError, number_of
from guard.events import Reading, Speed
from guard.units import KM_H_PER_M_S, METRES_PER_KM, METRES_PER_MILE, MPH_PER_M_S

AVERAGE_S = 5.0  # straps average over the last few seconds (common practice)
PACKET_S = 1.0  # a reading a second, as straps send
# 20 to 300 beats a minute; anything else is a missed or a doubled beat.
SHORTEST_RR_S, LONGEST_RR_S = 0.2, 3.0

GRADE_OVER_M = 60.0  # of road that one grade is fitted over: altitudes err by metres (ours)
GRADE_FROM_M = 20.0  # a shorter stretch tells none (ours)
STEEPEST_MEASURED = 0.45  # the range measured by Minetti et al. 2002, J Appl Physiol 93
GRADE_GAP_S = 10.0  # across a longer gap nothing is fitted (ours)
FASTEST_MEDIAN_M_S = 8.0  # a median over this is no running
TOP_SPEED_M_S = 100.0  # more is another column or unit (ours)
STANDING = re.compile(r"[-\N{EN DASH}]+[:'][-\N{EN DASH}]+\"?")  # a pace of somebody who stands: --:--
STEEPEST_GRADE = 0.6  # what is more as a share is a percentage


def beats_to_readings(t_s: Floats, rr_s: Floats) -> Iterator[Reading]:
    """Readings as a strap makes them of beats: one a second, averaged.

    `rr_s` is the RR interval that ends at `t_s`. Each reading carries the
    intervals of the last second as they are, and 60 / their mean over the last
    5 s, intervals outside 0.2 to 3 s left out of the mean; 0 bpm (no signal)
    where none is left, no reading where no beat came for 5 s.
    """
    if not len(t_s):
        return
    known = np.isfinite(rr_s)
    good = known & (rr_s >= SHORTEST_RR_S) & (rr_s <= LONGEST_RR_S)
    sums = np.concatenate(([0.0], np.cumsum(np.where(good, rr_s, 0.0))))
    counts = np.concatenate(([0], np.cumsum(good)))
    packets = np.arange(np.floor(t_s[0]), np.ceil(t_s[-1]) + 0.5, PACKET_S)
    until = np.searchsorted(t_s, packets, side="right")
    fresh = np.searchsorted(t_s, packets - PACKET_S, side="right")
    window = np.searchsorted(t_s, packets - AVERAGE_S, side="right")
    for packet, first, start, stop in zip(
            packets.tolist(), fresh.tolist(), window.tolist(), until.tolist(), strict=True):
        if stop == start:
            continue
        n = int(counts[stop] - counts[start])
        bpm = round(60.0 * n / float(sums[stop] - sums[start])) if n else 0
        intervals = tuple(float(rr) for rr in rr_s[first:stop] if np.isfinite(rr))
        yield Reading(packet, bpm, None, intervals)


def to_m_s(values: Floats, unit: str) -> Floats:
    """Speed (or pace, minutes a kilometre or mile) in m/s; a pace of 0 is not known."""
    if unit in ("min/km", "min/mile"):
        metres = METRES_PER_KM if unit == "min/km" else METRES_PER_MILE
        return metres / 60.0 / np.where(values > 0, values, np.nan)
    return values / {"m/s": 1.0, "km/h": KM_H_PER_M_S, "mph": MPH_PER_M_S}[unit]


def smoothed_grade(t_s: Floats, speed_m_s: Floats, altitude_m: Floats) -> Floats:
    """Grade (rise over run) at each row, from the 60 m run before it.

    It is the least-squares slope of altitude against distance over the last
    60 m and never looks ahead, as a belt or pod would not; NaN before 20 m are
    run, across gaps over 10 s, and where steeper than 0.45.
    """
    dt_s = np.diff(t_s, prepend=t_s[:1])
    run_m = np.where(np.isfinite(speed_m_s), speed_m_s, 0.0) * dt_s
    # A jump longer than the window keeps what lies before a gap out of it.
    run_m = np.where(dt_s > GRADE_GAP_S, GRADE_OVER_M + 1.0, run_m)
    distance_m = np.cumsum(run_m)
    known = np.isfinite(altitude_m)
    x = np.where(known, distance_m, 0.0)
    y = np.where(known, altitude_m, 0.0)
    y = y - (y[known].mean() if known.any() else 0.0)  # keeps the sums small
    start = np.searchsorted(distance_m, distance_m - GRADE_OVER_M, side="left")

    def over_window(values: Floats) -> Floats:
        sums = np.concatenate(([0.0], np.cumsum(values)))
        return np.asarray(sums[1:] - sums[start])

    n = over_window(known.astype(np.float64))
    with np.errstate(divide="ignore", invalid="ignore"):
        mean_x, mean_y = over_window(x) / n, over_window(y) / n
        spread = over_window(x * x) / n - mean_x**2
        slope = (over_window(x * y) / n - mean_x * mean_y) / spread
    span_m = distance_m - distance_m[start]
    usable = (span_m >= GRADE_FROM_M) & (n >= 3) & (spread > 1.0) & (np.abs(slope) <= STEEPEST_MEASURED)
    return np.where(usable, slope, np.nan)


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
    values = np.array(list(map(_pace_or_number, cells)), dtype=np.float64)  # None is NaN
    speed = to_m_s(values, unit)
    standing = np.array([bool(STANDING.fullmatch(cell.strip())) for cell in cells])
    if standing.any():
        notes.append(f"{number_of(int(standing.sum()), 'row')} with a pace of --:-- counted as standing")
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


def numbers(cells: Sequence[str]) -> Floats:
    return np.array(list(map(number, cells)), dtype=np.float64)  # None is NaN
