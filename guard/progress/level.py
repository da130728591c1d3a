"""Speed at the ceiling over days: how it changed, with heat, sources of speed and lucky days taken out. Pure.

Generalised least squares with priors: a line in pieces over days, heat, an
offset for each source of speed beside the most used one. What a day adds by
itself (sleep, food, luck) may resemble the days around it; how much is not
known, so several answers are averaged by how well they fit. Single bad days
are reined in (Huber 1964, Ann Math Stat 35:73). The slopes that all runs share
have an error that all runs share: it is carried to the end.

A new pod, a moved pod or another belt changes all speeds from one day on. Such
a step is thought of on every day of each source, and what it would leave of a
change is in `Change.doubt`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from guard.progress.slopes import Slopes

Floats = NDArray[np.float64]

REFERENCE_C = 15.0
BENDS_C = (15.0,)  # where the cost of heat may change
KNOT_DAYS, YEAR_DAYS = 84, 364
FEWEST_RUNS, LEAST_SPAN_DAYS = 8, 42
# Judgement, as shares of the speed: change in 84 days, a source's offset, a step.
CHANGE_SD, SOURCE_SD, STEP_SD, STEP_CHANCE = 0.07, 0.05, 0.03, 0.2
HEAT, HEAT_SD = np.array([0.3, 0.1]), np.array([0.3, 0.4])  # bpm a degree: at all, and more above BENDS_C
HEAT_ERROR_C = 1.0  # what is written down is the day's temperature, not the road's at that hour
MOST_CORRECTED = 0.4
UNKNOWN_HEAT_BPM = 2.5  # in 84 days, where nobody wrote the temperatures down
ALIKE_DAYS = (0.0, 2.0, 5.0, 10.0)  # how long a day's luck lasts
HUBER = 2.0
_HUBER_SQUARES = 0.9205  # mean of min(z^2, HUBER^2), z normal
FEWEST_BESIDE_STEP = 3
_VAGUE = 10.0


@dataclass(frozen=True)
class Runs:
    """What is known beside the sums of n runs in order of day: day numbers, sources, degrees (NaN unknown)."""

    days: Floats
    sources: NDArray[np.str_]
    temperature_c: Floats
    outdoors: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Change:
    """Change of speed as a share of that at the beginning, over `days`; `sd` its standard error.

    `free` are degrees of freedom for Student's t. `doubt` is the chance that the
    change went the other way or was none, one-day steps of a source allowed for.
    """

    share: float
    sd: float
    free: float
    days: float
    runs: int
    doubt: float


@dataclass(frozen=True, slots=True)
class Step:
    """A step of one source's speeds that came in one day: chance that there was one, where, how much."""

    chance: float
    source: str
    day: float
    share: float


@dataclass(frozen=True)
class Level:
    """The whole fit. `now` m/s at the last day with its `sd`; `speeds`, `sds` (n,) of the runs on the reference.

    `warm` says that temperatures are missing where they would matter.
    """

    now: float
    sd: float
    free: float
    recent: Change
    whole: Change
    step: Step | None
    unwritten: bool
    speeds: Floats
    sds: Floats
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
    x, mean, precision, names = _design(days, sources, warm, bpm)
    found = _Averaged(x, y, mean, precision, days, own)
    span = min(float(-days.min()), float(YEAR_DAYS))
    recent_days = min(span, float(KNOT_DAYS))
    extra = (UNKNOWN_HEAT_BPM / bpm) ** 2 if unwritten else 0.0
    steps = _Steps(found, days, sources, names)

    def change(length: float) -> Change:
        contrast = np.zeros(x.shape[1])
        contrast[1:1 + _pieces(days)] = _overlap(np.array([-length]), _pieces(days))[0]
        value, variance, gain = found.of(contrast)
        start = 1.0 + found.coefficients[0] - value
        variance += float(gain @ by @ slopes.covariance @ by.T @ gain)
        # Heat that nobody wrote down comes and goes with the season: half a year brings it to its end.
        variance += extra * min(length / KNOT_DAYS, 2.0) ** 2
        doubt = steps.doubt(contrast, value, variance, found.free)
        inside = int((days >= -length).sum())
        return Change(value / start, math.sqrt(variance) / start, found.free, length, inside, doubt)

    level = np.zeros(x.shape[1])
    level[0] = 1.0
    value, variance, gain = found.of(level)
    variance += float(gain @ by @ slopes.covariance @ by.T @ gain)
    pieces = _pieces(days)
    off = x[:, 1 + pieces:] @ found.coefficients[1 + pieces:]
    at = np.unique(np.concatenate([[-span, 0.0], -np.arange(0.0, span, KNOT_DAYS)]))
    curve = 1.0 + found.coefficients[0] - _overlap(at, pieces) @ found.coefficients[1:1 + pieces]
    return Level(
        usual * (1.0 + value), usual * math.sqrt(variance), found.free, change(recent_days), change(span),
        steps.likely(), unwritten, usual * (1.0 + y - off), usual * np.sqrt(own),
        tuple(zip((at + today).tolist(), (usual * curve).tolist(), strict=True)))


