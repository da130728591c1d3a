"""Speed at the ceiling over days: how it changed, with heat, sources of speed and lucky days taken out. Pure.

Generalised least squares with priors: a line in pieces over days, heat, an
offset for each source of speed beside the most used one. What a day adds by
itself (sleep, food, luck) may resemble the days around it; how much is not
known, so several answers are averaged by how well they fit. Single bad days
are reined in (Huber 1964, Ann Math Stat 35:73). The slopes that all runs share
have an error that all runs share: it is carried to the end.

How likely a change is beside other accounts of the same runs is `SpeedChange.doubt` (`evidence.py`).
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from guard.arrays import Floats
from guard.progress.evidence import BENT, STILL, STRAIGHT, ChangeDoubt, Evidence, PossibleStep, SpeedStep
from guard.progress.least_squares import Averaged
from guard.progress.slopes import Slopes

REFERENCE_C = 15.0  # at which the speed is told (ours)
BENDS_C = (15.0,)  # where the cost of heat may change
KNOT_DAYS, YEAR_DAYS = 84, 364  # twelve weeks, in which a change shows, and four of them (ours)
FEWEST_RUNS, LEAST_SPAN_DAYS = 8, 42  # less gives no level (ours)
# Judgement, as shares of the speed: change in 84 days, how much that differs from the 84 days before,
# a source's offset. Tighter ones pull a true 10 % after months of none down by 1 % (simulated).
CHANGE_SD, TURN_SD, SOURCE_SD = 0.12, 0.08, 0.05
# The same of runners who go on as before, and of a line that is straight (simulation chose them).
STILL_SD, STRAIGHT_SD, STRAIGHT_TURN_SD = 0.004, 0.04, 0.008
HEAT, HEAT_SD = np.array([0.3, 0.1]), np.array([0.3, 0.35])  # bpm a degree: at all, and more above BENDS_C
# How large a step on one day is, and how likely in a year: of a source of speed (a new pod, a moved pod,
# another belt); of the heart rate, whatever told the speed (a medicine begun or ended, another strap). The
# chances by simulation.
STEP_SD, STEP_CHANCE = 0.03, 0.28
HEART_SD, HEART_CHANCE = 0.12, 0.004
FEWEST_BESIDE_STEP = 3  # runs before and after (ours)
SAME_DAYS = 42  # around a day on which nothing was new there was no step: none is dated better
UNKNOWN_HEAT_BPM = 2.5  # in 84 days, where nobody wrote the temperatures down
_VAGUE = 10.0  # a prior so wide that it says nothing


@dataclass(frozen=True)
class Runs:
    """Beside the sums of n runs in order of day: day numbers, sources of speed, degrees (NaN unknown).

    `hearts` names what heart rate was under (a medicine, a strap), where the runner said so. `same` are the
    days on which, so the runner, neither (speed, heart) was new.
    """

    days: Floats
    sources: NDArray[np.str_]
    temperature_c: Floats
    outdoors: NDArray[np.bool_]
    hearts: NDArray[np.str_]
    same: tuple[tuple[float, ...], tuple[float, ...]] = ((), ())

    def only(self, some: NDArray[np.bool_]) -> "Runs":
        """Those of them that `some` (n,) says."""
        return Runs(self.days[some], self.sources[some], self.temperature_c[some], self.outdoors[some],
                    self.hearts[some], self.same)


@dataclass(frozen=True, slots=True)
class SpeedChange:
    """Change of speed as a share of that at the beginning, over `days`; `sd` its standard error.

    `free` are degrees of freedom for Student's t. `doubt` holds the chances that
    the change went the other way or was none.
    """

    share: float
    sd: float
    free: float
    days: float
    runs: int
    doubt: ChangeDoubt


@dataclass(frozen=True)
class Level:
    """The whole fit. `now` m/s at the last day with its `sd`; `speeds` (n,) of the runs on the reference.

    `unwritten` says that temperatures are missing where they would matter.
    `curve` holds (day number, speed) at the ends of the line's pieces.
    """

    now: float
    sd: float
    free: float
    recent: SpeedChange
    whole: SpeedChange
    step: SpeedStep | None
    unwritten: bool
    speeds: Floats
    curve: tuple[tuple[float, float], ...]


def fit(slopes: Slopes, runs: Runs, ceiling_bpm: float, today: float) -> Level | None:
    """Fit the runs of the year to `today` (a day number); None with too few of them."""
    speeds, by, own = slopes.speeds(ceiling_bpm)
    kept = (runs.days <= today) & (runs.days > today - YEAR_DAYS)
    days = runs.days[kept] - today
    if kept.sum() < FEWEST_RUNS or float(np.ptp(days)) < LEAST_SPAN_DAYS:
        return None
    usual = float(np.median(speeds[kept]))
    y, by, own = speeds[kept] / usual - 1.0, by[kept] / usual, own[kept] / usual**2
    sources = runs.sources[kept]
    warm, unwritten = _warmth(runs.temperature_c[kept], days, runs.outdoors[kept])
    bpm = slopes.slope * usual  # bpm that one unit of y amounts to
    x, mean, precision, names = _design(days, sources, runs.hearts[kept], warm, bpm)
    pieces = _pieces(days)
    heat = slice(1 + pieces, 1 + pieces + len(HEAT))
    found = Averaged(x, y, mean, precision, days, own, heat)
    span = min(float(-days.min()), float(YEAR_DAYS))
    recent_days = min(span, float(KNOT_DAYS))
    extra = (UNKNOWN_HEAT_BPM / bpm) ** 2 if unwritten else 0.0
    steps = _steps(days, sources, names, runs.same, today)
    evidence = Evidence(found, _lines(precision, pieces), steps, today)

    def of(contrast: Floats) -> tuple[float, float]:
        """Its value and variance, with what the error of the shared slopes adds."""
        value, variance, gain = found.of(contrast)
        return value, variance + float(gain @ by @ slopes.covariance @ by.T @ gain)

    def change(length: float) -> SpeedChange:
        contrast = np.zeros(x.shape[1])
        contrast[1:1 + pieces] = _overlap(np.array([-length]), pieces)[0]
        value, variance = of(contrast)
        start = 1.0 + found.coefficients[0] - value
        # Heat that nobody wrote down comes and goes with the season: half a year brings it to its end.
        variance += extra * min(length / KNOT_DAYS, 2.0) ** 2
        doubt = evidence.doubt(contrast, value, variance, found.free)
        inside = int((days >= -length).sum())
        return SpeedChange(value / start, math.sqrt(variance) / start, found.free, length, inside, doubt)

    value, variance = of(np.eye(x.shape[1])[0])
    off = x[:, 1 + pieces:] @ found.coefficients[1 + pieces:]
    at = np.unique(np.concatenate([[-span, 0.0], -np.arange(0.0, span, KNOT_DAYS)]))
    curve = 1.0 + found.coefficients[0] - _overlap(at, pieces) @ found.coefficients[1:1 + pieces]
    return Level(
        usual * (1.0 + value), usual * math.sqrt(variance), found.free, change(recent_days), change(span),
        evidence.step(), unwritten, usual * (1.0 + y - off),
        tuple(zip((at + today).tolist(), (usual * curve).tolist(), strict=True)))


def _pieces(days: Floats) -> int:
    return max(1, math.ceil(float(-days.min()) / KNOT_DAYS))


def _overlap(days: Floats, pieces: int) -> Floats:
    """How much of each piece (84 days, backward from 0) lies after `days`, in pieces."""
    begins = KNOT_DAYS * np.arange(pieces)
    return np.asarray(np.clip(-days[:, None] - begins[None, :], 0.0, KNOT_DAYS) / KNOT_DAYS)


def _warmth(temperature_c: Floats, days: Floats, outdoors: NDArray[np.bool_]) -> tuple[Floats, bool]:
    """Degrees over the reference of each run (0 indoors), gaps filled from around; whether unwritten."""
    warm = np.where(outdoors, temperature_c, REFERENCE_C)
    known = outdoors & np.isfinite(temperature_c)
    if not outdoors.any():
        return np.zeros(len(days)), False
    if known.sum() < 0.5 * outdoors.sum():
        return np.zeros(len(days)), True
    for place in np.flatnonzero(outdoors & ~known):
        near = np.exp(-np.abs(days[known] - days[place]) / 10.0) + 1e-12
        warm[place] = float(near @ temperature_c[known] / near.sum())
    return np.asarray(warm - REFERENCE_C), False


def _over(warm: Floats, bend_c: float) -> Floats:
    """Degrees over a bend, less what the reference itself is over it; `warm` is over the reference."""
    return np.asarray(np.maximum(warm + REFERENCE_C - bend_c, 0.0) - max(REFERENCE_C - bend_c, 0.0))


def _design(
    days: Floats, sources: NDArray[np.str_], hearts: NDArray[np.str_], warm: Floats, bpm: float,
) -> tuple[Floats, Floats, Floats, list[str]]:
    """Columns, prior mean and precision of their coefficients, names of the sources, most used first."""
    pieces = _pieces(days)
    used, counts = np.unique(sources, return_counts=True)
    names = [str(name) for name in used[np.argsort(-counts, kind="stable")]]
    # The ceiling is one of today's heart rates, so they are the reference.
    earlier = [str(name) for name in np.unique(hearts) if name != hearts[-1]]
    columns = [np.ones((len(days), 1)), -_overlap(days, pieces),
               np.stack([-warm, *(-_over(warm, bend) for bend in BENDS_C)], axis=1),
               *((sources == name)[:, None].astype(np.float64) for name in names[1:]),
               *((hearts == name)[:, None].astype(np.float64) for name in earlier)]
    mean = np.concatenate([np.zeros(1 + pieces), HEAT / bpm, np.zeros(len(names) - 1 + len(earlier))])
    sd = np.concatenate([[_VAGUE], np.full(pieces, CHANGE_SD), HEAT_SD / bpm,
                         np.full(len(names) - 1, SOURCE_SD), np.full(len(earlier), HEART_SD)])
    precision = np.diag(sd**-2.0)
    turns = np.diff(np.eye(pieces), axis=0) / TURN_SD
    precision[1:1 + pieces, 1:1 + pieces] += turns.T @ turns
    return np.concatenate(columns, axis=1), mean, precision, names


def _steps(
    days: Floats, sources: NDArray[np.str_], names: list[str],
    same: tuple[tuple[float, ...], tuple[float, ...]], today: float,
) -> list[PossibleStep]:
    """Every step there may have been: of each source, of the heart rate, on each day that can hold one."""
    found = []
    for source in [*names, ""]:
        those = sources == source if source else np.ones(len(days), dtype=bool)
        sd, chance, unmoved = (STEP_SD, STEP_CHANCE, same[0]) if source else (HEART_SD, HEART_CHANCE, same[1])
        mine = days[those]
        for day in np.unique(mine)[1:]:
            beside = min(int((mine < day).sum()), int((mine >= day).sum()))
            if beside >= FEWEST_BESIDE_STEP and all(abs(day + today - one) > SAME_DAYS for one in unmoved):
                found.append(PossibleStep(source, float(day), those & (days >= day), sd, chance))
    return found


def _lines(bent: Floats, pieces: int) -> dict[str, Floats]:
    """Prior precision of the coefficients for each account of the line, `bent` being the one of the fit."""
    found = {BENT: bent}
    turns = np.diff(np.eye(pieces), axis=0)
    for line, change_sd, turn_sd in ((STILL, STILL_SD, STILL_SD), (STRAIGHT, STRAIGHT_SD, STRAIGHT_TURN_SD)):
        found[line] = bent.copy()
        found[line][1:1 + pieces, 1:1 + pieces] = turns.T @ turns / turn_sd**2
        found[line][1, 1] += change_sd**-2.0
    return found
