"""Do good or bad days of the journal go with good or bad runs? Rank correlation, never a cause.

`links` takes series that are already aligned: one value a run, in order of
time, None where nothing was written down. What it can say is limited on
purpose:

- Nothing below `FEWEST_PAIRS` pairs.
- Runs close in time resemble each other, so fifty of them are worth fewer.
  The effective number follows from the autocorrelation of both series:
  1/N* = 1/N + (2/N) sum over j of ((N-j)/N) r_x(j) r_y(j), lags up to N/5
  (Pyper & Peterman 1998, Can J Fish Aquat Sci 55:2127).
- Two series that both drift through the year go together whatever the reason.
  A link is called clear only if it also holds with the straight-line trend
  over the runs taken out of both series of ranks (a partial rank correlation).
- Who looks at many pairs of series finds a link somewhere: p-values are
  corrected for the number looked at (Holm 1979, Scand J Stat 6:65).

The coefficient is Spearman's (1904, Am J Psychol 15:72), with average ranks
for ties. The interval is Fisher's z with the standard error
sqrt((1 + rho^2/2) / (N* - 3)) (Bonett & Wright 2000, Psychometrika 65:23).
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from guard.arrays import Floats

DaySeries = Sequence[float | None]

FEWEST_PAIRS = 20  # days with both; fewer link nothing (ours)
LIKELY_CHANCE = 0.05  # a corrected p-value from here on is called "may be chance"
Z_95 = 1.959963984540054  # 97.5 % point of the normal distribution
_FEWEST_EFFECTIVE = 4.0  # with fewer the interval is all of -1 to 1


@dataclass(frozen=True, slots=True)
class Correlation:
    """How `factor` (of the journal) and `outcome` (of the runs) went together.

    `rho` is Spearman's coefficient, -1 to 1; `low` and `high` its 95 %
    interval, each for itself; `pairs` runs with both, worth `effective_pairs`;
    `rho_without_trend` is the coefficient left when what both did over the
    months is taken out. `p` is the chance of coefficients this far from 0
    (the less striking of the two counts) without any link, `p_corrected` the
    same for `looked_at` links looked at together.
    """

    factor: str
    outcome: str
    rho: float
    low: float
    high: float
    rho_without_trend: float
    pairs: int
    effective_pairs: float
    p: float
    p_corrected: float
    looked_at: int

    @property
    def clear(self) -> bool:
        """Whether chance alone is an unlikely explanation."""
        return self.p_corrected < LIKELY_CHANCE


def links(days: Mapping[str, DaySeries], outcomes: Mapping[str, DaySeries]) -> list[Correlation]:
    """Every factor of `days` against every outcome, clearest first.

    All series have the same length: value i belongs to run i, runs in order of
    time; None and NaN mean not known. Pairs of series with fewer than
    `FEWEST_PAIRS` known pairs, or with a series that never changes, are left
    out and do not count as looked at. Raises ValueError for unequal lengths.
    """
    # None is NaN to numpy
    factors = {name: np.array(series, dtype=np.float64) for name, series in days.items()}
    results = {name: np.array(series, dtype=np.float64) for name, series in outcomes.items()}
    if len({len(series) for series in (*factors.values(), *results.values())}) > 1:
        raise ValueError("series of unequal length: give one value a run in each, None where not known")
    found = []
    for factor, x in factors.items():
        for outcome, y in results.items():
            known = np.isfinite(x) & np.isfinite(y)
            if known.sum() >= FEWEST_PAIRS and np.ptp(x[known]) > 0 and np.ptp(y[known]) > 0:
                found.append((factor, outcome, ranks(x[known]), ranks(y[known])))
    raw = [_link(*one) for one in found]
    corrected = holm([link.p for link in raw])
    whole = [replace(link, p_corrected=p, looked_at=len(raw))
             for link, p in zip(raw, corrected, strict=True)]
    return sorted(whole, key=lambda link: (link.p_corrected, link.p))


def ranks(values: Floats) -> Floats:
    """Ranks from 1, equal values sharing the average of theirs."""
    _, place, count = np.unique(values, return_inverse=True, return_counts=True)
    last = np.cumsum(count)
    return np.asarray((last - (count - 1) / 2)[place], dtype=np.float64)


def effective_pairs(x: Floats, y: Floats) -> float:
    """What the pairs are worth when neighbours in time resemble each other (module docstring).

    Never more than there are; lags up to a fifth of the length.
    """
    n = len(x)
    lag = np.arange(1, n // 5 + 1)
    shared = float(np.sum((n - lag) / n * _autocorrelations(x, lag) * _autocorrelations(y, lag)))
    return n / max(1.0, 1.0 + 2.0 * shared)


def holm(p_values: Sequence[float]) -> list[float]:
    """Holm's step-down corrected p-values, in the order given."""
    order = sorted(range(len(p_values)), key=lambda place: p_values[place])
    corrected = [0.0] * len(p_values)
    highest = 0.0
    for step, place in enumerate(order):
        highest = max(highest, min(1.0, (len(p_values) - step) * p_values[place]))
        corrected[place] = highest
    return corrected


