"""The RR intervals of a strap: whether they are new, and tell the rate they came with. Pure."""

from __future__ import annotations

from collections import deque

# Chosen by simulation.
RR_HABIT, RR_HABIT_MOST = 4, 10  # readings with living RR, less changed ones without
RR_WINDOW_S = 5.0  # beats whose mean is held against the rate; their median is an irregular pulse's level
RR_AGREE, RR_AGREE_BPM = 0.10, 3.0  # of the rate, and bpm: what a strap's own averaging explains
SCATTER_READINGS = 8  # memory of how far readings lie from that median,
FEW_APART_S, SELDOM_READINGS = 3.0, 3  # and so few where they are so far apart
SCATTER_MOST_BPM, SCATTER_OVER_BPM = 13.0, 9.0  # in the mean: dry electrodes lie farther, until nearer again;
# of an irregular pulse of 8 bpm (SD) it is 6.4
SCATTER_CLIP_BPM = 30.0  # one spike is no scatter


class Beats:
    """The newest RR intervals of a living strap."""

    def __init__(self) -> None:
        self._last: tuple[float, ...] = ()
        self._recent: deque[float] = deque()
        self._total_s = 0.0
        self._taken_s = 0.0
        self._scatter_bpm, self._looked_at = 0.0, 0
        self.scattered = False  # the readings scatter by more than an irregular pulse does
        self.habit = 0

    @property
    def usual(self) -> bool:
        return self.habit >= RR_HABIT

    @property
    def level_bpm(self) -> float:
        """Rate of the median of the newest beats, which a few false ones do not move."""
        return 60.0 / sorted(self._recent)[len(self._recent) // 2]

    def lived(self, with_rr: bool) -> None:
        """A living reading came, with intervals or without: whether they are usual is a habit."""
        self.habit = min(self.habit + 1, RR_HABIT_MOST) if with_rr else max(self.habit - 1, 0)

    def take(self, t_s: float, rr_s: tuple[float, ...], bpm: float, seldom: bool) -> tuple[bool, bool]:
        """Take the intervals of a reading: whether they are new, and whether they tell its rate.

        `seldom`: the strap's readings are over FEW_APART_S apart; after a mere silence one tells as little
        of the scatter as any other.
        """
        new, self._last = rr_s != self._last, rr_s
        rr_s = tuple(one_s for one_s in rr_s if one_s > 0.0)
        sum_s = sum(rr_s)
        if sum_s <= 0.0:
            return False, False
        if new:
            if t_s - self._taken_s > RR_WINDOW_S:
                self._recent.clear()
                self._total_s = 0.0
            self._taken_s = t_s
            self._recent.extend(rr_s)
            self._total_s += sum_s
            while self._total_s > RR_WINDOW_S and len(self._recent) > len(rr_s):
                self._total_s -= self._recent.popleft()
            off_bpm = min(abs(bpm - self.level_bpm), SCATTER_CLIP_BPM)
            self._looked_at = min(self._looked_at + 1, SCATTER_READINGS)
            of = min(self._looked_at, SELDOM_READINGS) if seldom else self._looked_at
            self._scatter_bpm += (off_bpm - self._scatter_bpm) / of
            self.scattered = self._scatter_bpm > (SCATTER_OVER_BPM if self.scattered else SCATTER_MOST_BPM)
        allowed_bpm = RR_AGREE * bpm + RR_AGREE_BPM
        return new, (abs(60.0 * len(rr_s) / sum_s - bpm) <= allowed_bpm
                     or abs(60.0 * len(self._recent) / self._total_s - bpm) <= allowed_bpm)
