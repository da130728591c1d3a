"""What a road asks of a runner: climbs, where no jog stays under the ceiling, and how long it takes. Pure.

Who settles at the ceiling at some speed on the level settles there on a slope at
the speed that costs the same: outdoors by the cost of running and walking a metre
(Minetti and others 2002), on a belt by the ACSM's equations (`runner/demand.py`).
Where that speed is slower than any jog, the climb is walked. How far over the
ceiling the slowest jog would lead is a matter of the gain, in bpm per m/s.

The range of every figure is that of the level speed: how well it is known, and by
how much one day differs from the next, 5 bpm (Lamberts and others 2004), which is
5 / gain m/s. The runner is taken to run as fast as the ceiling allows.
"""

from dataclasses import dataclass

import numpy as np

from guard.arrays import Bools, Floats, runs
from guard.route.route import Route
from guard.runner.demand import LEVEL_RUN_ML_PER_M, run_ml_per_m, walk_ml_per_m

DAY_BPM = 5.0  # from one day to the next at the same effort (Lamberts and others 2004)
GAIN, GAIN_SD = 24.2, 8.3  # bpm/(m/s) (Hunt, Fankhauser, Saengsuwan 2015)
LEARNED_SD_SHARE = 0.15  # of a learned gain (ours)
SLOWEST_JOG_M_S = 1.8  # 6.5 km/h; few people jog slower (common practice)
WALKING_PACE_M_S = 1.4  # 5 km/h (common practice)
DOWNHILL = 1.1  # of the level speed, faster is taken down no slope (ours)
CLIMB, CLIMB_ENDS = 0.02, 0.01  # a climb begins at the one, ends at the other: many belts stay at 1 % (ours)
LEAST_RISE_M = 8.0  # less is no climb (ours)
DIP_M = 100.0  # a climb goes on across so short a dip
STEP_M = 60.0  # nobody changes between jog and walk for less (ours)
LEAST_RATIO = 0.3  # of the level cost: steep descents cost no less (Minetti 2002: 0.49 at -20 %)


