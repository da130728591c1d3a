"""One line a runner: what the months of each say, and whose news is worst. Pure.

A `Standing` holds for whatever day it is read on, so it can be kept; `line`
adds what depends on today. Figures and verdicts are those of `guard.progress`.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from enum import IntEnum
from math import isfinite
from statistics import median

from guard.files.cache import rebuilt
from guard.progress.days import ILL_TODAY_DAYS, last_illness
from guard.progress.progress import RECENT_WEEKS, Months, PastSession, half_95, under_over
from guard.progress.verdict import Verdict
from guard.progress.weeks import WEEK, Run, monday, share_of, weeks
from guard.progress.words import BREAK_DAYS, IDLE_DAYS

EARLY = "early"  # too few runs for any verdict; else the verdict's name in lower case
PICTURE_DAYS = 366  # a year
_RUNS_DAYS = RECENT_WEEKS * 7 + 7  # and a week, for a look late in the week

DaySpeed = tuple[int, float]  # day (proleptic ordinal), m/s


@dataclass(frozen=True, slots=True)
class Standing:
    """A runner to the last run. Days are proleptic ordinals, speeds m/s, shares of 1, times s.

    `change` is (share, low, high) of the last twelve weeks' change with its 99 %
    interval, over `change_days` and `change_runs`; `speed` at the ceiling now
    (value, low, high), 95 %. Both are None where runs are too few (`early`).
    `unwritten`: temperatures are missing where they matter. `runs` are (day,
    duration, at or under, over) of twelve weeks. `ill` is (first day, last day
    written, worst) of the last illness in the journal. `points`, `curve`: a year's picture.
    """

    ceiling_bpm: float
    sessions: int
    first: int
    last: int
    verdict: str
    unwritten: bool
    change: tuple[float, float, float] | None
    change_days: int
    change_runs: int
    speed: tuple[float, float, float] | None
    runs: tuple[tuple[int, float, float | None, float | None], ...]
    ill: tuple[int, int, int] | None
    points: tuple[DaySpeed, ...]
    curve: tuple[DaySpeed, ...]


class News(IntEnum):
    """What stands first of a runner, the worst first."""

    ILL = 1
    SILENT = 2  # three weeks and more
    LOSS = 3
    IDLE = 4  # ten days and more
    ASKED = 5
    PLATEAU = 6
    UNKNOWN = 7
    EARLY = 8
    GAIN = 9


@dataclass(frozen=True, slots=True)
class Line:
    """One runner today. `share` at or under the ceiling and `hours` (usual a week) are of the last
    `weeks` weeks, `with_runs` of which had a run; `share` is None where no run tells it."""

    name: str
    standing: Standing
    news: News
    idle_days: int
    ill_days: int | None
    weeks: int
    with_runs: int
    hours: float
    share: float | None


def standing(months: Months, sessions: Sequence[PastSession], ill: Mapping[date, float]) -> Standing:
    """What is kept of a runner; `ill` is the journal's, day to grade (0 is well)."""
    assert months.last is not None and sessions
    last, recent, level = months.last.toordinal(), months.recent, months.level
    half = half_95(level) if level else 0.0
    change = (recent.share, recent.low, recent.high) if recent else None
    spell = last_illness(ill)
    return Standing(
        months.ceiling_bpm, len(sessions), sessions[0].day.toordinal(), last,
        recent.verdict.name.lower() if recent else EARLY, level is not None and level.unwritten,
        change if change and all(map(isfinite, change)) else None,
        round(recent.change.days) if recent else months.days_short,
        recent.change.runs if recent else months.runs_short,
        (level.now, level.now - half, level.now + half) if level else None,
        tuple((session.day.toordinal(), session.figures.duration_s,
               *under_over(session.figures, months.ceiling_bpm))
              for session in sessions if last - session.day.toordinal() < _RUNS_DAYS),
        None if spell is None else (spell[0].toordinal(), spell[1].toordinal(), spell[2]),
        tuple((point.day.toordinal(), round(point.speed.value, 4)) for point in months.points
              if point.speed and last - point.day.toordinal() < PICTURE_DAYS),
        tuple((day.toordinal(), round(speed, 4)) for day, speed in months.curve))


def line(name: str, of: Standing, today: date) -> Line:
    """The runner's line on `today`."""
    idle = max(today.toordinal() - of.last, 0)
    ill_days = None
    if of.ill is not None and today.toordinal() - of.ill[1] < ILL_TODAY_DAYS:
        ill_days = max(today.toordinal() - of.ill[0], 0) + 1
    begins = monday(max(today, date.fromordinal(of.last))) - (RECENT_WEEKS - 1) * WEEK
    begins = max(begins, monday(date.fromordinal(of.first)))
    # A run of nothing at the first Monday, so that weeks without a run count from there on.
    runs = [Run(begins, 0.0, None, None), *(
        Run(date.fromordinal(day), duration_s, under_s, over_s)
        for day, duration_s, under_s, over_s in of.runs if day >= begins.toordinal())]
    recent = weeks(runs, today)
    return Line(name, of, _news(of, idle, ill_days), idle, ill_days, len(recent),
                sum(week.hours > 0 for week in recent), median(week.hours for week in recent),
                share_of(recent))


def worst_first(lines: Iterable[Line]) -> list[Line]:
    """By news; among equals the longest ill or silent, then the largest share over the ceiling."""
    def rank(one: Line) -> tuple[int, int, float, str]:
        long = one.ill_days or 0 if one.news is News.ILL else (
            one.idle_days if one.news in (News.SILENT, News.IDLE) else 0)
        return int(one.news), -long, one.share if one.share is not None else 1.0, one.name

    return sorted(lines, key=rank)


def _news(of: Standing, idle_days: int, ill_days: int | None) -> News:
    if ill_days is not None:
        return News.ILL
    if idle_days >= BREAK_DAYS:
        return News.SILENT
    if of.verdict == Verdict.LOSS.name.lower():
        return News.LOSS
    if idle_days >= IDLE_DAYS:
        return News.IDLE
    return News[of.verdict.upper()]


_DAYS = range(date(1990, 1, 1).toordinal(), date.max.toordinal() - 1000)  # days that a file may name


def standing_from(kept: object) -> Standing:
    """What `dataclasses.asdict` made, looked at before belief; ValueError for anything else."""
    of = rebuilt(Standing, kept)
    days = [of.first, of.last, *(of.ill or ())[:2], *(day for day, *_ in (*of.runs, *of.points, *of.curve))]
    if not all(day in _DAYS for day in days) or min(of.sessions, of.change_days, of.change_runs) < 0:
        raise ValueError("no day, or no count")
    if of.verdict not in (EARLY, *(verdict.name.lower() for verdict in Verdict)):
        raise ValueError("no verdict")
    return of
