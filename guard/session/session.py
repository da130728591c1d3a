"""One session: inputs in order, decisions out. The same code live and on replay.

Pure: told the time by its events and by `advance`. Timeouts are looked at on a
fixed grid wherever no reading came for a second, so a log fed back gives the
same decisions at the same times.
"""

import math
from collections import deque
from dataclasses import replace

from guard import events as ev
from guard.decide.lane import Lane
from guard.errors import UsageError
from guard.plan.plan import Cued, Limits, Plan, Progress
from guard.session.road import NO_LOAD, Road
from guard.session.rules import LowBattery, in_force, part_cue
from guard.session.speeds import Speeds, origin
from guard.session.step import LimitsTold, Observer, Step
from guard.session.tally import Tally
from guard.settings import Settings, checked_number
from guard.signal.trust import NO_READING, Judged, Trust

GRID_S = 0.25  # a binary fraction, so that points of the grid are exact
QUIET_S = 1.0  # between looks while readings come
LONG_SILENT_S = 600.0  # without any
LONG_SILENT_LOOK_S = 30.0  # then nothing is due sooner
TRACE_S = 300.0  # that the screen draws
ASKED_S = 60.0  # a speed asked for longer ago than this is advised no more
_NAN = math.nan
_ENDS = {"interrupted": "interrupted", "ended": "source_ended"}  # what came with the quit: the rule


