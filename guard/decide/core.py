"""One step of the decision, for the lanes of a kit: watch, belief, rule.

The watch goes first (stop, signal lost and back); then the belief takes the
reading and what is told; then the rule says a pace where the runner is guarded.
`lanes.py` wraps it for thousands of lanes, `lane.py` for the lone one of a session.
"""

from collections.abc import Mapping, Sequence

from guard.cues import NO_NUMBERS, Cue, Numbers
from guard.decide.advice import WALKS_M_S, Advice
from guard.decide.belief import NAN, Belief
from guard.decide.columns import Columns
from guard.decide.effects import EFFECTS, REPEATS, Why
from guard.decide.figures import FIGURES, Figures
from guard.decide.rule import Rule
from guard.events import State
from guard.settings import Settings
from guard.signal.kit import Fact, Kit, Number
from guard.signal.known import Known
from guard.signal.watch import INFINITE, Watch
from guard.signal.watch import WatchRule as Watched

# Every rule by name, and the figures that its word or change of state rests on.
_AHEAD = ("level_bpm", "foreseen_bpm", "ahead_s", "ceiling_bpm", "with_bpm", "without_bpm")
RESTS_ON: Mapping[str, tuple[str, ...]] = {
    Why.EASE.key: _AHEAD, Why.EASE_AGAIN.key: _AHEAD, Why.WARM_UP_EASE.key: (*_AHEAD, "limit_bpm"),
    Why.EASED_IN_VAIN.key: _AHEAD, Why.NO_JOG_WOULD_DO.key: _AHEAD, Why.WALK_SLOWER.key: _AHEAD,
    Why.RESUME.key: ("level_bpm", "room_bpm", "ahead_s", "with_bpm", "without_bpm"),
    Why.RESUME_MISSED.key: ("level_bpm", "room_bpm", "ahead_s", "with_bpm", "without_bpm"),
    Why.PICK_UP.key: ("level_bpm", "floor_bpm", "ahead_s", "with_bpm", "without_bpm"),
    Why.CALM.key: ("foreseen_bpm", "ceiling_bpm"), Why.RUNS_AGAIN.key: ("level_bpm", "ceiling_bpm"),
    Why.WALKS_ON.key: ("level_bpm", "room_bpm"), Why.WARM_UP_OVER.key: (), Why.FREE_RUN.key: (),
    "hold": (), "unhold": (),
    "stop": ("level_bpm", "stop_bpm"), "signal_back": ("level_bpm",), "unfelt": ("level_bpm",),
    "trusted": ("level_bpm",),
    **{why.key: ("age_s", "interval_s", "stop_bpm") for why in (
        Watched.NO_READING, Watched.NOT_TRUSTED, Watched.BY_FEEL, Watched.TOO_SELDOM, Watched.STEP_LOCK)},
}


