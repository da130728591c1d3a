"""One guard in plain Python: a second writing of estimate and decision, to hold the lanes to.

Written from the docstrings and the decision table of DEVELOPERS.md: one lane,
floats, `if` where the lanes have masks, facts of its own. Only numbers that
were measured or tuned are shared (`FILTER`, the constants of `facts`) and the
table itself, which is the specification. A row's facts are the methods of
`ScalarFacts` of the same names, so a new fact is missed by name.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from statistics import NormalDist

from guard.decide.table import TABLE, Row, To
from guard.heart.estimate import (
    DOUBTS,
    FILTER,
    HIGHEST_BPM,
    JUMP,
    LOCKED,
    LOWEST_BPM,
    RANGE,
    ROUGH,
    SLIP,
    VAR_LEVEL_FIRST,
    VAR_SLOPE_FIRST,
)

from guard.decide import constants as known
from guard.decide.columns import figures
from guard.events import Cue, Numbers, State
from guard.settings import Settings

NAN = math.nan
NEVER = -math.inf


@dataclass
class Track:
    """Level and slope with their covariance."""

    density: float
    slope_noise: float
    response_s: float
    level: float = NAN
    slope: float = 0.0
    var_level: float = VAR_LEVEL_FIRST
    cov: float = 0.0
    var_slope: float = VAR_SLOPE_FIRST

    def start(self, bpm: float) -> None:
        self.level, self.slope, self.cov = bpm, 0.0, 0.0
        self.var_level, self.var_slope = VAR_LEVEL_FIRST, VAR_SLOPE_FIRST

    def predict(self, dt_s: float) -> None:
        """A damped slope: what is left of it after dt, and how far it carried."""
        keep = self.response_s / (self.response_s + dt_s)
        carried_s = dt_s * keep
        self.level += carried_s * self.slope
        self.slope *= keep
        cov = self.cov + carried_s * self.var_slope
        self.var_level += carried_s * (self.cov + cov)
        self.cov = keep * cov
        self.var_slope = keep * keep * self.var_slope + self.slope_noise * dt_s

    def correct(self, bpm: float, covers_s: float) -> None:
        """The measurement update; a reading weighs as much as the time it covers."""
        weight = 1.0 / (self.var_level + self.density / covers_s)
        gain_level, gain_slope = self.var_level * weight, self.cov * weight
        off = bpm - self.level
        self.level += gain_level * off
        self.slope += gain_slope * off
        self.var_slope -= gain_slope * self.cov
        self.var_level -= gain_level * self.var_level
        self.cov -= gain_level * self.cov


class ScalarEstimate:
    """Two tracks, a gate, a slip that lasts, a lock on the step rate."""

    def __init__(self, response_s: float) -> None:
        self.calm = Track(FILTER.calm_density, FILTER.calm_slope_noise, response_s)
        self.quick = Track(FILTER.quick_density, FILTER.quick_slope_noise, response_s)
        self.known = self.trusted = self.slipped = False
        self.doubt = ""
        self.fresh = 0
        self.age_s = self.silent_s = self.trusted_for_s = 0.0
        self.expecting_s = FILTER.expect_s
        self.suspect_bpm, self.suspect_s, self.suspect_from_s = 0.0, NEVER, NEVER
        self.suspects, self.suspect_moved_s = 0, NEVER
        self.newest_bpm, self.step_bpm = NAN, 0.0
        self.slip_bpm = self.slip_s = 0.0
        self.lock_since_s: float | None = None
        self._blend()

    def step(self, t_s: float, dt_s: float, bpm: float, cadence_spm: float | None) -> None:
        for track in (self.calm, self.quick):
            track.predict(dt_s)
        self.expecting_s -= dt_s
        self.age_s += dt_s
        self.silent_s += dt_s
        self.doubt, self.trusted = "", False
        if not math.isnan(bpm):
            self._take(t_s, bpm, cadence_spm)
        self._blend()

    def _take(self, t_s: float, bpm: float, cadence_spm: float | None) -> None:
        if cadence_spm is not None and self._follows_steps(t_s, bpm, cadence_spm):
            self.doubt = DOUBTS[LOCKED]
        if not LOWEST_BPM <= bpm <= HIGHEST_BPM:
            self.doubt = DOUBTS[RANGE]
        if not self.doubt:
            self._judge(t_s, bpm)
        if not self.doubt and self._leaps_about(bpm):
            self.doubt = DOUBTS[ROUGH]
        self.silent_s = 0.0
        if self.doubt:
            return
        if not self.known:
            self.calm.start(bpm)
            self.quick.start(bpm)
            self.trusted_for_s = 0.0
            self.known = True
        covers_s = min(max(self.age_s, 0.25), 4.0)
        for track in (self.calm, self.quick):
            track.correct(bpm, covers_s)
        self.fresh = 1 if self.age_s > 3.0 else self.fresh + 1
        self.trusted_for_s += min(self.age_s, 3.0)
        self.age_s = 0.0
        self.trusted = True
        self.suspect_s = NEVER

    def _follows_steps(self, t_s: float, bpm: float, cadence_spm: float) -> bool:
        if not abs(bpm - cadence_spm) <= FILTER.lock_bpm:
            self.lock_since_s = None
            return False
        if self.lock_since_s is None:
            self.lock_since_s = t_s
        leapt = self.known and bpm - self.level_bpm > FILTER.gate_bpm - 4.0
        return leapt or t_s - self.lock_since_s >= FILTER.lock_s

    def _judge(self, t_s: float, bpm: float) -> None:
        """Whether the reading can follow from what came before; sets `doubt`."""
        off = bpm - self.quick.level if self.known else 0.0
        if self.slipped:
            fallen = min(25.0, 0.3 * (t_s - self.slip_s))
            if bpm >= self.slip_bpm - fallen - FILTER.rejoin_bpm:
                self.slipped = self.known = False
                return
            suspect = self.known
        else:
            suspect = self.known and abs(off) > self._gate_bpm()
        if not suspect:
            return
        self._remember_suspect(t_s, bpm)
        self.doubt = DOUBTS[JUMP]
        lasts_s = t_s - self.suspect_from_s
        lasting = lasts_s >= FILTER.persist_s and self.suspects >= FILTER.persist_count
        moves = t_s - self.suspect_moved_s <= FILTER.stuck_after_s or lasts_s >= FILTER.stuck_for_s
        if not self.slipped and lasting and moves:
            if off < 0.0 and self.trusted_for_s >= FILTER.known_after_s:
                self.slipped = True
                self.slip_bpm, self.slip_s = self.level_bpm, self.suspect_from_s
            else:
                self.known, self.doubt = False, ""
        if self.slipped:
            self.doubt = DOUBTS[SLIP]

    def _gate_bpm(self) -> float:
        spread = math.sqrt(self.quick.var_level + FILTER.reading_sd_bpm * FILTER.reading_sd_bpm)
        gate = max(FILTER.gate_bpm, FILTER.gate_sd * spread)
        if self.expecting_s > 0.0:
            gate *= 2.0
        return gate + FILTER.fall_bpm_per_s * max(self.silent_s - 3.0, 0.0)

    def _remember_suspect(self, t_s: float, bpm: float) -> None:
        since_s = t_s - self.suspect_s
        if since_s <= 3.0 and abs(bpm - self.suspect_bpm) <= 3.0 + 4.0 * since_s:
            self.suspects += 1
        else:
            self.suspects, self.suspect_from_s = 1, t_s
        if bpm != self.suspect_bpm:
            self.suspect_moved_s = t_s
        self.suspect_bpm, self.suspect_s = bpm, t_s

    def _leaps_about(self, bpm: float) -> bool:
        """Mean step between readings that passed so far, a spike counting only so much."""
        if not math.isnan(self.newest_bpm):
            step = min(abs(bpm - self.newest_bpm), FILTER.rough_step_bpm)
            self.step_bpm += FILTER.rough_share * (step - self.step_bpm)
        self.newest_bpm = bpm
        return self.step_bpm > FILTER.rough_bpm

    def _blend(self) -> None:
        calm, quick = self.calm, self.quick
        share = 1.0
        if not self.expecting_s > 0.0:
            apart = abs(quick.level - calm.level)
            whole = FILTER.quick_apart_bpm - FILTER.calm_apart_bpm
            share = min(max((apart - FILTER.calm_apart_bpm) / whole, 0.0), 1.0)
        def mixed(name: str) -> float:
            patient: float = getattr(calm, name)
            return patient + share * (getattr(quick, name) - patient)
        self.level_bpm, self.slope_bpm_s = mixed("level"), mixed("slope")
        self.var_level, self.cov, self.var_slope = mixed("var_level"), mixed("cov"), mixed("var_slope")

    def sd_ahead_bpm(self, reach_s: float) -> float:
        return math.sqrt(max(self.var_level + reach_s * (2.0 * self.cov + reach_s * self.var_slope), 0.0))


@dataclass
class Limits:
    """The runner's settings and what the plan or a command made of them."""

    ceiling_bpm: float
    floor_bpm: float
    warm_up_s: float
    warm_up_quiet_s: float
    warm_up_ramp_bpm: float
    free_run: bool = False
    quiet_ease: bool = False
    quiet_walk: bool = False


