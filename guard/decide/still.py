"""Since when a heart rate has stood still. Over a kit, pure."""

from guard.signal.kit import Fact, Kit, Number
from guard.signal.watch import NEVER_S


class Still:
    """Of each lane: `since_s`, since when it has kept within some beats of where it stood."""

    def __init__(self, kit: Kit, zero: Number) -> None:
        self._kit = kit
        self._bpm, self._within_bpm, self.since_s = zero + NEVER_S, zero, zero

    def step(self, t: Number, bpm: Number, known: Fact, within_bpm: Number) -> None:
        """One step; where it is not `known` nothing moves. `within_bpm` is of a stand that begins now."""
        where = self._kit.where
        moves = known & ((bpm > self._bpm + self._within_bpm) | (bpm < self._bpm - self._within_bpm))
        self._bpm, self.since_s = where(moves, bpm, self._bpm), where(moves, t, self.since_s)
        self._within_bpm = where(moves, within_bpm, self._within_bpm)