@dataclass(frozen=True, slots=True)
class Range:
    """A figure and its range."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Ability:
    """`level_m_s`: the speed on the level that settles at the ceiling; None: not known. Gain in bpm/(m/s)."""

    ceiling_bpm: float | None
    level_m_s: Range | None
    gain: Range
    gain_learned: bool
    belt: bool = False
    slowest_jog_m_s: float = SLOWEST_JOG_M_S


@dataclass(frozen=True)
class Climb:
    """One climb, metres from the start. `grade` is its mean; `ratio` the cost of a metre at its steepest,
    of that on the level.

    `jog_m_s`: mean speed where it can be jogged (None: nowhere, or nothing known
    of the runner); `walks`: where not, from and to. `sure`: the whole range says
    so. `jog_leads_bpm`: where the slowest jog would settle at the steepest;
    `planned_leads_bpm`: where the plan's own speed would.
    """

    begin_m: float
    end_m: float
    rise_m: float
    grade: float
    steepest: float
    ratio: float
    jog_m_s: Range | None
    walks: tuple[tuple[float, float], ...]
    sure: bool
    jog_leads_bpm: Range | None
    planned_leads_bpm: Range | None


@dataclass(frozen=True)
class Forecast:
    """`time_s`, `walked_s`: None where nothing is known of the runner. `walks` (n,): cells walked."""

    climbs: tuple[Climb, ...]
    time_s: Range | None
    walked_s: float | None
    walks: Bools
    jogs_level: bool  # whether a jog stays under the ceiling on the level


def gain_of(learned: float | None) -> tuple[Range, bool]:
    """The learned gain with its spread, else the published mean and one standard deviation."""
    value, sd = (GAIN, GAIN_SD) if learned is None else (learned, LEARNED_SD_SHARE * learned)
    return Range(value, value - sd, value + sd), learned is not None


def day_range(speed_m_s: float, half_m_s: float, gain: Range) -> Range:
    """A level speed known to within `half_m_s`, with what one day differs from another."""
    half = float(np.hypot(half_m_s, DAY_BPM / gain.low))
    return Range(speed_m_s, max(speed_m_s - half, 0.3), speed_m_s + half)


def forecast(route: Route, runner: Ability) -> Forecast:
    """What `route` asks of `runner`."""
    ratio = np.maximum(run_ml_per_m(route.grade, belt=runner.belt) / LEVEL_RUN_ML_PER_M, LEAST_RATIO)
    level = runner.level_m_s
    if level is None:
        nowhere = np.zeros(len(ratio), bool)
        climbs = [_climb(route, runner, ratio, own, None) for own in _climbs(route)]
        return Forecast(tuple(climbs), None, None, nowhere, True)
    ways = [_Way(route, runner, ratio, speed) for speed in (level.value, level.low, level.high)]
    climbs = [_climb(route, runner, ratio, own, ways) for own in _climbs(route)]
    middle, slow, quick = ways
    return Forecast(tuple(climbs), Range(middle.seconds.sum(), quick.seconds.sum(), slow.seconds.sum()),
                    float(middle.seconds[middle.walks].sum()), middle.walks,
                    level.value >= runner.slowest_jog_m_s)


class _Way:
    """How a runner of one level speed takes the road: cells walked, seconds and jogging speed in each."""

    def __init__(self, route: Route, runner: Ability, ratio: Floats, level_m_s: float) -> None:
        edges = route.edges_m
        self.walks = np.zeros(len(ratio), bool)
        for first, last in joined(level_m_s / ratio < runner.slowest_jog_m_s, edges, STEP_M):
            if edges[last] - edges[first] >= STEP_M:
                self.walks[first:last] = True
        # A short steeper stretch is jogged on, as slowly as a jog can be.
        slowest = runner.slowest_jog_m_s
        jog = np.clip(level_m_s / ratio, slowest, max(DOWNHILL * level_m_s, slowest))
        self.jog_m_s = np.fmin(jog, np.where(route.speed_m_s > 0, route.speed_m_s, np.inf))
        walking = np.maximum(walk_ml_per_m(route.grade, belt=runner.belt), 0.05)
        walk = np.minimum(level_m_s * LEVEL_RUN_ML_PER_M / walking, WALKING_PACE_M_S)
        self.seconds = route.cells_m / np.where(self.walks, walk, self.jog_m_s)


def _climbs(route: Route) -> list[tuple[int, int]]:
    """First cell, and the one after the last, of each climb."""
    edges, found = route.edges_m, []
    for first, last in joined(route.grade > CLIMB_ENDS + 1e-9, edges, DIP_M):
        rise = float((route.grade * route.cells_m)[first:last].sum())
        if rise >= LEAST_RISE_M and route.grade[first:last].max() >= CLIMB:
            found.append((first, last))
    return found


def joined(which: Bools, edges: Floats, gap_m: float = 0.0) -> list[tuple[int, int]]:
    """Runs of cells that `which` picks, across gaps of less than `gap_m`."""
    out: list[tuple[int, int]] = []
    for first, last in np.transpose(runs(which)).tolist():
        if out and edges[first] - edges[out[-1][1]] < gap_m:
            first = out.pop()[0]
        out.append((first, last))
    return out


def _climb(
    route: Route, runner: Ability, ratio: Floats, own: tuple[int, int], ways: list[_Way] | None
) -> Climb:
    first, last = own
    inside = slice(first, last)
    edges, grade = route.edges_m, route.grade[inside]
    begin, end = float(edges[first]), float(edges[last])
    rise = float((grade * route.cells_m[inside]).sum())
    top = float(ratio[inside].max())
    jogs: Range | None = None
    walks: tuple[tuple[float, float], ...] = ()
    sure = False
    leads = planned = None
    if ways is not None:
        walks = tuple((float(edges[first + a]), float(edges[first + b]))
                      for a, b in joined(ways[0].walks[inside], edges[first:]))
        jogged = ~ways[0].walks[inside]
        if jogged.any():
            cells = route.cells_m[inside][jogged]
            jogs = Range(*(float(cells.sum() / (cells / way.jog_m_s[inside][jogged]).sum()) for way in ways))
        sure = len({bool(way.walks[inside].any()) for way in ways}) == 1
        leads = _leads(runner, runner.slowest_jog_m_s * top)
        asked = route.speed_m_s[inside] * ratio[inside]
        planned = _leads(runner, float(np.nanmax(asked))) if np.isfinite(asked).any() else None
    return Climb(begin, end, rise, rise / (end - begin), float(grade.max()), top, jogs, walks, sure, leads,
                 planned)


def _leads(runner: Ability, level_m_s: float) -> Range | None:
    """The heart rate that an effort as of `level_m_s` on the level settles at."""
    if runner.ceiling_bpm is None or runner.level_m_s is None:
        return None
    off = level_m_s - runner.level_m_s.value
    ends = sorted(runner.ceiling_bpm + gain * off for gain in (runner.gain.low, runner.gain.high))
    return Range(runner.ceiling_bpm + runner.gain.value * off, *ends)
