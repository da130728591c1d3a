"""Times as people write them, as seconds on one axis.

The form is found from the column as a whole and said, never guessed row by
row; a date whose day and month could be swapped is refused until told.
"""

import contextlib
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from itertools import pairwise
from statistics import median

import numpy as np
from numpy.typing import NDArray

from guard.arrays import Floats
from guard.csv.table import Table, is_missing, number
from guard.errors import InputError, UsageError, quoted
from guard.events import Action, Command, Reading
from guard.log.records import LONGEST_SESSION_S

UNITS_S = {"s": 1.0, "ms": 0.001, "min": 60.0}
DATE_ORDERS = ("day-first", "month-first")
_EPOCH_S, _EPOCH_MS = 1e8, 1e11  # counts larger than these (3 years of s) are dates
_SAMPLES = 2000  # times that tell the form of all (ours)
_DAY_S = 86_400.0  # by definition

_CLOCK = re.compile(r"(-)?(?:(\d+):)?(\d+):(\d{1,2}(?:[.,]\d+)?)\s*(am|pm)?", re.IGNORECASE)
_TIME = (r"[ T,]+(?P<hour>\d{1,2}):(?P<minute>\d{2})(?::(?P<second>\d{2})(?:[.,](?P<part>\d{1,9}))?)?"
         r"\s*(?P<half>am|pm)?\s*(?P<zone>Z|UTC|[+-]\d{2}:?\d{2})?")
_FIGURES = re.compile(
    r"(?P<a>\d{1,4})(?P<mark>[./-])(?P<b>\d{1,2})(?P=mark)(?P<c>\d{2,4})" + _TIME, re.IGNORECASE)
_NAMED = re.compile(
    r"(?:(?P<day>\d{1,2})[ .-]+)?(?P<month>[a-z]{3})[a-z]*[ .-]+(?:(?P<day2>\d{1,2}),? +)?(?P<year>\d{4})"
    + _TIME, re.IGNORECASE)
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
# Ours, from five outdoor runs (trackeR `runs`), whose pauses leave rows 4 to 18 s apart instead of 1.
FAR_LONGER, LEAST_GAP_S = 3.0, 3.0  # of the usual gap between rows, and seconds
SHORTEST_PAUSE_S = 8.0  # a shorter one is no pause: not even a lost sensor is told by then
ENDS_BEFORE_S = 0.5  # so long before the next row the pause has ended
SELDOM_S = 10.0  # between readings: the longest that a session guards by
UNSORTED_S = 60.0  # times that run back further are another recording, not disorder


@dataclass(frozen=True)
class TimeForm:
    """How a column writes time: `words` to say, `seconds` to read a cell.

    `seconds` returns None for a cell that is no such time; `dated` tells that
    the seconds count from 1970 UTC; `wraps` that they start again at midnight.
    """

    words: str
    seconds: Callable[[str], float | None]
    dated: bool = False
    wraps: bool = False


def time_form(column: str, cells: Sequence[str], *, unit: str = "s",
              date_order: str | None = None) -> TimeForm:
    """The form of the times in `cells`; InputError where there is none or two.

    `unit` of plain numbers is one of `UNITS_S`, `date_order` one of
    `DATE_ORDERS`, needed only where a date can be read both ways.
    """
    filled = [cell.strip() for cell in cells[:_SAMPLES] if not is_missing(cell)]
    if not filled:
        raise InputError(f"the column {quoted(column)} holds no time at all: name another with --time")
    forms = [
        _counted(filled, unit), TimeForm("mm:ss or hh:mm:ss", _clock_seconds, wraps=True),
        TimeForm("dates as ISO 8601", _iso_seconds, dated=True), _figured(filled, date_order),
        TimeForm("dates with the month's name", _named_seconds, dated=True)]
    best = max(forms, key=lambda form: sum(form.seconds(cell) is not None for cell in filled))
    read = sum(best.seconds(cell) is not None for cell in filled)
    if read * 2 < len(filled):
        odd = next(cell for cell in filled if best.seconds(cell) is None)
        raise InputError(
            f"the column {quoted(column)} holds {quoted(odd)}, which is not a time: understood are seconds, "
            "mm:ss, hh:mm:ss, ISO 8601 (2026-03-02T06:10:00) and dates such as 02.03.2026 06:10:00 "
            "or 2 Mar 2026 06:10")
    if best.words == _SWAPPABLE:
        raise UsageError(
            f"the column {quoted(column)} holds {quoted(filled[0])}: day and month could be swapped; "
            f"add --date-order {' or --date-order '.join(DATE_ORDERS)}")
    return best


def _counted(cells: Sequence[str], unit: str) -> TimeForm:
    values = [value for cell in cells if (value := number(cell)) is not None]
    size = abs(median(values)) if values else 0.0
    if size >= _EPOCH_S:
        factor, words = (0.001, "milliseconds") if size >= _EPOCH_MS else (1.0, "seconds")
        return TimeForm(f"{words} since 1970", lambda cell: _scaled(cell, factor), dated=True)
    words = {"s": "seconds", "ms": "milliseconds", "min": "minutes"}[unit]
    return TimeForm(words, lambda cell: _scaled(cell, UNITS_S[unit]))


