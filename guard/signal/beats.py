"""The RR intervals of a strap: whether they are new, and tell the rate they came with. Pure."""

from __future__ import annotations

from collections import deque

# Chosen by simulation.
RR_HABIT, RR_HABIT_MOST = 4, 10  # readings with living RR, less changed ones without
RR_WINDOW_S = 5.0  # beats whose mean is compared with the rate, and whose median is an irregular pulse's level
RR_AGREE, RR_AGREE_BPM = 0.10, 3.0  # of the rate, and bpm: what a strap's own averaging explains
SCATTER_READINGS = 8.0  # over which readings scatter about that median,
SCATTER_MOST_BPM = 15.0  # SD: an irregular pulse by less (8 was seen), dry electrodes by more
SCATTER_CLIP_BPM = 2.0 * SCATTER_MOST_BPM  # one spike is no scatter


class Beats:
    """The newest RR intervals of a living strap."""

    def __init__(self) -> None:
        self._last: tuple[float, ...] = ()
        self._recent: deque[float] = deque()
        self._total_s = 0.0
        self._taken_s = 0.0
        self._scatter_var = 0.0  # of the readings about the median of their beats, bpm^2
        self.habit = 0

    @property
    def usual(self) -> bool:
        return self.habit >= RR_HABIT

    @property
    def level_bpm(self) -> float:
        """Rate of the median of the newest beats, which a few false ones do not move."""
        return 60.0 / sorted(self._recent)[len(self._recent) // 2]

    @property
    def scattered(self) -> bool:
        """The readings scatter by more than an irregular pulse does."""
        return self._scatter_var > SCATTER_MOST_BPM * SCATTER_MOST_BPM

    def lived(self, with_rr: bool) -> None:
        """A living reading came, with intervals or without: whether they are usual is a habit."""
        self.habit = min(self.habit + 1, RR_HABIT_MOST) if with_rr else max(self.habit - 1, 0)

    def take(self, t_s: float, rr_s: tuple[float, ...], bpm: float) -> tuple[bool, bool]:
        """Take the intervals of a reading: whether they are new, and whether they tell its rate."""
        new, self._last = rr_s != self._last, rr_s
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
            self._scatter_var += (off_bpm * off_bpm - self._scatter_var) / SCATTER_READINGS
        allowed_bpm = RR_AGREE * bpm + RR_AGREE_BPM
        return new, (abs(60.0 * len(rr_s) / sum_s - bpm) <= allowed_bpm
                     or abs(60.0 * len(self._recent) / self._total_s - bpm) <= allowed_bpm)