def _pieces(days: Floats) -> int:
    return max(1, math.ceil(float(-days.min()) / KNOT_DAYS))


def _overlap(days: Floats, pieces: int) -> Floats:
    """How much of each piece (84 days, backward from 0) lies after `days`, in pieces."""
    begins = KNOT_DAYS * np.arange(pieces)
    return np.asarray(np.clip(-days[:, None] - begins[None, :], 0.0, KNOT_DAYS) / KNOT_DAYS)


def _warmth(temperature_c: Floats, days: Floats, outdoors: NDArray[np.bool_]) -> tuple[Floats, bool]:
    """Degrees over the reference of each run (0 indoors), gaps filled from the days around; whether unwritten."""
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
    days: Floats, sources: NDArray[np.str_], warm: Floats, bpm: float,
) -> tuple[Floats, Floats, Floats, list[str]]:
    """Columns, prior mean and precision of their coefficients, and the names of the sources, most used first."""
    pieces = _pieces(days)
    used, counts = np.unique(sources, return_counts=True)
    names = [str(name) for name in used[np.argsort(-counts, kind="stable")]]
    columns = [np.ones((len(days), 1)), -_overlap(days, pieces),
               np.stack([-warm, *(-_over(warm, bend) for bend in BENDS_C)], axis=1),
               *((sources == name)[:, None].astype(np.float64) for name in names[1:])]
    mean = np.concatenate([np.zeros(1 + pieces), HEAT / bpm, np.zeros(len(names) - 1)])
    sd = np.concatenate([[_VAGUE], np.full(pieces, CHANGE_SD), HEAT_SD / bpm, np.full(len(names) - 1, SOURCE_SD)])
    return np.concatenate(columns, axis=1), mean, np.diag(sd**-2.0), names


class _Gls:
    """One generalised least squares fit with a normal prior.

    Errors of temperatures flatten what heat costs, so what they add to the
    squares is taken off again (corrected normal equations: Fuller 1987,
    Measurement Error Models, 2.2).
    """

    def __init__(self, x: Floats, y: Floats, mean: Floats, precision: Floats, covariance: Floats,
                 heat: slice) -> None:
        if covariance.ndim == 1:
            self.whiten = np.diag(covariance**-0.5)
        else:
            self.whiten = np.linalg.inv(np.linalg.cholesky(covariance))
        white_x, white_y = self.whiten @ x, self.whiten @ (y - x @ mean)
        squares = white_x.T @ white_x
        excess = _excess(squares, x, np.square(self.whiten).sum(axis=0), heat, precision)
        self.information = squares - excess + precision
        self.inverse = np.linalg.inv(self.information)
        rise = self.inverse @ (white_x.T @ white_y + excess @ mean)
        self.coefficients = mean + rise
        self.white_x, self.white_rest = white_x, white_y - white_x @ rise
        self.gain = self.inverse @ white_x.T @ self.whiten
        misfit = float(white_y @ self.white_rest)  # y'(V + X P^-1 X')^-1 y
        self.log_likelihood = 0.5 * (2.0 * float(np.log(np.diag(self.whiten)).sum())
                                     - float(np.linalg.slogdet(self.information)[1]) - misfit)
        self.used = float(np.trace(self.inverse @ white_x.T @ white_x))


def _excess(squares: Floats, x: Floats, worth: Floats, heat: slice, precision: Floats) -> Floats:
    """What errors of `HEAT_ERROR_C` add to the squares of the heat columns, never most of them."""
    found = np.zeros_like(squares)
    warm = -x[:, heat.start]
    moves = np.stack([warm != 0.0, *((warm != 0.0) & (warm > bend - REFERENCE_C) for bend in BENDS_C)], axis=1)
    block = HEAT_ERROR_C**2 * (moves * worth[:, None]).T @ moves
    own = squares[heat, heat]
    rest = np.delete(np.arange(len(squares)), np.r_[heat])
    beside = squares[heat][:, rest]
    left = own - beside @ np.linalg.pinv(squares[np.ix_(rest, rest)]) @ beside.T
    size = float(np.max(np.linalg.eigvals(np.linalg.inv(left + precision[heat, heat]) @ block).real))
    found[heat, heat] = block * min(1.0, MOST_CORRECTED / max(size, 1e-9))
    return found


