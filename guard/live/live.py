"""A live session: one loop feeds the session, listeners hear of it in threads of their own.

    source, keys, sound health -> take() -> session -> sound, screen, log

The source's events are taken as they come, so a cue leaves for the sound
worker within the same call. Whatever a listener does, the next reading is
taken on time.
"""

import asyncio
import contextlib
import dataclasses
import math
import sys
import time
from collections.abc import Callable, Mapping
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import IO, Any

from guard.clock import SessionClock, SleepWatch, WallWatch, wall_now
from guard.decide.wording import GUARD_STOPPED, NOT_RECORDING, RECORDING_AGAIN, status_parts
from guard.errors import GuardError
from guard.events import Action, Clock, Command, CueGiven, Input, Mark, Output, Reading, Speed, SpeedLink
from guard.live.answers import SpeedNews, all_is_well, answer, clock_set, slept, spoken_status
from guard.live.ended import Ended as Ended
from guard.live.inbox import Asked, Inbox, InboxItem, Notice, Notices, Press
from guard.live.keys import Key, Keyboard, input_asked, input_for
from guard.live.outlet import CuePlayer, Log, Outlet, in_order
from guard.live.source import Source
from guard.live.terminal import ending_signals, terminal_keys
from guard.plan.plan import Plan
from guard.screen.frame import Frame, Onlooker, Screen
from guard.session import Session
from guard.settings import Settings

TICK_S = 0.25  # wall seconds between looks at timeouts, and between screens; as the session's grid
DISCONNECT_S = 6.0  # how long a source may take to let go of its device
CLOSE_S = 8.0  # how long a listener may take to finish
ANSWER_SHOWN_S = 3.0  # how long the answer to a key stays on screen
MUTE_S = 900.0  # a forgotten mute ends by itself
NOTE_S = 30.0  # how long a warning stays there; it is shown again at the end
STUCK_S = 10.0  # a disk that takes this long for one line is said to be stuck
LOG_TOPIC = "log"
AHEAD_S = 0.5  # how much later than it came a reading may be taken; a burst after a stall needs less
FLOOD = "the sensor sends far more than a heart can say: the excess is dropped"


async def run_session(
    source: Source,
    settings: Settings,
    *,
    clock: SessionClock,
    log: Log,
    screen: Screen,
    sounder: CuePlayer,
    inbox: Inbox | None = None,
    stdin: IO[str] | None = None,
    plan: Plan | None = None,
    panel: Onlooker | None = None,
    page: Onlooker | None = None,
    needs_screen: bool = False,
    wall: Callable[[], datetime] = wall_now,
) -> Ended:
    """Run one session until quit, interrupted or at the source's end; it is always closed properly.

    `inbox` brings what other threads have to say; `stdin` is read for keys when
    it is a terminal; `panel` is a lamp and buzzer beside the screen, `page` a
    page in browsers; with `needs_screen` a screen that is gone ends the session (a rehearsal nobody
    watches). An error of the source (HardwareError) or of the guard itself is
    raised after everything has been closed.
    """
    onlookers = {name: one for name, one in (("screen", screen), ("panel", panel), ("page", page)) if one}
    live = _Live(source, settings, clock, log, onlookers, sounder, plan, needs_screen, WallWatch(wall))
    screen.open()
    with ending_signals(live.stop):
        try:
            with terminal_keys(stdin or sys.stdin, live.key):
                (inbox or Inbox()).attach(asyncio.get_running_loop(), live.take_foreign)
                how = await live.run()
        finally:
            kept = await live.close()
    if live.fault:
        raise live.fault
    return Ended(how, live.session.summary(), kept, tuple(live.troubles))


