"""How n runners answer cues: late, not always, not for ever. All of it is invented (ours).

Luck is drawn a cue heard, not a second lived: the k-th cue finds the same runner
whichever controller gave it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from guard.events import PACE_CUES, Cue

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
TEN_MIN_S = 600.0
TOO_QUICK_S = 45.0  # what is too quick after a restart dies away with this
LUCK = 512  # cues after which luck repeats itself
HEARD = tuple(int(cue) for cue in PACE_CUES)
SLOWS = (int(Cue.WALK), int(Cue.STOP))


class Manners:
    """The speed each runner chooses on level ground, `speed_m_s`, and whether he walks.

    A second cue heard before the first was acted on replaces it but does not put it off.
    """

    def __init__(self, who: Mapping[str, Array], luck: NDArray[np.float32], deaf: NDArray[np.bool_]) -> None:
        """`luck` (3, LUCK, n) uniform; `deaf` (steps, n)."""
        n = len(who["obeys"])
        self._who, self._luck, self._deaf = who, luck, deaf
        self._lanes = np.arange(n)
        self.pace_m_s = who["habit_m_s"].copy()
        self.speed_m_s = self.pace_m_s.copy()
        self._habit = self.pace_m_s.copy()
        self._take_up = -np.expm1(-1.0 / np.maximum(who["gradual_s"], 0.05))
        self.walking: Mask = np.zeros(n, dtype=bool)
        self.pending = np.zeros(n, dtype=np.int64)
        self._due_s = np.full(n, np.inf)
        self._size = np.zeros(n)
        self._advised = np.full(n, np.nan)
        self._self_start_s = np.full(n, np.inf)
        self.heard = np.zeros(n, dtype=np.int64)
        self.heeded = np.zeros(n, dtype=np.int64)
        self._load = np.zeros(n)
        self._relapse_s = np.full(n, np.inf)
        self._relapse_to = self.pace_m_s.copy()
        self.too_quick = np.zeros(n)
        self._at = 0

    def step(self, t_s: float, cues: NDArray[Any], advised_m_s: Array | None, standing: Mask) -> None:
        """Hear the cues given at `t_s`, act on those whose time has come, creep, relapse."""
        who = self._who
        if cues.any():
            self._hear(t_s, cues, advised_m_s)
        self._at += 1
        self._load *= np.exp(-1.0 / TEN_MIN_S)
        acts = (self._due_s <= t_s) & ~standing
        if acts.any():
            self._act(t_s, acts)
        starts = self.walking & (self._self_start_s <= t_s)
        if starts.any():
            self._start(starts, np.full(len(starts), np.nan))
        back = self._relapse_s <= t_s
        if back.any():
            self._relapse_s = np.where(back, np.inf, self._relapse_s)
            share = np.where(back & ~self.walking, who["relapse_share"], 0.0)
            self.pace_m_s = self.pace_m_s + share * np.maximum(self._relapse_to - self.pace_m_s, 0.0)
        creep = np.where(self.walking, 0.0, who["creep_per_s"])
        self.pace_m_s = self.pace_m_s + creep * (self._habit - self.pace_m_s)
        self.speed_m_s = self.speed_m_s + self._take_up * (self.pace_m_s - self.speed_m_s)
        self.too_quick *= np.exp(-1.0 / TOO_QUICK_S)

    def _hear(self, t_s: float, cues: NDArray[Any], advised_m_s: Array | None) -> None:
        who = self._who
        heard = np.isin(cues, HEARD)
        wins, waits, size = self._luck[:, self.heard % LUCK, self._lanes].astype(float)
        self.heard += heard
        self._load += heard
        tired, for_good = self._load / who["tires_at"], self.heard / who["tires_for_good_at"]
        chance = who["obeys"] / (1.0 + tired * tired) / (1.0 + for_good * for_good)
        obeys = heard & (wins < chance) & ~self._deaf[self._at]
        every = who["ignores_every"]
        obeys &= (every == 0) | (np.mod(self.heard, np.maximum(every, 1.0)) != 0)
        missed = self.walking & (cues == Cue.RESUME) & ~obeys
        self._self_start_s = np.where(
            missed, np.minimum(self._self_start_s, t_s + who["missed_start_s"]), self._self_start_s)
        due = t_s + who["react_s"] + who["react_more_s"] * waits
        self._due_s = np.where(obeys, np.minimum(self._due_s, due), self._due_s)
        self.pending = np.where(obeys, cues, self.pending)
        self._size = np.where(obeys, np.where(who["ease_same"] > 0, self._luck[2, 0], size), self._size)
        if advised_m_s is not None:
            self._advised = np.where(obeys, advised_m_s, self._advised)

    def _act(self, t_s: float, acts: Mask) -> None:
        who = self._who
        what = np.where(acts, self.pending, 0)
        running = ~self.walking
        self.heeded += acts
        ease = (what == Cue.EASE) & running
        size = who["ease_least"] + (who["ease_most"] - who["ease_least"]) * self._size
        eased = self.pace_m_s - size * np.where(who["ease_in_m_s"] > 0, 1.0, self.pace_m_s)
        eased = np.where(np.isnan(self._advised), eased, np.minimum(self._advised, self.pace_m_s))
        walks = np.isin(what, SLOWS) & running
        shuffles = walks & (who["shuffles"] > 0)
        walks &= ~shuffles
        eased = np.maximum(np.where(shuffles, 0.0, eased), np.minimum(who["slowest_jog_m_s"], self.pace_m_s))
        slower = ease | shuffles
        self._relapse_to = np.where(slower & np.isinf(self._relapse_s), self.pace_m_s, self._relapse_to)
        relapse = slower & (who["relapse_share"] > 0)
        after = who["relapse_after_s"] * (0.7 + 0.6 * self._size)
        self._relapse_s = np.where(relapse, np.minimum(self._relapse_s, t_s + after), self._relapse_s)
        self._set(slower, eased)
        self.too_quick = np.where(slower, 0.0, self.too_quick)
        self.walking = self.walking | walks
        starts = t_s + who["starts_by_himself_s"] + np.where(
            np.isinf(who["starts_by_himself_s"]), 0.0, who["starts_more_s"] * self._size)
        self._self_start_s = np.where(walks, starts, self._self_start_s)
        self._start((what == Cue.RESUME) & ~running, self._advised)
        self._due_s = np.where(acts, np.inf, self._due_s)
        self.pending = np.where(acts, 0, self.pending)
        self._advised = np.where(acts, np.nan, self._advised)

    def _start(self, mask: Mask, advised: Array) -> None:
        if not mask.any():
            return
        who = self._who
        pace = np.where(np.isnan(advised), who["restart_share"] * self.pace_m_s,
                        np.minimum(advised, self.pace_m_s))
        self.walking = self.walking & ~mask
        self._self_start_s = np.where(mask, np.inf, self._self_start_s)
        self._set(mask, np.maximum(pace, who["slowest_jog_m_s"]))
        self.speed_m_s = np.where(mask, self.pace_m_s, self.speed_m_s)
        self.too_quick = np.where(mask, who["restart_more"], self.too_quick)

    def restarted(self, standing: NDArray[np.bool_], stood: NDArray[np.bool_]) -> None:
        """Who stood and may go on starts too quickly where so drawn."""
        goes = stood & ~standing & ~self.walking
        if goes.any():
            self.too_quick = np.where(goes, self._who["restart_more"], self.too_quick)

    def _set(self, mask: Mask, pace_m_s: Array) -> None:
        belt = self._who["belt"] > 0
        pace_m_s = np.where(belt, np.rint(pace_m_s * 36.0) / 36.0, pace_m_s)
        self.pace_m_s = np.where(mask, pace_m_s, self.pace_m_s)
        moved = self._habit + self._who["habit_moves"] * (self.pace_m_s - self._habit)
        self._habit = np.where(mask, moved, self._habit)
