"""One step of the decision, for the lanes of a kit: the loop over the table.

`lanes.py` wraps it for thousands of lanes, `lane.py` for the lone one of a session.
"""

from __future__ import annotations

import operator
from collections.abc import Sequence
from functools import cache, reduce
from typing import NamedTuple

from guard.decide.columns import Columns
from guard.decide.constants import (
    ADVISED_OVER_S,
    ADVISED_UNDER_BPM,
    CLIMB_BPM_S,
    FALL_BPM_S,
    FALL_MEMORY_S,
    FELL_BPM,
    NEVER_S,
    WALK_RUN_LASTS_S,
)
from guard.decide.facts import Facts, Memory, Now, doubtful_fall, look
from guard.decide.table import TABLE, Row, To
from guard.events import Cue, Numbers, State
from guard.heart.estimate import INFINITE, NAN, Estimator
from guard.heart.kit import Fact, Kit, Number
from guard.settings import Settings
from guard.signal.watch import Rule, Watch

_STATES = tuple(int(state) for state in State)


# What the words of the watch rest on.
_WATCH_NUMBERS = {
    Cue.STOP: ("level_bpm", "stop_bpm"), Cue.SIGNAL_LOST: ("age_s", "interval_s", "stop_bpm"),
    Cue.SIGNAL_BACK: ("level_bpm",)}


class Known(NamedTuple):
    """What is known of the strap's signal beside the trusted heart rate (see `guard.signal`).

    What is None is told from the arrivals of that heart rate.
    """

    alive: Fact | None = None
    unguarded_s: Number | None = None
    interval_s: Number | None = None
    heard_bpm: Number | None = None
    locked: Fact | None = None


NOTHING_MORE = Known()


class _Asked(NamedTuple):
    """A row of the table as it is asked while only some states are held."""

    place: int  # in the table
    row: Row
    states: tuple[int, ...]  # those it starts from, of the ones held
    when: tuple[tuple[str, bool], ...]  # facts, and what each must be


@cache
def _asked(held: tuple[int, ...]) -> tuple[_Asked, ...]:
    """What can match while lanes hold these states only; a row that dwells is always asked."""
    rows = (_Asked(place, row, tuple(code for code in held if code in row.from_states),
                   tuple((name.removeprefix("~"), name[0] != "~") for name in row.when))
            for place, row in enumerate(TABLE))
    return tuple(asked for asked in rows if asked.states or asked.row.dwell)


