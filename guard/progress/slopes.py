"""What heart rate costs, from within the runs of one runner: speed, grade and time. Pure.

`bpm = a_run + slope * effort + hill * grade + drift * hours`. Only differences
within a run count: between runs a runner in form runs faster that day, and a
slope through such days is too flat. All runs are pooled; a prior of what is
known of people stands in where they say little. Errors are those of runs as
wholes (clustered sandwich: Liang & Zeger 1986, Biometrika 73:13), and a floor
says that even a well-fitted slope is not the runner's own to the last per cent.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from guard.arrays import Floats
from guard.progress.minutes import BY_SATELLITE, LAGS_S, REFERENCE_H, REGRESSORS, SIZE, UPPER

# Slope 24 to 30 +- 8 bpm per m/s, drift 1 to 18 bpm by minute 40 (Hunt et al. 2015; 263 running steps of
# Donne 2024; Wingo 2012), rounded; what the cost of grade differs from Minetti's is judged at a quarter.
USUAL_SLOPES = np.array([28.0, 0.0, 8.0])
USUAL_SD = np.array([7.5, 7.0, 8.0])
# A belt and a pod err in scale; with satellites the terrain sets the pace, so that slopes come out halved.
FLOOR, FLOOR_SATELLITE = 0.05, 0.35
NOISE_BPM, NOISE_RUNS = 2.5, 3.0  # SD of a minute, and how many runs' worth of belief in it
PRIOR_TIMES, PRIOR_RUNS = 3.0, 5.0  # how much less minutes are worth than independent ones
LEAST_NOISE_BPM = 0.7  # of a minute: no fit is believed to be better (ours)


@dataclass(frozen=True)
class RunSums:
    """Kept sums of n runs, one lag: weight (n,), mean (n, 4), products (n, 4, 4), halves (n, 2, 5)."""

    count: Floats
    weight: Floats
    mean: Floats
    products: Floats
    halves: Floats

    @classmethod
    def of(cls, sums: Floats) -> "RunSums":
        """From (n, SIZE)."""
        products = np.zeros((len(sums), REGRESSORS, REGRESSORS))
        products[:, UPPER[0], UPPER[1]] = sums[:, 6:16]
        products[:, UPPER[1], UPPER[0]] = sums[:, 6:16]
        return cls(sums[:, 0], sums[:, 1], sums[:, 2:6], products, sums[:, 16:SIZE].reshape(-1, 2, 5))


@dataclass(frozen=True)
class Slopes:
    """`values` are slope (bpm per m/s), what a metre of grade costs beyond it, and drift (bpm/h).

    `covariance` (3, 3) is theirs. `variance` (n,) is that of each run's own level,
    bpm^2, as far as the run itself tells.
    """

    values: Floats
    covariance: Floats
    variance: Floats
    lag_s: float
    table: RunSums

    @property
    def slope(self) -> float:
        return float(self.values[0])

    def speeds(self, ceiling_bpm: float) -> tuple[Floats, Floats, Floats]:
        """Speed at the ceiling of each run (n,), its derivatives by `values` (n, 3), its variance (n,)."""
        effort, hill, hours, bpm = self.table.mean.T
        slope, more, drift = self.values
        gap = (ceiling_bpm - bpm + drift * (hours - REFERENCE_H) + more * hill) / slope
        by = np.stack([-gap / slope, hill / slope, (hours - REFERENCE_H) / slope], axis=1)
        return effort + gap, by, self.variance / slope**2


def fit(sums: Floats, sources: NDArray[np.str_]) -> Slopes:
    """Slopes from kept sums (n, lags, SIZE) and each run's source of speed (n,); the lag that fits best."""
    fits = [_fit(RunSums.of(sums[:, place]), sources, lag_s) for place, lag_s in enumerate(LAGS_S)]
    return min(fits, key=lambda one: one[0])[1]


