"""The live loop with a clock that stands still between events, and listeners that misbehave."""

from __future__ import annotations

import asyncio
import os
import signal
import sys
import threading
import time
from datetime import UTC, datetime, timedelta

import pytest

from guard.clock import ManualClock, PacedClock, RealClock, WallWatch
from guard.errors import HardwareError
from guard.events import (
    Action,
    Clock,
    Command,
    Cue,
    CueGiven,
    Input,
    Mark,
    Reading,
    SoundHealth,
    Speed,
    State,
    StateChanged,
)
from guard.live.inbox import Inbox
from guard.live.live import Ended, run_session
from guard.session import Session
from guard.settings import Settings
from tests.support.live import FakeLog, FakeScreen, FakeSounder, FakeSource, rising_run, until

SETTINGS = Settings(ceiling_bpm=139, warm_up_s=0)
ELAPSED_S = 15.0


class Stage:
    """A session's surroundings, all of them fakes to begin with."""

    def __init__(self, events: list[Input], **source: object) -> None:
        self.source = FakeSource(events, **source)  # type: ignore[arg-type]
        self.sounder, self.log, self.screen = FakeSounder(), FakeLog(), FakeScreen()
        self.inbox = Inbox()
        self.clock: ManualClock | RealClock | PacedClock = ManualClock()

    async def run(self, settings: Settings = SETTINGS, **more: object) -> Ended:
        return await asyncio.wait_for(run_session(
            self.source, settings, clock=self.clock, log=self.log, screen=self.screen,
            sounder=self.sounder, inbox=self.inbox, stdin=None, **more), ELAPSED_S)  # type: ignore[arg-type]


async def test_cues_reach_sound_source_screen_and_log() -> None:
    stage = Stage(rising_run())
    ended = await stage.run()
    cues = stage.sounder.asked("cue")
    assert Cue.EASE in [given.cue for given in cues]
    assert cues == stage.source.heard
    assert cues == [item for item in stage.log.items if isinstance(item, CueGiven)]
    assert cues == [item for item in stage.screen.events if isinstance(item, CueGiven)]
    assert ended.how == "ended" and ended.exit_code == 0
    assert sum(ended.summary["cues"].values()) == len(cues)
    assert stage.log.closed_with == ended.summary
    assert stage.screen.opened and stage.screen.closed and stage.source.let_go
    assert stage.sounder.calls[-1] == ("close", "guard stopped")
    assert isinstance(stage.log.items[-1], StateChanged) and stage.log.items[-1].state is State.DONE


async def test_log_replays_to_the_same_outputs() -> None:
    stage = Stage(rising_run())
    await stage.run()
    inputs = [item for item in stage.log.items if not isinstance(item, (CueGiven, StateChanged))
              and type(item).__name__ != "ReadingDoubted"]
    again = Session(SETTINGS)
    outputs = [out for item in inputs for out in again.feed(item)]  # type: ignore[arg-type]
    logged = [item for item in stage.log.items if isinstance(item, (CueGiven, StateChanged))]
    assert [out for out in outputs if isinstance(out, (CueGiven, StateChanged))] == logged


async def test_times_are_whole_milliseconds_and_never_go_back() -> None:
    stage = Stage([Reading(1.00049, 100), Reading(2.00061, 101), Reading(1.5, 102), Reading(3.1, 103)])
    await stage.run()
    times = [item.t_s for item in stage.log.items]
    assert times == sorted(times)
    assert all(round(t_s, 3) == t_s for t_s in times)


async def test_a_stalled_log_delays_no_cue() -> None:
    stage = Stage(rising_run(), stay=True)
    hold = threading.Event()
    stage.log = FakeLog(hold=hold)
    running = asyncio.create_task(stage.run())
    assert await asyncio.to_thread(stage.sounder.cued.wait, 5.0)
    assert not stage.log.items
    await until(lambda: bool(stage.screen.frames))  # drawn four times a second: the cue may come first
    assert not stage.log.items
    hold.set()
    os.kill(os.getpid(), signal.SIGINT)
    await running
    assert [item for item in stage.log.items if isinstance(item, CueGiven)]


