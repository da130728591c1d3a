"""How a runner answers cues: late, not always, and not for ever.

No spread of these is published. They are invented, kept in one list and frozen
before any controller was tried, so that nobody can choose the answer:

* reaction 3 to 8 s;
* one heeded "ease" lowers speed by 7 to 18 %;
* creep back toward the habitual speed at 0.001 to 0.004 1/s outdoors, none on a belt;
* a heeded cue moves the habit itself 35 % of the way to the new speed;
* obeys 75 to 100 % of cues, less after many in ten minutes;
* walks at 1.4 to 1.75 m/s; resumes at 97 % of the speed before;
* after a missed resume starts again by feel after 120 s;
* habitual speed 2 to 18 bpm above the ceiling (see `population`).

How "less" is spelled: obedience halves at 80 cues in two hours' worth, that is
at 6.7 in ten minutes (in hospitals response slows by about half at 80 and more
alarms in two hours, Bonafide 2015), as 1 / (1 + (cues / 6.7)²).
"""

import numpy as np
from numpy.typing import NDArray

from guard.arrays import Bools, Floats
from guard.events import PACE_CUES, Cue
from guard.runner.population import Population

# As above: invented, frozen before any controller was tried.
REACTION_S = (3.0, 8.0)
EASE_SHARE = (0.07, 0.18)
HABIT_MOVES = 0.35
RESUME_SHARE = 0.97
FEEL_AGAIN_S = 120.0
TIRED_AT_IN_TEN_MIN = 80.0 / 12.0
TEN_MIN_S = 600
PICK_UP_SHARE = (0.05, 0.12)  # ours: pick-up cues are off by default


class Behaviour:
    """Speed the n runners choose, second by second.

    `pace_m_s` is the speed chosen on level ground; the course turns it into
    speed over the ground. `belt` runners do not creep and set speeds in steps
    of 0.1 km/h. All draws come from `rng`, the same number a step whatever the
    cues were, so that two controllers meet the same runner. `copies`: the n
    runners are so many blocks that share their luck.
    """

    def __init__(
        self, runners: Population, rng: np.random.Generator, *, belt: bool = False, copies: int = 1,
    ) -> None:
        n = len(runners)
        self._copies = copies
        self._who = runners
        self._rng = rng
        self._belt = belt
        self.habit_m_s = runners.habitual_m_s.copy()
        self.pace_m_s = runners.habitual_m_s.copy()
        self.walking: Bools = np.zeros(n, dtype=bool)
        self.heard = np.zeros(n, dtype=np.int64)
        self.heeded = np.zeros(n, dtype=np.int64)
        self._recent = np.zeros((TEN_MIN_S, n), dtype=np.int8)
        self._recent_sum = np.zeros(n)
        self._pending = np.zeros(n, dtype=np.int64)
        self._due_s = np.full(n, np.inf)
        self._advised = np.full(n, np.nan)
        self._by_feel_s = np.full(n, np.inf)
        self._at = 0

    def willingness(self) -> Floats:
        """Chance that each runner would heed a cue heard now."""
        load = self._recent_sum / TIRED_AT_IN_TEN_MIN
        return np.asarray(self._who.obeys / (1.0 + load * load))

    def step(self, t_s: float, cues: NDArray[np.int64], advised_m_s: Floats | None, standing: Bools) -> None:
        """Hear the cues given at `t_s`, act on those whose reaction time is over, creep."""
        luck, reaction, size = np.tile(self._rng.random((3, len(self._who) // self._copies)), self._copies)
        if cues.any():
            self._hear(t_s, cues, advised_m_s, luck, reaction)
        self._forget(cues)
        acts = (self._due_s <= t_s) & ~standing
        if acts.any():
            self._act(t_s, acts, size)
        by_feel = self.walking & (t_s >= self._by_feel_s)
        if by_feel.any():
            self._start_again(by_feel)
        if not self._belt:
            moved = self._who.creep_per_s * (self.habit_m_s - self.pace_m_s)
            self.pace_m_s = np.where(self.walking, self.pace_m_s, self.pace_m_s + moved)

    def _hear(
        self, t_s: float, cues: NDArray[np.int64], advised_m_s: Floats | None, luck: Floats, reaction: Floats
    ) -> None:
        heard = cues > 0
        obeys = heard & np.isin(cues, PACE_CUES) & (luck < self.willingness())
        self.heard += heard
        missed = self.walking & (cues == Cue.RESUME) & ~obeys
        self._by_feel_s = np.where(missed, np.minimum(self._by_feel_s, t_s + FEEL_AGAIN_S), self._by_feel_s)
        low, high = REACTION_S
        self._due_s = np.where(obeys, t_s + low + (high - low) * reaction, self._due_s)
        self._pending = np.where(obeys, cues, self._pending)
        if advised_m_s is not None:
            self._advised = np.where(obeys, advised_m_s, self._advised)

    def _forget(self, cues: NDArray[np.int64]) -> None:
        slot = self._recent[self._at]
        self._recent_sum -= slot
        slot[:] = cues > 0
        self._recent_sum += slot
        self._at = (self._at + 1) % len(self._recent)

    def _act(self, t_s: float, acts: Bools, size: Floats) -> None:
        who = self._who
        what = np.where(acts, self._pending, 0)
        told = np.isfinite(self._advised)
        running = ~self.walking
        self.heeded += acts

        ease = (what == Cue.EASE) & running
        share = EASE_SHARE[0] + (EASE_SHARE[1] - EASE_SHARE[0]) * size
        eased = np.where(told, np.minimum(self._advised, self.pace_m_s), self.pace_m_s * (1.0 - share))
        self._set_pace(ease, np.maximum(eased, who.slowest_jog_m_s))

        faster = (what == Cue.PICK_UP) & running
        share = PICK_UP_SHARE[0] + (PICK_UP_SHARE[1] - PICK_UP_SHARE[0]) * size
        self._set_pace(faster, np.where(told, self._advised, self.pace_m_s * (1.0 + share)))

        stops = ((what == Cue.WALK) | (what == Cue.STOP)) & running
        self.walking = self.walking | stops
        self._by_feel_s = np.where(stops, np.inf, self._by_feel_s)
        self._start_again((what == Cue.RESUME) & ~running)

        self._due_s = np.where(acts, np.inf, self._due_s)
        self._pending = np.where(acts, 0, self._pending)

    def _start_again(self, mask: Bools) -> None:
        if not mask.any():
            return
        told = np.isfinite(self._advised) & (self._pending == Cue.RESUME)
        pace = np.where(told, np.minimum(self._advised, self.pace_m_s), RESUME_SHARE * self.pace_m_s)
        self.walking = self.walking & ~mask
        self._by_feel_s = np.where(mask, np.inf, self._by_feel_s)
        self._set_pace(mask, np.maximum(pace, self._who.slowest_jog_m_s))

    def _set_pace(self, mask: Bools, pace_m_s: Floats) -> None:
        if self._belt:
            pace_m_s = np.rint(pace_m_s * 36.0) / 36.0
        self.pace_m_s = np.where(mask, pace_m_s, self.pace_m_s)
        self.habit_m_s = np.where(
            mask, self.habit_m_s + HABIT_MOVES * (self.pace_m_s - self.habit_m_s), self.habit_m_s)