@dataclass
class Memory:
    """What the guard remembers between steps."""

    state: State = State.WARMING
    before: State = State.WARMING
    said_s: dict[Cue, float] = field(default_factory=lambda: dict.fromkeys(Cue, NEVER))
    last_cue_s: float = NEVER
    first_ease_s: float = NEVER
    over_since_s: float | None = None
    walk_from_bpm: float = NAN
    resume_from_bpm: float = NAN
    resumes: int = 0
    restart_s: float = NEVER
    crest_bpm: float = NAN
    fell_s: float = NEVER
    doubtful_fall_s: float = NEVER
    walk_run: bool = False
    unanswered: int = 0
    in_vain: int = 0
    ease_heading_bpm: float = math.inf
    low_heading_bpm: float = math.inf
    loss_said: bool = False
    slip_from_bpm: float = NAN
    tokens: float = 0.0
    best_speed: float = NAN


def _unset(value: float | None) -> float:
    return NAN if value is None else float(value)


def _reach(response_s: float, ahead_s: float) -> float:
    """b tau (1 - exp(-ahead/tau)) over b (Hunt, Fankhauser, Saengsuwan 2015)."""
    return response_s * -math.expm1(-ahead_s / response_s)


class ScalarGuard:
    """One guard; `step` returns the cue, `state` and `reason` tell the rest."""

    def __init__(self, settings: Settings) -> None:
        assert settings.ceiling_bpm is not None
        self.settings, self.figures = settings, figures(settings)
        self.limits = Limits(
            float(settings.ceiling_bpm), _unset(settings.floor_bpm), settings.warm_up_s,
            settings.warm_up_quiet_s, settings.warm_up_ramp_bpm)
        self.estimate = ScalarEstimate(settings.response_s)
        self.tokens_cap = max(3.0, self.figures.budget_per_h / known.BURST_SHARE)
        self.memory = Memory(tokens=self.tokens_cap)
        self.began_s = self.t_s = NAN
        self.since_s: dict[str, float | None] = {}
        self.fired: Row | None = None
        self.advised_speed_m_s = NAN
        self.limit_bpm = self.foreseen_bpm = self.foreseen_sd_bpm = self.heading_bpm = NAN
        self.warm = self.restarting = self.held = False

    @property
    def state(self) -> State:
        return self.memory.state

    def step(
        self, t_s: float, bpm: float, *, speed_m_s: float | None = None, grade: float | None = None,
        cadence_spm: float | None = None, held: bool = False,
    ) -> Cue:
        """As one lane of `Lanes.step`; None: not given at all, NaN: given but not known."""
        dt_s = 0.0 if math.isnan(self.t_s) else t_s - self.t_s
        if math.isnan(self.t_s):
            self.began_s = t_s
        self.t_s, self.held = t_s, held
        memory, estimate = self.memory, self.estimate
        estimate.step(t_s, dt_s, NAN if bpm == 0.0 else bpm, cadence_spm)
        memory.tokens = min(self.tokens_cap, memory.tokens + dt_s * (self.figures.budget_per_h / 3600.0))
        self._notice_restart()
        self._notice_doubtful_fall()
        self._look()
        memory.low_heading_bpm = _lower(memory.low_heading_bpm, self.heading_bpm)
        if estimate.level_bpm > self.limit_bpm:
            memory.over_since_s = t_s if memory.over_since_s is None else memory.over_since_s
        else:
            memory.over_since_s = None
        if speed_m_s is not None:
            self._advise(dt_s, speed_m_s, grade)
        cue = self._decide()
        if cue is Cue.EASE and speed_m_s is not None:
            self._advise_slower(speed_m_s)
        return cue

    # -- seeing ------------------------------------------------------------

    def _notice_restart(self) -> None:
        memory, slope = self.memory, self.estimate.slope_bpm_s
        level = self.estimate.level_bpm
        if slope > 0.0 or not memory.crest_bpm >= level:
            memory.crest_bpm = level
        if slope <= known.FALL_BPM_S and memory.crest_bpm - level >= known.FELL_BPM:
            memory.fell_s = self.t_s
        if slope >= known.CLIMB_BPM_S and self.t_s - memory.fell_s <= known.FALL_MEMORY_S:
            memory.restart_s, memory.fell_s = self.t_s, NEVER

    def _notice_doubtful_fall(self) -> None:
        memory, estimate = self.memory, self.estimate
        if estimate.slipped:
            memory.doubtful_fall_s = self.t_s
        if memory.state is not State.WALKING:
            return
        walked_s = self.t_s - memory.said_s[Cue.WALK]
        explained = known.DOUBTFUL_FALL_BPM + known.DOUBTFUL_FALL_MORE_BPM_S * walked_s
        deep = estimate.level_bpm < memory.walk_from_bpm - explained
        if deep or estimate.slope_bpm_s <= known.DOUBTFUL_FALL_BPM_S:
            memory.doubtful_fall_s = self.t_s

    def _look(self) -> None:
        settings, estimate, limits = self.settings, self.estimate, self.limits
        lead_s = self.figures.lead_s
        since_s = self.t_s - self.began_s
        self.warm = since_s >= limits.warm_up_s
        self.restarting = self.t_s - self.memory.restart_s <= known.RESTART_S
        self.limit_bpm = limits.ceiling_bpm
        if not self.warm:
            left = max(0.0, 1.0 - (since_s + lead_s) / max(limits.warm_up_s, 1.0))
            self.limit_bpm -= limits.warm_up_ramp_bpm * left
        if not self.warm and limits.warm_up_s == math.inf:
            reach = 0.0
        elif self.restarting:
            reach = known.RESTART_LOOK * _reach(settings.restart_response_s, lead_s)
        else:
            reach = _reach(settings.response_s, lead_s)
        slope = estimate.slope_bpm_s
        self.foreseen_bpm = estimate.level_bpm + reach * slope
        self.foreseen_sd_bpm = estimate.sd_ahead_bpm(reach)
        self.heading_bpm = estimate.level_bpm + _reach(settings.response_s, known.HEADING_S) * slope

    def _advise(self, dt_s: float, speed_m_s: float, grade: float | None) -> None:
        settings, estimate, memory = self.settings, self.estimate, self.memory
        gain = _unset(settings.gain_bpm_per_m_s)
        slope_of_ground = 0.0 if grade is None or math.isnan(grade) else max(grade, -0.1)
        hill = 1.0 + 4.5 * slope_of_ground
        fast = self.restarting or not self.warm
        constant_s = settings.restart_response_s if fast else settings.response_s
        settles = estimate.level_bpm + constant_s * estimate.slope_bpm_s
        best = speed_m_s * hill - (settles - (self.limits.ceiling_bpm - known.ADVISED_UNDER_BPM)) / gain
        if not math.isnan(best) and estimate.trusted:
            if math.isnan(memory.best_speed):
                memory.best_speed = best
            else:
                memory.best_speed += dt_s / (known.ADVISED_OVER_S + dt_s) * (best - memory.best_speed)
        self.advised_speed_m_s = NAN
        step = settings.belt_step_km_h / 3.6
        if not math.isnan(memory.best_speed) and not math.isnan(speed_m_s):
            advised = math.floor(memory.best_speed / hill / step + 1e-9) * step
            if advised > 0.0:
                self.advised_speed_m_s = advised

    def _advise_slower(self, speed_m_s: float) -> None:
        """At an ease: below the present speed by a step of the belt, but one step at least."""
        if math.isnan(self.advised_speed_m_s) or math.isnan(speed_m_s):
            return
        step = self.settings.belt_step_km_h / 3.6
        steps = max(float(math.floor(speed_m_s / step - 1.0 + 1e-9)), 1.0)
        self.advised_speed_m_s = min(self.advised_speed_m_s, steps * step)

    # -- deciding -----------------------------------------------------------

    def _decide(self) -> Cue:
        facts = ScalarFacts(self)
        self.fired = None
        for row in TABLE:
            holds = self.state in row.from_states and self.fired is None and all(
                not getattr(facts, name[1:])() if name.startswith("~") else getattr(facts, name)()
                for name in row.when)
            if row.dwell:
                holds = self._dwelt(row, holds)
            if holds:
                self.fired = row
        if self.fired is None:
            return Cue.NONE
        self._enter(self.fired)
        return self.fired.cue

    def _dwelt(self, row: Row, holds: bool) -> bool:
        if not holds:
            self.since_s[row.name] = None
            return False
        since = self.since_s.get(row.name)
        if since is None:
            since = self.since_s[row.name] = self.t_s
        needed: float = getattr(self.figures, row.dwell)
        return self.t_s - since >= needed

    def _enter(self, row: Row) -> None:
        memory, estimate = self.memory, self.estimate
        came_from = memory.state
        if row.to in (State.NO_SIGNAL, State.HELD) and came_from is not State.NO_SIGNAL:
            memory.before = came_from
        if row.to == To.BEFORE:
            memory.state = memory.before
        elif row.to == To.FLOW:
            memory.state = State.STEADY if self.warm else State.WARMING
        elif row.to != To.SAME:
            memory.state = State(row.to)
        if row.name in ("hold", "unhold"):
            memory.restart_s = self.t_s
            estimate.slipped = estimate.known = False
            estimate.expecting_s = FILTER.expect_s
        if row.name == "unlikely_recovery":
            estimate.slipped = True
            estimate.slip_bpm, estimate.slip_s = memory.walk_from_bpm, self.t_s
        if row.name in ("signal_blinked", "signal_back"):
            memory.loss_said = False
        if row.cue is not Cue.NONE:
            self._said(row, came_from)

    def _said(self, row: Row, came_from: State) -> None:
        memory, estimate, t_s = self.memory, self.estimate, self.t_s
        memory.unanswered = memory.unanswered + 1 if row.to == To.SAME else 0
        vain = self.newest_ease_in_vain()
        walked_before_s = memory.said_s[Cue.WALK]
        memory.said_s[row.cue] = memory.last_cue_s = t_s
        if row.cue in (Cue.EASE, Cue.WALK, Cue.RESUME, Cue.PICK_UP):
            memory.tokens -= 1.0
        if row.cue is Cue.EASE:
            memory.in_vain = memory.in_vain + 1 if vain else 0
            memory.ease_heading_bpm, memory.low_heading_bpm = self.heading_bpm, math.inf
            if came_from is not State.EASING:
                memory.first_ease_s = t_s
        if row.cue is Cue.WALK:
            if came_from is not State.WALKING:
                useless = memory.in_vain + vain >= known.EASES_IN_VAIN
                lasts = memory.walk_run and t_s - walked_before_s <= known.WALK_RUN_LASTS_S
                memory.walk_run = useless or lasts
            memory.walk_from_bpm, memory.in_vain = estimate.level_bpm, 0
        if row.cue is Cue.RESUME:
            memory.resumes = 2 if row.to == To.SAME else 1
            memory.resume_from_bpm, memory.restart_s = estimate.level_bpm, t_s
        if row.cue in (Cue.WALK, Cue.RESUME):
            estimate.expecting_s = FILTER.expect_s
        if row.cue is Cue.SIGNAL_LOST:
            memory.loss_said, memory.slip_from_bpm = True, estimate.level_bpm

    def newest_ease_in_vain(self) -> bool:
        memory = self.memory
        return (self.t_s - memory.said_s[Cue.EASE] <= known.EASE_LASTS_S
                and memory.low_heading_bpm > memory.ease_heading_bpm - known.EASE_SHOWS_BPM)

    # -- telling ---------------------------------------------------------------

    def doubt(self) -> str:
        return self.estimate.doubt

    def rule(self) -> str:
        """The name of the row that fired."""
        return "" if self.fired is None else self.fired.name

    def numbers(self) -> Numbers:
        """The figures it rests on, this guard's own."""
        if self.fired is None:
            return Numbers()
        level, ceiling = self.estimate.level_bpm, self.limits.ceiling_bpm
        numbers = {
            "level_bpm": level, "ceiling_bpm": ceiling, "limit_bpm": self.limit_bpm,
            "room_bpm": self.limit_bpm - level, "foreseen_bpm": self.foreseen_bpm,
            "ahead_s": self.figures.lead_s, "heading_bpm": self.heading_bpm,
            "stop_bpm": _unset(self.settings.stop_bpm), "floor_bpm": self.limits.floor_bpm,
            "age_s": self.estimate.age_s, "fell_from_bpm": self.memory.slip_from_bpm}
        return Numbers(**{name: None if math.isnan(numbers[name]) else round(numbers[name], 2)
                          for name in self.fired.numbers})


