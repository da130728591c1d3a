"""A whole live session with the real sound, log and screen, whose cues a test calls for.

The loop's own delay is watched all the while: how late its timer fired at most,
less what a busy machine kept any of its threads waiting for a processor.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import threading
import time
from collections.abc import Callable, Mapping
from io import StringIO
from pathlib import Path
from typing import Any

from guard.clock import RealClock, SessionClock, wall_now
from guard.events import Action, Command, CueGiven, Input, Link, LinkState
from guard.live.inbox import Inbox
from guard.live.live import Ended, run_session
from guard.log.log import SessionLog, session_header
from guard.plan.plan import Kind, Part, Plan
from guard.screen.look import fitting_look
from guard.screen.plain import PlainScreen
from guard.screen.view import ViewOptions
from guard.settings import Settings
from guard.sound.player import Sounder
from tests.support.alsa import wait_until

_BEAT_S = 0.02


class CalledSource:
    """A source that puts what another thread hands it, and watches the loop it lives in."""

    about: Mapping[str, object] = {"kind": "test"}

    def __init__(self) -> None:
        self.put: Callable[[Input], None] = lambda event: None
        self.loop: asyncio.AbstractEventLoop | None = None
        self.clock: SessionClock | None = None
        self.given: list[tuple[float, CueGiven]] = []
        self.longest_delay_s = 0.0
        self.running = threading.Event()
        self._end: asyncio.Event | None = None

    async def run(self, clock: SessionClock, put: Callable[[Input], None]) -> None:
        self.loop, self.clock, self.put = asyncio.get_running_loop(), clock, put
        self._end = asyncio.Event()
        put(Link(clock.now_s(), LinkState.CONNECTED, "test"))
        self.running.set()
        while not self._end.is_set():
            waits_s, before_s = _waits_s(), time.monotonic()
            await asyncio.sleep(_BEAT_S)
            late_s = time.monotonic() - before_s - _BEAT_S
            if late_s > self.longest_delay_s:
                kept_waiting_s = max(wait_s - waits_s.get(task, 0.0) for task, wait_s in _waits_s().items())
                self.longest_delay_s = max(self.longest_delay_s, late_s - kept_waiting_s)

    def call(self, work: Callable[[], None]) -> None:
        """Run `work` in the session's loop."""
        assert self.loop is not None
        self.loop.call_soon_threadsafe(work)

    def end(self) -> None:
        assert self._end is not None
        self.call(self._end.set)

    def hear(self, cue: CueGiven) -> None:
        self.given.append((time.monotonic(), cue))

    def set_speed(self, speed_m_s: float) -> None: ...


class SoundSession:
    """A live session; `play` runs it with a script beside it that calls for cues and faults."""

    def __init__(self, folder: Path, settings: Settings, *, cache_dir: Path | None = None) -> None:
        self.source = CalledSource()
        self.settings = settings
        self.shown = StringIO()
        self.log_path = folder / "session.jsonl"
        self._clock = RealClock()
        self._inbox = Inbox()
        self._trouble: BaseException | None = None
        cache_dir = cache_dir or folder / "cache"
        if not cache_dir.exists():
            cache_dir.mkdir()
        self.sounder = Sounder(settings, cache_dir=cache_dir, on_health=self._inbox.sound)
        parts = tuple(Part(Kind.EASY, f"part {number}", 3600.0) for number in range(90))
        self._plan = Plan("test", parts)

    def play(self, script: Callable[[], None]) -> Ended:
        """Run the session here and `script` in a thread, once the first news of sound is in.

        Raises whatever the script raises, after the session has ended.
        """
        scripted = threading.Thread(target=self._follow, args=(script,), daemon=True)
        scripted.start()
        ended = self._run()
        scripted.join(10)
        if self._trouble is not None:
            raise self._trouble
        return ended

    def _follow(self, script: Callable[[], None]) -> None:
        try:
            assert self.source.running.wait(10)
            wait_until(lambda: bool(self.health()), 15, "the first news of sound")
            script()
        except BaseException as error:
            self._trouble = error
        finally:
            self.source.end()

    def part_cue(self) -> None:
        """Bring about one cue (next part), through the session."""
        self.command(Action.SKIP_PART)

    def command(self, action: Action) -> None:
        source = self.source
        source.call(lambda: source.put(Command(self._clock.now_s(), action)))

    def health(self) -> list[tuple[str, str]]:
        """Backend and detail of every `sound` record in the log so far."""
        if not self.log_path.exists():
            return []
        lines = [line for line in self.log_path.read_text().splitlines() if '"sound"' in line]
        records: list[dict[str, Any]] = [json.loads(line) for line in lines]
        return [(record["backend"], record.get("detail", ""))
                for record in records if record["type"] == "sound"]

    def wait_for_health(self, *backends: str, timeout_s: float = 12.0) -> None:
        wait_until(lambda: self.health()[-1][0] in backends, timeout_s, f"sound by {backends}")

    def _run(self) -> Ended:
        started = wall_now()
        header = session_header(self.settings, started=started, clock_trusted=True,
                                plan=self._plan.as_dict(), source=self.source.about)
        options = ViewOptions(settings=self.settings, look=fitting_look("utf-8", {}))
        return asyncio.run(run_session(
            self.source, self.settings, clock=self._clock, log=SessionLog(self.log_path, header),
            screen=PlainScreen(self.shown, options), sounder=self.sounder,
            inbox=self._inbox, stdin=StringIO(), plan=self._plan))


def _waits_s() -> dict[str, float]:
    """How long each thread of this process has so far been ready but kept waiting for a processor, s."""
    waits_s = {"none": 0.0}
    for path in Path("/proc/self/task").glob("*/schedstat"):
        with contextlib.suppress(OSError, IndexError, ValueError):
            waits_s[path.parent.name] = int(path.read_text().split()[1]) / 1e9
    return waits_s
