"""Since when a heart rate has stood still. Over a kit, pure."""

from guard.decide.belief import decay
from guard.signal.kit import Fact, Kit, Number
from guard.signal.watch import NEVER_S

FORGETS_S = 120.0  # where it came from is forgotten with this time constant. Simulated


class Still:
    """Of each lane: `since_s`, since when it has kept within a band `width_bpm` wide.

    The band's edges close in on it, so that the way to where it stands does not count: slower than
    `width_bpm` in `FORGETS_S` is still.
    """

    def __init__(self, kit: Kit, zero: Number, width_bpm: float) -> None:
        self._kit, self._width_bpm = kit, width_bpm
        self._low_bpm, self._high_bpm = zero + NEVER_S, zero + NEVER_S
        self._known_s, self.since_s = zero, zero

    def step(self, t: Number, bpm: Number, known: Fact) -> None:
        """One step; where it is not `known` nothing moves."""
        k, where = self._kit, self._kit.where
        stays = decay((t - self._known_s) / FORGETS_S)
        low = k.least(bpm, bpm - stays * (bpm - self._low_bpm))
        high = k.most(bpm, bpm - stays * (bpm - self._high_bpm))
        moves = known & (high - low > self._width_bpm)
        self._low_bpm = where(moves, bpm, where(known, low, self._low_bpm))
        self._high_bpm = where(moves, bpm, where(known, high, self._high_bpm))
        self._known_s = where(known, t, self._known_s)
        self.since_s = where(moves, t, self.since_s)