def _scaled(cell: str, factor: float) -> float | None:
    value = number(cell)
    return None if value is None else value * factor


def _clock_seconds(cell: str) -> float | None:
    match = _CLOCK.fullmatch(cell.strip())
    if not match:
        return None
    sign, hours, minutes, seconds, half = match.groups()
    if len(minutes) > 6 or len(hours or "") > 4 or float(seconds.replace(",", ".")) >= 60:
        return None
    hour = _of_day(int(hours or 0), half)
    if hour is None:
        return None
    value = hour * 3600.0 + int(minutes) * 60.0 + float(seconds.replace(",", "."))
    return -value if sign else value


def _iso_seconds(cell: str) -> float | None:
    word = cell.strip().replace(",", ".")
    if not word[:4].isdigit() or word.isdigit():
        return None
    try:
        return datetime.fromisoformat(word).timestamp()  # without a zone: of this machine
    except (ValueError, OverflowError):
        return None


_SWAPPABLE = "dates with day and month in unknown order"


def _figured(cells: Sequence[str], date_order: str | None) -> TimeForm:
    """Dates in figures; the year stands first, or the order is found or told."""
    matches = [match for cell in cells if (match := _FIGURES.fullmatch(cell))]
    late = [match for match in matches if len(match["a"]) <= 2]
    day_first = date_order == DATE_ORDERS[0]
    known = date_order is not None or not late
    if not known:
        # A point between the figures is written by those who put the day first
        # (common practice); else only a figure over 12 tells.
        if any(match["mark"] == "." or int(match["a"]) > 12 for match in late):
            day_first = known = True
        elif any(int(match["b"]) > 12 for match in late):
            known = True
    first = "year" if not late else "day" if day_first else "month"
    words = f"dates with the {first} first" if known else _SWAPPABLE
    return TimeForm(words, lambda cell: _figure_seconds(cell, day_first), dated=True)


def _figure_seconds(cell: str, day_first: bool) -> float | None:
    match = _FIGURES.fullmatch(cell.strip())
    if not match:
        return None
    a, b, c = match["a"], match["b"], match["c"]
    if len(a) == 4:
        return _moment(int(a), int(b), int(c), match)
    year = int(c) + (2000 if len(c) == 2 else 0)
    return _moment(year, int(b), int(a), match) if day_first else _moment(year, int(a), int(b), match)


def _named_seconds(cell: str) -> float | None:
    match = _NAMED.fullmatch(cell.strip())
    if not match or match["month"].lower() not in _MONTHS:
        return None
    day = match["day"] or match["day2"]
    month = _MONTHS.index(match["month"].lower()) + 1
    return _moment(int(match["year"]), month, int(day), match) if day else None


def _moment(year: int, month: int, day: int, match: re.Match[str]) -> float | None:
    hour = _of_day(int(match["hour"]), match["half"])
    if hour is None:
        return None
    part, zone = match["part"] or "0", (match["zone"] or "").upper().replace("UTC", "Z")
    return _iso_seconds(f"{year:04}-{month:02}-{day:02}T{hour:02}:{match['minute']}:"
                        f"{match['second'] or '00'}.{part}{zone}")


def _of_day(hour: int, half: str | None) -> int | None:
    """The hour of 24; None for one that no half of a day has."""
    if not half:
        return hour
    return hour % 12 + 12 * (half.lower() == "pm") if 1 <= hour <= 12 else None


def form_beside_date(
    date_column: str, days: Sequence[str], time_column: str, times: Sequence[str], *,
    unit: str = "s", date_order: str | None = None,
) -> tuple[TimeForm, Sequence[str], date | None]:
    """The form of times whose date stands in a column of its own, the cells to read by it, and the day.

    The day is None where date and time together make dated times.
    """
    both = [f"{day.strip()} {at.strip()}" for day, at in zip(days, times, strict=True)]
    with contextlib.suppress(InputError):
        read = time_form(f"{date_column} {time_column}", both, date_order=date_order)
        if read.dated:
            return read, both, None
    noons = [f"{cell.strip()} 12:00:00" for cell in days]
    of_days = time_form(date_column, noons, date_order=date_order)
    first = next((at for cell in noons if (at := of_days.seconds(cell)) is not None), None)
    if not of_days.dated or first is None:
        raise InputError(f"the column {quoted(date_column)} holds no date: name another with --date-column")
    read = time_form(time_column, times, unit=unit, date_order=date_order)
    return read, times, datetime.fromtimestamp(first).date()


def begun_on(day: date | None, of_day_s: float, notes: list[str]) -> datetime | None:
    """When a recording of `day` began; its hour may not be known."""
    if day is None:
        notes.append("no date in it: add --date 2026-03-02, or `guard progress` cannot place it")
        return None
    if of_day_s:
        return (datetime.combine(day, time()) + timedelta(seconds=of_day_s)).astimezone()
    notes.append(f"dated {day} as you said; its hour is not known")
    return datetime.combine(day, time(12)).astimezone()