class Session:
    """Feeds one lane and keeps what a log, a screen and a summary need.

    `settings.ceiling_bpm` must be set (UsageError otherwise). Call
    `admit(event)` to stamp an event as it will be taken, `feed` to take it.
    `observer` is told every step of the decision and changes nothing.
    """

    def __init__(
        self, settings: Settings, plan: Plan | None = None, observer: Observer | None = None
    ) -> None:
        if settings.ceiling_bpm is None:
            raise UsageError(
                "there is no ceiling yet: give --ceiling BPM "
                "(`guard settings ceiling_bpm` says how to find yours)")
        self.settings = settings
        self.plan = plan
        self._observer = observer
        self._lane = Lane(settings)
        self._trust = Trust()
        self._tally = Tally()
        self._progress = Progress(plan) if plan else None
        self._road = Road(self._progress, belt=settings.belt)
        self._part = -1
        self._t_s = 0.0
        self._stepped_s: float | None = None
        self._silent = True
        self._eventful_s = 0.0
        self._ceiling_bpm = float(settings.ceiling_bpm)
        self._state = ev.State.WARMING
        self._state_since_s = 0.0
        self._held = self._muted = self._free_run = self._done = False
        self._speeds = Speeds()
        self._belt = False
        self._reading: ev.Reading | None = None
        self._link: ev.Link | None = None
        self._battery = LowBattery(settings.battery_low_percent)
        self._sound = ""
        self._last_cue: ev.CueGiven | None = None
        self._said_s: float | None = None  # since the last step, by others than the lane
        self._run = 0
        self._trace: deque[tuple[float, float, float]] = deque()

    def admit(self, event: ev.Input) -> ev.Input:
        """The event with the time it will be taken at: whole ms, never going back."""
        t_s = max(round(event.t_s, 3), self._t_s)
        stepped_s = -1.0 if self._stepped_s is None else self._stepped_s
        # What follows a look at the clock must not seem to precede it: replay would take it first.
        if t_s <= stepped_s and (self._silent or isinstance(event, (ev.Reading, ev.Command, ev.Mark))):
            t_s = round(stepped_s + 0.001, 3)
        return event if t_s == event.t_s else replace(event, t_s=t_s)

    def feed(self, event: ev.Input) -> list[ev.Output]:
        """Advance to the event, take it, and return what follows from both."""
        event = self.admit(event)
        outputs = self.advance(event.t_s)
        if self._done:
            return outputs
        self._t_s = event.t_s
        if isinstance(event, ev.Reading):
            outputs += self._take_reading(event)
        elif isinstance(event, ev.Speed):
            self._speeds.take(event)
        elif isinstance(event, ev.SpeedLink):
            # Whoever runs on a belt needs its words, also when its link has gone.
            self._belt |= event.device == ev.TREADMILL and event.state is ev.LinkState.CONNECTED
        elif isinstance(event, ev.Battery):
            outputs += [self._say(given) for given in self._battery.take(event)]
        elif isinstance(event, (ev.Command, ev.Mark)):
            before_s = (math.ceil(event.t_s / GRID_S) - 1) * GRID_S
            if self._long_silent() and before_s > (self._stepped_s or 0.0):  # all as it was until now
                outputs += self._step(before_s)
            self._eventful_s = event.t_s
            if isinstance(event, ev.Command):
                outputs += self._take_command(event)
        elif isinstance(event, ev.Link):
            self._link = event
        elif isinstance(event, ev.SoundHealth):
            self._sound = event.backend
        return outputs

    def advance(self, t_s: float) -> list[ev.Output]:
        """Look at timeouts on the grid up to, not including, `t_s`."""
        outputs: list[ev.Output] = []
        if self._done:
            return outputs
        while (due_s := self._next_look_s()) < t_s:
            outputs += self._step(due_s)
        self._t_s = max(self._t_s, round(t_s, 3))
        return outputs

    def _next_look_s(self) -> float:
        """The first point of the grid a second after a reading; in silence every point, in a long one few."""
        if self._stepped_s is None:
            return GRID_S
        wait_s = GRID_S if self._silent else QUIET_S
        if self._long_silent():  # by time alone come the plan's next part and "signal lost" again
            wait_s = LONG_SILENT_LOOK_S
            watch = self._lane.watch
            if watch.loss_said and not self._held:
                wait_s = max(GRID_S, min(wait_s, watch.again_at_s - self._stepped_s))
            if self._progress and not self._held and not (place := self._progress.place()).done:
                wait_s = max(GRID_S, min(wait_s, place.left_s))
        return math.ceil((self._stepped_s + wait_s) / GRID_S - 1e-6) * GRID_S

    def _long_silent(self) -> bool:
        return self._stepped_s is not None and self._stepped_s - self._eventful_s >= LONG_SILENT_S

    def _take_reading(self, reading: ev.Reading) -> list[ev.Output]:
        self._reading = reading
        speed = self._speeds.known(reading.t_s)
        cadence_spm = speed.cadence_spm if speed else None
        judged = self._trust.take(reading.t_s, reading, _NAN if cadence_spm is None else cadence_spm)
        outputs = self._step(reading.t_s, judged)
        if judged.doubt:
            outputs.append(ev.ReadingDoubted(reading.t_s, judged.doubt))
        if judged.bpm == judged.bpm:
            self._trace.append((reading.t_s, judged.bpm, self._lane.columns.ceiling_bpm))
            while self._trace and self._trace[0][0] < reading.t_s - TRACE_S:
                self._trace.popleft()
        return outputs

    def _take_command(self, command: ev.Command) -> list[ev.Output]:
        action, value = command.action, command.value
        if action is ev.Action.PAUSE:
            self._held = True
        elif action is ev.Action.CONTINUE:
            if self._held:
                self._trust.restart(command.t_s)
            self._held = False
        elif action in (ev.Action.MUTE, ev.Action.UNMUTE):
            self._muted = action is ev.Action.MUTE
            return []
        elif action is ev.Action.CEILING and isinstance(value, (int, float)):
            self._ceiling_bpm = checked_number("ceiling_bpm", value)
        elif action is ev.Action.FREE_RUN:
            self._free_run = bool(value)
        elif action is ev.Action.SKIP_PART and self._progress:
            self._progress.skip()
        elif action is ev.Action.QUIT:
            outputs = self._step(command.t_s)
            self._done = True
            rule = _ENDS.get(str(value), "quit")
            return [*outputs, *self._moved_to(ev.State.DONE, command.t_s, rule, ev.NO_NUMBERS)]
        else:
            return []
        return self._step(command.t_s)

    def _step(self, t_s: float, judged: Judged = NO_READING) -> list[ev.Output]:
        dt_s = t_s - (self._stepped_s or 0.0)
        self._stepped_s = t_s
        self._silent = judged.bpm != judged.bpm
        self._eventful_s = self._eventful_s if self._silent else t_s
        speed = self._speeds.known(t_s)
        speed_m_s = None if speed is None or self._held else speed.speed_m_s
        outputs = self._follow_plan(t_s, self._tally.distance_m if speed_m_s is not None else None)
        limits = self._limits()
        self._lane.set_limits(0, **limits._asdict())
        speed = self._road.graded(speed)
        load = self._road.load(speed, self._ceiling_bpm, held=self._held)
        lane, known, told = self._lane, self._trust.known(t_s, judged), speed or ev.Speed(t_s)
        cue = lane.step(
            t_s, judged.bpm, speed_m_s=told.speed_m_s, grade=told.grade, cadence_spm=told.cadence_spm,
            held=self._held, known=known, load=load)
        state = ev.State(int(lane.state))
        signal = lane.known(0) and state is not ev.State.NO_SIGNAL
        over = float(round(lane.belief.shown_bpm) - round(lane.columns.ceiling_bpm)) if signal else None
        self._tally.count_time(
            dt_s, held=self._held, counts=self._counts(), over_bpm=over, speed_m_s=speed_m_s)
        if state is not self._state:
            outputs += self._moved_to(state, t_s, lane.rule(0), lane.numbers(0))
        if cue is not ev.Cue.NONE:
            outputs.append(self._given(ev.CueGiven(
                t_s, cue, lane.cue_rule(0), lane.cue_numbers(0),
                _or_none(lane.advised_speed_m_s) if cue.about.advises else None,
                self._repeat(cue), self._belt)))
        if self._observer:
            self._observer(Step(
                t_s, dt_s, judged.bpm, known, lane.belief.shown_bpm if signal else _NAN, speed, self._held,
                self._counts(), self._said_s, self._part,
                self._progress.warming if self._progress else None, limits, lane.limit_bpm, load or NO_LOAD))
        self._said_s = None
        return outputs

    def _follow_plan(self, t_s: float, distance_m: float | None) -> list[ev.Output]:
        outputs: list[ev.Output] = []
        if self._progress:
            place = self._progress.advance(t_s, distance_m, held=self._held)
            index = place.index + (1 if place.done else 0)
            if index != self._part:
                if index > 0:
                    outputs.append(self._say(part_cue(t_s, self._progress, self._ceiling_bpm)))
                self._part = index
                self._lane.set_warm_up(0, warming=self._progress.warming)
        return outputs

    def _limits(self) -> LimitsTold:
        own = (self._progress.limits(self._ceiling_bpm) if self._progress
               else Limits(self._ceiling_bpm, self.settings.floor_bpm, Cued.ALL))
        return LimitsTold(
            *in_force(own.ceiling_bpm, own.floor_bpm, self.settings.stop_bpm), self._free_run,
            quiet_ease=not ev.Cue.EASE.let_out(own.cued), quiet_walk=not ev.Cue.WALK.let_out(own.cued))

    def _counts(self) -> bool:
        """Whether being over the ceiling means anything now (a part may be left to the runner)."""
        return self._progress is None or self._progress.counts

    def _moved_to(self, state: ev.State, t_s: float, rule: str, numbers: ev.Numbers) -> list[ev.Output]:
        self._state, self._state_since_s = state, t_s
        return [ev.StateChanged(t_s, state, rule, numbers)]

    def _say(self, given: ev.CueGiven) -> ev.CueGiven:
        self._said_s = given.t_s
        self._lane.spoke(0, given.t_s)
        return self._given(given)

    def _given(self, given: ev.CueGiven) -> ev.CueGiven:
        self._last_cue = given
        self._tally.count_cue(given.cue)
        return given

    def _repeat(self, cue: ev.Cue) -> int:
        self._run = self._run + 1 if cue.about.escalates and self._lane.again(0) else 0
        return self._run

    def summary(self) -> ev.Summary:
        """Totals so far."""
        return self._tally.summary()

    def snapshot(self) -> ev.Snapshot:
        """All a screen needs, at the time of the newest event or advance."""
        lane, belief = self._lane, self._lane.belief
        level = foreseen = chance = slope = None
        given, progress = self._last_cue, self._progress
        own_ceiling_bpm = progress.own_ceiling_bpm(self._ceiling_bpm) if progress else self._ceiling_bpm
        held = self._state is ev.State.HELD
        limit = own_ceiling_bpm if held else self._lane.limit_bpm  # no ramp in a pause
        if lane.known(0) and self._state is not ev.State.NO_SIGNAL:
            level = belief.shown_bpm
            slope = belief.slope_bpm_s * 60.0
            foreseen = belief.foreseen_bpm
            spread = max(belief.foreseen_sd_bpm, 1e-6)
            if self._counts():
                chance = 0.5 * math.erfc((limit - foreseen) / (spread * math.sqrt(2.0)))
        age = self._t_s - self._trace[-1][0] if self._trace else None
        speed = self._speeds.known(self._t_s)
        asked = given.advised_speed_m_s if given and self._t_s - given.t_s <= ASKED_S else None
        part, left_s = "", None
        if progress:
            place = progress.place()
            part = "plan done" if place.done else progress.part.title
            left_s = None if place.done else place.left_s
        link, tally = self._link, self._tally
        return ev.Snapshot(
            t_s=self._t_s, state=self._state, state_since_s=self._state_since_s,
            level_bpm=level, slope_bpm_per_min=slope, ceiling_bpm=limit,
            own_ceiling_bpm=own_ceiling_bpm, floor_bpm=_or_none(lane.columns.floor_bpm),
            room_bpm=None if level is None or not self._counts() else limit - level,
            resume_bpm=lane.resume_bpm if self._state is ev.State.WALKING and not lane.told_to_run else None,
            foreseen_bpm=foreseen, lead_s=lane.figures.ahead_s, chance_over=chance,
            reading_age_s=age, contact=self._reading.contact if self._reading else None,
            last_cue=given, cue_count=sum(tally.cues.values()),
            link_state=link.state if link else ev.LinkState.SEARCHING,
            link_name=link.name if link else "", link_detail=link.detail if link else "",
            battery_percent=self._battery.percent,
            at_or_under_s=tally.at_or_under_s, over_s=tally.over_s, no_signal_s=tally.no_signal_s,
            active_s=tally.active_s + (0.0 if self._held else self._t_s - (self._stepped_s or 0.0)),
            speed_m_s=speed.speed_m_s if speed else None, grade=speed.grade if speed else None,
            advised_speed_m_s=asked, part=part, part_left_s=left_s,
            muted=self._muted, free_run=self._free_run, sound_backend=self._sound,
            speed_from=origin(speed), belt=self._belt, guarded=self._counts(),
            trace=tuple((t, bpm) for t, bpm, _ in self._trace),
            ceiling_trace=tuple(ceiling for _, _, ceiling in self._trace),
        )


def _or_none(value: float) -> float | None:
    return None if value != value else value
