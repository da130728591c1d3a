"""Heart rate as a straight line of speed, and the speed at which it meets a ceiling.

Least squares on the means of steady stretches, with a column of time for the
drift; the speed at the ceiling is an inverse prediction of the *mean* response
and its interval all speeds that the data do not contradict (Fieller 1954,
J R Stat Soc B 16:175; for several columns: the set of x with
(y - w(x)b)^2 <= t^2 w(x)Vw(x), w(x) = (1, x, 0)).

Neighbouring stretches share what the strap and the runner do within minutes,
so V is widened by (1 + r) / (1 - r), r the residuals' correlation from one to
the next (the variance of a mean under first-order autocorrelation: Bayley &
Hammersley 1946, Suppl J R Stat Soc 8:184), never narrowed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

OUTLIER_SDS = 4.5
MOST_CORRELATION = 0.8
LEAST_FREE = 3  # degrees of freedom
LEAST_SD_BPM = 0.5  # below this, residuals are the strap's rounding
SCALE_OF_MAD = 1.4826  # median absolute deviation to SD, normal distribution


@dataclass(frozen=True, slots=True)
class Known:
    """A value and its interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Line:
    """bpm = intercept + slope * speed (m/s) + drift * (hours since the reference time).

    `covariance` is that of (intercept, slope, drift), row by row; the drift's
    is 0 where no drift was fitted (`drifts` false). `t95` is Student's 97.5 %
    point for the degrees of freedom left. Plain numbers, so that it can be kept.
    """

    intercept: float
    slope: float
    drift: float
    covariance: Sequence[float]
    t95: float
    drifts: bool
    low_bpm: float
    high_bpm: float
    low_m_s: float
    high_m_s: float
    stretches: int

    @property
    def rises(self) -> bool:
        """Whether heart rate rises with speed beyond doubt (95 %)."""
        return self.slope > 0 and self.slope * self.slope > self.t95 * self.t95 * self.covariance[4]

    def speed_at(self, bpm: float) -> Known | None:
        """Speed at which the mean is `bpm`, with its 95 % interval; None where that has no end.

        The interval has no end where the slope cannot be told from 0.
        """
        v = self.covariance
        widest = self.t95 * self.t95
        gap = bpm - self.intercept
        a = self.slope * self.slope - widest * v[4]
        if not self.rises:
            return None
        b = -2.0 * (gap * self.slope + widest * v[1])
        c = gap * gap - widest * v[0]
        root = math.sqrt(max(b * b - 4.0 * a * c, 0.0))
        return Known(gap / self.slope, (-b - root) / (2.0 * a), (-b + root) / (2.0 * a))

    def drift_bpm_per_h(self) -> Known | None:
        """The drift with its 95 % interval; None where it was not fitted."""
        if not self.drifts:
            return None
        half = self.t95 * math.sqrt(self.covariance[8])
        return Known(self.drift, self.drift - half, self.drift + half)


def fit_line(speed_m_s: Floats, bpm: Floats, hours: Floats | None) -> Line | None:
    """Fit stretches in order of time, one value each; None with too few of them.

    `hours` from the reference time, or None to fit no drift. Single stretches
    far off the line (an artefact of the strap) are left out once.
    """
    columns = [np.ones(len(bpm)), speed_m_s] if hours is None else [np.ones(len(bpm)), speed_m_s, hours]
    matrix = np.stack(columns, axis=1)
    if not _enough(matrix):
        return None
    rest = _residuals(matrix, bpm)
    mad = float(np.median(np.abs(rest))) * SCALE_OF_MAD
    sound = np.abs(rest) <= OUTLIER_SDS * max(mad, LEAST_SD_BPM)
    matrix, bpm, speed_m_s = matrix[sound], bpm[sound], speed_m_s[sound]
    return _fitted(matrix, bpm, speed_m_s) if _enough(matrix) else None


def _enough(matrix: Floats) -> bool:
    return len(matrix) - matrix.shape[1] >= LEAST_FREE and \
        bool(np.linalg.matrix_rank(matrix) == matrix.shape[1])


def _residuals(matrix: Floats, bpm: Floats) -> Floats:
    return np.asarray(bpm - matrix @ np.linalg.lstsq(matrix, bpm, rcond=None)[0])


def _fitted(matrix: Floats, bpm: Floats, speed_m_s: Floats) -> Line:
    from scipy.special import stdtrit  # type: ignore[import-untyped]  # what is kept needs no scipy when it is read again

    number, size = matrix.shape
    inverse = np.linalg.inv(matrix.T @ matrix)
    found = inverse @ matrix.T @ bpm
    rest = bpm - matrix @ found
    squares = float(rest @ rest)
    # Residuals of n points under p columns correlate by about -(p + 1)/n without any reason.
    shared = float(rest[:-1] @ rest[1:]) / max(squares, 1e-12) + (size + 1) / number
    shared = min(max(shared, 0.0), MOST_CORRELATION)
    covariance = np.zeros((3, 3))
    covariance[:size, :size] = inverse * squares / (number - size) * (1.0 + shared) / (1.0 - shared)
    return Line(float(found[0]), float(found[1]), float(found[2]) if size > 2 else 0.0,
                tuple(map(float, covariance.ravel())), float(stdtrit(number - size, 0.975)), size > 2,
                float(bpm.min()), float(bpm.max()), float(speed_m_s.min()), float(speed_m_s.max()), number)
