"""Named facts: everything the decision table may ask about, as boolean arrays.

Only what the table asks is worked out: a lone runner in one state needs a third
of them. Two time scales of one runner shape them: easing is answered with the slow constant of
small changes of speed (near a minute), starting again with the fast one of
rest to run (about 20 s), so each has its own look-ahead.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from guard.decide.columns import Columns
from guard.decide.constants import (
    DOUBT_ENDS_S,
    DOUBT_LASTS_S,
    DOUBTFUL_FALL_BPM,
    DOUBTFUL_FALL_BPM_S,
    DOUBTFUL_FALL_MORE_BPM_S,
    EASE_BPM,
    EASE_LASTS_S,
    EASE_SHOWS_BPM,
    EASES_IN_VAIN,
    LONGEST_WALK_S,
    NEVER_S,
    PATIENT_MARGIN_BPM,
    PATIENT_WALK_S,
    RESTART_LOOK,
    RESTART_S,
    SPEED_SHOWS_S,
    WALK_AGAIN_S,
    WALK_RUN_DEEPER_BPM,
    WALK_RUN_REST_S,
    WALK_RUN_SPENT,
    WALK_SAID,
    WALK_SHOWS_BPM_S,
    WALK_SHOWS_S,
    WALKED_ON_BPM,
)
from guard.events import Cue, State
from guard.heart.estimate import INFINITE, NAN, Estimator
from guard.heart.kit import Fact, Kit, Number


class Memory:
    """What each lane remembers from step to step; a number a lane."""

    def __init__(self, kit: Kit, columns: Columns) -> None:
        zero: Number = columns.lead_s * 0.0
        never: Fact = zero != 0.0
        self.state: Number = kit.column([int(State.WARMING)] * columns.lanes)
        self.before: Number = self.state
        self.began_s: Number = zero + NAN
        self.cue_s: list[Number] = [zero + NEVER_S for _ in Cue]
        self.last_cue_s: Number = zero + NEVER_S
        self.first_ease_s: Number = zero + NEVER_S
        self.over_since_s: Number = zero + INFINITE
        self.walk_from_bpm: Number = zero + NAN
        self.walk_began_s: Number = zero + NEVER_S
        self.resume_from_bpm: Number = zero + NAN
        self.resumes: Number = zero  # cues of the present run of resumes
        self.restart_s: Number = zero + NEVER_S
        self.crest_bpm: Number = zero + NAN  # where the present fall of heart rate began
        self.fell_s: Number = zero + NEVER_S
        self.walk_run: Fact = never
        self.unanswered: Number = zero  # repeats of the present cue so far
        self.in_vain: Number = zero  # eases in a row that changed nothing
        self.ease_heading_bpm: Number = zero + INFINITE
        self.low_heading_bpm: Number = zero + INFINITE  # lowest heading since that ease
        self.doubtful_fall_s: Number = zero + NEVER_S
        self.tokens: Number = columns.tokens_cap


@dataclass(slots=True)
class Now:
    """The numbers of this step that facts, reasons and screens share."""

    t_s: Number
    held: Fact
    blind: Fact
    alive: Fact
    limit_bpm: Number
    warm: Fact  # the warm-up is over
    restarting: Fact
    foreseen_bpm: Number
    foreseen_sd_bpm: Number
    heading_bpm: Number


def look(
    kit: Kit, est: Estimator, col: Columns, mem: Memory, t_s: Number, held: Fact, blind: Fact, alive: Fact
) -> Now:
    """Where each lane stands and is heading, before any decision."""
    since_s = t_s - mem.began_s
    warm = since_s >= col.warm_up_s
    limit = col.ceiling_bpm
    restarting = t_s - mem.restart_s <= RESTART_S
    reach = kit.where(restarting, RESTART_LOOK * col.restart_reach_s, col.reach_s)
    if kit.some(kit.no(warm)):
        # What is foreseen is held against the ramp's limit at that time, not at this.
        left = kit.most(0.0, 1.0 - (since_s + col.lead_s) / kit.most(col.warm_up_s, 1.0))
        limit = kit.where(warm, limit, limit - col.warm_up_ramp_bpm * left)
        # A plan moves the ceiling of its warm-up itself, and where to is not known here.
        reach = kit.where(warm | (col.warm_up_s < INFINITE), reach, 0.0)
    slope = est.slope_bpm_s
    return Now(
        t_s, held, blind, alive, limit, warm, restarting,
        est.level_bpm + reach * slope,
        est.sd_ahead_bpm(reach),
        est.level_bpm + col.heading_reach_s * slope,
    )


def doubtful_fall(est: Estimator, mem: Memory, t_s: Number) -> Fact:
    """Heart rate falls faster, or has fallen further, than walking explains, or did just now."""
    walked_s = t_s - mem.cue_s[Cue.WALK]
    explained_bpm = DOUBTFUL_FALL_BPM + DOUBTFUL_FALL_MORE_BPM_S * walked_s
    deep = (est.level_bpm < mem.walk_from_bpm - explained_bpm) & (walked_s < DOUBT_ENDS_S)
    fast = est.slope_bpm_s <= DOUBTFUL_FALL_BPM_S
    doubtful: Fact = (mem.state == int(State.WALKING)) & (deep | fast)
    return doubtful


class Facts(dict[str, Fact]):
    """Every fact by name, a boolean a lane, worked out when asked for.

    Comparisons with NaN are false, so an unset limit or an unknown level makes
    no fact true. Reads and never writes what it is given.
    """

    def __init__(self, kit: Kit, est: Estimator, col: Columns, mem: Memory, now: Now) -> None:
        super().__init__()
        self.kit = kit
        self.est, self.col, self.mem, self.now = est, col, mem, now

    def __missing__(self, name: str) -> Fact:
        fact: Callable[[], Fact] = getattr(self, name)
        value = self[name] = fact()
        return value

    def _since_s(self, cue: Cue) -> Number:
        last_s: Number = self.mem.cue_s[cue]
        return self.now.t_s - last_s

    # what the runner and the sensor do

    def held(self) -> Fact:
        return self.now.held

    def blind(self) -> Fact:
        """Not guarded: no trusted readings, or too seldom, or they follow the steps."""
        return self.now.blind

    def alive(self) -> Fact:
        """The reading of this step is itself proof of life: nobody is sent off on another."""
        return self.now.alive

    # where heart rate is and where it goes

    def over_now(self) -> Fact:
        return self.est.level_bpm - self.now.limit_bpm > 0.5

    def over_soon(self) -> Fact:
        """The chance of being over, `lead_s` ahead, has reached `certainty`."""
        sure = self.now.restarting & self.kit.no(self["walk_run"])
        z = self.kit.where(sure, self.col.restart_z, self.col.z)
        return self.now.foreseen_bpm - self.now.limit_bpm >= z * self.now.foreseen_sd_bpm

    def over_ramp(self) -> Fact:
        return self["over_soon"] & self.kit.no(self._quiet_start())

    def too_steep(self) -> Fact:
        sd_bpm = self.est.sd_ahead_bpm(self.col.heading_reach_s)
        beyond = self.now.heading_bpm - self.now.limit_bpm >= EASE_BPM + sd_bpm
        return self["over_soon"] & beyond & self.now.warm & self.kit.no(self.now.restarting)

    def turned(self) -> Fact:
        return (self.now.heading_bpm <= self.now.limit_bpm) | (self.est.slope_bpm_s <= -0.05)

    def calm(self) -> Fact:
        return self.now.foreseen_bpm <= self.now.limit_bpm - 1.0

    def under_floor(self) -> Fact:
        low = (self.est.level_bpm < self.col.floor_bpm) & (self.est.slope_bpm_s <= 0.02)
        return low & self.now.warm & self.kit.no(self.now.restarting)

    # what is due

    def walk_due(self) -> Fact:
        easing = self.mem.state == State.EASING
        began_s = self.kit.where(easing, self.mem.first_ease_s, self.mem.over_since_s)
        late = self.now.t_s - began_s >= self.col.walk_after_s
        return late & self["over_now"] & self.kit.no(self["turned"]) & self.kit.no(self._quiet_start())

    def walk_run(self) -> Fact:
        """Easing changed nothing: even the slowest jog is too fast today."""
        return self.mem.walk_run

    def eased_in_vain(self) -> Fact:
        """Three eases in a row changed nothing: a fourth would only be nagging."""
        return self.mem.in_vain + self["in_vain"] >= EASES_IN_VAIN

    def in_vain(self) -> Fact:
        """The newest ease never lowered where heart rate was heading."""
        recent: Fact = self._since_s(Cue.EASE) <= EASE_LASTS_S
        return recent & (self.mem.low_heading_bpm > self.mem.ease_heading_bpm - EASE_SHOWS_BPM)

    def walk_unheeded(self) -> Fact:
        """Told to walk, yet heart rate neither falls as in walking nor is low enough to run."""
        high = self.est.level_bpm - self.now.limit_bpm > -self.col.resume_margin_bpm
        level = self.est.slope_bpm_s > WALK_SHOWS_BPM_S
        return high & level & (self._since_s(Cue.WALK) >= WALK_SHOWS_S)

    def may_resume(self) -> Fact:
        deeper = self.kit.where(self.mem.walk_run, WALK_RUN_DEEPER_BPM, 0.0)
        # The next walk must be heard too: start with cues in hand, unless it gets too long.
        walked_s, tokens = self._since_s(Cue.WALK), self.mem.tokens
        margin_bpm = self.col.resume_margin_bpm + deeper
        long = self.now.t_s - self.mem.walk_began_s >= PATIENT_WALK_S
        margin_bpm = self.kit.where(long, self.kit.least(
            margin_bpm, PATIENT_MARGIN_BPM), margin_bpm)
        low = self.est.level_bpm - self.now.limit_bpm <= -margin_bpm
        full = (tokens >= self.col.tokens_cap - WALK_RUN_SPENT) & (walked_s >= WALK_RUN_REST_S)
        rested = self.kit.where(self.mem.walk_run, full, tokens >= 1.0) | (walked_s >= LONGEST_WALK_S)
        sound = self.now.t_s - self.mem.doubtful_fall_s >= DOUBT_LASTS_S
        return low & rested & sound & (self.est.slope_bpm_s <= 0.03)

    def resume_missed(self) -> Fact:
        """Told to resume, yet heart rate goes on falling: it was not heard."""
        since_s = self._since_s(Cue.RESUME)
        slope = self.est.slope_bpm_s
        falling = (slope <= -0.05) & (slope > DOUBTFUL_FALL_BPM_S)
        fell_bpm = self.mem.resume_from_bpm - self.est.level_bpm
        # Farther than walking on explains it is the electrode, and nobody is sent off on that.
        lower = (fell_bpm >= 3.0) & (fell_bpm <= WALKED_ON_BPM)
        once: Fact = (self.mem.resumes == 1.0) & (since_s >= 30.0) & (since_s <= 90.0)
        return once & falling & lower

    # what may be said

    def ease_again(self) -> Fact:
        told = self.col.gain == self.col.gain
        wait_s = self.kit.where(told, self.kit.most(self.col.repeat_s, SPEED_SHOWS_S), self.col.repeat_s)
        return self._since_s(Cue.EASE) >= wait_s

    def walk_again(self) -> Fact:
        wait_s = self.kit.where(self.mem.unanswered >= WALK_SAID, WALK_AGAIN_S, self.col.repeat_s)
        return self._since_s(Cue.WALK) >= wait_s

    def pick_up_again(self) -> Fact:
        # The last one has to show before there is room for more.
        wait_s = self.kit.most(self.col.repeat_s, self.col.response_s)
        return self._since_s(Cue.PICK_UP) >= wait_s

    def spaced(self) -> Fact:
        return self.now.t_s - self.mem.last_cue_s >= self.col.spacing_s

    def free_to_ease(self) -> Fact:
        return (self.mem.tokens >= 1.0) & self.kit.no(self.col.free_run) & self.kit.no(self.col.quiet_ease)

    def free_to_walk(self) -> Fact:
        return self.col.walking & self.kit.no(self.col.free_run) & self.kit.no(self.col.quiet_walk)

    def free_to_resume(self) -> Fact:
        return self.kit.no(self.col.free_run) & self.kit.no(self.col.quiet_walk)

    def free_run(self) -> Fact:
        return self.col.free_run

    def warm(self) -> Fact:
        return self.now.warm

    def _quiet_start(self) -> Fact:
        early: Fact = self.now.t_s - self.mem.began_s < self.col.warm_up_quiet_s
        quiet: Fact = early & self.kit.no(self.now.warm)
        return quiet