def _link(factor: str, outcome: str, x: Floats, y: Floats) -> Correlation:
    rho, worth = _correlation(x, y), effective_pairs(x, y)
    low, high = _interval(rho, worth)
    x_alone, y_alone = _without_trend(x), _without_trend(y)
    rho_alone = _correlation(x_alone, y_alone)
    p = max(_chance(rho, worth - 2.0), _chance(rho_alone, effective_pairs(x_alone, y_alone) - 3.0))
    if rho * rho_alone < 0:
        p = 1.0  # two signs contradict each other
    return Correlation(factor, outcome, rho, low, high, rho_alone, len(x), worth, p, p, 1)


def _correlation(x: Floats, y: Floats) -> float:
    """Pearson's coefficient; 0 where one of the two does not vary."""
    x, y = x - x.mean(), y - y.mean()
    size = math.sqrt(float(x @ x) * float(y @ y))
    return float(np.clip((x @ y) / size, -1.0, 1.0)) if size > 1e-9 else 0.0


def _without_trend(values: Floats) -> Floats:
    """What a straight line over the order of the runs leaves."""
    time = np.arange(len(values)) - (len(values) - 1) / 2
    centred = values - values.mean()
    return np.asarray(centred - time * (time @ centred) / (time @ time), dtype=np.float64)


def _autocorrelations(values: Floats, lag: NDArray[np.int64]) -> Floats:
    """Sample autocorrelation at each lag, scaled up for the pairs that a lag loses; 0 without variation."""
    n = len(values)
    centred = values - values.mean()
    products = np.correlate(centred, centred, "full")[n - 1:]
    if products[0] <= 1e-9:
        return np.zeros(len(lag))
    return np.asarray(n / (n - lag) * products[lag] / products[0], dtype=np.float64)


def _interval(rho: float, worth: float) -> tuple[float, float]:
    if worth <= _FEWEST_EFFECTIVE:
        return -1.0, 1.0
    if abs(rho) >= 1.0:
        return rho, rho
    spread = Z_95 * math.sqrt((1.0 + rho * rho / 2.0) / (worth - 3.0))
    middle = math.atanh(rho)
    return math.tanh(middle - spread), math.tanh(middle + spread)


def _chance(rho: float, free: float) -> float:
    """Two-sided p by Student's t with `free` degrees of freedom (N* less 2, less one more for a trend)."""
    from scipy.special import stdtr  # type: ignore[import-untyped]

    if free <= _FEWEST_EFFECTIVE - 2.0:
        return 1.0
    if abs(rho) >= 1.0:
        return 0.0
    return float(2.0 * stdtr(free, -abs(rho) * math.sqrt(free / (1.0 - rho * rho))))
