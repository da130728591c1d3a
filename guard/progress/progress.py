"""The months in one picture: what a list of sessions and a journal say together.

Pure: `look` is told the sessions' figures, the days of the journal and the
present ceiling. Every speed at the ceiling is that at the *present* ceiling,
or a raised ceiling would look like a gain.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np

from guard.progress.checks import CheckPart, Difference, latest_difference
from guard.progress.days import Check, Daily, ShortSleep, checks, short_sleep
from guard.progress.line import Known
from guard.progress.steady import (
    MOST_BEYOND_BPM,
    TOO_FAR,
    TOO_WIDE,
    WIDEST_SHARE,
    SessionFigures,
)
from guard.progress.trend import (
    TYPICAL_ERROR,
    USEFUL_SHARE,
    WINDOW_DAYS,
    Bend,
    Trend,
    Verdict,
    bend,
    trend,
)
from guard.progress.weeks import Consistency, Run, Week, consistency, share_of, weeks

YEAR_DAYS = 365
RECENT_WEEKS = 12


@dataclass(frozen=True, slots=True)
class Session:
    """A session as the months see it; `check` is not empty where it was a steady-heart-rate check."""

    day: date
    name: str
    figures: SessionFigures
    check: tuple[CheckPart, ...] = ()


@dataclass(frozen=True, slots=True)
class Point:
    """One session's speed at the ceiling (m/s, 95 % interval of the run itself) or why there is none.

    `day_to_day_m_s` is the speed that 3 % of heart rate (one typical error)
    amounts to. `drift` is in bpm an hour after the warm-up, `temperature_c`
    from the journal.
    """

    day: date
    name: str
    speed: Known | None
    refusal: str
    steady_s: float
    slope: float | None = None
    day_to_day_m_s: float | None = None
    drift: Known | None = None
    temperature_c: float | None = None


@dataclass(frozen=True)
class Months:
    """What there is to show. `trend` is of the last twelve weeks, `year` of the last 52.

    `bend_days` are the day of the bend and its interval's ends (none without one).
    `history` has the twelve-week trend as it stood at the end of each month.
    `reality` are the things to look at first, empty unless the verdict is a
    plateau or a loss.
    """

    ceiling_bpm: float
    points: tuple[Point, ...]
    refusals: Mapping[str, int]
    trend: Trend
    year: Trend
    bend: Bend | None
    bend_days: tuple[date, ...]
    history: tuple[tuple[date, Trend], ...]
    weeks: tuple[Week, ...]
    recent_share: float | None
    consistency: Consistency | None
    jumps: tuple[Week, ...]
    checks: tuple[tuple[date, tuple[CheckPart, ...]], ...]
    difference: Difference | None
    sleep: tuple[ShortSleep, ...]
    reality: tuple[Check, ...] = field(default=())

    @property
    def known(self) -> list[Point]:
        """The points with a speed."""
        return [point for point in self.points if point.speed is not None]


def point(session: Session, ceiling_bpm: float, temperature_c: float | None = None) -> Point:
    """The session's speed at the ceiling, or the reason why it has none."""
    line, figures = session.figures.line, session.figures
    if line is None:
        return Point(session.day, session.name, None, figures.refusal, figures.steady_s,
                     temperature_c=temperature_c)
    speed = line.speed_at(ceiling_bpm)
    refusal = ""
    if not line.low_bpm - MOST_BEYOND_BPM <= ceiling_bpm <= line.high_bpm + MOST_BEYOND_BPM:
        refusal = TOO_FAR
    elif speed is None or max(speed.high - speed.value, speed.value - speed.low) > WIDEST_SHARE * speed.value:
        refusal = TOO_WIDE
    return Point(session.day, session.name, None if refusal else speed, refusal, figures.steady_s,
                 line.slope, TYPICAL_ERROR * ceiling_bpm / line.slope, line.drift_bpm_per_h(), temperature_c)


def look(
    sessions: Sequence[Session], daily: Daily, ceiling_bpm: float, *,
    today: date | None = None, useful_share: float = USEFUL_SHARE,
) -> Months:
    """Put everything together. `sessions` in order of day; `daily` from the journal, key to day to value.

    `today` ends the weeks (the last session's day without it); windows of the
    trend end with the last run.
    """
    warmth = daily.get("temperature_c", {})
    points = [point(session, ceiling_bpm, warmth.get(session.day)) for session in sessions]
    known = [(one.day, one.speed.value) for one in points if one.speed is not None]
    first = known[0][0] if known else date(2000, 1, 1)
    days = np.array([(day - first).days for day, _ in known], dtype=np.float64)
    speeds = np.array([speed for _, speed in known])
    recent = trend(speeds, days, WINDOW_DAYS, useful_share)
    year = trend(speeds, days, YEAR_DAYS, useful_share)
    within = days > days[-1] - YEAR_DAYS if len(days) else np.zeros(0, dtype=bool)
    # Where a gain ended is asked only once a gain is beyond doubt and not going on.
    ended = year.verdict is Verdict.GAIN and recent.verdict is not Verdict.GAIN
    bent = bend(speeds[within], days[within]) if ended else None
    runs = [Run(session.day, session.figures.duration_s, *_under_over(session.figures, ceiling_bpm))
            for session in sessions]
    all_weeks = weeks(runs, today)
    tested = tuple((session.day, session.check) for session in sessions if session.check)
    until = known[-1][0] if known else date(2000, 1, 1)
    reality = checks(daily, until, WINDOW_DAYS) if recent.verdict in (Verdict.PLATEAU, Verdict.LOSS) else []

    bent_on = tuple(first + timedelta(days=round(day)) for day in (
        (bent.day, bent.low_day, bent.high_day) if bent else ()))

    return Months(
        ceiling_bpm, tuple(points), Counter(one.refusal for one in points if one.refusal),
        recent, year, bent, bent_on,
        tuple((month, trend(speeds, days, WINDOW_DAYS, useful_share, float((month - first).days)))
              for month in _month_ends(known)),
        tuple(all_weeks), share_of(all_weeks[-RECENT_WEEKS:]),
        consistency(all_weeks[-52:], [run.day for run in runs]),
        tuple(week for week in all_weeks[-RECENT_WEEKS:] if week.jump is not None),
        tested, latest_difference(tested), tuple(short_sleep(daily.get("sleep_h", {}), known)),
        tuple(reality))


def _month_ends(known: Sequence[tuple[date, float]]) -> list[date]:
    """The last day of each of the twelve months before the newest run, and that run's day."""
    if not known:
        return []
    newest = known[-1][0]
    ends = []
    month = newest.replace(day=1)
    for _ in range(12):
        end = month - timedelta(days=1)
        if end < known[0][0]:
            break
        ends.append(end)
        month = end.replace(day=1)
    return [*reversed(ends), newest]


def _under_over(figures: SessionFigures, ceiling_bpm: float) -> tuple[float | None, float | None]:
    """Seconds at or under, and over, the session's own ceiling, or the present one where it had none."""
    if figures.under_s is not None or figures.bpm_seconds is None:
        return figures.under_s, figures.over_s
    lowest, seconds = figures.bpm_seconds
    under = float(sum(seconds[:max(0, int(ceiling_bpm) - lowest + 1)]))
    return under, float(sum(seconds)) - under
