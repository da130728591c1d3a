"""The RR intervals of a strap: whether they are new, and tell the rate they came with. Pure.

Not every strap sends beats as RR. Some make them up from the rate, send the same
for ever, or count in a unit of their own. So intervals are witnesses only as
long as they live by themselves (change while the rate stands) and have told the
rate more than another; otherwise the strap is judged as one that sends none.
"""

from collections import deque

# Chosen by simulation.
RR_HABIT, RR_HABIT_MOST = 4, 10  # readings with living RR, less changed ones without
RR_IDLE = 3  # repeats that ended when the rate moved: the RR tell nothing of their own, and are not heard
RR_OWN_BPM = 1.0  # RR that tell a rate so far from that they came with are not made up from it
# Seconds in which they told the rate, less those in which they told another and it moved at last: none left,
# and they are not heard until they have told it for a while again. A silence leaves no more than the first.
TELLS_FIRST_S, TELLS_MOST_S, TELLS_AGAIN_S, TELLS_SILENT_S = 10.0, 90.0, 5.0, 20.0
DENIES_MOST_S = 5.0  # of a rate that stood before it moved
RR_WINDOW_S, RR_LEAST = 5.0, 8  # beats of so long, so many at least: their mean is held against the rate,
# their median is an irregular pulse's level, which three of one reading must not be alone
RR_AGREE, RR_AGREE_BPM = 0.10, 3.0  # of the rate, and bpm: what a strap's own averaging explains
SCATTER_MEMORY = 12  # readings by whose distance from that median they are found to scatter,
SCATTER_READINGS = 8  # the newest ones by which they do no more,
FEW_APART_S, SELDOM_READINGS = 3.0, 3  # and so few where they are so far apart
SCATTER_MOST_BPM, SCATTER_OVER_BPM = 13.0, 8.0  # in the mean: dry electrodes lie farther, until nearer again;
# of an irregular pulse of 8 bpm (SD) it is 6.4
SCATTER_CLIP_BPM = 30.0  # one spike is no scatter


class Beats:
    """The newest RR intervals of a living strap."""

    def __init__(self) -> None:
        self._last: tuple[float, ...] = ()
        self._recent: deque[float] = deque()
        self._total_s = 0.0
        self._taken_s = 0.0
        self._offs_bpm: deque[float] = deque(maxlen=SCATTER_MEMORY)  # the newest readings' distance from them
        self._apart = 0  # readings on end that came FEW_APART_S and more after the one before
        self.scattered = True  # the readings scatter by more than an irregular pulse does: until shown
        self.habit = 0
        self._repeats = self._stood = 0
        self._tells_s, self._denies_s = TELLS_FIRST_S, 0.0
        self.heard = True  # they are witnesses

    @property
    def usual(self) -> bool:
        """Intervals that live come with most readings."""
        return self.habit >= RR_HABIT and self._stood < RR_IDLE

    @property
    def median_bpm(self) -> float:
        """Rate of the median of the newest beats, which a few false ones do not move."""
        return 60.0 / sorted(self._recent)[len(self._recent) // 2]

    @property
    def mean_bpm(self) -> float:
        """Rate of their mean, which beats that come early and late in turns do not move."""
        return 60.0 * len(self._recent) / self._total_s

    def lived(self, with_rr: bool) -> None:
        """A living reading came, with intervals or without: whether they are usual is a habit."""
        self.habit = min(self.habit + 1, RR_HABIT_MOST) if with_rr else max(self.habit - 1, 0)

    def take(self, t_s: float, rr_s: tuple[float, ...], bpm: float, covers_s: float, *, moved: bool
             ) -> tuple[bool, bool]:
        """Take the intervals of a reading: whether they are new, and whether they tell its rate.

        `moved`: the rate changed.
        """
        new, self._last = rr_s != self._last, rr_s
        if new and (not moved or max(abs(60.0 / one_s - bpm) for one_s in rr_s) > RR_OWN_BPM):
            self._stood = max(self._stood - 1, 0)
        elif moved:
            self._stood = min(self._stood + max(self._repeats - 1, 0 if new else 1), RR_IDLE)
        self._repeats = 0 if moved or new else self._repeats + 1
        if t_s - self._taken_s > TELLS_SILENT_S:
            self._tells_s = min(self._tells_s, TELLS_FIRST_S)
        if new:
            self._remember(t_s, rr_s, bpm)
        agree = self._agree(rr_s, bpm)
        self._denies_s = 0.0 if agree else min(self._denies_s + covers_s, DENIES_MOST_S)
        if new and agree:
            self._tells_s = min(self._tells_s + covers_s, TELLS_MOST_S)
        elif moved:
            self._tells_s = max(self._tells_s - self._denies_s, 0.0)
            self._denies_s = 0.0
        self.heard = self._stood < RR_IDLE and self._tells_s >= (1e-9 if self.heard else TELLS_AGAIN_S)
        return new, agree

    def _remember(self, t_s: float, rr_s: tuple[float, ...], bpm: float) -> None:
        """Keep the newest beats, and measure how far the reading lies from those before them."""
        apart_s, self._taken_s = t_s - self._taken_s, t_s
        self._apart = self._apart + 1 if apart_s > FEW_APART_S else 0
        seldom = self._apart >= SELDOM_READINGS  # a mere gap is no rhythm
        if seldom and apart_s > RR_WINDOW_S:
            self._recent.clear()
            self._total_s = 0.0
        if not seldom and len(self._recent) >= RR_LEAST:
            self._measure(bpm, SCATTER_READINGS)
        self._recent.extend(rr_s)
        self._total_s += sum(rr_s)
        while self._total_s > RR_WINDOW_S and len(self._recent) > max(len(rr_s), RR_LEAST):
            self._total_s -= self._recent.popleft()
        if seldom:  # no others than its own, which always lie near
            self._measure(bpm, SELDOM_READINGS)

    def _agree(self, rr_s: tuple[float, ...], bpm: float) -> bool:
        """They tell the rate, alone or with those before them."""
        allowed_bpm = RR_AGREE * bpm + RR_AGREE_BPM
        return (abs(60.0 * len(rr_s) / sum(rr_s) - bpm) <= allowed_bpm
                or abs(self.mean_bpm - bpm) <= allowed_bpm)

    def _measure(self, bpm: float, readings: int) -> None:
        self._offs_bpm.append(min(abs(bpm - self.median_bpm), abs(bpm - self.mean_bpm), SCATTER_CLIP_BPM))
        if not self.scattered:
            self.scattered = sum(self._offs_bpm) > SCATTER_MOST_BPM * len(self._offs_bpm)
            return
        newest = list(self._offs_bpm)[-readings:]
        self.scattered = len(newest) < readings or sum(newest) > SCATTER_OVER_BPM * readings
        if not self.scattered:
            self._offs_bpm.clear()
            self._offs_bpm.extend(newest)
