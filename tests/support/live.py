"""Stand-ins for what surrounds a live session, and invented snapshots to draw."""

from __future__ import annotations

import asyncio
import math
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from guard.clock import SessionClock
from guard.events import Cue, CueGiven, Input, Link, LinkState, Output, Reading, Snapshot, State
from guard.screen.frame import Frame
from tests.support.reasons import FORESEEN


def snapshot(**changes: Any) -> Snapshot:
    """An invented moment of an easy run, with `changes`."""
    t_s = 754.0
    trace = tuple((float(s), 130 + 8 * math.sin(s / 40) + (6 if 600 < s < 640 else 0))
                  for s in range(454, 754))
    facts: dict[str, Any] = {
        "t_s": t_s, "active_s": t_s, "state": State.EASING, "state_since_s": 734.0, "level_bpm": 132.4,
        "slope_bpm_per_min": 6.2, "ceiling_bpm": 139.0, "own_ceiling_bpm": 139.0, "resume_bpm": None,
        "floor_bpm": None, "room_bpm": 6.6,
        "foreseen_bpm": 141.0, "lead_s": 20.0, "chance_over": 0.83, "reading_age_s": 0.4,
        "contact": True, "last_cue": CueGiven(734.0, Cue.EASE, "ease", FORESEEN),
        "cue_count": 5, "link_state": LinkState.CONNECTED, "link_name": "strap A", "link_detail": "",
        "battery_percent": 80, "at_or_under_s": 700.0, "over_s": 40.0, "no_signal_s": 5.0,
        "speed_m_s": 2.4, "grade": 0.02, "advised_speed_m_s": None, "part": "base",
        "part_left_s": 600.0, "muted": False, "free_run": False, "sound_backend": "player",
        "trace": trace, "ceiling_trace": (139.0,) * len(trace),
    }
    return Snapshot(**{**facts, **changes})


class FakeSource:
    """Puts the given events at their times, then ends or waits to be cancelled."""

    about: Mapping[str, object] = {"kind": "test"}

    def __init__(self, events: list[Input], *, stay: bool = False, error: Exception | None = None) -> None:
        self.events, self.stay, self.error = events, stay, error
        self.heard: list[CueGiven] = []
        self.speeds: list[float] = []
        self.let_go = False

    async def run(self, clock: SessionClock, put: Callable[[Input], None]) -> None:
        try:
            if self.error and not self.events:
                raise self.error
            for event in self.events:
                await clock.sleep_until(event.t_s)
                put(event)
            if self.error:
                raise self.error
            if self.stay:
                await asyncio.Event().wait()
        finally:
            self.let_go = True

    def hear(self, cue: CueGiven) -> None:
        self.heard.append(cue)

    def set_speed(self, speed_m_s: float) -> None:
        self.speeds.append(speed_m_s)


class FakeSounder:
    """Remembers what it was asked to play."""

    def __init__(self, *, broken: bool = False) -> None:
        self.calls: list[tuple[str, Any]] = []
        self.broken = broken
        self.cued = threading.Event()

    def _note(self, what: str, value: Any = None) -> None:
        self.calls.append((what, value))
        if self.broken:
            raise OSError("no such device")

    def start(self) -> None:
        self._note("start")

    def cue(self, given: CueGiven) -> None:
        self._note("cue", given)
        self.cued.set()

    def say(self, *parts: str) -> None:
        self._note("say", ", ".join(parts))

    def tick(self) -> None:
        self._note("tick")

    def mute(self, on: bool) -> None:
        self._note("mute", on)

    def close(self, goodbye: str | None = None) -> None:
        self.calls.append(("close", goodbye))

    def asked(self, what: str) -> list[Any]:
        return [value for name, value in self.calls if name == what]


class FakeLog:
    """Keeps items in memory; `hold` keeps every write waiting until it is set."""

    def __init__(self, *, hold: threading.Event | None = None) -> None:
        self.items: list[Input | Output] = []
        self.hold = hold
        self.closed_with: Mapping[str, Any] | None = None

    def write(self, item: Input | Output) -> None:
        if self.hold:
            self.hold.wait(20)
        self.items.append(item)

    def tick(self) -> None: ...

    def close(self, summary: Mapping[str, Any], t_s: float | None = None) -> Path:
        self.closed_with = summary
        return Path("log.jsonl")


class FakeScreen:
    """Remembers frames and events."""

    def __init__(self, *, broken: bool = False) -> None:
        self.frames: list[Frame] = []
        self.events: list[Input | Output] = []
        self.broken = broken
        self.opened = self.closed = False

    def open(self) -> None:
        self.opened = True

    def event(self, item: Input | Output) -> None:
        if self.broken:
            raise RuntimeError("cannot draw")
        self.events.append(item)

    def frame(self, frame: Frame) -> None:
        if self.broken:
            raise RuntimeError("cannot draw")
        self.frames.append(frame)

    def close(self) -> None:
        self.closed = True


async def until(condition: Callable[[], bool]) -> None:
    """Wait until another thread or task has made `condition` true."""
    while not condition():  # noqa: ASYNC110 - what is waited for happens in plain threads
        await asyncio.sleep(0.01)


def rising_run(seconds: int = 240, *, start_bpm: int = 110, per_s: float = 0.4) -> list[Input]:
    """An invented runner whose heart rate climbs through any easy ceiling, a reading a second."""
    events: list[Input] = [Link(0.0, LinkState.CONNECTED, "strap A")]
    events += [Reading(float(t), min(185, round(start_bpm + per_s * t)), True) for t in range(1, seconds)]
    return events
