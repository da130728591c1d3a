"""The months in one picture: what a list of sessions and a journal say together.

Pure: `look` is told the sessions' figures, the days of the journal, the present
ceiling and today. Every speed at the ceiling is that at the *present* ceiling,
on the level, at 15 °C, in the twentieth minute, or a raised ceiling, a hill or
a hot day would look like a change of the runner.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from guard.journal.journal import SAME, Named
from guard.progress.checks import CheckPart, Difference, over_all_checks
from guard.progress.days import (
    ILL_TODAY_DAYS,
    Daily,
    FactorChange,
    ShortSleep,
    checks,
    last_illness,
    short_sleep,
)
from guard.progress.figures import SessionFigures
from guard.progress.least_squares import student
from guard.progress.level import KNOT_DAYS, YEAR_DAYS, Level, Runs, fit
from guard.progress.minutes import BY_TREADMILL
from guard.progress.slopes import Slopes
from guard.progress.slopes import fit as fit_slopes
from guard.progress.verdict import PLATEAU_LOOK_DAYS, Told, Verdict, told, within
from guard.progress.weeks import Consistency, Run, Week, consistency, share_of, weeks
from guard.response.spans import Estimate

RECENT_WEEKS = 12  # what "lately" means: a change shows in that time (ours)
MOST_BEYOND_BPM = 6.0  # how far outside a run's heart rates a ceiling may lie for its own speed to be shown
WIDEST_SPEED_SHARE = 0.10  # half-width of the 95 % interval of a run's own speed, to be shown (ours)
SEASON_DAYS = KNOT_DAYS + 14  # less says nothing beside twelve weeks
TOO_FAR, TOO_WIDE = "far_from_ceiling", "wide_error"
_95 = 1.96  # 97.5 % point of the normal distribution


@dataclass(frozen=True, slots=True)
class PastSession:
    """A session as the months see it; `check` is not empty where it was a steady-heart-rate check."""

    day: date
    name: str
    figures: SessionFigures
    check: tuple[CheckPart, ...] = ()


@dataclass(frozen=True, slots=True)
class Point:
    """One session's speed at the ceiling (m/s, 95 % interval of the run itself) or why there is none.

    Heat and sources are taken out where the year's fit knows them. `temperature_c` is the journal's.
    """

    day: date
    name: str
    speed: Estimate | None
    refusal: str
    source: str = ""
    temperature_c: float | None = None


@dataclass(frozen=True)
class Months:
    """What there is to show.

    `recent` is of the last twelve weeks, `season` of the time to a year; None
    where runs are too few (`runs_short`, `days_short` say what there is).
    `slopes` is bpm per m/s, drift bpm an hour. `history` has `recent` as it stood
    at the end of each month, where it was asked for. `reality` are the things to look at
    first, empty unless the verdict is a plateau or a loss. `idle_days` is how
    long ago the last run was. `ill` is (first day, worst grade) of an illness of these days, `heart_from`
    (first day, name) of what the runner said moved heart rate.
    """

    ceiling_bpm: float
    points: tuple[Point, ...]
    refusals: Mapping[str, int]
    recent: Told | None
    season: Told | None
    level: Level | None
    slopes: Slopes | None
    curve: tuple[tuple[date, float], ...]
    step_day: date | None
    runs_short: int
    days_short: int
    history: tuple[tuple[date, Told], ...]
    weeks: tuple[Week, ...]
    recent_share: float | None
    consistency: Consistency | None
    jumps: tuple[Week, ...]
    checks: tuple[tuple[date, tuple[CheckPart, ...]], ...]
    difference: Difference | None
    sleep: tuple[ShortSleep, ...]
    reality: tuple[FactorChange, ...]
    last: date | None
    idle_days: int
    ill: tuple[date, int] | None
    heart_from: tuple[date, str] | None

    @property
    def known(self) -> list[Point]:
        """The points with a speed."""
        return [point for point in self.points if point.speed is not None]

    @property
    def verdict(self) -> Verdict:
        """What the last twelve weeks say."""
        return self.recent.verdict if self.recent else Verdict.UNKNOWN


@dataclass(frozen=True)
class _Year:
    """One fit and what it says; too few runs give the slopes alone."""

    slopes: Slopes | None = None
    level: Level | None = None
    recent: Told | None = None
    season: Told | None = None


def look(
    sessions: Sequence[PastSession], daily: Daily, ceiling_bpm: float, *,
    today: date | None = None, named: Named | None = None, with_history: bool = False,
) -> Months:
    """Put everything together. `sessions` in order of day; `daily` from the journal, key to day to value.

    `today` ends the weeks (the last session's day without it); the year of the
    fit ends with the last run. `named` is what the runner said was new, or was not.
    """
    last = sessions[-1].day if sessions else None
    today = today or last or date(2000, 1, 1)
    warmth = daily.get("temperature_c", {})
    named = named or Named()
    sources = _sources(sessions, named.speed)
    usable = [place for place, session in enumerate(sessions) if session.figures.minutes is not None]
    begin = sessions[usable[0]].day if usable else today
    sums = np.array([session.figures.minutes.sums for session in sessions if session.figures.minutes])
    runs = Runs(
        np.array([float((sessions[place].day - begin).days) for place in usable]),
        np.array([sources[place] for place in usable]),
        np.array([warmth.get(sessions[place].day, np.nan) for place in usable]),
        np.array([sessions[place].figures.source != BY_TREADMILL for place in usable], dtype=bool),
        np.array([_heart(sessions[place].day, named.heart) for place in usable], dtype=str),
        (_same(named.speed, begin), _same(named.heart, begin)))
    end = float(runs.days[-1]) if usable else 0.0
    year = _year(sums, runs, ceiling_bpm, end)
    points = _points(sessions, sources, warmth, usable, year, runs, end, ceiling_bpm)
    curve = tuple((begin + timedelta(days=round(day)), speed)
                  for day, speed in (year.level.curve if year.level else ()))
    step = year.level.step if year.level else None
    inside = runs.days[runs.days > end - YEAR_DAYS]

    all_runs = [Run(session.day, session.figures.duration_s, *under_over(session.figures, ceiling_bpm))
                for session in sessions]
    all_weeks = weeks(all_runs, today)
    tested = tuple((session.day, session.check) for session in sessions if session.check)
    recent = year.recent
    reality = checks(daily, last, KNOT_DAYS) if last and recent and recent.verdict in (
        Verdict.PLATEAU, Verdict.LOSS) else []
    return Months(
        ceiling_bpm, tuple(points), Counter(one.refusal for one in points if one.refusal),
        recent, year.season, year.level, year.slopes, curve,
        begin + timedelta(days=round(step.day)) if step else None,
        len(inside), int(np.ptp(inside)) if len(inside) else 0,
        tuple(_history(sums, runs, ceiling_bpm, begin)) if with_history else (),
        tuple(all_weeks), share_of(all_weeks[-RECENT_WEEKS:]),
        consistency(all_weeks[-52:], [run.day for run in all_runs], today),
        tuple(week for week in all_weeks[-RECENT_WEEKS:] if week.jump is not None),
        tested, over_all_checks(tested), tuple(short_sleep(daily.get("sleep_h", {}), _flat(points, curve))),
        tuple(reality), last, max((today - last).days, 0) if last else 0,
        _ill(daily.get("ill", {}), today), _new_heart(named.heart, last or today))


def _ill(ill: Mapping[date, float], today: date) -> tuple[date, int] | None:
    found = last_illness({day: grade for day, grade in ill.items() if day <= today})
    return (found[0], found[2]) if found and (today - found[1]).days < ILL_TODAY_DAYS else None


def _sources(sessions: Sequence[PastSession], named: Mapping[date, str]) -> list[str]:
    """Each session's source of speed: what the log says, and from the day of a new name on, that name.

    A name belongs to the kind of source that the first run from that day on had.
    """
    renamed: dict[str, str] = {}
    found = []
    waiting = sorted((day, name) for day, name in named.items() if name.casefold() != SAME)
    for session in sessions:
        while waiting and waiting[0][0] <= session.day and session.figures.minutes is not None:
            renamed[session.figures.source] = waiting.pop(0)[1]
        kind = session.figures.source
        found.append(f"{kind}: {renamed[kind]}" if kind in renamed else kind)
    return found


def _heart(day: date, named: Mapping[date, str]) -> str:
    """What heart rate was under on a day: the newest name until then, empty before the first."""
    names = [(first, name) for first, name in named.items() if first <= day and name.casefold() != SAME]
    return max(names)[1] if names else ""


def _new_heart(named: Mapping[date, str], last: date) -> tuple[date, str] | None:
    """The newest name of what heart rate is under, and its first day, in the year of the fit."""
    names = [(first, name) for first, name in named.items()
             if name.casefold() != SAME and 0 <= (last - first).days < YEAR_DAYS]
    return max(names) if names else None


def _same(named: Mapping[date, str], begin: date) -> tuple[float, ...]:
    """Day numbers on which nothing was new."""
    return tuple(float((day - begin).days) for day, name in named.items() if name.casefold() == SAME)


def _year(sums: np.ndarray, runs: Runs, ceiling_bpm: float, end: float, again: bool = True) -> _Year:
    """The fit of the year to the day number `end`; a plateau asks a second look, a week earlier."""
    if not len(sums):
        return _Year()
    some = (runs.days <= end) & (runs.days > end - YEAR_DAYS)
    of = runs.only(some)
    slopes = fit_slopes(sums[some], of.sources)
    level = fit(slopes, of, ceiling_bpm, end)
    if level is None:
        return _Year(slopes)
    before = None
    if again and within(level.recent):
        earlier = of.days[of.days <= end - PLATEAU_LOOK_DAYS]
        if len(earlier):
            before = _year(sums, runs, ceiling_bpm, float(earlier[-1]), again=False).level
    season = told(level.whole, level) if level.whole.days >= SEASON_DAYS else None
    return _Year(slopes, level, told(level.recent, level, before.recent if before else None), season)


def _points(
    sessions: Sequence[PastSession], sources: Sequence[str], warmth: Mapping[date, float],
    usable: Sequence[int], year: _Year, runs: Runs, end: float, ceiling_bpm: float,
) -> list[Point]:
    """Every session's speed at the ceiling: those of the year as fitted, older ones by the year's slopes."""
    known: dict[int, Estimate] = {}
    if (slopes := year.slopes) is not None:
        inside = np.flatnonzero((runs.days <= end) & (runs.days > end - YEAR_DAYS))
        speeds, by, own = slopes.speeds(ceiling_bpm)
        if year.level is not None:
            speeds = year.level.speeds
        half = _95 * np.sqrt(own + np.einsum("ni,ij,nj->n", by, slopes.covariance, by))
        for place, speed, one in zip(inside.tolist(), speeds.tolist(), half.tolist(), strict=True):
            known[usable[place]] = Estimate(speed, speed - one, speed + one)
    found = []
    for place, session in enumerate(sessions):
        speed, refusal = known.get(place), session.figures.refusal
        minutes = session.figures.minutes
        if speed is not None and minutes is not None:
            if not minutes.low_bpm - MOST_BEYOND_BPM <= ceiling_bpm <= minutes.high_bpm + 2 * MOST_BEYOND_BPM:
                speed, refusal = None, TOO_FAR
            elif speed.high - speed.value > WIDEST_SPEED_SHARE * speed.value:
                speed, refusal = None, TOO_WIDE
        found.append(Point(session.day, session.name, speed, refusal, sources[place],
                           warmth.get(session.day)))
    return found


def _flat(points: Iterable[Point], curve: Sequence[tuple[date, float]]) -> list[tuple[date, float]]:
    """(day, speed less the fitted line of that day) of the runs within the line."""
    if not curve:
        return []
    at = np.array([float(day.toordinal()) for day, _ in curve])
    line = np.array([speed for _, speed in curve])
    return [(point.day, point.speed.value - float(np.interp(point.day.toordinal(), at, line)))
            for point in points if point.speed is not None and point.day >= curve[0][0]]


def _history(sums: np.ndarray, runs: Runs, ceiling_bpm: float, begin: date) -> Iterable[tuple[date, Told]]:
    """What the twelve weeks to the end of each of the last twelve months said, and to the last run."""
    if not len(sums):
        return
    newest = begin + timedelta(days=float(runs.days[-1]))
    ends, month = [newest], newest.replace(day=1)
    for _ in range(12):
        ends.append(month - timedelta(days=1))
        month = ends[-1].replace(day=1)
    for day in reversed(ends):
        before = runs.days[runs.days <= (day - begin).days]
        if len(before) and (recent := _year(sums, runs, ceiling_bpm, float(before[-1])).recent):
            yield day, recent


def half_95(told_of: Level) -> float:
    """Half of the 95 % interval of the speed now, m/s."""
    return student(_95, told_of.free) * told_of.sd


def under_over(figures: SessionFigures, ceiling_bpm: float) -> tuple[float | None, float | None]:
    """Seconds at or under, and over, the session's own ceiling, or the present one where it had none."""
    if figures.under_s is not None or figures.bpm_seconds is None:
        return figures.under_s, figures.over_s
    lowest, seconds = figures.bpm_seconds
    under = float(sum(seconds[:max(0, int(ceiling_bpm) - lowest + 1)]))
    return under, float(sum(seconds)) - under
