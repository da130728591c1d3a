"""How often a strap sends: the gap in which a random recent moment falls.

Gaps of 1, 6, 1, 6 s leave a runner unwatched for 6 s at nearly any moment, so
6 is the interval, not their mean: gaps weighted by their own length, as in the
inspection paradox of renewal theory (Feller, An Introduction to Probability
Theory II, 1971, I.4). Over a kit (`signal/kit.py`), pure.
"""

from guard.signal.kit import Fact, Kit, Number

REMEMBERED = 6  # gaps; chosen by simulation: fewer jump about, more learn too late
FIRST_S = 1.0  # until two gaps are known; common practice: straps send once a second
TOGETHER_S = 0.5  # readings closer than this came together: a busy radio hands over several at once
LONGEST_S = 60.0  # beyond it there is no rhythm to speak of


class Interval:
    """Learns `seconds`, one a lane, from the gaps between readings; known after three readings."""

    def __init__(self, kit: Kit, nothing: Number) -> None:
        """`nothing`: zero for each lane."""
        self._kit = kit
        self._nothing = nothing
        self._gaps: list[Number] = [nothing] * REMEMBERED
        self._gap_s: Number = nothing  # since the newest that counted
        self.seconds: Number = nothing + FIRST_S

    def take(self, arrived: Fact, gap_s: Number) -> None:
        """A reading arrived on these lanes, `gap_s` seconds after the one before."""
        k, where = self._kit, self._kit.where
        self._gap_s = where(arrived, self._gap_s + gap_s, self._gap_s)
        counts = arrived & (self._gap_s >= TOGETHER_S)
        shifted = [k.least(self._gap_s, LONGEST_S), *self._gaps[:-1]]
        self._gap_s = where(counts, 0.0, self._gap_s)
        self._gaps = [where(counts, new, old) for new, old in zip(shifted, self._gaps, strict=True)]
        # One gap, the longest, may have been a silence.
        longest = total = squares = self._nothing
        for gap in self._gaps:
            longest = k.most(longest, gap)
            total = total + gap
            squares = squares + gap * gap
        rest = total - longest
        learned = (squares - longest * longest) / k.most(rest, 1e-9)
        self.seconds = where(rest > 1e-6, learned, FIRST_S)
