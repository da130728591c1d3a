"""Named facts: everything the decision table may ask about, as boolean arrays.

Only what the table asks is worked out: a lone runner in one state needs a third
of them. Two time scales of one runner shape them: easing is answered with the slow constant of
small changes of speed (near a minute), starting again with the fast one of
rest to run (about 20 s), so each has its own look-ahead.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from guard.events import Cue, State
from guard.heart.estimate import Bools, Estimator, Floats, some
from guard.settings import Settings

NEVER_S = -np.inf
BURST_SHARE = 7.5  # a fresh listener heeds four cues in a row, then they must thin out
EARLY_S = 0.25  # time is looked at on a grid of this: said at the latest at the age set
RESTART_S = 60.0  # a restart's fast climb is over after about three time constants
RESTART_Z = 1.28  # 90 % sure before slowing a runner who has just started again
HEADING_S = 60.0  # horizon of "where this is going"
EASE_BPM = 12.0  # what one heeded ease brings down at best: 12 % of a slow run's speed
FALL_BPM_S = -0.15  # steeper than easing alone: the runner walked or stood
CLIMB_BPM_S = 0.20  # steeper than a small change of speed: the runner started again
FALL_MEMORY_S = 90.0
DEEPEST_FALL = 0.62  # of the way to a resting REST_BPM; a full stop after a maximal test
REST_BPM = 50.0  # reached 0.55 in the first four minutes (ACTES data)
WALK_AGAIN_S = 90.0  # said twice in vain, it thins out: who is cued often heeds little
WALK_TURNS_S = 35.0  # reaction, dead time and strap: a heeded walk shows by then
EASES_IN_VAIN = 3.0
EASE_SHOWS_BPM = 3.0  # a heeded ease lowers the heading by at least this
EASE_LASTS_S = 400.0
WALK_RUN_LASTS_S = 900.0
WALK_RUN_SPENT = 1.0
LONGEST_WALK_S = 360.0
WALK_RUN_REST_S = 150.0


class Columns:
    """The settings of n lanes as arrays of shape (n,), constants precomputed."""

    def __init__(self, settings: Sequence[Settings]) -> None:
        def column(key: str) -> Floats:
            values = [getattr(one, key) for one in settings]
            return np.array([np.nan if value is None else value for value in values], float)

        self.ceiling_bpm = column("ceiling_bpm")
        self.floor_bpm = column("floor_bpm")
        self.stop_bpm = column("stop_bpm")
        self.lead_s = column("lead_s")
        self.settle_s = column("settle_s")
        self.resume_margin_bpm = column("resume_margin_bpm")
        self.spacing_s = column("spacing_s")
        self.repeat_s = column("repeat_s")
        self.walk_after_s = column("walk_after_s")
        self.walking = column("walking") > 0
        self.budget_per_h = column("budget_per_h")
        self.warm_up_s = column("warm_up_s")
        self.warm_up_quiet_s = column("warm_up_quiet_s")
        self.warm_up_ramp_bpm = column("warm_up_ramp_bpm")
        self.stale_s = column("stale_s")
        self.lost_s = column("lost_s")
        self.response_s = column("response_s")
        self.restart_response_s = column("restart_response_s")
        self.gain = column("gain_bpm_per_m_s")
        self.belt_step_m_s = column("belt_step_km_h") / 3.6
        self.free_run: Bools = np.zeros(len(settings), bool)
        self.quiet_ease: Bools = np.zeros(len(settings), bool)
        self.quiet_walk: Bools = np.zeros(len(settings), bool)
        self.z = np.array([_z(one.certainty) for one in settings])
        self.restart_z = np.maximum(self.z, RESTART_Z)
        self.reach_s = np.array([reach_s(one.response_s, one.lead_s) for one in settings])
        self.restart_reach_s = np.array([reach_s(one.restart_response_s, one.lead_s) for one in settings])
        self.heading_reach_s = np.array([reach_s(one.response_s, HEADING_S) for one in settings])
        self.tokens_cap = np.maximum(3.0, self.budget_per_h / BURST_SHARE)
        self.tokens_per_s = self.budget_per_h / 3600.0


def reach_s(response_s: float, ahead_s: float) -> float:
    """How many seconds of the present slope are still to come in `ahead_s`.

    A first order response that now climbs with slope b rises by
    b * tau * (1 - exp(-ahead/tau)) (Hunt, Fankhauser, Saengsuwan 2015).
    """
    return response_s * -math.expm1(-ahead_s / response_s)


def _z(chance: float) -> float:
    return NormalDist().inv_cdf(chance)


class Memory:
    """What each lane remembers from step to step; arrays of shape (n,)."""

    def __init__(self, n: int, columns: Columns) -> None:
        self.state = np.full(n, int(State.WARMING), np.int64)
        self.before = self.state.copy()
        self.began_s: Floats = np.full(n, np.nan)
        self.cue_s: Floats = np.full((len(Cue), n), NEVER_S)
        self.last_cue_s: Floats = np.full(n, NEVER_S)
        self.first_ease_s: Floats = np.full(n, NEVER_S)
        self.over_since_s: Floats = np.full(n, np.inf)
        self.walk_from_bpm: Floats = np.full(n, np.nan)
        self.resume_from_bpm: Floats = np.full(n, np.nan)
        self.resumes: Floats = np.zeros(n)  # cues of the present run of resumes
        self.restart_s: Floats = np.full(n, NEVER_S)
        self.fell_s: Floats = np.full(n, NEVER_S)
        self.walk_run: Bools = np.zeros(n, bool)
        self.unanswered: Floats = np.zeros(n)  # repeats of the present cue so far
        self.in_vain: Floats = np.zeros(n)  # eases in a row that changed nothing
        self.ease_heading_bpm: Floats = np.full(n, np.inf)
        self.low_heading_bpm: Floats = np.full(n, np.inf)  # lowest heading since that ease
        self.loss_said: Bools = np.zeros(n, bool)
        self.slip_from_bpm: Floats = np.full(n, np.nan)
        self.tokens: Floats = columns.tokens_cap.copy()


@dataclass(slots=True)
class Now:
    """The numbers of this step that facts, reasons and screens share."""

    t_s: Floats
    held: Bools
    limit_bpm: Floats
    warm: Bools  # the warm-up is over
    restarting: Bools
    foreseen_bpm: Floats
    foreseen_sd_bpm: Floats
    heading_bpm: Floats


def look(est: Estimator, col: Columns, mem: Memory, t_s: Floats, held: Bools) -> Now:
    """Where each lane stands and is heading, before any decision."""
    since_s = t_s - mem.began_s
    warm = since_s >= col.warm_up_s
    limit = col.ceiling_bpm
    restarting = t_s - mem.restart_s <= RESTART_S
    reach = np.where(restarting, col.restart_reach_s, col.reach_s)
    if some(~warm):
        left = 1.0 - since_s / np.maximum(col.warm_up_s, 1.0)
        limit = np.where(warm, limit, limit - col.warm_up_ramp_bpm * left)
        reach = np.where(warm, reach, 0.0)  # a warm-up climbs steeply: only the level counts
    slope = est.slope_bpm_s
    return Now(
        t_s, held, limit, warm, restarting,
        est.level_bpm + reach * slope,
        est.sd_ahead_bpm(reach),
        est.level_bpm + col.heading_reach_s * slope,
    )


def in_vain(mem: Memory, t_s: Floats) -> Bools:
    """The newest ease never lowered where heart rate was heading."""
    recent: Bools = t_s - mem.cue_s[Cue.EASE] <= EASE_LASTS_S
    return recent & (mem.low_heading_bpm > mem.ease_heading_bpm - EASE_SHOWS_BPM)


class Facts:
    """Every fact by name, each a boolean array of shape (n,), worked out when asked for.

    Comparisons with NaN are false, so an unset limit or an unknown level makes
    no fact true. Reads and never writes what it is given.
    """

    def __init__(self, est: Estimator, col: Columns, mem: Memory, now: Now) -> None:
        self.est, self.col, self.mem, self.now = est, col, mem, now
        self._known: dict[str, Bools] = {}

    def __getitem__(self, name: str) -> Bools:
        value = self._known.get(name)
        if value is None:
            fact: Callable[[], Bools] = getattr(self, name)
            value = self._known[name] = fact()
        return value

    def _since_s(self, cue: Cue) -> Floats:
        last_s: Floats = self.mem.cue_s[cue]
        return self.now.t_s - last_s

    # what the runner and the sensor do

    def held(self) -> Bools:
        return self.now.held

    def stale(self) -> Bools:
        return self.est.age_s >= self.col.stale_s - EARLY_S

    def lost(self) -> Bools:
        # A strap that has not begun to send is given time before its silence is spoken of.
        lost_s = np.where(self.est.known, self.col.lost_s, 3.0 * self.col.lost_s)
        late: Bools = self.est.age_s >= lost_s - EARLY_S
        return late

    def loss_said(self) -> Bools:
        return self.mem.loss_said

    def regained(self) -> Bools:
        return (self.est.fresh >= 3.0) & (self.est.age_s <= 2.0) & ~self.est.slipped

    def slipped(self) -> Bools:
        return self.est.slipped

    def fell_too_far(self) -> Bools:
        """Walking in mid-run brings heart rate down by 17.2 +- 8.0 bpm in the first
        minute (Donne 2024 data); far more than that is the electrode's doing."""
        walked_s = self._since_s(Cue.WALK)
        start = self.mem.walk_from_bpm
        deepest_bpm = np.minimum(12.0 + 0.9 * walked_s, DEEPEST_FALL * (start - REST_BPM))
        return self.est.level_bpm < start - deepest_bpm

    # where heart rate is and where it goes

    def over_stop(self) -> Bools:
        return self.est.level_bpm > self.col.stop_bpm

    def over_now(self) -> Bools:
        return self.est.level_bpm - self.now.limit_bpm > 0.5

    def over_soon(self) -> Bools:
        """The chance of being over, `lead_s` ahead, has reached `certainty`."""
        sure = self.now.restarting & ~self["walk_run"]
        z = np.where(sure, self.col.restart_z, self.col.z)
        return self.now.foreseen_bpm - self.now.limit_bpm >= z * self.now.foreseen_sd_bpm

    def over_ramp(self) -> Bools:
        return self["over_soon"] & ~self._quiet_start()

    def too_steep(self) -> Bools:
        sd_bpm = self.est.sd_ahead_bpm(self.col.heading_reach_s)
        beyond = self.now.heading_bpm - self.now.limit_bpm >= EASE_BPM + sd_bpm
        return self["over_soon"] & beyond & self.now.warm & ~self.now.restarting

    def turned(self) -> Bools:
        return (self.now.heading_bpm <= self.now.limit_bpm) | (self.est.slope_bpm_s <= -0.05)

    def calm(self) -> Bools:
        return self.now.foreseen_bpm <= self.now.limit_bpm - 1.0

    def under_floor(self) -> Bools:
        low = (self.est.level_bpm < self.col.floor_bpm) & (self.est.slope_bpm_s <= 0.02)
        return low & self.now.warm & ~self.now.restarting

    # what is due

    def walk_due(self) -> Bools:
        easing = self.mem.state == State.EASING
        began_s = np.where(easing, self.mem.first_ease_s, self.mem.over_since_s)
        late = self.now.t_s - began_s >= self.col.walk_after_s
        return late & self["over_now"] & ~self["turned"] & ~self._quiet_start()

    def walk_run(self) -> Bools:
        """Easing changed nothing: even the slowest jog is too fast today."""
        return self.mem.walk_run

    def eased_in_vain(self) -> Bools:
        """Three eases in a row changed nothing: a fourth would only be nagging."""
        return self.mem.in_vain + in_vain(self.mem, self.now.t_s) >= EASES_IN_VAIN

    def walk_not_turned(self) -> Bools:
        return self["over_now"] & ~self["turned"] & (self._since_s(Cue.WALK) >= WALK_TURNS_S)

    def may_resume(self) -> Bools:
        low = self.est.level_bpm - self.now.limit_bpm <= -self.col.resume_margin_bpm
        # The next walk must be heard too: start with cues in hand, unless it gets too long.
        walked_s, tokens = self._since_s(Cue.WALK), self.mem.tokens
        full = (tokens >= self.col.tokens_cap - WALK_RUN_SPENT) & (walked_s >= WALK_RUN_REST_S)
        rested = np.where(self.mem.walk_run, full, tokens >= 1.0) | (walked_s >= LONGEST_WALK_S)
        return low & rested & (self.est.slope_bpm_s <= 0.03) & (self.est.age_s <= 2.0)

    def resume_missed(self) -> Bools:
        """Told to resume, yet heart rate goes on falling: it was not heard."""
        since_s = self._since_s(Cue.RESUME)
        falling = (self.est.slope_bpm_s <= -0.05) & (self.est.age_s <= 2.0)
        lower = self.est.level_bpm <= self.mem.resume_from_bpm - 3.0
        once: Bools = (self.mem.resumes == 1.0) & (since_s >= 30.0) & (since_s <= 90.0)
        return once & falling & lower

    # what may be said

    def stop_again(self) -> Bools:
        return self._since_s(Cue.STOP) >= 10.0

    def ease_again(self) -> Bools:
        return self._since_s(Cue.EASE) >= self.col.repeat_s

    def walk_again(self) -> Bools:
        wait_s = np.where(self.mem.unanswered > 0.0, WALK_AGAIN_S, self.col.repeat_s)
        return self._since_s(Cue.WALK) >= wait_s

    def pick_up_again(self) -> Bools:
        return self._since_s(Cue.PICK_UP) >= self.col.repeat_s

    def spaced(self) -> Bools:
        return self.now.t_s - self.mem.last_cue_s >= self.col.spacing_s

    def free_to_ease(self) -> Bools:
        return (self.mem.tokens >= 1.0) & ~self.col.free_run & ~self.col.quiet_ease

    def free_to_walk(self) -> Bools:
        return self.col.walking & ~self.col.free_run & ~self.col.quiet_walk

    def free_to_resume(self) -> Bools:
        return ~self.col.free_run & ~self.col.quiet_walk

    def free_run(self) -> Bools:
        return self.col.free_run

    def warm(self) -> Bools:
        return self.now.warm

    def _quiet_start(self) -> Bools:
        early: Bools = self.now.t_s - self.mem.began_s < self.col.warm_up_quiet_s
        quiet: Bools = early & ~self.now.warm
        return quiet
