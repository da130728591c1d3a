"""Since when a heart rate has stood still. Over a kit, pure."""

from guard.signal.kit import Fact, Kit, Number
from guard.signal.watch import NEVER_S


class Still:
    """Of each lane: `since_s`, since when it has kept within some beats of where it stood."""

    def __init__(self, kit: Kit, zero: Number) -> None:
        self._kit = kit
        self._bpm, self.since_s = zero + NEVER_S, zero

    def step(self, t: Number, bpm: Number, known: Fact, within_bpm: Number) -> None:
        """One step; where it is not `known` nothing moves."""
        where = self._kit.where
        moves = known & ((bpm > self._bpm + within_bpm) | (bpm < self._bpm - within_bpm))
        self._bpm, self.since_s = where(moves, bpm, self._bpm), where(moves, t, self.since_s)
