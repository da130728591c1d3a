"""Simpler ways to follow the months, on the same histories: what the model has to be better than.

Both see the same kept sums of each run and the last 12 weeks only, and claim
where their 99 % interval leaves 0 out.

* `two_stage`: slopes pooled within runs by least squares, then a robust line
  (Huber) through each run's speed at the ceiling; no heat, sources or steps.
* `mixed`: statsmodels' linear mixed model of the two halves of each run, an
  intercept for each run; heat as a column where it was written down.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student_t  # type: ignore[import-untyped]

from guard.progress.level import KNOT_DAYS, Runs
from guard.progress.minutes import LAGS_S, REFERENCE_H
from guard.progress.slopes import RunSums

Floats = NDArray[np.float64]
LAG = LAGS_S.index(57.6)
SURE = 0.995


@dataclass(frozen=True)
class Claim:
    """Change of speed in the window as a share, with its 99 % interval."""

    share: float
    low: float
    high: float

    @property
    def made(self) -> bool:
        return self.low > 0.0 or self.high < 0.0


def two_stage(sums: Floats, runs: Runs, ceiling_bpm: float) -> Claim | None:
    """Pooled slopes, then Huber's line over days; None with too few runs."""
    table = RunSums.of(sums[:, LAG])
    slope, hill, drift = np.linalg.solve(
        table.products[:, :3, :3].sum(axis=0) + 1e-6 * np.eye(3), table.products[:, :3, 3].sum(axis=0))
    effort, of_hill, hours, bpm = table.mean.T
    speed = effort + (ceiling_bpm - bpm + drift * (hours - REFERENCE_H) + (hill - slope) * of_hill) / slope
    recent = runs.days > runs.days[-1] - KNOT_DAYS
    if recent.sum() < 8 or slope <= 0.0:
        return None
    x = np.stack([np.ones(recent.sum()), (runs.days[recent] - runs.days[-1]) / KNOT_DAYS], axis=1)
    y, weight = speed[recent], np.ones(int(recent.sum()))
    for _ in range(20):
        inner = x.T @ (weight[:, None] * x)
        found = np.linalg.solve(inner, x.T @ (weight * y))
        rest = y - x @ found
        scale = 1.4826 * float(np.median(np.abs(rest))) + 1e-9
        weight = np.minimum(1.0, 1.345 * scale / np.maximum(np.abs(rest), 1e-12))
    free = len(y) - 2
    sd = float(np.sqrt((weight * rest**2).sum() / free * np.linalg.inv(inner)[1, 1]))
    return _claim(found[1], sd, found[0] - found[1], free)


def mixed(sums: Floats, runs: Runs, ceiling_bpm: float) -> Claim | None:
    """A mixed model of the halves of each run; None where it does not fit."""
    import statsmodels.api as library

    halves = RunSums.of(sums[:, LAG]).halves
    recent = np.flatnonzero(runs.days > runs.days[-1] - KNOT_DAYS)
    if len(recent) < 8:
        return None
    rows = halves[recent].reshape(-1, 5)[:, 1:]
    days = np.repeat((runs.days[recent] - runs.days[-1]) / KNOT_DAYS, 2)
    warm = np.repeat(np.nan_to_num(runs.temperature_c[recent] - 15.0) * runs.outdoors[recent], 2)
    middle = float(rows[:, 0].mean())
    columns = [np.ones(len(rows)), rows[:, 0] - middle, rows[:, 2] - REFERENCE_H, days]
    columns += [warm] if np.ptp(warm) > 0 else []
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            found = library.MixedLM(rows[:, 3], np.stack(columns, axis=1), groups=np.repeat(recent, 2)).fit()
            slope, day = float(found.fe_params[1]), float(found.fe_params[3])
            now = middle + (ceiling_bpm - float(found.fe_params[0])) / slope
            gradient = np.zeros(len(columns))
            gradient[1], gradient[3] = day / slope**2, -1.0 / slope
            covariance = np.asarray(found.cov_params())[:len(columns), :len(columns)]
            sd = float(np.sqrt(gradient @ covariance @ gradient))
    except (np.linalg.LinAlgError, ValueError):
        return None
    change = -day / slope
    if not np.isfinite(sd) or slope <= 0.0:
        return None
    return _claim(change, sd, now - change, len(recent) - len(columns))


def _claim(change: float, sd: float, start: float, free: int) -> Claim:
    half = float(student_t.ppf(SURE, max(free, 1))) * sd
    return Claim(change / start, (change - half) / start, (change + half) / start)
