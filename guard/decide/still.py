"""Since when a heart rate has stood still. Over a kit, pure."""

from guard.signal.kit import Fact, Kit, Number
from guard.signal.watch import NEVER_S


class Still:
    """Of each lane: `since_s`, since when it has kept within `within_bpm` of where it stood."""

    def __init__(self, kit: Kit, zero: Number, within_bpm: float) -> None:
        self._kit, self._within_bpm = kit, within_bpm
        self._bpm, self.since_s = zero + NEVER_S, zero

    def step(self, t: Number, bpm: Number, known: Fact) -> None:
        """One step; where it is not `known` nothing moves."""
        where, within = self._kit.where, self._within_bpm
        moves = known & ((bpm > self._bpm + within) | (bpm < self._bpm - within))
        self._bpm, self.since_s = where(moves, bpm, self._bpm), where(moves, t, self.since_s)
