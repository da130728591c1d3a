"""Named facts: everything the decision table may ask about, as boolean arrays.

`facts(estimate, columns, memory, now)` reads and never writes. Three time
scales of one runner shape them: easing is answered with the slow constant of
small changes of speed (near a minute), starting again with the fast one of
rest to run (about 20 s), so each has its own look-ahead.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from guard.events import Cue, State
from guard.heart.estimate import Bools, Estimator, Floats
from guard.settings import Settings

NEVER_S = -np.inf
RESTART_S = 60.0  # a restart's fast climb is over after about three time constants
RESTART_Z = 1.28  # 90 % sure before slowing a runner who has just started again
HEADING_S = 60.0  # horizon of "where this is going"
EASE_BPM = 12.0  # what one heeded ease brings down at best: 12 % of a slow run's speed
FALL_BPM_S = -0.15  # steeper than easing alone: the runner walked or stood
CLIMB_BPM_S = 0.20  # steeper than a small change of speed: the runner started again
FALL_MEMORY_S = 90.0


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
        self.steep_z = np.full(len(settings), _z(0.84))
        self.tokens_cap = np.maximum(4.0, self.budget_per_h / 3.0)
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
        self.quick_walks: Floats = np.zeros(n)
        self.loss_said: Bools = np.zeros(n, bool)
        self.slip_from_bpm: Floats = np.full(n, np.nan)
        self.tokens: Floats = columns.tokens_cap.copy()


@dataclass(slots=True)
class Now:
    """The numbers of this step that facts, reasons and screens share."""

    t_s: Floats
    held: Bools
    limit_bpm: Floats
    warm: Bools
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
    if not warm.all():
        left = 1.0 - since_s / np.maximum(col.warm_up_s, 1.0)
        limit = np.where(warm, limit, limit - col.warm_up_ramp_bpm * left)
        reach = np.where(warm, reach, 0.0)  # a warm-up climbs steeply: only the level counts
    slope = est.slope_bpm_s
    variance = est.var_level + reach * (2.0 * est.cov + reach * est.var_slope)
    return Now(
        t_s, held, limit, warm, restarting,
        est.level_bpm + reach * slope,
        np.sqrt(np.maximum(variance, 0.0)),
        est.level_bpm + col.heading_reach_s * slope,
    )


def facts(est: Estimator, col: Columns, mem: Memory, now: Now) -> dict[str, Bools]:
    """Every fact by name, each a boolean array of shape (n,).

    Comparisons with NaN are false, so an unset limit or an unknown level makes
    no fact true.
    """
    t_s, limit = now.t_s, now.limit_bpm
    level, slope = est.level_bpm, est.slope_bpm_s
    z = np.where(now.restarting, col.restart_z, col.z)
    over_bpm = level - limit
    over_now = over_bpm > 0.5
    over_soon = now.foreseen_bpm - limit >= z * now.foreseen_sd_bpm
    quiet_start = ~now.warm & (t_s - mem.began_s < col.warm_up_quiet_s)
    turned = (now.heading_bpm <= limit) | (slope <= -0.05)
    easing = mem.state == State.EASING
    over_for_s = t_s - np.where(easing, mem.first_ease_s, mem.over_since_s)
    since_walk_s = t_s - mem.cue_s[Cue.WALK]
    walk_floor_bpm = mem.walk_from_bpm - np.minimum(
        12.0 + 0.9 * (t_s - mem.cue_s[Cue.WALK]), 0.55 * (mem.walk_from_bpm - 50.0))
    since_resume_s = t_s - mem.cue_s[Cue.RESUME]
    steep_sd = np.sqrt(est.var_level + col.heading_reach_s * (2.0 * est.cov + col.heading_reach_s * est.var_slope))
    age = est.age_s
    # A strap that has not begun to send is given time before its silence is spoken of.
    say_after_s = np.where(est.known, col.lost_s, 3.0 * col.lost_s)
    return {
        "held": now.held,
        "over_stop": (level > col.stop_bpm),
        "stop_again": t_s - mem.cue_s[Cue.STOP] >= 10.0,
        "stale": age >= col.stale_s,
        "lost": age >= say_after_s,
        "loss_said": mem.loss_said,
        "regained": (est.fresh >= 3.0) & (age <= 2.0) & ~est.slipped,
        "slipped": est.slipped,
        "fell_too_far": level < walk_floor_bpm,
        "warm": now.warm,
        "over_now": over_now,
        "over_soon": over_soon,
        "over_ramp": over_soon & ~quiet_start,
        "too_steep": over_soon & now.warm & ~now.restarting & (now.heading_bpm - limit >= EASE_BPM + steep_sd),
        "turned": turned,
        "calm": now.foreseen_bpm <= limit - 1.0,
        "walk_due": over_now & ~turned & ~quiet_start & (over_for_s >= col.walk_after_s),
        "walk_run": mem.quick_walks >= 3.0,
        "walk_again": since_walk_s >= col.repeat_s,
        "walk_not_turned": over_now & ~turned & (since_walk_s >= 45.0),
        "free_to_walk": col.walking & ~col.free_run & ~col.quiet_walk,
        "ease_again": t_s - mem.cue_s[Cue.EASE] >= col.repeat_s,
        "may_resume": (over_bpm <= -col.resume_margin_bpm) & (slope <= 0.03) & (age <= 2.0),
        "resume_missed": (
            (mem.resumes == 1.0) & (since_resume_s >= 30.0) & (since_resume_s <= 90.0)
            & (slope <= -0.05) & (level <= mem.resume_from_bpm - 3.0) & (age <= 2.0)
        ),
        "under_floor": (level < col.floor_bpm) & (slope <= 0.02) & now.warm & ~now.restarting,
        "pick_up_again": t_s - mem.cue_s[Cue.PICK_UP] >= col.repeat_s,
        "spaced": t_s - mem.last_cue_s >= col.spacing_s,
        "free_to_ease": (mem.tokens >= 1.0) & ~col.free_run & ~col.quiet_ease,
        "free_to_resume": (mem.tokens >= 1.0) & ~col.free_run & ~col.quiet_walk,
        "free_run": col.free_run,
    }
