"""What holds where nothing was said, a lag, and a value with its interval."""

import math
from dataclasses import dataclass

import numpy as np

from guard.arrays import Floats

WALK_M_S = 0.5  # slower is standing
RUN_M_S = 1.8  # 6.5 km/h; few people walk faster, few jog slower (common practice)


def held(values: Floats, before: float) -> Floats:
    """The last known value where one is unknown (NaN); `before` the first, that."""
    last = np.maximum.accumulate(np.where(np.isfinite(values), np.arange(len(values)), -1))
    return np.where(last >= 0, values[np.maximum(last, 0)], before)


def lagged(values: Floats, response_s: float) -> Floats:
    """First-order lag of a value a second, begun settled."""
    keep, last = math.exp(-1.0 / response_s), values[0]
    lag, block = np.empty(len(values)), math.ceil(100.0 * response_s)  # as long as exp(100) is a number
    for begin in range(0, len(values), block):
        some = values[begin:begin + block]
        fade = keep ** np.arange(1, len(some) + 1)
        lag[begin:begin + block] = fade * (last + (1.0 - keep) * np.cumsum(some / fade))
        last = lag[begin + len(some) - 1]
    return lag


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its interval (95 % where nothing else is said), in the unit of its name."""

    value: float
    low: float
    high: float