class _Live:
    def __init__(
        self, source: Source, settings: Settings, clock: SessionClock, log: Log,
        onlookers: Mapping[str, Onlooker], sounder: CuePlayer, plan: Plan | None, needs_screen: bool,
        wall_watch: WallWatch,
    ) -> None:
        self.session = Session(settings, plan)
        self.troubles: list[str] = []
        self.fault: Exception | None = None
        self._source, self._settings, self._clock = source, settings, clock
        self._log, self._sounder = log, sounder
        self._needs_screen, self._wall_watch = needs_screen, wall_watch
        self._keyboard = Keyboard(settings)
        self._notices = Notices(NOTE_S)
        self._speed_news = SpeedNews(settings.battery_low_percent)
        self._sleep_watch = SleepWatch()
        self._log_stuck = False
        self._answer, self._answer_until_s = "", 0.0
        self._last_sound_s, self._unmute_s = 0.0, math.inf
        self._kept: Path | None = None
        self._loop = asyncio.get_running_loop()
        self._stopped: asyncio.Future[str] = self._loop.create_future()
        # Sound first: its thread is the first to be woken for a cue.
        self._to_sound = Outlet("sound", self._listener_failed)
        self._onlookers = {Outlet(name, self._listener_failed): one for name, one in onlookers.items()}
        self._to_log = Outlet("log", self._listener_failed)

    # -- running

    async def run(self) -> str:
        self._to_sound.put(self._sounder.start)
        self._show()
        sensing = asyncio.create_task(self._source.run(self._clock, self.take))
        ticking = asyncio.create_task(self._tick_often())
        try:
            first: set[asyncio.Future[Any]] = {sensing, ticking, self._stopped}
            await asyncio.wait(first, return_when=asyncio.FIRST_COMPLETED)
            how = self._stopped.result() if self._stopped.done() else "ended"
            self._take(Command(self._clock.now_s(), Action.QUIT, how))
        finally:
            await self._ended(ticking, TICK_S)
            await self._ended(sensing, DISCONNECT_S)
        return how

    async def _ended(self, task: asyncio.Task[None], timeout_s: float) -> None:
        task.cancel()
        done, _ = await asyncio.wait({task}, timeout=timeout_s)
        if not done:
            self.troubles.append("the sensor did not let go in time: if it is not found next time, "
                                 "take the strap off for a moment")
        elif not task.cancelled() and isinstance(error := task.exception(), Exception):
            self.fault = self.fault or error

    async def close(self) -> Path | None:
        """Close every listener, all at once; each has its time, then is left behind."""
        summary, t_s = self.session.summary(), self._clock.now_s()
        # A session that never began has nothing to take leave of.
        goodbye = None if isinstance(self.fault, GuardError) else GUARD_STOPPED

        def close_log() -> None:
            self._kept = self._log.close(summary, round(t_s, 3))

        closing = {
            self._to_log: close_log,
            self._to_sound: lambda: self._sounder.close(goodbye),
            **{outlet: onlooker.close for outlet, onlooker in self._onlookers.items()},
        }
        done = await asyncio.gather(*(
            asyncio.to_thread(outlet.close, last, CLOSE_S) for outlet, last in closing.items()))
        await asyncio.sleep(0)  # take what they reported meanwhile
        for outlet, in_time in zip(closing, done, strict=True):
            if not in_time:
                self.troubles.append(
                    f"the {outlet.name} did not finish within {CLOSE_S:g} s and was left behind")
        return self._kept

    def stop(self, how: str) -> None:
        if not self._stopped.done():
            self._stopped.set_result(how)

    async def _tick_often(self) -> None:
        while True:
            # Just past a point of the session's grid, so that what time brings is told at once.
            await asyncio.sleep(max(TICK_S / 2, TICK_S - self._clock.now_s() % TICK_S + 0.001))
            self._guarded(lambda: self._tell(None, self.session.advance(self._clock.now_s())))
            self._watch_clocks()
            if self._clock.now_s() >= self._unmute_s:
                self.take(Command(self._clock.now_s(), Action.UNMUTE))
            self._say_all_is_well()
            self._to_log.put_latest(self._log.tick)
            self._watch_log()
            self._show()

    # -- in

    def take(self, event: Input) -> None:
        """Take one input; never raises (a fault ends the session)."""
        if not self._stopped.done():
            self._take(event)

    def take_foreign(self, item: InboxItem) -> None:
        """Something from another thread: sound health, a sentence to show, a button pressed."""
        if isinstance(item, Notice):
            self._note(item)
        elif isinstance(item, Press):
            self._pressed(item)
        elif isinstance(item, Asked):
            if event := input_asked(item, self._clock.now_s(), self._keyboard.ceiling_bpm):
                self.take(event)
        else:
            if item.detail and item.backend != "off":  # switched off by the runner is no trouble
                self._note(Notice(item.detail))
            self.take(dataclasses.replace(item, t_s=self._clock.now_s()))

    def key(self, char: str) -> None:
        """A character was typed."""
        event = self._keyboard.press(char, self.session.snapshot(), time.monotonic())
        if event is not None:
            event = dataclasses.replace(event, t_s=self._clock.now_s())
            if isinstance(event, Command) and event.action is Action.QUIT:
                self.stop("quit")
            else:
                self.take(event)
        self._show()

    def _pressed(self, press: Press) -> None:
        """Short is the space bar, and what it brought about is spoken: nobody looks; longer ends."""
        snapshot = self.session.snapshot()
        event = input_for(Key.HOLD, snapshot, self._settings, snapshot.ceiling_bpm)
        if press is not Press.SHORT or event is None:
            self.stop("quit")
            return
        self.take(dataclasses.replace(event, t_s=self._clock.now_s()))
        parts = status_parts(self.session.snapshot(), self._settings)
        self._to_sound.put(partial(self._sounder.say, *parts))

    def _take(self, event: Input) -> None:
        self._guarded(lambda: self._feed(event))

    def _feed(self, event: Input) -> None:
        came_s, event = event.t_s, self.session.admit(event)
        if isinstance(event, Reading) and event.t_s > came_s + AHEAD_S:
            # Readings take a millisecond each in the session. A flood of them would carry its
            # clock past the wall's, and a silence after it would go unnoticed.
            if FLOOD not in self._notices.shown(time.monotonic()):
                self._note(Notice(FLOOD))
            return
        asked = isinstance(event, Command | Mark) or (isinstance(event, Speed) and event.typed)
        before = self.session.snapshot() if asked else None
        self._tell(event, self.session.feed(event))
        if isinstance(event, Command):
            self._obey(event)
        elif isinstance(event, Speed) and event.typed and event.speed_m_s is not None:
            self._source.set_speed(event.speed_m_s)
        elif isinstance(event, SpeedLink) and (news := self._speed_news.note(event)):
            self._note(news)
        if before is not None and isinstance(event, Command | Mark | Speed):
            self._answer = answer(event, before, self.session.snapshot(), self._settings)
            self._answer_until_s = time.monotonic() + ANSWER_SHOWN_S

    def _guarded(self, work: Callable[[], None]) -> None:
        try:
            work()
        except Exception as error:
            # A guard that cannot decide must say so rather than look well.
            self.fault = self.fault or error
            self.stop("ended")

    def _obey(self, command: Command) -> None:
        """The part of a command that lies outside the session."""
        action = command.action
        if action in (Action.MUTE, Action.UNMUTE):
            muted = action is Action.MUTE
            self._unmute_s = self._clock.now_s() + MUTE_S if muted else math.inf
            self._to_sound.put(partial(self._sounder.mute, muted))
        elif action is Action.STATUS:
            parts = spoken_status(self.session.snapshot(), self._settings)
            self._to_sound.put(partial(self._sounder.say, *parts))
        elif action is Action.CEILING and isinstance(command.value, float):
            self._keyboard.ceiling_bpm = command.value

    # -- out

    def _tell(self, event: Input | None, outputs: list[Output]) -> None:
        cues = [item for item in outputs if isinstance(item, CueGiven)]
        # Of what time brought all at once (the machine slept) the newest of each kind is news.
        for given in {given.cue: given for given in cues}.values():
            self._to_sound.put(partial(self._sounder.cue, given))
            self._last_sound_s = given.t_s
        for given in cues:
            self._source.hear(given)
        for item in in_order(event, outputs):
            self._to_log.put(partial(self._log.write, item))
            for outlet, onlooker in self._onlookers.items():
                outlet.put(partial(onlooker.event, item))
        if outputs:
            self._show()

    def _show(self) -> None:
        wall_s = time.monotonic()
        answer = self._answer if wall_s < self._answer_until_s else ""
        frame = Frame(self.session.snapshot(), self._notices.shown(wall_s),
                      self._keyboard.prompt(wall_s) or answer, self._keyboard.choice,
                      self._keyboard.helping(wall_s), self._keyboard.ceiling_bpm)
        for outlet, onlooker in self._onlookers.items():
            outlet.put_latest(partial(onlooker.frame, frame))

    def _say_all_is_well(self) -> None:
        every_s = 60.0 * self._settings.all_well_min
        now_s = self._clock.now_s()
        if every_s and now_s - self._last_sound_s >= every_s and all_is_well(self.session.snapshot()):
            self._last_sound_s = now_s
            self._to_sound.put(self._sounder.tick)

    def _watch_clocks(self) -> None:
        slept_s, wall = self._sleep_watch.slept_s(), self._wall_watch.parted()
        if wall:
            self.take(Clock(self._clock.now_s(), wall))
        if news := slept(slept_s) if slept_s else clock_set(wall) if wall else None:
            self._note(news)

    def _watch_log(self) -> None:
        """A disk that does not answer holds the log's thread; it is said from here."""
        stuck = self._to_log.stuck_s > STUCK_S
        if stuck and not self._log_stuck:
            self._note(Notice("the disk does not answer: the log waits in memory; the guard goes on",
                            LOG_TOPIC, True, NOT_RECORDING))
        elif self._log_stuck and not stuck:
            self._note(Notice("the disk answers again", LOG_TOPIC, False, RECORDING_AGAIN))
        self._log_stuck = stuck

    def _note(self, note: Notice) -> None:
        self._notices.add(note, time.monotonic())
        if note.aloud:
            self._to_sound.put(partial(self._sounder.say, note.aloud))
        if note.trouble and note.text not in self.troubles:
            self.troubles.append(note.text)
        self._show()

    def _listener_failed(self, name: str, error: Exception) -> None:
        with contextlib.suppress(RuntimeError):  # the loop is gone
            self._loop.call_soon_threadsafe(self._take_failure, name, error)

    def _take_failure(self, name: str, error: Exception) -> None:
        if name == "screen" and self._needs_screen:
            self.stop("ended")
        why = f"{type(error).__name__}: {error}"
        self._note(Notice(f"the {name} failed ({why}); the guard goes on without it"))
