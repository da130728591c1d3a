"""Since when a heart rate has stood still. Over a kit, pure."""

from guard.signal.kit import Fact, Kit, Number
from guard.signal.watch import NEVER_S


class Still:
    """Of each lane: `since_s`, since when it has kept within `within_bpm` of where it stood.

    Where it stood is where it began to, or (`mean`) its mean since then: what settles begins at an edge.
    """

    def __init__(self, kit: Kit, zero: Number, within_bpm: float, *, mean: bool = False) -> None:
        self._kit, self._within_bpm, self._mean = kit, within_bpm, mean
        self._bpm, self.since_s, self._known_s = zero + NEVER_S, zero, zero

    def step(self, t: Number, bpm: Number, known: Fact) -> None:
        """One step; where it is not `known` nothing moves."""
        where, within = self._kit.where, self._within_bpm
        moves = known & ((bpm > self._bpm + within) | (bpm < self._bpm - within))
        self._bpm, self.since_s = where(moves, bpm, self._bpm), where(moves, t, self.since_s)
        if self._mean:
            share = (t - self._known_s) / self._kit.most(t - self.since_s, 1.0)
            off_bpm = where(known, bpm - self._bpm, 0.0)
            self._bpm = self._bpm + self._kit.least(share, 1.0) * off_bpm
            self._known_s = where(known, t, self._known_s)