class Core:
    """The guards of some lanes; what a number is, the kit says.

    After a step: `state` (codes of `State`), `estimate`, `now` (limit in force,
    foreseen level), `advised_speed_m_s` (NaN where no gain was learned or no
    speed is known), `rule(lane)`, `numbers(lane)` and `again(lane)`.
    """

    def __init__(self, kit: Kit, settings: Sequence[Settings]) -> None:
        for lane, one in enumerate(settings):
            if one.ceiling_bpm is None:
                raise ValueError(f"lane {lane}: ceiling_bpm is None: every lane needs a ceiling")
        self._kit = kit
        self.settings = tuple(settings)
        self.columns = Columns(kit, settings)
        self.estimate = Estimator(kit, self.columns.response_s)
        self.watch = Watch(kit, self.columns.stop_bpm, self.columns.stale_s, self.columns.lost_s)
        self._memory = Memory(kit, self.columns)
        self._t_s: Number = self.columns.lead_s * NAN
        self._never_s: Number = self.columns.lead_s + INFINITE
        self._since_s: dict[str, Number] = {row.name: self._never_s for row in TABLE if row.dwell}
        self._none: Number = kit.column([0] * len(settings))
        self._all: Fact = self._none == 0
        self._fired: Number = self._none - 1
        self._watched: Number = self._none
        self._best_speed: Number = self._t_s
        self._advises = kit.some(self.columns.gain == self.columns.gain)  # any gain was learned
        self.advised_speed_m_s: Number = self._t_s
        self.now: Now | None = None

    @property
    def state(self) -> Number:
        """Code of `State`, one a lane."""
        return self._memory.state

    def _take(
        self, t: Number, bpm: Number, speed: Number | None, grade: Number | None,
        held: Fact, known: Known,
    ) -> Number:
        """One step of checked numbers; returns the code of the cue due, one a lane."""
        k, mem, est, col = self._kit, self._memory, self.estimate, self.columns
        first = self._t_s != self._t_s
        dt = k.where(first, 0.0, t - self._t_s)
        self._t_s = t
        if k.some(first):
            mem.began_s = k.where(first, t, mem.began_s)
        self._watched = watched = self.watch.step(
            t, bpm, held, unguarded_s=known.unguarded_s, interval_s=known.interval_s,
            heard_bpm=known.heard_bpm, locked=known.locked)
        est.step(dt, bpm)
        mem.tokens = k.least(col.tokens_cap, mem.tokens + dt * col.tokens_per_s)
        self._notice_restart(t)
        mem.doubtful_fall_s = k.where(doubtful_fall(est, mem, t), t, mem.doubtful_fall_s)
        alive = bpm == bpm if known.alive is None else known.alive
        now = look(k, est, col, mem, t, held, self.watch.blind, alive)
        self.now = now
        mem.low_heading_bpm = k.least(mem.low_heading_bpm, now.heading_bpm)
        over = est.level_bpm > now.limit_bpm
        mem.over_since_s = k.where(over, k.least(mem.over_since_s, t), INFINITE)
        advises = speed is not None and self._advises
        if advises:
            self._advise(dt, speed, grade)
        cues = self._decide(t, Facts(k, est, col, mem, now), watched)
        if advises and k.some(eased := cues == int(Cue.EASE)):
            self._advise_slower(eased, speed)
        return cues

    def rule(self, lane: int) -> str:
        """What moved lane `lane` in the last step, by name; "" if nothing did."""
        row = self.row(lane)
        if row is not None and row.to is State.NO_SIGNAL:
            return Rule(int(self._kit.at(self.watch.cause, lane))).key
        return "" if row is None else row.name

    def numbers(self, lane: int) -> Numbers:
        """The figures which that rule rests on."""
        row = self.row(lane)
        return self._figures(lane, () if row is None else row.numbers)

    def cue_rule(self, lane: int) -> str:
        """What cued lane `lane` in the last step, by name; "" if nothing did."""
        watched = self._kit.at(self._watched, lane)
        return Rule(int(self._kit.at(self.watch.rule, lane))).key if watched else self.rule(lane)

    def cue_numbers(self, lane: int) -> Numbers:
        """The figures which that rule rests on."""
        watched = self._kit.at(self._watched, lane)
        return self._figures(lane, _WATCH_NUMBERS[Cue(int(watched))]) if watched else self.numbers(lane)

    def _figures(self, lane: int, names: tuple[str, ...]) -> Numbers:
        known = self._numbers(lane) if names else {}
        return Numbers(**{name: _rounded(known[name]) for name in names})

    def again(self, lane: int) -> bool:
        """Whether the last step's cue repeats one that the lane's state follows from."""
        row = self.row(lane)
        return row is not None and row.to == To.SAME and not self._kit.at(self._watched, lane)

    def row(self, lane: int) -> Row | None:
        """The row of the table that fired for `lane` in the last step."""
        fired = self._kit.at(self._fired, lane)
        return None if fired < 0 else TABLE[fired]

    def set_limits(
        self,
        lane: int | slice,
        *,
        ceiling_bpm: float | None = None,
        floor_bpm: float | None = None,
        free_run: bool = False,
        quiet_ease: bool = False,
        quiet_walk: bool = False,
    ) -> None:
        """Move the limits of a lane (or a row of them) in a session: a new part, or the runner's wish."""
        col, put = self.columns, self._kit.put
        if ceiling_bpm is not None:
            col.ceiling_bpm = put(col.ceiling_bpm, lane, float(ceiling_bpm))
        col.floor_bpm = put(col.floor_bpm, lane, NAN if floor_bpm is None else float(floor_bpm))
        col.free_run = put(col.free_run, lane, free_run)
        col.quiet_ease = put(col.quiet_ease, lane, quiet_ease)
        col.quiet_walk = put(col.quiet_walk, lane, quiet_walk)

    def set_stop(self, lane: int | slice, stop_bpm: float | None) -> None:
        """The never-exceed limit of a lane (or a row of them); None: there is none."""
        self.watch.stop_bpm = self.columns.stop_bpm = self._kit.put(
            self.columns.stop_bpm, lane, NAN if stop_bpm is None else float(stop_bpm))

    def set_warm_up(self, lane: int | slice, *, warming: bool) -> None:
        """A plan's part says whether a lane (or a row of them) warms up, and brings its own ramp."""
        col, put = self.columns, self._kit.put
        col.warm_up_s = put(col.warm_up_s, lane, INFINITE if warming else 0.0)
        col.warm_up_ramp_bpm = put(col.warm_up_ramp_bpm, lane, 0.0)
        col.warm_up_quiet_s = put(col.warm_up_quiet_s, lane, 0.0)

    # -- the loop over the table ------------------------------------------

    def _decide(self, t: Number, known: Facts, watched: Number) -> Number:
        k, state, since_s = self._kit, self._memory.state, self._since_s
        held = {code: there for code in _STATES if k.some(there := state == code)}
        starts: dict[tuple[int, ...], Fact] = {(code,): there for code, there in held.items()}
        cues, fired, free = watched, self._none - 1, self._all
        changes: list[tuple[Row, Fact]] = []
        for place, row, states, when in _asked(tuple(held)):
            fires = None
            if states:
                if states not in starts:
                    starts[states] = reduce(operator.or_, (held[code] for code in states))
                fires = starts[states]
                for name, wanted in when:
                    fires = fires & (known[name] if wanted else k.no(known[name]))
                    if not k.some(fires):
                        fires = None
                        break
            if fires is None:
                if row.dwell:
                    since_s[row.name] = self._never_s
                continue
            fires = fires & free
            if row.dwell:
                since_s[row.name] = k.where(fires, k.least(since_s[row.name], t), INFINITE)
                fires = fires & (t - since_s[row.name] >= getattr(self.columns, row.dwell))
            if row.at:
                fires = fires & known[row.at]
            if row.cue is not Cue.NONE:  # one word at a time, and the watch goes first
                fires = fires & self.watch.guarded & (watched == self._none)
            if not k.some(fires):
                continue
            free = free & k.no(fires)
            fired = k.where(fires, place, fired)
            if row.cue is not Cue.NONE:
                cues = k.where(fires, int(row.cue), cues)
            changes.append((row, fires))
        self._fired = fired
        if k.some(said := watched != self._none):
            self._memory.last_cue_s = k.where(said, t, self._memory.last_cue_s)
        for row, fires in changes:
            self._enter(row, fires, t, known)
        return cues

    def _enter(self, row: Row, lanes: Fact, t: Number, known: Facts) -> None:
        """What a lane must remember of the row that fired."""
        k, mem, est = self._kit, self._memory, self.estimate
        assert self.now is not None
        to = row.to
        if to == To.SAME:
            target = mem.state
        elif to == To.BEFORE:
            target = mem.before
        elif to == To.FLOW:
            target = k.where(self.now.warm, int(State.STEADY), int(State.WARMING))
        else:
            assert isinstance(to, State)
            target = int(to)
        if to in (State.NO_SIGNAL, State.HELD):
            mem.before = k.where(lanes & (mem.state != State.NO_SIGNAL), mem.state, mem.before)
        from_state = mem.state
        mem.state = k.where(lanes, target, from_state)
        if to is State.HELD or State.HELD in row.from_states:
            mem.restart_s = k.where(lanes, t, mem.restart_s)  # the runner touched it: a restart follows
            est.expect_change(lanes)
        if row.cue is Cue.NONE:
            return
        mem.unanswered = k.where(lanes, mem.unanswered + 1.0 if to == To.SAME else 0.0, mem.unanswered)
        before_s = mem.cue_s[row.cue]
        vain, useless = known["in_vain"], known["eased_in_vain"]  # as it was before this cue
        mem.cue_s[row.cue] = k.where(lanes, t, before_s)
        mem.last_cue_s = k.where(lanes, t, mem.last_cue_s)
        if row.cue.about.spends:  # walk and resume spend, but are never held back
            mem.tokens = mem.tokens - lanes
        if row.cue is Cue.EASE:
            mem.in_vain = k.where(lanes, k.where(vain, mem.in_vain + 1.0, 0.0), mem.in_vain)
            mem.ease_heading_bpm = k.where(lanes, self.now.heading_bpm, mem.ease_heading_bpm)
            mem.low_heading_bpm = k.where(lanes, INFINITE, mem.low_heading_bpm)
            mem.first_ease_s = k.where(lanes & (from_state != State.EASING), t, mem.first_ease_s)
        elif row.cue is Cue.WALK:
            started = lanes & (from_state != State.WALKING)
            mem.walk_began_s = k.where(started, t, mem.walk_began_s)
            lasts = mem.walk_run & (t - before_s <= WALK_RUN_LASTS_S)
            mem.walk_run = k.where(started, useless | lasts, mem.walk_run)
            mem.walk_from_bpm = k.where(lanes, est.level_bpm, mem.walk_from_bpm)
            mem.in_vain = k.where(lanes, 0.0, mem.in_vain)
            est.expect_change(lanes)
        elif row.cue is Cue.RESUME:
            again = row.to == To.SAME
            mem.resumes = k.where(lanes, 2.0 if again else 1.0, mem.resumes)
            mem.resume_from_bpm = k.where(lanes, est.level_bpm, mem.resume_from_bpm)
            mem.restart_s = k.where(lanes, t, mem.restart_s)
            est.expect_change(lanes)

    # -- what the lanes notice --------------------------------------------

    def _notice_restart(self, t: Number) -> None:
        """A steep fall, and no mere ripple, then a steep climb: lights, a drink, a walk of one's own."""
        k, mem, slope = self._kit, self._memory, self.estimate.slope_bpm_s
        level = self.estimate.level_bpm
        mem.crest_bpm = k.where((slope <= 0.0) & (mem.crest_bpm >= level), mem.crest_bpm, level)
        fell = (slope <= FALL_BPM_S) & (mem.crest_bpm - level >= FELL_BPM)
        mem.fell_s = k.where(fell, t, mem.fell_s)
        starts = (slope >= CLIMB_BPM_S) & (t - mem.fell_s <= FALL_MEMORY_S)
        if k.some(starts):
            mem.restart_s = k.where(starts, t, mem.restart_s)
            mem.fell_s = k.where(starts, NEVER_S, mem.fell_s)

    def _advise(self, dt: Number, speed: Number, grade: Number | None) -> None:
        """Speed that would settle just under the ceiling, from the learned gain.

        Uphill speed counts as level speed times (1 + 4.5 grade), the ratio of
        the slope and level terms of the ACSM running equation.
        """
        k, col, est = self._kit, self.columns, self.estimate
        # Downhill the equation is not meant; no belt falls by more than this.
        hill = 1.0 if grade is None else 1.0 + 4.5 * k.most(k.where(grade == grade, grade, 0.0), -0.1)
        assert self.now is not None
        fast = self.now.restarting | k.no(self.now.warm)
        settles_bpm = est.level_bpm + k.where(fast, col.restart_response_s, col.response_s) * est.slope_bpm_s
        best = speed * hill - (settles_bpm - (col.ceiling_bpm - ADVISED_UNDER_BPM)) / col.gain
        usable = best == best
        known = self._best_speed == self._best_speed
        share = dt / (ADVISED_OVER_S + dt)
        moved = k.where(known, self._best_speed + share * (best - self._best_speed), best)
        self._best_speed = k.where(usable & est.trusted, moved, self._best_speed)
        step = col.belt_step_m_s
        advised = k.floor(self._best_speed / hill / step + 1e-9) * step
        self.advised_speed_m_s = k.where((speed == speed) & (advised > 0.0), advised, NAN)

    def _advise_slower(self, eased: Fact, speed: Number) -> None:
        """Who is told to ease is told a lower speed than the present: one step of the belt at least."""
        k, step = self._kit, self.columns.belt_step_m_s
        below = k.most(k.floor(speed / step - 1.0 + 1e-9), 1.0) * step
        advised = self.advised_speed_m_s
        self.advised_speed_m_s = k.where(eased, k.least(advised, below), advised)

    def _numbers(self, lane: int) -> dict[str, float]:
        assert self.now is not None
        est, col, now, at = self.estimate, self.columns, self.now, self._kit.at
        level = at(self.watch.level_bpm if at(self._watched, lane) else est.level_bpm, lane)
        limit = at(now.limit_bpm, lane)
        return {
            "level_bpm": level, "ceiling_bpm": at(col.ceiling_bpm, lane), "limit_bpm": limit,
            "room_bpm": limit - level, "foreseen_bpm": at(now.foreseen_bpm, lane),
            "ahead_s": at(col.lead_s, lane), "heading_bpm": at(now.heading_bpm, lane),
            "stop_bpm": at(col.stop_bpm, lane), "floor_bpm": at(col.floor_bpm, lane),
            "age_s": at(self.watch.unguarded_s, lane), "interval_s": at(self.watch.interval_s, lane),
        }


def _rounded(value: float) -> float | None:
    """To hundredths, so that whole beats are shown as the screen rounds them; None for what is not known."""
    return round(float(value), 2) if abs(value) < INFINITE else None