def over_midnight(seconds: list[float]) -> bool:
    """Add a day from each midnight on, in place; whether there was one."""
    added, before, found = 0.0, None, False
    for place, value in enumerate(seconds):
        if before is not None and value < before - _DAY_S / 2 and before < _DAY_S:
            added += _DAY_S
            found = True
        before = value
        seconds[place] = value + added
    return found


def pauses(t_s: Floats, readings: Sequence[Reading]) -> list[tuple[float, float]]:
    """Begin and end of each pause, s, from the times of all rows and the readings in them."""
    gaps = np.diff(t_s)
    if not len(gaps):
        return []
    usual_s = float(np.median(gaps))
    longest_s = max(FAR_LONGER * usual_s, LEAST_GAP_S)
    read = {reading.t_s for reading in readings}
    found: list[tuple[float, float]] = []
    for (begin_s, end_s), gap_s in zip(pairwise(t_s.tolist()), gaps.tolist(), strict=True):
        if gap_s <= longest_s:
            continue
        goes_on = bool(found) and found[-1][1] == begin_s and round(begin_s, 3) not in read
        found[len(found) - goes_on:] = [(found[-1][0] if goes_on else begin_s, end_s)]
    return [(begin_s + usual_s, end_s - ENDS_BEFORE_S)
            for begin_s, end_s in found if end_s - begin_s >= SHORTEST_PAUSE_S]


def commands(found: Sequence[tuple[float, float]]) -> list[Command]:
    """The pauses as a runner would have commanded them."""
    return [Command(round(at_s, 3), action) for begin_s, end_s in found
            for at_s, action in ((begin_s, Action.PAUSE), (end_s, Action.CONTINUE))]


def said(found: Sequence[tuple[float, float]], readings: Sequence[Reading]) -> list[str]:
    """Notes: the pauses, and readings that come too rarely to guard by."""
    notes = []
    if found:
        total_s = sum(end_s - begin_s for begin_s, end_s in found)
        times = "once" if len(found) == 1 else f"{len(found)} times"
        notes.append(f"the recording was paused {times}, {total_s:.0f} s in all: taken as your own pauses")
    gaps = [after.t_s - before.t_s for before, after in pairwise(readings)]
    if gaps and (usual_s := float(np.median(gaps))) > SELDOM_S:
        notes.append(f"a reading every {usual_s:.0f} s: too rarely to guard by, "
                     f"{SELDOM_S:.0f} s at most would do")
    return notes


def in_order(
    table: Table, lines: Sequence[int], t_s: Floats, notes: list[str]
) -> tuple[list[int], float]:
    """The rows by time, and what was added to their times, which then begin at 0 (in place)."""
    steps = np.diff(t_s)
    back = np.flatnonzero(steps < 0)
    if len(back):
        descending = len(back) > 0.9 * len(steps)
        far = back[steps[back] < -UNSORTED_S]
        if not descending:
            told = _told_apart(table, lines, back) or _told_apart(table, lines, far)
            if told or len(far):
                row = int(far[0] if len(far) else back[0])
                raise InputError(f"{table.path}: the times run backward after line {lines[row]} "
                                 f"({t_s[row]:g} s, then {t_s[row + 1]:g} s)"
                                 + (told or ": choose one with --where COLUMN=VALUE, or sort the file"))
        notes.append("the times run from last to first: reversed" if descending
                     else f"the times were not in order ({len(back)} steps back): sorted")
    order = np.argsort(t_s, kind="stable")
    shift_s = -float(t_s[order[0]])
    t_s += shift_s
    if shift_s:
        notes.append(f"the session starts at 0 s: {shift_s:+.3f} s added to every time"
                     if abs(shift_s) < 60.0 else "the session starts at 0 s, at its first row")
    longest = float(t_s[order[-1]])
    if longest > LONGEST_SESSION_S:
        raise InputError(f"{table.path} spans {longest / 86400:.3g} days, which is more than one session: "
                         "check --time and its unit (--time-unit), or take a part with --where")
    return [int(row) for row in order], shift_s


def _told_apart(table: Table, lines: Sequence[int], back: NDArray[np.intp]) -> str:
    """Words on the column that changes just where the times run back; "" if there is none."""
    ends = {lines[row] for row in back}
    wanted = set(lines)
    rows = [(line, cells) for line, cells in table.rows() if line in wanted]
    for place, column in enumerate(table.columns):
        values = [(line, cells[place].strip() if place < len(cells) else "") for line, cells in rows]
        changes = {before for (before, a), (_, b) in pairwise(values) if a != b}
        if ends and changes == ends:
            names = list(dict.fromkeys(value for _, value in values if value))
            several = ", ".join(map(quoted, names[:12])) + (", ..." if len(names) > 12 else "")
            return (f" where the column {quoted(column)} changes: it holds several recordings; "
                    f"choose one with --where {quoted(f'{column}={names[0]}')} (values: {several})")
    return ""
