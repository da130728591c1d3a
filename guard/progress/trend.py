"""Where speed at the ceiling is going: a robust slope, its honest interval, and what may be said.

The slope is the median of the slopes between all pairs (Theil 1950, Sen 1968
J Am Stat Assoc 63:1379), its interval Sen's, from the variance of Kendall's S
with ties. Runs close in time resemble each other (weather, a cold, a tired
week), which makes that interval too narrow; here the variance is multiplied
by (1 + r) / (1 - r), r the residuals' correlation from one run to the next
(after Hamed & Rao 1998, J Hydrology 204:182, first lag), with the bias that
fitting a line brings taken off (Marriott & Pope 1954, Biometrika 41:390), and
never by less than 1. Without that factor it equals scipy's `theilslopes`.

A single run is uncertain by far more than its own error: the typical error of
heart rate at a given easy effort is about 3 % (Buchheit 2014, Front Physiol
5:73). So a trend is only claimed when a 99 % interval leaves 0 out.

A plateau is a claim too, and whoever looks every week for a year looks forty
times: were each look wrong once in twenty, most runners who truly gain would
be told of a plateau some day. So the interval must have excluded a useful gain
at every weekly look for four weeks; `recordings/progress_trials.py plateau`
measures how often it is told, and to whom.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

WINDOW_DAYS = 84
FEWEST_RUNS, LEAST_SPAN_DAYS = 8, 42
CLAIM_LEVEL = 0.99
PLATEAU_LEVEL = 0.95
PLATEAU_HELD_DAYS = (7, 14, 21, 28)  # looks before this one at which it must have held as well
# Of the speed, in twelve weeks; recreational runners gained 3.6 to 5.0 % over 10 km in ten
# (Muñoz 2014, Int J Sports Physiol Perform 9:265; figures from memory).
USEFUL_SHARE = 0.05
TYPICAL_ERROR = 0.03
MOST_RUNS = 800  # pairs grow with the square; more runs are thinned evenly
MOST_CORRELATION = 0.9


class Verdict(StrEnum):
    """What the runs allow to say."""

    GAIN = "gain"
    LOSS = "loss"
    PLATEAU = "plateau"
    UNKNOWN = "can't tell yet"


@dataclass(frozen=True, slots=True)
class Slope:
    """Change a day with its interval; `correlation` from one run to the next is in the interval."""

    per_day: float
    low: float
    high: float
    intercept: float
    correlation: float


@dataclass(frozen=True, slots=True)
class Trend:
    """Of the runs in one window; m/s over `days`.

    `change` with the 99 % interval `low` to `high`; `upper` is the upper end
    of the 95 % interval, which a plateau is judged by, `useful` the gain it is
    judged against. `level` is the speed the line has at the window's end,
    `start` at its beginning. `seen` is the change that would have been told
    from chance (half the 99 % interval).
    """

    verdict: Verdict
    reason: str
    runs: int
    days: float
    change: float = math.nan
    low: float = math.nan
    high: float = math.nan
    upper: float = math.nan
    useful: float = math.nan
    start: float = math.nan
    level: float = math.nan
    correlation: float = 0.0

    @property
    def seen(self) -> float:
        return 0.5 * (self.high - self.low)


def theil_sen(values: Floats, at: Floats, level: float = CLAIM_LEVEL, correlation: float = 0.0) -> Slope:
    """Median slope of `values` over `at` (n,), with the interval of `level`.

    `correlation` 0 gives Sen's interval. Where the runs are too few for the
    level the interval is all slopes (infinite). Values of equal `at` make no
    pair. Raises ValueError where no pair is left.
    """
    gaps = at[:, None] - at[None, :]
    later = gaps > 0
    slopes = (values[:, None] - values[None, :])[later] / gaps[later]
    if not len(slopes):
        raise ValueError("all runs are of one time")
    slopes.sort()
    middle = float(np.median(slopes))
    number, pairs = len(values), len(slopes)
    variance = (number * (number - 1) * (2 * number + 5) - _ties(at) - _ties(values)) / 18.0
    sigma = math.sqrt(variance * (1.0 + correlation) / (1.0 - correlation))
    reach = NormalDist().inv_cdf(0.5 + level / 2.0) * sigma
    high = min(round((pairs + reach) / 2.0), pairs - 1) if (pairs + reach) / 2.0 <= pairs else pairs
    low = max(round((pairs - reach) / 2.0) - 1, 0) if (pairs - reach) / 2.0 >= 0.5 else -1
    return Slope(middle, float(slopes[low]) if low >= 0 else -math.inf,
                 float(slopes[high]) if high < pairs else math.inf,
                 float(np.median(values)) - middle * float(np.median(at)), correlation)


def _ties(values: Floats) -> int:
    _, counts = np.unique(values, return_counts=True)
    return int((counts * (counts - 1) * (2 * counts + 5)).sum())


def correlation_of(values: Floats, at: Floats) -> float:
    """Correlation of neighbouring residuals about the median line, 0 to 0.9, bias taken off."""
    slope = theil_sen(values, at)
    rest = values - slope.per_day * at
    rest = rest - rest.mean()
    squares = float(rest @ rest)
    number = len(rest)
    if squares <= 0 or number < 5:
        return 0.0
    raw = float(rest[:-1] @ rest[1:]) / squares
    return min(max((raw + 2.0 / number) / (1.0 - 4.0 / number), 0.0), MOST_CORRELATION)


def trend(
    values: Floats, days: Floats, window_days: float = WINDOW_DAYS, useful_share: float = USEFUL_SHARE,
    end_day: float | None = None,
) -> Trend:
    """What the runs (speed m/s, day number, in order) of the last `window_days` say.

    `useful_share` is the gain, as a share of the speed, called useful in
    twelve weeks, and in any longer window as a whole. `end_day` None means the last run.
    """
    if not len(days):
        return Trend(Verdict.UNKNOWN, "no run tells the speed at the ceiling", 0, 0.0)
    end = float(days[-1]) if end_day is None else end_day
    found = _seen(values, days, window_days, useful_share, end)
    if found.verdict is Verdict.PLATEAU and not all(
            _seen(values, days, window_days, useful_share, end - back).verdict is Verdict.PLATEAU
            for back in PLATEAU_HELD_DAYS):
        return replace(found, verdict=Verdict.UNKNOWN, reason="a useful gain looks unlikely, but has not "
                       f"for {max(PLATEAU_HELD_DAYS) // 7} weeks yet")
    return found


def _seen(values: Floats, days: Floats, window_days: float, useful_share: float, end: float) -> Trend:
    """What the one window that ends with `end` says."""
    inside = (days > end - window_days) & (days <= end)
    values, days = values[inside], days[inside]
    runs = len(days)
    span = float(days[-1] - days[0]) if runs else 0.0
    if runs < FEWEST_RUNS or span < LEAST_SPAN_DAYS:
        return Trend(Verdict.UNKNOWN, f"{runs} runs over {span / 7:.0f} weeks; at least {FEWEST_RUNS} over "
                     f"{LEAST_SPAN_DAYS // 7} weeks are needed", runs, span)
    if runs > MOST_RUNS:
        kept = np.linspace(0, runs - 1, MOST_RUNS).astype(np.int64)
        values, days = values[kept], days[kept]
    shared = correlation_of(values, days)
    wide = theil_sen(values, days, CLAIM_LEVEL, shared)
    narrow = theil_sen(values, days, PLATEAU_LEVEL, shared)
    start = wide.intercept + wide.per_day * float(days[0])
    useful = useful_share * start * min(span / WINDOW_DAYS, 1.0)
    found = {"change": wide.per_day * span, "low": wide.low * span, "high": wide.high * span,
             "upper": narrow.high * span, "useful": useful, "start": start,
             "level": start + wide.per_day * span, "correlation": shared}
    if found["low"] > 0:
        verdict, reason = Verdict.GAIN, "the 99 % interval lies over 0"
    elif found["high"] < 0:
        verdict, reason = Verdict.LOSS, "the 99 % interval lies under 0"
    elif found["upper"] < useful:
        verdict, reason = Verdict.PLATEAU, ("the upper end of the 95 % interval has been less than a useful "
                                            "gain for four weeks")
    else:
        verdict, reason = Verdict.UNKNOWN, "chance alone could do this, and so could a useful gain"
    return Trend(verdict, reason, runs, span, **found)


@dataclass(frozen=True, slots=True)
class Bend:
    """When a gain ended: day numbers with the 95 % interval, and the level since, m/s."""

    day: float
    low_day: float
    high_day: float
    gained: float
    level: float


FEWEST_FOR_BEND, BEND_EDGE_DAYS = 24, 28.0
_CHI_95, _CHI_99 = 3.841, 6.635  # one degree of freedom


def bend(values: Floats, days: Floats) -> Bend | None:
    """Where a rise became level, if a line that bends flat fits clearly better than a straight one.

    Least squares over the day of the bend; the interval holds all days whose
    likelihood the data do not contradict (likelihood ratio, 95 %; for bent
    lines: Hinkley 1971, J Am Stat Assoc 66:736), widened for runs alike.
    """
    if len(days) < FEWEST_FOR_BEND or days[-1] - days[0] < 4 * BEND_EDGE_DAYS:
        return None
    # Far-off runs count as the edge of what is usual, so that none decides alone.
    slope = theil_sen(values, days)
    line = slope.intercept + slope.per_day * days
    usual = 3.0 * 1.4826 * float(np.median(np.abs(values - line)))
    values = line + np.clip(values - line, -usual, usual)
    knots = np.arange(days[0] + BEND_EDGE_DAYS, days[-1] - BEND_EDGE_DAYS, 3.5)
    straight, _ = _squares(values, days)
    fits = [_squares(values, np.minimum(days, knot)) for knot in knots]
    squares = np.array([fit[0] for fit in fits])
    best = int(squares.argmin())
    shared = correlation_of(values, np.minimum(days, knots[best]) + 1e-6 * days)
    worth = len(days) * (1.0 - shared) / (1.0 + shared)
    ratio = worth * np.log(squares / squares[best])
    if worth * math.log(straight / squares[best]) < _CHI_99 or fits[best][1] <= 0:
        return None
    inside = knots[ratio <= _CHI_95]
    gained = fits[best][1] * float(knots[best] - days[0])
    level = float(np.median(values[days >= knots[best]]))
    return Bend(float(knots[best]), float(inside.min()), float(inside.max()), gained, level)


def _squares(values: Floats, at: Floats) -> tuple[float, float]:
    """Residual sum of squares of a straight line, and its slope."""
    x, y = at - at.mean(), values - values.mean()
    slope = float(x @ y) / float(x @ x)
    rest = y - slope * x
    return float(rest @ rest), slope
