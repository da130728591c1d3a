"""Whether a fall is steeper than walking explains: a slipped electrode, an artefact. Over a kit, pure."""

from guard.signal.kit import Fact, Kit, Number
from guard.signal.watch import NEVER_S

# A walk in mid-run brings down 11.8 +- 5.3 bpm in 30 s and 17.2 +- 8.0 in 60 s (Donne 2024 data). What
# falls by more than three standard deviations beyond may be no heart: wait for a while, but so that with 30 s
# to trust it again and 35 s for a restart to show, three minutes are enough.
EXPLAINED_BPM, EXPLAINED_BPM_S, DOUBT_S = 12.0, 0.6, 110.0
FALL_BEGINS_S = 12.0  # before the level leaves its top: a heart's dead time and the strap's averaging (ours)


class UnexplainedFall:
    """Of each lane: since when its level is doubted, and what it was before the newest gap."""

    def __init__(self, kit: Kit, zero: Number) -> None:
        self._kit = kit
        self._since_s = zero + NEVER_S
        self._sure_bpm, self._sure_s = zero + NEVER_S, zero

    def step(self, t: Number, level_bpm: Number, walking: Fact, fresh: Fact, settled: Fact, fell_bpm: Number,
             fell_s: Number) -> Fact:
        """Who fell deeper now, by `fell_bpm` in `fell_s` or across a gap, than a walk explains."""
        k = self._kit
        across = self._sure_bpm - level_bpm > EXPLAINED_BPM + 0.5 * EXPLAINED_BPM_S * (t - self._sure_s)
        deep = walking & fresh & (across | (fell_bpm > EXPLAINED_BPM + EXPLAINED_BPM_S * k.most(fell_s, 0.0)))
        self._sure_bpm = k.where(settled, level_bpm, self._sure_bpm)
        self._sure_s = k.where(settled, t, self._sure_s)
        self._since_s = k.where(deep, t, self._since_s)
        return deep

    def over(self, t: Number) -> Fact:
        """Nothing is doubted any more."""
        return t - self._since_s >= DOUBT_S
