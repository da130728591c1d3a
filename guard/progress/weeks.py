"""Weeks of running: hours, share of time at or under the ceiling, consistency, jumps in volume.

What counts: every second with a heart-rate reading outside pauses, warm-up
and cool-down too; at or under the session's own ceiling as the runner moved
it. Weeks begin on Monday (ISO 8601).
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise
from statistics import median

# Over the median of the four weeks before, so that one week off is no low base (common practice).
JUMP_SHARE = 0.30
JUMP_LEAST_H = 0.5
WEEK = timedelta(days=7)


@dataclass(frozen=True, slots=True)
class Run:
    """One session for the weeks; seconds. `under_s` and `over_s` are None without a ceiling."""

    day: date
    duration_s: float
    under_s: float | None
    over_s: float | None


@dataclass(frozen=True, slots=True)
class Week:
    """One week from Monday `begins`.

    `jump` is its hours over the median of the four weeks before, less 1, where
    that is a sudden jump, else None.
    """

    begins: date
    runs: int
    hours: float
    under_s: float
    over_s: float
    jump: float | None = None

    @property
    def share(self) -> float | None:
        """Of the time at or under the ceiling, 0 to 1; None where no ceiling was known."""
        return share_of([self])


@dataclass(frozen=True, slots=True)
class Consistency:
    """Of whole weeks: `weeks` in all, `with_runs` of them with a run; usual runs and hours a week.

    `longest_gap_days` is the longest time without a run, that to today too.
    """

    weeks: int
    with_runs: int
    usual_runs: float
    usual_hours: float
    longest_gap_days: int


def monday(day: date) -> date:
    """The Monday of `day`'s week."""
    return day - timedelta(days=day.weekday())


def months_between(begin: date, end: date) -> Iterator[date]:
    """The first day of each month after that of `begin`, to `end`."""
    month = begin
    while (month := (month.replace(day=1) + timedelta(days=31)).replace(day=1)) <= end:
        yield month


def weeks(runs: Sequence[Run], until: date | None = None) -> list[Week]:
    """Every week from the first run's to that of `until` (the last run's), empty ones too."""
    if not runs:
        return []
    last = max(run.day for run in runs)
    until = last if until is None else max(until, last)
    by_week: dict[date, list[Run]] = {}
    for run in runs:
        by_week.setdefault(monday(run.day), []).append(run)
    found: list[Week] = []
    begins = min(by_week)
    while begins <= until:
        found.append(_week(begins, by_week.get(begins, []), found[-4:]))
        begins += WEEK
    return found


def _week(begins: date, runs: list[Run], before: list[Week]) -> Week:
    hours = sum(run.duration_s for run in runs) / 3600.0
    under = sum(run.under_s for run in runs if run.under_s is not None)
    over = sum(run.over_s for run in runs if run.over_s is not None)
    jump = None
    if len(before) == 4 and (usual := median(week.hours for week in before)) > 0:
        more = hours / usual - 1.0
        if more > JUMP_SHARE and hours - usual >= JUMP_LEAST_H:
            jump = more
    return Week(begins, len(runs), hours, under, over, jump)


def share_of(some: Sequence[Week]) -> float | None:
    """Share of time at or under the ceiling over several weeks; None where unknown."""
    under, over = sum(week.under_s for week in some), sum(week.over_s for week in some)
    return under / (under + over) if under + over > 0 else None


def consistency(some: Sequence[Week], days: Sequence[date], today: date | None = None) -> Consistency | None:
    """How regular the running was; `days` are the days of the runs. None without weeks."""
    if not some:
        return None
    ordered = sorted(day for day in days if some[0].begins <= day < some[-1].begins + WEEK)
    gaps = [(later - earlier).days for earlier, later in pairwise([*ordered, *filter(None, [today])])]
    return Consistency(
        len(some), sum(week.runs > 0 for week in some), float(median(week.runs for week in some)),
        float(median(week.hours for week in some)), max(gaps, default=0))