def _fit(table: RunSums, sources: NDArray[np.str_], lag_s: float) -> tuple[float, Slopes]:
    of_run, with_bpm, squares = table.products[:, :3, :3], table.products[:, :3, 3], table.products[:, 3, 3]
    free = np.maximum(table.count - 1.0, 1.0)
    prior = np.diag(USUAL_SD**-2)
    satellite = np.char.startswith(sources, BY_SATELLITE)
    values, noise = USUAL_SLOPES, np.full(len(table.count), NOISE_BPM**2)
    information = prior
    meat = np.zeros((3, 3))
    rest = squares
    for _ in range(3):
        information, meat, right = prior.copy(), np.zeros((3, 3)), prior @ USUAL_SLOPES
        for group, floor in ((~satellite, FLOOR), (satellite, FLOOR_SATELLITE)):
            if not group.any():
                continue
            one = _group(of_run[group], with_bpm[group], values, noise[group], floor)
            information, meat, right = information + one[0], meat + one[1], right + one[2]
        values = np.linalg.solve(information, right)
        values[0] = max(values[0], 8.0)
        explained = 2 * with_bpm @ values - np.einsum("nij,i,j->n", of_run, values, values)
        rest = np.maximum(squares - explained, 0.0)
        noise = _noise(rest, free, sources)
    inverse = np.linalg.inv(information)
    covariance = inverse @ (prior + meat) @ inverse
    variance = _level_variance(table, values, noise, sources)
    # The lag by robust scale: no single bad run decides it.
    misfit = float(np.sum(free * np.log(np.maximum(rest / free, LEAST_NOISE_BPM**2))))
    return misfit, Slopes(values, covariance, variance, lag_s, table)


def _group(
    of_run: Floats, with_bpm: Floats, values: Floats, noise: Floats, floor: float,
) -> tuple[Floats, Floats, Floats]:
    """Information, its scatter, and the right-hand side of runs with one kind of source."""
    scaled = of_run / noise[:, None, None]
    plain = scaled.sum(axis=0)
    scores = (with_bpm - np.einsum("nij,j->ni", of_run, values)) / noise[:, None]
    runs = len(noise)
    usual = PRIOR_TIMES * plain
    # Fitted scores scatter too little by the number of slopes (the correction called CR1).
    own = scores.T @ scores * (runs / max(runs - 3, 1))
    scatter = (own * runs + PRIOR_RUNS * usual) / (runs + PRIOR_RUNS) if runs > 1 else usual
    alike = max(float(np.mean(np.diag(scatter)[::2] / np.maximum(np.diag(plain)[::2], 1e-9))), 1.0)
    worth = plain / alike
    # (worth^-1 + floor)^-1, which exists where `worth` is singular too.
    spread = np.diag([(floor * USUAL_SLOPES[0]) ** 2, 0.0, 0.0])
    shrink = np.linalg.inv(np.eye(3) + worth @ spread)
    information = shrink @ worth
    meat = shrink @ (scatter / alike**2) @ shrink.T + information @ spread @ information.T
    right = shrink @ (with_bpm / noise[:, None]).sum(axis=0) / alike
    return information, meat, right


def _noise(rest: Floats, free: Floats, sources: NDArray[np.str_]) -> Floats:
    """Variance of a minute of each run: its own, drawn to that of its source."""
    noise = np.empty_like(rest)
    for source in np.unique(sources):
        group = sources == source
        own = rest[group] / free[group]
        usual = (float(np.median(own)) * group.sum() + NOISE_RUNS * NOISE_BPM**2) / (group.sum() + NOISE_RUNS)
        worth = 10.0
        noise[group] = np.maximum((free[group] * own + worth * usual) / (free[group] + worth),
                                  LEAST_NOISE_BPM**2)
    return noise


def _level_variance(table: RunSums, values: Floats, noise: Floats, sources: NDArray[np.str_]) -> Floats:
    """Variance of each run's level: its minutes are not independent, as its two halves show."""
    first, second = table.halves[:, 0], table.halves[:, 1]
    apart = first[:, 1:] - second[:, 1:]
    off = apart[:, 3] - apart[:, :3] @ values
    expected = noise * (1.0 / np.maximum(first[:, 0], 0.5) + 1.0 / np.maximum(second[:, 0], 0.5))
    ratio = np.minimum(off**2 / expected, 40.0)
    variance = noise / table.weight
    for source in np.unique(sources):
        group = sources == source
        times = (float(ratio[group].sum()) + PRIOR_RUNS * PRIOR_TIMES) / (group.sum() + PRIOR_RUNS)
        variance[group] *= max(times, 1.0)
    return variance
