"""From a strap's packet to the first sample that can be heard, through the whole live guard.

The full measure, 500 cues: `.venv/bin/python -m pytest -m slow -n 0 -s tests/test_sound_latency.py`.
`GUARD_CUES=50` in the environment makes it shorter.
"""

from __future__ import annotations

import asyncio
import fcntl
import os
import pty
import struct
import termios
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from io import StringIO
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from guard.clock import ManualClock, SessionClock, wall_now
from guard.decide.wording import number_words
from guard.events import Cue, CueGiven, Input, Link, LinkState, Reading
from guard.live.inbox import Inbox
from guard.live.live import run_session
from guard.log.log import SessionLog, session_header
from guard.packets.heart_rate import Measurement, parse
from guard.screen.live_screen import LiveScreen
from guard.screen.look import fitting_look
from guard.screen.view import ViewOptions
from guard.settings import Settings
from guard.sound import player
from guard.sound.player import Sounder
from tests.support.alsa import Capture, heard_sounds, wait_until

__all__ = ["heard_sounds"]

CUES = int(os.environ.get("GUARD_CUES", "500"))
ON_DEMAND = max(CUES // 10, 5)
MEDIAN_S, P99_S = 0.025, 0.060
LONGEST_SILENCE_S = 8.0


class PacketSource:
    """Hands over packets of an invented runner far over his never-exceed limit, a session second each.

    Each packet that brings a cue is timed; the next waits until that was heard.
    """

    about: Mapping[str, object] = {"kind": "test"}

    def __init__(self, clock: ManualClock, heard: Capture, sounder: Sounder, cues: int) -> None:
        self.waits_s: list[float] = []
        self.on_demand_s: list[float] = []
        self.kinds: set[Cue] = set()
        self._clock, self._heard, self._sounder, self._cues = clock, heard, sounder, cues
        self._given: CueGiven | None = None

    async def run(self, clock: SessionClock, put: Callable[[Input], None]) -> None:
        put(Link(0.0, LinkState.CONNECTED, "strap A"))
        await asyncio.to_thread(self._settled)
        while len(self.waits_s) < self._cues:
            self._clock.advance_to(self._clock.now_s() + 1.0)
            self._given = None
            arrived_s = time.monotonic()
            raw = bytes([0x06, 172 + int(self._clock.now_s()) % 4])  # a value that stays is doubted
            measured = parse(raw)
            assert isinstance(measured, Measurement)
            put(Reading(self._clock.now_s(), measured.bpm, measured.contact, raw=raw))
            if self._given is None:
                await asyncio.sleep(0)
                continue
            self.kinds.add(self._given.cue)
            self.waits_s.append(await self._heard_after(arrived_s))
        for number in range(ON_DEMAND):
            asked_s = time.monotonic()
            self._sounder.say(f"mark number {number_words(100 + number)}")
            self.on_demand_s.append(await self._heard_after(asked_s))

    async def _heard_after(self, asked_s: float) -> float:
        """Wait for one more sound and for quiet; how long after `asked_s` it was heard, s."""
        sound, = await asyncio.to_thread(self._heard.wait_for, 1, LONGEST_SILENCE_S)
        await asyncio.to_thread(self._settled)
        return sound.onset_s - asked_s

    def hear(self, cue: CueGiven) -> None:
        self._given = cue

    def set_speed(self, speed_m_s: float) -> None: ...

    def _settled(self) -> None:
        wait_until(lambda: self._sounder._current is None and self._sounder._worker._spare is not None,
                   10, "quiet")
        time.sleep(0.1)
        self._heard.forget()


@pytest.fixture
def terminal() -> Iterator[Console]:
    """A console on a terminal of 120 by 40 that somebody reads."""
    near, far = pty.openpty()
    fcntl.ioctl(far, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 120, 0, 0))

    def read() -> None:
        try:
            while os.read(near, 65_536):
                pass
        except OSError:
            return

    threading.Thread(target=read, daemon=True).start()
    with os.fdopen(far, "w") as file:
        yield Console(file=file, force_terminal=True, width=120, height=40, highlight=False)
    os.close(near)


def figures(name: str, waits_s: list[float]) -> tuple[float, float]:
    median_s, p90_s, p99_s = (float(np.quantile(waits_s, share)) for share in (0.5, 0.9, 0.99))
    print(f"{name}: median {median_s * 1e3:.1f} ms, p90 {p90_s * 1e3:.1f} ms, p99 {p99_s * 1e3:.1f} ms, "
          f"worst {max(waits_s) * 1e3:.1f} ms over {len(waits_s)}")
    return median_s, p99_s


@pytest.mark.slow
def test_packet_to_first_sample(
        heard_sounds: Capture, tmp_path: Path, terminal: Console, monkeypatch: pytest.MonkeyPatch) -> None:
    settings = Settings(ceiling_bpm=139, stop_bpm=170, warm_up_s=0, words=1.0, speech="short")
    monkeypatch.setattr(player, "phrase_bank", lambda chosen: ["slow to a walk, then stop"])
    clock, inbox = ManualClock(), Inbox()
    (tmp_path / "cache").mkdir()
    sounder = Sounder(settings, cache_dir=tmp_path / "cache", on_health=inbox.sound)
    source = PacketSource(clock, heard_sounds, sounder, CUES)
    log = SessionLog(tmp_path / "session.jsonl", session_header(
        settings, started=wall_now(), clock_trusted=True, plan=None, source=source.about))
    options = ViewOptions(settings=settings, look=fitting_look("utf-8", {}))
    asyncio.run(run_session(
        source, settings, clock=clock, log=log, inbox=inbox, stdin=StringIO(), sounder=sounder,
        screen=LiveScreen(terminal, options, tmp_path / "debug.log")))
    assert Cue.STOP in source.kinds
    median_s, p99_s = figures(f"packet to first sample, load {os.getloadavg()[0]:.1f}", source.waits_s)
    figures("words not rendered before, asked to first sample", source.on_demand_s)
    assert median_s <= MEDIAN_S and p99_s <= P99_S
