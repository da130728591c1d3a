"""What running again adds in its first minute: learned from each time, over a kit, pure."""

from guard.signal.kit import Fact, Kit, Number
from guard.signal.watch import NEVER_S

MINUTE_S = 60.0  # the first minute of running
# Chosen on simulated runners (`tests/lab`, development seeds).
LEAST_BPM, MOST_BPM = 6.0, 30.0  # less is no rise; more is not believed of one cut short
RAN_LEAST_S = 15.0  # a run cut short says as much as one of so long at least
FALLS = 0.8  # a smaller rise than before is learned by this share, a larger one at once


class Rise:
    """Of each lane: `bpm`, what running again adds to the level within a minute."""

    def __init__(self, kit: Kit, bpm: Number, cut_short_bpm: float) -> None:
        """`bpm` until one is learned; `cut_short_bpm`: the most that a run cut short still lacked."""
        self._kit, self._more_bpm = kit, cut_short_bpm
        self.bpm = bpm
        zero = bpm * 0.0
        self._from_bpm, self._from_s, self._risen_bpm = zero, zero + NEVER_S, zero

    def begin(self, lanes: Fact, low_bpm: Number, low_s: Number, level_bpm: Number) -> None:
        """These run again: from their lowest, `low_bpm` at `low_s`."""
        where = self._kit.where
        self._from_bpm = where(lanes, low_bpm, self._from_bpm)
        self._from_s = where(lanes, low_s, self._from_s)
        self._risen_bpm = where(lanes, level_bpm - low_bpm, self._risen_bpm)

    def learn(self, t: Number, level_bpm: Number, running: Fact, walk: Fact, believed: Fact) -> None:
        """One step; a `walk` said now cuts the minute short. Learned only where the level is `believed`."""
        k = self._kit
        where = k.where
        ran_s = t - self._from_s
        watched = running & (self._from_s > NEVER_S)
        if not k.some(watched):
            return
        within = watched & (ran_s < MINUTE_S)
        risen = where(within, k.most(self._risen_bpm, level_bpm - self._from_bpm), self._risen_bpm)
        over = watched & (walk | (ran_s >= MINUTE_S))
        whole = k.least(risen * (MINUTE_S / k.most(ran_s, RAN_LEAST_S)), risen + self._more_bpm)
        rise = where(ran_s >= MINUTE_S, risen, k.least(whole, MOST_BPM))
        share = where(rise > self.bpm, 1.0, FALLS)
        learns = over & (risen >= LEAST_BPM) & believed
        self.bpm = where(learns, self.bpm + share * (rise - self.bpm), self.bpm)
        self._risen_bpm, self._from_s = risen, where(over, NEVER_S, self._from_s)