class _Averaged:
    """Fits for several lengths of luck, averaged by their likelihood."""

    def __init__(self, x: Floats, y: Floats, mean: Floats, precision: Floats, days: Floats, own: Floats) -> None:
        pieces = _pieces(days)
        heat = slice(1 + pieces, 1 + pieces + len(HEAT))
        calm, day = _reined(x, y, mean, precision, own, heat)
        apart = np.abs(days[:, None] - days[None, :])
        self.fits, likely, frees = [], [], []
        gap = max(float(np.median(np.diff(days))), 1.0)
        for length in ALIKE_DAYS:
            shared = np.exp(-apart / length) if length else np.eye(len(days))
            one = _Gls(x, y, mean, precision, day * shared + np.diag(own + calm * (own + day)), heat)
            self.fits.append(one)
            likely.append(one.log_likelihood)
            alike = math.exp(-gap / length) * day / (day + float(np.median(own))) if length else 0.0
            frees.append(max(float(np.sum(1.0 / (1.0 + calm))) * (1.0 - alike) / (1.0 + alike) - one.used, 3.0))
        weights = np.exp(np.array(likely) - max(likely))
        self.weights = weights / weights.sum()
        self.free = float(self.weights @ frees)
        self.coefficients = sum(w * one.coefficients for w, one in zip(self.weights, self.fits, strict=True))
        self.best = self.fits[int(np.argmax(self.weights))]

    def of(self, contrast: Floats) -> tuple[float, float, Floats]:
        """Value and variance of a contrast of the coefficients, and how each run moves it (n,)."""
        values = np.array([contrast @ one.coefficients for one in self.fits])
        variances = np.array([contrast @ one.inverse @ contrast for one in self.fits])
        value = float(self.weights @ values)
        variance = float(self.weights @ (variances + (values - value) ** 2))
        gain = sum(w * (contrast @ one.gain) for w, one in zip(self.weights, self.fits, strict=True))
        return value, variance, np.asarray(gain)


def _reined(x: Floats, y: Floats, mean: Floats, precision: Floats, own: Floats, heat: slice) -> tuple[Floats, float]:
    """How much more variance each run gets (0: none) so that no far-off one counts fully; variance of a day."""
    calm, day = np.zeros(len(y)), float(np.median(own))
    for _ in range(6):
        one = _Gls(x, y, mean, precision, (own + day) * (1.0 + calm), heat)
        rest = y - x @ one.coefficients
        day = _day_variance(rest, own, len(y) - one.used)
        off = np.abs(rest) / np.sqrt(own + day)
        calm = np.maximum(off / HUBER, 1.0) - 1.0
    return calm, day


def _day_variance(rest: Floats, own: Floats, free: float) -> float:
    """The variance beside `own` under which the residuals are as large as they should be."""
    wanted = _HUBER_SQUARES * max(free, 1.0)
    low, high = 1e-6, float(rest @ rest) + 1e-5
    for _ in range(40):
        middle = math.sqrt(low * high)
        if float(np.minimum(rest**2 / (own + middle), HUBER**2).sum()) > wanted:
            low = middle
        else:
            high = middle
    return math.sqrt(low * high)


def tail(t: float, free: float) -> float:
    """The chance of Student's t beyond `t` (Wallace 1959, Ann Math Stat 30:1124: to 3 digits)."""
    z = math.copysign(math.sqrt(free * math.log1p(t * t / free)) * (8.0 * free + 1.0) / (8.0 * free + 3.0), t)
    return NormalDist().cdf(-z)


def student(z: float, free: float) -> float:
    """The point of Student's t as far out as `z` is of the normal distribution: the inverse of `tail`."""
    squares = (z * (8.0 * free + 3.0) / (8.0 * free + 1.0)) ** 2 / free
    return math.copysign(math.sqrt(free * math.expm1(squares)), z)


class _Steps:
    """What a step of one source's speeds on one day would explain."""

    def __init__(self, found: _Averaged, days: Floats, sources: NDArray[np.str_], names: list[str]) -> None:
        self.found = found
        one = found.best
        columns, self.places = [], []
        for name in names:
            mine = days[sources == name]
            for day in np.unique(mine)[1:]:
                before, after = int((mine < day).sum()), int((mine >= day).sum())
                if min(before, after) >= FEWEST_BESIDE_STEP:
                    columns.append(((sources == name) & (days >= day)).astype(np.float64))
                    self.places.append((name, float(day)))
        if not columns:
            return
        c = np.stack(columns, axis=1)
        white = one.whiten @ c
        self.leads = one.gain @ c  # what a unit of each step adds to the coefficients
        beside = white - one.white_x @ self.leads
        information = np.einsum("ij,ij->j", white, beside)
        score = white.T @ one.white_rest
        self.sd2 = STEP_SD**2 / (1.0 + information * STEP_SD**2)
        self.shares = score * self.sd2
        log_odds = 0.5 * (np.log(self.sd2 / STEP_SD**2) + score**2 * self.sd2)
        odds = STEP_CHANCE / (1.0 - STEP_CHANCE) / len(columns) * np.exp(np.minimum(log_odds, 200.0))
        self.chance = float(odds.sum() / (1.0 + odds.sum()))
        self.odds = odds

    def doubt(self, contrast: Floats, value: float, variance: float, free: float) -> float:
        """The chance that the change went the other way, over all steps there may have been and none."""
        none = tail(abs(value) / math.sqrt(variance), free)
        if not self.places:
            return none
        lead = contrast @ self.leads
        left = np.sign(value) * (value - lead * self.shares) / np.sqrt(variance + lead**2 * self.sd2)
        with_step = sum(odds * tail(z, free) for odds, z in zip(self.odds.tolist(), left.tolist(), strict=True))
        return (none + with_step) / (1.0 + float(self.odds.sum()))

    def likely(self) -> Step | None:
        if not self.places:
            return None
        best = int(np.argmax(self.odds))
        return Step(self.chance, *self.places[best], float(self.shares[best]))
