"""The decision core: n independent lanes stepped together.

The live guard is one lane; tuning and the benchmark are thousands. For
coupling a runner model of your own::

    lanes = Lanes(Settings(ceiling_bpm=139), n=500)
    cues = lanes.step(t_s, bpm)          # arrays of 500; NaN where nothing came
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from guard.decide.facts import (
    CLIMB_BPM_S,
    EASES_IN_VAIN,
    FALL_BPM_S,
    FALL_MEMORY_S,
    NEVER_S,
    WALK_RUN_LASTS_S,
    Columns,
    Facts,
    Memory,
    Now,
    in_vain,
    look,
)
from guard.decide.table import TABLE, Row, To
from guard.events import Cue, State
from guard.heart.estimate import DOUBTS, Bools, Estimator, Floats, some
from guard.settings import Settings

_SPENDS = (Cue.EASE, Cue.WALK, Cue.RESUME, Cue.PICK_UP)  # walk and resume spend, but are never held back
_STATES = tuple(int(state) for state in State)


class Lanes:
    """`n` guards stepped as one; every array has shape (n,).

    `settings` is one Settings for all lanes or a sequence of n; each needs a
    `ceiling_bpm`. After `step`: `state` (codes of `State`), `estimate`,
    `advised_speed_m_s` (NaN where no gain was learned or no speed is known),
    `now` (limit in force, foreseen level) and `reason(i)`.
    """

    def __init__(self, settings: Settings | Sequence[Settings], n: int | None = None) -> None:
        if isinstance(settings, Settings):
            settings = [settings] * (1 if n is None else n)
        if n is not None and len(settings) != n:
            raise ValueError(f"{len(settings)} settings for {n} lanes: give one, or one a lane")
        if not settings:
            raise ValueError("0 lanes: give at least one")
        for lane, one in enumerate(settings):
            if one.ceiling_bpm is None:
                raise ValueError(f"lane {lane}: ceiling_bpm is None: every lane needs a ceiling")
        self.n = len(settings)
        self.settings = tuple(settings)
        self.columns = Columns(settings)
        self.estimate = Estimator(self.columns.response_s)
        self._memory = Memory(self.n, self.columns)
        self._t_s: Floats = np.full(self.n, np.nan)
        self._since_s = {row.name: np.full(self.n, np.inf) for row in TABLE if row.dwell}
        self._fired = np.full(self.n, -1)
        self._nobody: Bools = np.zeros(self.n, bool)
        self._best_speed: Floats = np.full(self.n, np.nan)
        self.advised_speed_m_s: Floats = np.full(self.n, np.nan)
        self.now: Now | None = None

    @property
    def state(self) -> NDArray[np.int64]:
        """Codes of `State`, shape (n,)."""
        return self._memory.state

    def step(
        self,
        t_s: ArrayLike,
        bpm: ArrayLike,
        *,
        speed_m_s: ArrayLike | None = None,
        grade: ArrayLike | None = None,
        cadence_spm: ArrayLike | None = None,
        held: ArrayLike | None = None,
    ) -> NDArray[np.int64]:
        """Take what arrived at `t_s` (each lane's own time, strictly increasing).

        `bpm` is NaN where no reading arrived (0 counts as none). Returns codes
        of `Cue`, at most one a lane: the highest priority due, the others stay
        due. Raises ValueError naming lane and value.
        """
        t = self._checked_time(t_s)
        readings = self._checked_bpm(bpm)
        hold = self._nobody if held is None else np.broadcast_to(np.asarray(held, bool), (self.n,))
        cadence = None if cadence_spm is None else self._floats("cadence_spm", cadence_spm)
        mem, est, col = self._memory, self.estimate, self.columns

        first = self._t_s != self._t_s
        dt = np.where(first, 0.0, t - self._t_s)
        self._t_s = t
        if some(first):
            mem.began_s = np.where(first, t, mem.began_s)
        est.step(t, dt, readings, cadence)
        mem.tokens = np.minimum(col.tokens_cap, mem.tokens + dt * col.tokens_per_s)
        self._notice_restart(t)
        now = look(est, col, mem, t, hold)
        self.now = now
        mem.low_heading_bpm = np.minimum(mem.low_heading_bpm, now.heading_bpm)
        over = est.level_bpm > now.limit_bpm
        mem.over_since_s = np.where(over, np.minimum(mem.over_since_s, t), np.inf)
        if speed_m_s is not None:
            self._advise(dt, self._floats("speed_m_s", speed_m_s),
                         None if grade is None else self._floats("grade", grade))
        return self._decide(t, Facts(est, col, mem, now))

    def reason(self, lane: int) -> str:
        """Why lane `lane` changed state or was cued in the last step; "" if it was not."""
        row = int(self._fired[lane])
        return "" if row < 0 else TABLE[row].reason.format(**self._numbers(lane))

    def row(self, lane: int) -> Row | None:
        """The row of the table that fired for `lane` in the last step."""
        fired = int(self._fired[lane])
        return None if fired < 0 else TABLE[fired]

    def doubt(self, lane: int) -> str:
        """Why the reading of the last step was not believed; "" if it was."""
        return DOUBTS[int(self.estimate.doubt[lane])]

    def set_limits(
        self,
        lane: int,
        *,
        ceiling_bpm: float | None = None,
        floor_bpm: float | None = None,
        free_run: bool = False,
        quiet_ease: bool = False,
        quiet_walk: bool = False,
    ) -> None:
        """Move one lane's limits during a session: a new part, or the runner's wish."""
        col = self.columns
        if ceiling_bpm is not None:
            col.ceiling_bpm[lane] = ceiling_bpm
        col.floor_bpm[lane] = np.nan if floor_bpm is None else floor_bpm
        col.free_run[lane], col.quiet_ease[lane], col.quiet_walk[lane] = free_run, quiet_ease, quiet_walk

    def set_warm_up(self, lane: int, *, warming: bool) -> None:
        """A plan's part says whether this lane warms up, and brings its own ramp."""
        self.columns.warm_up_s[lane] = np.inf if warming else 0.0
        self.columns.warm_up_ramp_bpm[lane] = 0.0
        self.columns.warm_up_quiet_s[lane] = 0.0

    # -- the loop over the table ------------------------------------------

    def _decide(self, t: Floats, known: Facts) -> NDArray[np.int64]:
        mem = self._memory
        state = mem.state
        in_state = {code: there for code in _STATES if some(there := state == code)}
        cues = np.zeros(self.n, np.int64)
        self._fired.fill(-1)
        free: Bools = np.ones(self.n, bool)
        changes: list[tuple[int, Row, Bools]] = []
        for index, row in enumerate(TABLE):
            fires = self._matches(row, in_state, known, free)
            if row.dwell:
                since = self._since_s[row.name]
                since[...] = np.inf if fires is None else np.where(fires, np.minimum(since, t), np.inf)
                if fires is not None:
                    fires = fires & (t - since >= getattr(self.columns, row.dwell))
            if fires is None or not some(fires):
                continue
            free = free & ~fires
            self._fired[fires] = index
            cues[fires] = int(row.cue)
            changes.append((index, row, fires))
        for _, row, fires in changes:
            self._enter(row, fires, t)
        return cues

    @staticmethod
    def _matches(
        row: Row, in_state: dict[int, Bools], known: Facts, free: Bools
    ) -> Bools | None:
        fires: Bools | None = None
        for one in row.from_states:
            there = in_state.get(int(one))
            if there is not None:
                fires = there if fires is None else fires | there
        if fires is None:
            return None
        for name in row.when:
            fires = fires & ~known[name[1:]] if name[0] == "~" else fires & known[name]
            if not some(fires):
                return None
        return fires & free

    def _enter(self, row: Row, lanes: Bools, t: Floats) -> None:
        """What a lane must remember of the row that fired."""
        mem, est = self._memory, self.estimate
        assert self.now is not None
        to = row.to
        if to == To.SAME:
            target = mem.state
        elif to == To.BEFORE:
            target = mem.before
        elif to == To.FLOW:
            flow = int(State.STEADY)
            target = np.where(self.now.warm, flow, int(State.WARMING))
        else:
            assert isinstance(to, State)
            target = np.full(self.n, int(to))
        if to in (State.NO_SIGNAL, State.HELD):
            mem.before = np.where(lanes & (mem.state != State.NO_SIGNAL), mem.state, mem.before)
        from_state = mem.state
        mem.state = np.where(lanes, target, from_state)
        if row.name in ("hold", "unhold"):
            # The runner touched it: a restart follows, and a slip may be mended.
            mem.restart_s = np.where(lanes, t, mem.restart_s)
            est.forget_slip(lanes)
            est.expect_change(lanes)
        if row.name == "unlikely recovery":
            est.mark_slipped(lanes, t, mem.walk_from_bpm)
        if row.cue is Cue.NONE:
            if row.name == "signal blinked":
                mem.loss_said &= ~lanes
            return
        mem.unanswered = np.where(lanes, mem.unanswered + 1.0 if to == To.SAME else 0.0, mem.unanswered)
        before_s = mem.cue_s[row.cue]
        vain = in_vain(mem, t)
        mem.cue_s[row.cue] = np.where(lanes, t, before_s)
        mem.last_cue_s = np.where(lanes, t, mem.last_cue_s)
        if row.cue in _SPENDS:
            mem.tokens = mem.tokens - lanes
        if row.cue is Cue.EASE:
            mem.in_vain = np.where(lanes, np.where(vain, mem.in_vain + 1.0, 0.0), mem.in_vain)
            mem.ease_heading_bpm = np.where(lanes, self.now.heading_bpm, mem.ease_heading_bpm)
            mem.low_heading_bpm = np.where(lanes, np.inf, mem.low_heading_bpm)
            mem.first_ease_s = np.where(lanes & (from_state != State.EASING), t, mem.first_ease_s)
        elif row.cue is Cue.WALK:
            started = lanes & (from_state != State.WALKING)
            useless = mem.in_vain + vain >= EASES_IN_VAIN
            lasts = mem.walk_run & (t - before_s <= WALK_RUN_LASTS_S)
            mem.walk_run = np.where(started, useless | lasts, mem.walk_run)
            mem.walk_from_bpm = np.where(lanes, est.level_bpm, mem.walk_from_bpm)
            mem.in_vain = np.where(lanes, 0.0, mem.in_vain)
            est.expect_change(lanes)
        elif row.cue is Cue.RESUME:
            again = row.to == To.SAME
            mem.resumes = np.where(lanes, 2.0 if again else 1.0, mem.resumes)
            mem.resume_from_bpm = np.where(lanes, est.level_bpm, mem.resume_from_bpm)
            mem.restart_s = np.where(lanes, t, mem.restart_s)
            est.expect_change(lanes)
        elif row.cue is Cue.SIGNAL_LOST:
            mem.loss_said |= lanes
            mem.slip_from_bpm = np.where(lanes, est.level_bpm, mem.slip_from_bpm)
        elif row.cue is Cue.SIGNAL_BACK:
            mem.loss_said &= ~lanes

    # -- what the lanes notice --------------------------------------------

    def _notice_restart(self, t: Floats) -> None:
        """A steep fall, then a steep climb: lights, a drink, a walk of one's own."""
        mem, slope = self._memory, self.estimate.slope_bpm_s
        mem.fell_s = np.where(slope <= FALL_BPM_S, t, mem.fell_s)
        starts = (slope >= CLIMB_BPM_S) & (t - mem.fell_s <= FALL_MEMORY_S)
        if some(starts):
            mem.restart_s = np.where(starts, t, mem.restart_s)
            mem.fell_s = np.where(starts, NEVER_S, mem.fell_s)

    def _advise(self, dt: Floats, speed: Floats, grade: Floats | None) -> None:
        """Speed that would settle just under the ceiling, from the learned gain.

        Uphill speed counts as level speed times (1 + 4.5 grade), the ratio of
        the slope and level terms of the ACSM running equation.
        """
        col, est = self.columns, self.estimate
        hill = 1.0 if grade is None else 1.0 + 4.5 * np.where(grade == grade, grade, 0.0)
        assert self.now is not None
        fast = self.now.restarting | ~self.now.warm
        settles_bpm = est.level_bpm + np.where(fast, col.restart_response_s, col.response_s) * est.slope_bpm_s
        best = speed * hill - (settles_bpm - (col.ceiling_bpm - 1.5)) / col.gain
        usable = best == best
        known = self._best_speed == self._best_speed
        share = dt / (30.0 + dt)
        moved = np.where(known, self._best_speed + share * (best - self._best_speed), best)
        self._best_speed = np.where(usable & est.trusted, moved, self._best_speed)
        step = col.belt_step_m_s
        advised = np.floor(self._best_speed / hill / step + 1e-9) * step
        self.advised_speed_m_s = np.where((speed == speed) & (advised > 0.0), advised, np.nan)

    def _numbers(self, lane: int) -> dict[str, str]:
        assert self.now is not None
        est, col, now = self.estimate, self.columns, self.now
        level = float(est.level_bpm[lane])
        limit = float(now.limit_bpm[lane])
        return {
            "level": f"{level:.0f}", "ceiling": f"{col.ceiling_bpm[lane]:.0f}",
            "limit": f"{limit:.0f}", "room": f"{limit - level:.0f}",
            "foreseen": f"{now.foreseen_bpm[lane]:.0f}", "lead": f"{col.lead_s[lane]:.0f}",
            "heading": f"{now.heading_bpm[lane]:.0f}", "stop": f"{col.stop_bpm[lane]:.0f}",
            "floor": f"{col.floor_bpm[lane]:.0f}", "age": f"{est.age_s[lane]:.0f}",
            "slip_from": f"{self._memory.slip_from_bpm[lane]:.0f}",
        }

    # -- what comes in ------------------------------------------------------

    def _floats(self, name: str, values: ArrayLike) -> Floats:
        array = np.asarray(values, float)
        if array.shape == (self.n,):
            return array
        if array.shape == ():
            return np.full(self.n, float(array))
        raise ValueError(f"{name} has shape {array.shape}, but must have one value a lane, {self.n}")

    def _checked_time(self, t_s: ArrayLike) -> Floats:
        t = self._floats("t_s", t_s).copy()
        ahead = (t > self._t_s) | (self._t_s != self._t_s)
        good = ahead & np.isfinite(t)
        if some(~good):
            lane = int(np.flatnonzero(~good)[0])
            raise ValueError(
                f"lane {lane}: t_s is {t[lane]:g} after {self._t_s[lane]:g}: it must be finite and increase")
        return t

    def _checked_bpm(self, bpm: ArrayLike) -> Floats:
        readings = self._floats("bpm", bpm)
        wrong = (readings < 0.0) | np.isinf(readings)
        if some(wrong):
            lane = int(np.flatnonzero(wrong)[0])
            raise ValueError(
                f"lane {lane}: bpm is {readings[lane]:g}: give a rate of 0 or more, or NaN for none")
        none = readings == 0.0
        if some(none):
            readings = np.where(none, np.nan, readings)
        return readings
