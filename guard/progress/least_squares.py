"""Generalised least squares with priors, for a runner's days. Pure.

What a day adds by itself may resemble the days around it, single days may be
far off, and temperatures are written down with errors: each is allowed for.
`statsmodels` is the oracle of the tests; it takes seconds to import and its
mixed models fail on histories such as these.
"""

import copy
import math
from typing import Self

import numpy as np

from guard.arrays import Floats

HEAT_ERROR_C = 1.0  # what is written down is the day's temperature, not the road's at that hour
MOST_CORRECTED = 0.4  # of the coefficient, for errors in what was written down (ours)
ALIKE_DAYS = (0.0, 2.0, 5.0, 10.0)  # how long a day's luck lasts
LUCK = 2  # how large a day's luck is and how long it lasts is fitted to the same days: two numbers
HUBER = 2.0  # standard deviations from which on a run counts less (common practice: 1.3 to 2)
_HUBER_SQUARES = 0.9205  # mean of min(z^2, HUBER^2), z normal


class Gls:
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
        self.white_x, self._white_y, self._mean = self.whiten @ x, self.whiten @ (y - x @ mean), mean
        self._squares = self.white_x.T @ self.white_x
        self._excess = _excess(self._squares, x, np.square(self.whiten).sum(axis=0), heat, precision)
        self._solve(precision)

    def under(self, precision: Floats) -> Self:
        """The same runs under another prior of what is not heat."""
        other = copy.copy(self)
        other._solve(precision)
        return other

    def _solve(self, precision: Floats) -> None:
        white_x, white_y, mean = self.white_x, self._white_y, self._mean
        self.information = self._squares - self._excess + precision
        self.inverse = np.linalg.inv(self.information)
        rise = self.inverse @ (white_x.T @ white_y + self._excess @ mean)
        self.coefficients = mean + rise
        self.white_rest = white_y - white_x @ rise
        self.gain = self.inverse @ white_x.T @ self.whiten
        misfit = float(white_y @ self.white_rest)  # y'(V + X P^-1 X')^-1 y
        self.log_evidence = 0.5 * (2.0 * float(np.log(np.diag(self.whiten)).sum()) - misfit
                                   + float(np.linalg.slogdet(precision)[1])
                                   - float(np.linalg.slogdet(self.information)[1]))
        self.used = float(np.trace(self.inverse @ self._squares))


def _excess(squares: Floats, x: Floats, worth: Floats, heat: slice, precision: Floats) -> Floats:
    """What errors of `HEAT_ERROR_C` add to the squares of the heat columns, never most of them."""
    found = np.zeros_like(squares)
    # A column moves with the temperature where it is not 0: the plain one outdoors, one above a bend there.
    moves = x[:, heat] != 0.0
    block = HEAT_ERROR_C**2 * (moves * worth[:, None]).T @ moves
    own = squares[heat, heat]
    rest = np.delete(np.arange(len(squares)), np.r_[heat])
    beside = squares[heat][:, rest]
    left = own - beside @ np.linalg.pinv(squares[np.ix_(rest, rest)]) @ beside.T
    size = float(np.max(np.linalg.eigvals(np.linalg.inv(left + precision[heat, heat]) @ block).real))
    found[heat, heat] = block * min(1.0, MOST_CORRECTED / max(size, 1e-9))
    return found


class Averaged:
    """Fits for several lengths of luck, averaged by their likelihood."""

    def __init__(
        self, x: Floats, y: Floats, mean: Floats, precision: Floats, days: Floats, own: Floats, heat: slice,
    ) -> None:
        calm, day = _reined(x, y, mean, precision, own, heat)
        apart = np.abs(days[:, None] - days[None, :])
        self.fits, likely, frees = [], [], []
        gap = max(float(np.median(np.diff(days))), 1.0)
        for length in ALIKE_DAYS:
            shared = np.exp(-apart / length) if length else np.eye(len(days))
            covariance = day * shared + np.diag(own + calm * (own + day))
            one = Gls(x, y, mean, precision, covariance, heat)
            self.fits.append(one)
            likely.append(one.log_evidence)
            alike = math.exp(-gap / length) * day / (day + float(np.median(own))) if length else 0.0
            # So many independent days tell a variance as well (Bayley & Hammersley 1946, J R Stat Soc 8:184).
            worth = float(np.sum(1.0 / (1.0 + calm))) * (1.0 - alike**2) / (1.0 + alike**2)
            frees.append(max(worth - one.used - LUCK, 3.0))
        weights = np.exp(np.array(likely) - max(likely))
        self.weights = weights / weights.sum()
        self.free = float(self.weights @ frees)
        self.coefficients = sum(w * one.coefficients for w, one in zip(self.weights, self.fits, strict=True))

    def of(self, contrast: Floats) -> tuple[float, float, Floats]:
        """Value and variance of a contrast of the coefficients, and how each run moves it (n,)."""
        values = np.array([contrast @ one.coefficients for one in self.fits])
        variances = np.array([contrast @ one.inverse @ contrast for one in self.fits])
        value = float(self.weights @ values)
        variance = float(self.weights @ (variances + (values - value) ** 2)) * (1.0 + LUCK / self.free)
        gain = sum(w * (contrast @ one.gain) for w, one in zip(self.weights, self.fits, strict=True))
        return value, variance, np.asarray(gain)


def _reined(
    x: Floats, y: Floats, mean: Floats, precision: Floats, own: Floats, heat: slice,
) -> tuple[Floats, float]:
    """How much more variance each run gets (0: none), so that no far-off one counts fully; a day's."""
    calm, day = np.zeros(len(y)), float(np.median(own))
    for _ in range(6):
        one = Gls(x, y, mean, precision, (own + day) * (1.0 + calm), heat)
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


def tails(t: Floats, free: float) -> Floats:
    """The chance of Student's t beyond each of `t`."""
    from scipy.special import stdtr  # type: ignore[import-untyped]

    return np.asarray(stdtr(free, -t))


def student(z: float, free: float) -> float:
    """The point of Student's t as far out as `z` is of the normal distribution: the inverse of `tails`."""
    from scipy.special import ndtr, stdtrit

    return float(stdtrit(free, ndtr(z)))