def _lower(one: float, other: float) -> float:
    """The lesser; unknown if either is (so goes the minimum of the lanes)."""
    return NAN if math.isnan(one) or math.isnan(other) else min(one, other)


class ScalarFacts:
    """What the rows of the table ask; every comparison with an unknown number is false."""

    def __init__(self, guard: ScalarGuard) -> None:
        self._g = guard
        self._set, self._fig = guard.settings, guard.figures
        self._lim = guard.limits
        self._est = guard.estimate
        self._mem = guard.memory

    def _since(self, cue: Cue) -> float:
        return self._g.t_s - self._mem.said_s[cue]

    def held(self) -> bool:
        return self._g.held

    def stale(self) -> bool:
        return self._est.age_s >= self._set.stale_s - known.EARLY_S

    def lost(self) -> bool:
        patience = 1.0 if self._est.known else 3.0
        return self._est.age_s >= patience * self._set.lost_s - known.EARLY_S

    def loss_said(self) -> bool:
        return self._mem.loss_said

    def regained(self) -> bool:
        return self._est.fresh >= 3 and self._est.age_s <= 2.0 and not self._est.slipped

    def slipped(self) -> bool:
        return self._est.slipped

    def fell_too_far(self) -> bool:
        start = self._mem.walk_from_bpm
        deepest = 12.0 + 0.9 * self._since(Cue.WALK)
        deepest = _lower(deepest, known.DEEPEST_FALL * (start - known.REST_BPM))
        return self._est.level_bpm < start - deepest

    def over_stop(self) -> bool:
        return self._est.level_bpm > _unset(self._set.stop_bpm)

    def over_now(self) -> bool:
        return self._est.level_bpm - self._g.limit_bpm > 0.5

    def over_soon(self) -> bool:
        z = NormalDist().inv_cdf(self._fig.certainty)
        if self._g.restarting and not self._mem.walk_run:
            z = max(z, known.RESTART_Z)
        return self._g.foreseen_bpm - self._g.limit_bpm >= z * self._g.foreseen_sd_bpm

    def _quiet_start(self) -> bool:
        return not self._g.warm and self._g.t_s - self._g.began_s < self._lim.warm_up_quiet_s

    def over_ramp(self) -> bool:
        return self.over_soon() and not self._quiet_start()

    def too_steep(self) -> bool:
        if not self._g.warm or self._g.restarting or not self.over_soon():
            return False
        sd = self._est.sd_ahead_bpm(_reach(self._set.response_s, known.HEADING_S))
        return self._g.heading_bpm - self._g.limit_bpm >= known.EASE_BPM + sd

    def turned(self) -> bool:
        return self._g.heading_bpm <= self._g.limit_bpm or self._est.slope_bpm_s <= -0.05

    def calm(self) -> bool:
        return self._g.foreseen_bpm <= self._g.limit_bpm - 1.0

    def under_floor(self) -> bool:
        if not self._g.warm or self._g.restarting:
            return False
        return self._est.level_bpm < self._lim.floor_bpm and self._est.slope_bpm_s <= 0.02

    def walk_due(self) -> bool:
        if self._mem.state is State.EASING:
            began_s: float | None = self._mem.first_ease_s
        else:
            began_s = self._mem.over_since_s
        late = began_s is not None and self._g.t_s - began_s >= self._fig.walk_after_s
        return late and self.over_now() and not self.turned() and not self._quiet_start()

    def walk_run(self) -> bool:
        return self._mem.walk_run

    def eased_in_vain(self) -> bool:
        return self._mem.in_vain + self._g.newest_ease_in_vain() >= known.EASES_IN_VAIN

    def walk_unheeded(self) -> bool:
        if not self._est.level_bpm - self._g.limit_bpm > -self._fig.resume_margin_bpm:
            return False
        return (self._est.slope_bpm_s > known.WALK_SHOWS_BPM_S
                and self._since(Cue.WALK) >= known.WALK_SHOWS_S)

    def may_resume(self) -> bool:
        margin_bpm = self._fig.resume_margin_bpm + (known.WALK_RUN_DEEPER_BPM if self._mem.walk_run else 0.0)
        if not self._est.level_bpm - self._g.limit_bpm <= -margin_bpm:
            return False
        if not (self._est.slope_bpm_s <= 0.03 and self._est.age_s <= 2.0):
            return False
        if not self._g.t_s - self._mem.doubtful_fall_s >= known.DOUBT_LASTS_S:
            return False
        walked_s = self._since(Cue.WALK)
        if walked_s >= known.LONGEST_WALK_S:
            return True
        if self._mem.walk_run:
            full = self._mem.tokens >= self._g.tokens_cap - known.WALK_RUN_SPENT
            return full and walked_s >= known.WALK_RUN_REST_S
        return self._mem.tokens >= 1.0

    def resume_missed(self) -> bool:
        if self._mem.resumes != 1 or not 30.0 <= self._since(Cue.RESUME) <= 90.0:
            return False
        falling = known.DOUBTFUL_FALL_BPM_S < self._est.slope_bpm_s <= -0.05
        fell_bpm = self._mem.resume_from_bpm - self._est.level_bpm
        return falling and self._est.age_s <= 2.0 and 3.0 <= fell_bpm <= known.WALKED_ON_BPM

    def stop_again(self) -> bool:
        return self._since(Cue.STOP) >= 10.0

    def ease_again(self) -> bool:
        told = self._set.gain_bpm_per_m_s is not None
        wait_s = max(self._fig.repeat_s, known.SPEED_SHOWS_S) if told else self._fig.repeat_s
        return self._since(Cue.EASE) >= wait_s

    def walk_again(self) -> bool:
        often = self._mem.unanswered >= known.WALK_SAID
        return self._since(Cue.WALK) >= (known.WALK_AGAIN_S if often else self._fig.repeat_s)

    def pick_up_again(self) -> bool:
        return self._since(Cue.PICK_UP) >= max(self._fig.repeat_s, self._set.response_s)

    def spaced(self) -> bool:
        return self._g.t_s - self._mem.last_cue_s >= self._set.spacing_s

    def free_to_ease(self) -> bool:
        return self._mem.tokens >= 1.0 and not self._lim.free_run and not self._lim.quiet_ease

    def free_to_walk(self) -> bool:
        return self._set.walking and not self._lim.free_run and not self._lim.quiet_walk

    def free_to_resume(self) -> bool:
        return not self._lim.free_run and not self._lim.quiet_walk

    def free_run(self) -> bool:
        return self._lim.free_run

    def warm(self) -> bool:
        return self._g.warm
