"""Estimators of level and slope of heart rate, all driven the same way.

    contender.step(t_s, bpm)      # bpm of n lanes, NaN where nothing came
    contender.level_bpm, contender.sd_bpm, contender.slope_bpm_s
    foreseen, sd = contender.ahead(reach_s)

All look ahead by the same `reach_s` seconds of slope, that of a saturating
response (`guard.decide.columns.reach_s`), so that only level and slope differ.
Constants of the others were searched for on development seeds by
`python -m tests.lab.estimators --tune`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from guard.heart.estimate import Estimator
from numpy.typing import NDArray

from guard.settings import Settings
from guard.signal.kit_arrays import ARRAYS

Array = NDArray[np.float64]

MAD_TO_SD = 1.4826  # of a normal distribution (Rousseeuw & Croux 1993)
MEDIAN_EFFICIENCY = 4.0 / np.pi**2  # of the repeated median beside least squares (Hössjer et al. 1994)


class Contender(Protocol):
    """One estimator for n lanes; arrays of shape (n,), NaN before the first reading."""

    level_bpm: Array
    slope_bpm_s: Array

    @property
    def sd_bpm(self) -> Array:
        """Standard deviation it states for the level."""
        ...

    def step(self, t_s: float, bpm: Array) -> None:
        """Take the readings of `t_s`, NaN where none came."""
        ...

    def ahead(self, reach_s: float) -> tuple[Array, Array]:
        """Level after `reach_s` more seconds of the present slope, and its stated SD, bpm."""
        ...


class LastReading:
    """The newest reading as it came: what a filter has to beat. States no uncertainty."""

    def __init__(self, n: int) -> None:
        self.level_bpm: Array = np.full(n, np.nan)
        self.slope_bpm_s: Array = np.zeros(n)
        self.sd_bpm: Array = np.full(n, np.nan)

    def step(self, t_s: float, bpm: Array) -> None:
        """Keep it."""
        self.level_bpm = np.where(np.isnan(bpm), self.level_bpm, bpm)

    def ahead(self, reach_s: float) -> tuple[Array, Array]:
        """As it is now."""
        return self.level_bpm, self.sd_bpm


@dataclass(frozen=True)
class HoltConstants:
    """Share of an error that moves the level, and of that share what moves the slope, at 1 s."""

    level_share: float = 0.2
    slope_share: float = 0.01


class Holt:
    """Exponential smoothing with a slope (Holt 1957), no robustness.

    Stated uncertainty: variance of one-step errors, carried ahead as in the
    state-space form ETS(A,A,N) (Hyndman, Koehler, Ord, Snyder 2008, table 6.1).
    For steps other than 1 s the shares are those of as many steps of 1 s.
    """

    ERROR_MEMORY_S = 60.0

    def __init__(self, n: int, constants: HoltConstants | None = None) -> None:
        self._c = constants or HoltConstants()
        self._t_s = np.nan
        self.level_bpm: Array = np.full(n, np.nan)
        self.slope_bpm_s: Array = np.zeros(n)
        self._error_var: Array = np.full(n, 4.0)
        self.sd_bpm: Array = np.full(n, np.nan)

    def step(self, t_s: float, bpm: Array) -> None:
        """Predict, then correct by the error."""
        c, dt_s = self._c, (t_s - self._t_s if self._t_s == self._t_s else 1.0)
        self._t_s = t_s
        begins = np.isnan(self.level_bpm) & ~np.isnan(bpm)
        foreseen = self.level_bpm + dt_s * self.slope_bpm_s
        came = ~np.isnan(bpm) & ~np.isnan(foreseen)
        error = np.where(came, bpm - foreseen, 0.0)
        share = 1.0 - (1.0 - c.level_share) ** dt_s
        self.level_bpm = np.where(begins, bpm, foreseen + share * error)
        self.slope_bpm_s = self.slope_bpm_s + share * c.slope_share * error / dt_s
        new = np.where(came, 1.0 - np.exp(-dt_s / self.ERROR_MEMORY_S), 0.0)
        self._error_var = self._error_var + new * (error * error - self._error_var)
        self.sd_bpm = np.sqrt(self._error_var * c.level_share / (2.0 - c.level_share))

    def ahead(self, reach_s: float) -> tuple[Array, Array]:
        """A straight line for `reach_s`."""
        a = self._c.level_share
        b = a * self._c.slope_share
        grows = reach_s * (a * a + a * b * reach_s + b * b * reach_s * (2.0 * reach_s - 1.0) / 6.0)
        sd = np.sqrt(self.sd_bpm**2 + self._error_var * max(grows, 0.0))
        return self.level_bpm + reach_s * self.slope_bpm_s, sd


@dataclass(frozen=True)
class MedianConstants:
    """Length of the window; a shorter record is not judged."""

    window_s: float = 21.0
    least: int = 5


class RepeatedMedian:
    """A line through the newest window by repeated medians (Siegel 1982).

    Slope: the median over readings of the median slope to all others; level:
    the median of the readings moved along it to now. So it is used on
    intensive-care monitors before the limit test (Borowski et al. 2011, there
    with a window that adapts). Stated uncertainty: that of a least-squares line
    with the residuals' median deviation, over the repeated median's efficiency.
    """

    def __init__(self, n: int, constants: MedianConstants | None = None) -> None:
        self._c = constants or MedianConstants()
        self._times: list[float] = []
        self._rows: list[Array] = []
        self.level_bpm: Array = np.full(n, np.nan)
        self.slope_bpm_s: Array = np.zeros(n)
        self.sd_bpm: Array = np.full(n, np.nan)
        self._sd_slope: Array = np.full(n, np.nan)
        self._cov: Array = np.full(n, np.nan)

    def step(self, t_s: float, bpm: Array) -> None:
        """Fit the newest window anew."""
        self._times.append(t_s)
        self._rows.append(bpm.astype(float))
        while self._times[0] <= t_s - self._c.window_s:
            del self._times[0], self._rows[0]
        back_s = np.array(self._times) - t_s
        values = np.array(self._rows).T
        count = (~np.isnan(values)).sum(axis=1)
        apart_s = back_s[:, None] - back_s[None, :]
        np.fill_diagonal(apart_s, np.nan)
        slope = median(median((values[:, :, None] - values[:, None, :]) / apart_s))
        moved = values - slope[:, None] * back_s
        level = median(moved)
        sd = MAD_TO_SD * median(np.abs(moved - level[:, None]))
        judged = count >= self._c.least
        # Of a least-squares line through n readings at 1 s: level at its end, slope, their covariance.
        size = np.maximum(count, 2.0)
        unit = np.maximum(sd, 0.3) ** 2 / MEDIAN_EFFICIENCY
        self._keep(judged, level, slope, unit * (4.0 * size - 2.0) / (size * (size + 1.0)),
                   unit * 12.0 / (size * (size * size - 1.0)), unit * 6.0 / (size * (size + 1.0)))

    def _keep(self, judged: NDArray[np.bool_], level: Array, slope: Array, var: Array,
              var_slope: Array, cov: Array) -> None:
        self.level_bpm = np.where(judged, level, self.level_bpm)
        self.slope_bpm_s = np.where(judged, slope, self.slope_bpm_s)
        self.sd_bpm = np.where(judged, np.sqrt(var), self.sd_bpm)
        self._sd_slope = np.where(judged, np.sqrt(var_slope), self._sd_slope)
        self._cov = np.where(judged, cov, self._cov)

    def ahead(self, reach_s: float) -> tuple[Array, Array]:
        """A straight line for `reach_s`."""
        var = self.sd_bpm**2 + reach_s * (2.0 * self._cov + reach_s * self._sd_slope**2)
        return self.level_bpm + reach_s * self.slope_bpm_s, np.sqrt(var)


def median(values: Array) -> Array:
    """Median of what is known along the last axis; NaN where nothing is."""
    ordered = np.sort(values, axis=-1)  # NaN goes to the end
    known = (~np.isnan(ordered)).sum(axis=-1)
    middle = np.stack([np.maximum(known - 1, 0) // 2, np.minimum(known // 2, values.shape[-1] - 1)], axis=-1)
    return np.asarray(np.take_along_axis(ordered, middle, axis=-1).mean(axis=-1))


@dataclass(frozen=True)
class KalmanConstants:
    """How fast the slope may change, how far a reading is off, when it is not believed."""

    slope_sd: float = 0.005  # bpm/s of change of slope in a step of 1 s
    reading_sd_bpm: float = 2.0
    gate_sd: float = 4.0
    believe_after: int = 4  # so many readings in a row beyond the gate are a true jump


class GatedKalman:
    """Level and slope by a Kalman filter, readings beyond a gate left out.

    The nearly constant slope of tracking (Bar-Shalom, Li, Kirubarajan 2001,
    section 6.3: the slope changes by a random constant acceleration each step)
    with a gate on the innovation; after `believe_after` readings in a row
    beyond it the filter starts anew.
    """

    def __init__(self, n: int, constants: KalmanConstants | None = None) -> None:
        self._c = constants or KalmanConstants()
        self._t_s = np.nan
        self.level_bpm: Array = np.full(n, np.nan)
        self.slope_bpm_s: Array = np.zeros(n)
        self._var: Array = np.full(n, 25.0)
        self._cov: Array = np.zeros(n)
        self._var_slope: Array = np.full(n, 0.04)
        self._beyond: Array = np.zeros(n)
        self.gains: tuple[Array, Array] = (np.zeros(n), np.zeros(n))

    @property
    def sd_bpm(self) -> Array:
        return np.asarray(np.where(np.isnan(self.level_bpm), np.nan, np.sqrt(self._var)))

    def step(self, t_s: float, bpm: Array) -> None:
        """Predict; correct where the reading lies within the gate."""
        c, dt_s = self._c, (t_s - self._t_s if self._t_s == self._t_s else 0.0)
        self._t_s = t_s
        noise = c.slope_sd**2
        self.level_bpm = self.level_bpm + dt_s * self.slope_bpm_s
        self._var = (self._var + dt_s * (2.0 * self._cov + dt_s * self._var_slope)
                     + noise * dt_s**4 / 4.0)
        self._cov = self._cov + dt_s * self._var_slope + noise * dt_s**3 / 2.0
        self._var_slope = self._var_slope + noise * dt_s**2
        came = ~np.isnan(bpm)
        error = bpm - self.level_bpm
        total = self._var + c.reading_sd_bpm**2
        beyond = came & (np.abs(error) > c.gate_sd * np.sqrt(total))
        self._beyond = np.where(beyond, self._beyond + 1.0, np.where(came, 0.0, self._beyond))
        begins = came & (np.isnan(self.level_bpm) | (self._beyond >= c.believe_after))
        used = came & ~beyond & ~begins
        gain, gain_slope = self._var / total, self._cov / total
        self.gains = (gain, gain_slope)
        error = np.where(used, error, 0.0)
        self.level_bpm = np.where(begins, bpm, self.level_bpm + gain * error)
        self.slope_bpm_s = np.where(begins, 0.0, self.slope_bpm_s + gain_slope * error)
        self._var_slope = np.where(
            begins, 0.04, self._var_slope - np.where(used, gain_slope * self._cov, 0.0))
        self._cov = np.where(begins, 0.0, self._cov - np.where(used, gain * self._cov, 0.0))
        self._var = np.where(begins, c.reading_sd_bpm**2, self._var - np.where(used, gain * self._var, 0.0))
        self._beyond = np.where(begins, 0.0, self._beyond)

    def ahead(self, reach_s: float) -> tuple[Array, Array]:
        """A straight line for `reach_s`."""
        var = self._var + reach_s * (2.0 * self._cov + reach_s * self._var_slope)
        level = self.level_bpm + reach_s * self.slope_bpm_s
        return level, np.where(np.isnan(level), np.nan, np.sqrt(var))


class OfTheGuard:
    """`guard.heart.estimate` as the guard uses it, but never told what was cued."""

    def __init__(self, n: int) -> None:
        self._estimator = Estimator(ARRAYS, np.full(n, Settings().response_s))
        self._t_s = np.nan
        self.level_bpm: Array = np.full(n, np.nan)
        self.slope_bpm_s: Array = np.zeros(n)
        self.sd_bpm: Array = np.full(n, np.nan)

    def step(self, t_s: float, bpm: Array) -> None:
        """One step of the estimator."""
        n = len(bpm)
        dt_s = t_s - self._t_s if self._t_s == self._t_s else 0.0
        self._t_s = t_s
        est = self._estimator
        est.step(np.full(n, dt_s), bpm)
        self.level_bpm = np.where(est.known, est.level_bpm, self.level_bpm)
        self.slope_bpm_s = est.slope_bpm_s
        self.sd_bpm = np.where(est.known, est.sd_ahead_bpm(0.0), np.nan)

    def ahead(self, reach_s: float) -> tuple[Array, Array]:
        """As the decision foresees it."""
        return self.level_bpm + reach_s * self.slope_bpm_s, self._estimator.sd_ahead_bpm(reach_s)


# name: (what it is, how to make one for n lanes)
CONTENDERS: dict[str, tuple[str, Callable[[int], Contender]]] = {
    "last": ("the newest reading as it came", LastReading),
    "smoothing": ("exponential smoothing with a slope", Holt),
    "median": ("line by repeated medians", RepeatedMedian),
    "kalman": ("level-slope Kalman filter with a gate", GatedKalman),
    "guard": ("the estimate of the guard", OfTheGuard),
}
