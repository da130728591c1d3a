"""The rule for a value that stands still without beat intervals, for many straps at once.

As `guard.signal.trust` has it for one strap that used to send intervals.
"""

import numpy as np
from numpy.typing import NDArray

from guard.arrays import Floats
from guard.signal.trust import FROZEN_RR_S


class StillValues:
    """Drops what `n` straps repeat for too long."""

    def __init__(self, n: int) -> None:
        self._last = np.full(n, np.nan)
        self._since_s: Floats = np.zeros(n)

    def dropped(self, t_s: Floats | float, bpm: Floats, has_rr: NDArray[np.bool_]) -> Floats:
        """`bpm` (n,) at `t_s`, NaN where the same value came without intervals for 10 s and more."""
        self._since_s = np.where(has_rr | (bpm != self._last), t_s, self._since_s)
        self._last = bpm
        return np.where(t_s - self._since_s >= FROZEN_RR_S, np.nan, bpm)