async def test_a_stuck_listener_is_left_behind(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("guard.live.live.CLOSE_S", 0.2)
    stage = Stage(rising_run(60))
    hold = threading.Event()
    stage.log = FakeLog(hold=hold)
    ended = await stage.run()
    hold.set()
    assert ended.log_path is None
    assert any("log did not finish" in trouble for trouble in ended.troubles)
    assert stage.screen.closed


@pytest.mark.parametrize("which", ["sounder", "screen"])
async def test_a_failing_listener_stops_nothing(which: str) -> None:
    stage = Stage(rising_run())
    if which == "sounder":
        stage.sounder = FakeSounder(broken=True)
    else:
        stage.screen = FakeScreen(broken=True)
    ended = await stage.run()
    assert len(stage.log.items) > 200
    assert [given for given in stage.sounder.asked("cue") if given.cue is Cue.EASE]
    name = "sound" if which == "sounder" else "screen"
    assert [trouble for trouble in ended.troubles if f"the {name} failed" in trouble]
    assert len(ended.troubles) == 1


async def test_a_rehearsal_ends_when_nobody_can_see_it() -> None:
    stage = Stage(rising_run(10), stay=True)
    stage.screen = FakeScreen(broken=True)
    ended = await stage.run(needs_screen=True)
    assert ended.how == "ended"


async def test_missing_hardware_ends_with_its_sentence() -> None:
    stage = Stage([], error=HardwareError("no radio: switch it on"))
    with pytest.raises(HardwareError, match="switch it on"):
        await stage.run()
    assert stage.log.closed_with is not None and stage.screen.closed
    assert stage.sounder.calls[-1] == ("close", None)


async def test_a_fault_of_the_guard_is_not_hidden(monkeypatch: pytest.MonkeyPatch) -> None:
    stage = Stage(rising_run(), stay=True)
    real = Session.feed

    def feed(self: Session, event: Input) -> object:
        if isinstance(event, Reading) and event.bpm > 130:
            raise ZeroDivisionError("made for this test")
        return real(self, event)

    monkeypatch.setattr(Session, "feed", feed)
    with pytest.raises(ZeroDivisionError):
        await stage.run()
    assert stage.log.closed_with is not None and stage.screen.closed
    assert stage.sounder.calls[-1] == ("close", "guard stopped")


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT", "SIGUSR1", "SIGUSR2", "SIGALRM"])
@pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals")
async def test_signals_close_properly(name: str) -> None:
    number = getattr(signal, name)
    before = signal.getsignal(number)
    stage = Stage(rising_run(20), stay=True)
    running = asyncio.create_task(stage.run())
    await until(lambda: len(stage.log.items) >= 20)
    os.kill(os.getpid(), number)
    ended = await running
    assert ended.how == "interrupted" and ended.exit_code == 130
    assert stage.log.closed_with == ended.summary and stage.source.let_go and stage.screen.closed
    quits = [item for item in stage.log.items if isinstance(item, Command) and item.action is Action.QUIT]
    assert [item.value for item in quits] == ["interrupted"]
    assert signal.getsignal(number) is before


class Typist:
    """Feeds keys to a session as a terminal would."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        from contextlib import contextmanager

        @contextmanager
        def keys(stdin: object, on_key: object):  # type: ignore[no-untyped-def]
            self.press = on_key
            yield True

        self.press: object = None
        monkeypatch.setattr("guard.live.live.terminal_keys", keys)

    async def type(self, text: str) -> None:
        for char in text:
            await asyncio.sleep(0)
            self.press(char)  # type: ignore[operator]


async def test_keys_become_logged_inputs(monkeypatch: pytest.MonkeyPatch) -> None:
    typist = Typist(monkeypatch)
    stage = Stage(rising_run(30), stay=True)
    running = asyncio.create_task(stage.run())
    await until(lambda: len(stage.log.items) >= 30)
    await typist.type("??m s]8.5\n+")
    await typist.type("q")
    await asyncio.sleep(0.3)
    assert not running.done()
    assert "quit?" in stage.screen.frames[-1].prompt
    await typist.type("q")
    ended = await running
    assert ended.how == "quit" and ended.exit_code == 0
    asked = [(item.action, item.value) for item in stage.log.items if isinstance(item, Command)]
    assert asked == [(Action.STATUS, None), (Action.PAUSE, None), (Action.MUTE, None),
                     (Action.CEILING, 140.0), (Action.QUIT, "quit")]
    assert sum(isinstance(item, Mark) for item in stage.log.items) == 1
    typed = [item.speed_m_s for item in stage.log.items if isinstance(item, Speed)]
    assert [round(speed * 3.6, 2) for speed in typed if speed] == [8.5, 8.6]
    assert stage.source.speeds == typed
    assert stage.sounder.asked("mute") == [True]
    assert "heart rate one" in stage.sounder.asked("say")[0]


async def test_sound_health_and_notes_come_in_from_other_threads() -> None:
    stage = Stage(rising_run(20), stay=True)
    stage.inbox.sound("speaker")  # before the loop runs
    running = asyncio.create_task(stage.run())
    await until(lambda: any(
        frame.snapshot.sound_backend == "speaker" for frame in stage.screen.frames))
    await asyncio.to_thread(stage.inbox.sound, "none", "unplugged")
    await asyncio.to_thread(stage.inbox.note, "the disk is full")
    await until(lambda: stage.screen.frames[-1].notes == ("unplugged", "the disk is full"))
    os.kill(os.getpid(), signal.SIGINT)
    ended = await running
    assert [item.backend for item in stage.log.items if isinstance(item, SoundHealth)] == ["speaker", "none"]
    assert ended.troubles == ("unplugged", "the disk is full")


async def test_loss_is_said_by_the_ticker_alone() -> None:
    stage = Stage(rising_run(20), stay=True)
    stage.clock = clock = ManualClock()
    running = asyncio.create_task(stage.run())
    await until(lambda: len(stage.log.items) >= 20)
    clock.advance_to(40.0)
    assert await asyncio.to_thread(stage.sounder.cued.wait, 5.0)
    assert [given.cue for given in stage.sounder.asked("cue")] == [Cue.SIGNAL_LOST]
    clock.advance_to(340.0)  # the machine slept: due again after 30, 90 and 210 s
    await until(lambda: len(stage.sounder.asked("cue")) > 1)
    first, newest = stage.sounder.asked("cue")
    assert newest.t_s - first.t_s == pytest.approx(209.0, abs=2.0)
    os.kill(os.getpid(), signal.SIGINT)
    await running
    logged = [item.t_s for item in stage.log.items if isinstance(item, CueGiven)]
    assert len(logged) == 4


async def test_all_well_tick() -> None:
    quiet = [Reading(float(t), 118 + t % 2, True) for t in range(1, 200)]
    stage = Stage(quiet)
    stage.clock = PacedClock(rate=200.0)
    await stage.run(SETTINGS.replaced({"all_well_min": 1.0}))
    assert 1 <= len(stage.sounder.asked("tick")) <= 3
    stage = Stage(quiet)
    stage.clock = PacedClock(rate=400.0)
    await stage.run()
    assert not stage.sounder.asked("tick")


async def test_a_mute_ends_by_itself_and_that_is_logged() -> None:
    readings: list[Input] = [Reading(float(t), 118 + t % 2, True) for t in range(1, 2_000)]
    stage = Stage([*readings[:20], Command(20.5, Action.MUTE), *readings[20:]])
    stage.clock = PacedClock(rate=1_000.0)
    await stage.run()
    assert stage.sounder.asked("mute") == [True, False]
    muted, unmuted = (item.t_s for item in stage.log.items
                      if isinstance(item, Command) and item.action in (Action.MUTE, Action.UNMUTE))
    assert 900 <= unmuted - muted < 1_900  # looked at four times a wall second


async def test_wall_clock_steps_are_logged() -> None:
    jump = timedelta()

    def wall() -> datetime:
        return datetime.now(UTC) + jump

    stage = Stage(rising_run(20), stay=True)
    running = asyncio.create_task(stage.run(wall=wall))
    await until(lambda: len(stage.log.items) >= 20)
    jump = timedelta(days=3650)
    await until(lambda: any(isinstance(item, Clock) for item in stage.log.items))
    os.kill(os.getpid(), signal.SIGINT)
    await running
    anchors = [item.wall for item in stage.log.items if isinstance(item, Clock)]
    assert len(anchors) == 1 and datetime.fromisoformat(anchors[0]) > datetime.now(UTC) + timedelta(days=3000)


def test_wall_watch_tells_each_step_once() -> None:
    wall, steady = [datetime(2026, 1, 1, tzinfo=UTC)], [0.0]
    watch = WallWatch(lambda: wall[0], lambda: steady[0])
    for seconds, step, told in ((10, 0.0, False), (10, 0.9, False), (0, 0.2, True), (5, 0.0, False),
                                (0, -3600.0, True), (0, 0.0, False)):
        wall[0] += timedelta(seconds=seconds + step)
        steady[0] += seconds
        assert (watch.parted() is not None) is told


async def test_cue_leaves_within_milliseconds() -> None:
    """From a reading put by the source to the sounder asked, while the screen is busy drawing."""
    stage = Stage([])
    asked_at: list[float] = []
    put_at: list[float] = []
    stage.sounder.cue = lambda given: asked_at.append(time.perf_counter())  # type: ignore[method-assign]

    async def run(clock: object, put: object) -> None:
        for reading in rising_run(200):
            before = len(stage.source.heard)
            at = time.perf_counter()
            put(reading)  # type: ignore[operator]
            if len(stage.source.heard) > before:
                put_at.extend([at] * (len(stage.source.heard) - before))
            await asyncio.sleep(0.002)

    stage.source.run = run  # type: ignore[assignment, method-assign]
    await stage.run()
    delays = sorted(b - a for a, b in zip(put_at, asked_at, strict=True))
    assert delays and delays[len(delays) // 2] < 0.025


async def test_paced_clock_never_passes_its_sleeper() -> None:
    clock = PacedClock(rate=1000.0)
    assert clock.now_s() == 0.0
    for wanted in (1.0, 2.0, 50.0):
        await clock.sleep_until(wanted)
        assert clock.now_s() == wanted
        await asyncio.sleep(0.01)
        assert clock.now_s() == wanted


async def test_a_flood_of_readings_never_carries_the_session_past_the_clock() -> None:
    """4,494 packets a second were once taken at a millisecond each: the session ran 23 s ahead."""
    stage = Stage([Reading(2.0, 120 + number % 3) for number in range(5000)])
    ended = await stage.run()
    newest_s = max(item.t_s for item in stage.log.items if isinstance(item, Reading))
    assert newest_s <= 2.0 + 0.5 + 0.001
    assert sum("far more than a heart" in text for text in ended.troubles) == 1