class Core:
    """The guards of some lanes; what a number is, the kit says.

    After a step: `state` (codes of `State`), `belief`, `limit_bpm` (the ceiling
    in force, or the warm-up's ramp), `advised_speed_m_s` (NaN where none is in
    force), `rule(lane)`, `numbers(lane)` and `again(lane)`.
    """

    def __init__(self, kit: Kit, settings: Sequence[Settings], figures: Figures = FIGURES) -> None:
        for lane, one in enumerate(settings):
            if one.ceiling_bpm is None:
                raise ValueError(f"lane {lane}: ceiling_bpm is None: every lane needs a ceiling")
        self._kit, self.figures = kit, figures
        self.settings = tuple(settings)
        self.columns = col = Columns(kit, figures, settings)
        self.watch = Watch(kit, col.stop_bpm, col.stale_s, col.lost_s)
        self.belief = Belief(kit, figures, col.response_s, col.ceiling_bpm)
        self._rule = Rule(kit, figures, col, self.belief)
        self._advice = Advice(kit, col)
        self._advises = kit.some(col.gain == col.gain)
        self._tells = False  # speed or cadence, at least once
        zero = col.ceiling_bpm * 0.0
        self._none: Number = kit.column([0] * len(settings))
        self.t_s, self._began_s = zero + NAN, zero
        self._held: Fact = zero != zero
        self._watched = self._none
        self._was: Number = self._none + int(State.WARMING)
        self.state: Number = self._was

    def take(
        self, t: Number, bpm: Number, speed: Number | None, grade: Number | None, cadence: Number | None,
        held: Fact, known: Known, load: tuple[Number, Number] | None = None,
    ) -> Number:
        """One step of checked numbers; returns the code of the cue due, one a lane."""
        k, rule, belief, watch = self._kit, self._rule, self.belief, self.watch
        where, no = k.where, k.no
        first = self.t_s != self.t_s
        dt = where(first, 0.0, t - self.t_s)
        self.t_s, self._began_s = t, where(first, t, self._began_s)
        self._watched = watched = watch.step(
            t, bpm, held, unguarded_s=known.unguarded_s, interval_s=known.interval_s,
            heard_bpm=known.heard_bpm, locked=known.locked, unfelt=known.unfelt)
        touched = held | self._held
        if k.some(touched):
            belief.expect_anything(touched)
            rule.pause(t, touched)
        gait = idle = None
        comes = None if load is None else self._advice.load(*load)
        self._tells = self._tells or speed is not None or cadence is not None
        if self._tells:
            pace = t * NAN if speed is None else speed
            moved, var = self._advice.take(dt, pace, grade)
            belief.step(t, dt, bpm, watch.interval_s, moved, var, self._advice.told, comes,
                        self._advice.known)
            gait = self._advice.gait(pace, cadence)
            idle = (gait <= 0.0) & (pace <= WALKS_M_S)
        else:
            belief.step(t, dt, bpm, watch.interval_s, load=comes)
        alive = bpm == bpm if known.alive is None else known.alive
        since_s = t - self._began_s
        rule.step(t, dt, since_s, watch.guarded & no(held), watched == 0, alive & belief.fresh, gait,
                  idle)
        said = watched != 0
        if k.some(said):
            rule.last_s = where(said, t, rule.last_s)
        cues = where(said, watched, rule.cue)
        if speed is not None and self._advises:
            self._advice.say(cues, speed, belief, since_s >= self.columns.warm_up_s)
        self._held = held
        self._was = self.state
        going = where(rule.easing, int(State.EASING), where(
            since_s >= self.columns.warm_up_s, int(State.STEADY), int(State.WARMING)))
        self.state = where(held, int(State.HELD), where(watch.blind, int(State.NO_SIGNAL), where(
            rule.walking, int(State.WALKING), going)))
        return cues

    # -- what it holds and why -------------------------------------------------

    @property
    def advised_speed_m_s(self) -> Number:
        """The speed advised with the newest cue that asks for one; NaN where none is in force."""
        return self._advice.speed_m_s

    @property
    def limit_bpm(self) -> Number:
        """The ceiling in force, or the warm-up's ramp."""
        return self._rule.limit_bpm

    @property
    def resume_bpm(self) -> Number:
        """Down from here he may run again; see `Rule`."""
        return self._rule.resume_bpm

    @property
    def told_to_run(self) -> Fact:
        """Who has been told that he may run and still walks, as far as is known."""
        return self._rule.told_to_run

    def known(self, lane: int) -> bool:
        """Whether anything is believed of the level."""
        level = self._kit.at(self.belief.level_bpm, lane)
        return bool(level == level)

    def rule(self, lane: int) -> str:
        """What moved or cued lane `lane` in the last step, by name; "" if nothing did."""
        at = self._kit.at
        now, was = int(at(self.state, lane)), int(at(self._was, lane))
        if now == was:
            return self._why(lane)
        if now == State.HELD:
            return "hold"
        if was == State.HELD:
            return "unhold"
        if now == State.NO_SIGNAL:
            return Watched(int(at(self.watch.cause, lane))).key
        return "trusted" if was == State.NO_SIGNAL else self._why(lane)

    def _why(self, lane: int) -> str:
        why = int(self._kit.at(self._rule.why, lane))
        return Why(why).key if why else ""

    def numbers(self, lane: int) -> Numbers:
        """The figures which that rule rests on."""
        return self._figures(lane, self.rule(lane))

    def cue_rule(self, lane: int) -> str:
        """What cued lane `lane` in the last step, by name; "" if nothing did."""
        watched = self._kit.at(self._watched, lane)
        return Watched(int(self._kit.at(self.watch.rule, lane))).key if watched else self._why(lane)

    def cue_numbers(self, lane: int) -> Numbers:
        """The figures which that rule rests on."""
        return self._figures(lane, self.cue_rule(lane))

    def again(self, lane: int) -> bool:
        """Whether the last step's cue repeats one that the lane's state follows from."""
        at = self._kit.at
        return not at(self._watched, lane) and int(at(self._rule.why, lane)) in REPEATS

    def _figures(self, lane: int, rule: str) -> Numbers:
        names = RESTS_ON.get(rule, ())
        if not names:
            return NO_NUMBERS
        at, belief, watch, col = self._kit.at, self.belief, self.watch, self.columns
        level = at(watch.level_bpm if at(self._watched, lane) else belief.shown_bpm, lane)
        ceiling = at(col.ceiling_bpm, lane)
        cue = Cue(int(at(self._rule.cue, lane)))
        pending = at(belief.pending_bpm, lane)
        heeded, unheeded = at(belief.foresee(belief.pending_bpm), lane), NAN
        if cue is Cue.RESUME:
            heeded, unheeded = level + at(self._rule.rise_bpm, lane), heeded
        elif cue in EFFECTS:
            before = where_before(cue, pending)
            unheeded = at(belief.foresee(belief.pending_bpm * 0.0 + before), lane)
        values = {
            "level_bpm": level, "ceiling_bpm": ceiling, "limit_bpm": at(self.limit_bpm, lane),
            "room_bpm": ceiling - level, "foreseen_bpm": unheeded if cue in EFFECTS else heeded,
            "with_bpm": heeded, "without_bpm": unheeded,
            "ahead_s": 60.0 if cue is Cue.RESUME else self.figures.ahead_s,
            "stop_bpm": at(watch.stop_bpm, lane), "floor_bpm": at(col.floor_bpm, lane),
            "age_s": at(watch.unguarded_s, lane), "interval_s": at(watch.interval_s, lane)}
        return Numbers(**{name: _rounded(values[name]) for name in names})

    # -- limits ------------------------------------------------------------------

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
        col, put, mark = self.columns, self._kit.put, self._kit.mark
        if ceiling_bpm is not None:
            col.ceiling_bpm = put(col.ceiling_bpm, lane, float(ceiling_bpm))
        col.floor_bpm = put(col.floor_bpm, lane, NAN if floor_bpm is None else float(floor_bpm))
        col.free_run = mark(col.free_run, lane, free_run)
        col.quiet_ease = mark(col.quiet_ease, lane, quiet_ease)
        col.quiet_walk = mark(col.quiet_walk, lane, quiet_walk)

    def spoke(self, lane: int | slice, t_s: float) -> None:
        """Something else was said to a lane (or a row of them) at `t_s`: pace cues keep their distance."""
        self._rule.last_s = self._kit.put(self._rule.last_s, lane, t_s)

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


def where_before(cue: Cue, pending_bpm: float) -> float:
    """The fall on its way before this cue was given, as far as it is known."""
    return pending_bpm - EFFECTS[cue].fall_bpm if cue is Cue.EASE else 0.0


def _rounded(value: float) -> float | None:
    """To hundredths, so that whole beats are shown as the screen rounds them; None for what is not known."""
    return round(float(value), 2) if abs(value) < INFINITE else None
