"""Long sessions: nothing grows, no clock drifts from another, cues stay as quick as in the beginning.

    .venv/bin/python -m pytest -m slow -n 0 -s tests/test_soak.py -k real_time
    .venv/bin/python -m pytest -m slow -n 0 -s tests/test_soak.py -k compressed

`GUARD_SOAK_S=3600` makes the one in real time an hour long (120 s without).
"""

from __future__ import annotations

import json
import math
import os
import shutil
import sys
import time
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import asdict
from io import StringIO
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from guard.clock import RealClock, SessionClock, wall_now
from guard.events import Clock, CueGiven, Input, Link, LinkState, Mark, Reading, Speed
from guard.live.inbox import Inbox
from guard.live.live import run_session
from guard.log.log import SessionLog, read_log, session_header
from guard.replay.replay import same_as_recorded
from guard.screen.live_screen import LiveScreen
from guard.screen.look import fitting_look
from guard.screen.view import ViewOptions
from guard.settings import Settings
from guard.sound.player import Sounder
from tests.support.alsa import Capture, heard_sounds, wait_until
from tests.support.bluez import start_bluez
from tests.support.guard_run import CEILING_BPM, STRAP, LiveRun
from tests.support.soak import HEADER, WARM_SHARE, Flatness, Sample, judged, sample
from tests.support.tones_detector import recognised

__all__ = ["heard_sounds"]

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")

SOAK_S = float(os.environ.get("GUARD_SOAK_S", "120"))
MOST_CPU_SHARE, MOST_MEMORY_MIB = 0.02, 90.0
LONG_ENOUGH_S = 1_800.0  # of real time, to be judged as warm
MOST_DRIFT_S = 0.05
PRESS_EVERY_S, SAMPLE_EVERY_S, AWAY_EVERY_S = 20.0, 5.0, 600.0
PARTS = 'name = "many parts"\n\n[[part]]\nrepeat = 190\n\n  [[part.part]]\n  kind = "base"\n  minutes = 15\n'


def heart_bpm(at_s: float) -> int:
    """An invented runner: easy waves that go over the ceiling now and then."""
    return round(126 + 7 * math.sin(at_s / 97) + 6 * math.sin(at_s / 613) + 4 * math.sin(at_s / 31))


def cue_latency_s(run: LiveRun, heard: Capture) -> float | None:
    """From a key to the first sample of the tone it brings about; None when another cue was first."""
    heard.forget()
    pressed_s = run.press("n")
    try:
        wait_until(lambda: any(sound.onset_s > pressed_s for sound in heard.sounds()), 4, "a tone")
    except AssertionError:
        return None
    sound = next(one for one in heard.sounds() if one.onset_s > pressed_s)
    return sound.onset_s - pressed_s if recognised(sound.samples, sound.rate_hz) == "part" else None


def print_judged(figures: list[Flatness], since: str) -> None:
    print(HEADER + f"   ({since})")
    for figure in figures:
        print(figure)


@pytest.mark.slow
@pytest.mark.skipif(not shutil.which("dbus-daemon"), reason="needs dbus-daemon")
def test_a_session_in_real_time_stays_as_it_began(heard_sounds: Capture, tmp_path: Path) -> None:
    """`guard run` with an emulated strap, on a terminal, heard, its link lost every ten minutes."""
    plan = tmp_path / "parts.toml"
    plan.write_text(PARTS)
    samples: list[Sample] = []
    latencies: list[tuple[float, float]] = []
    drift: list[tuple[float, float]] = []
    with start_bluez() as bluez:
        bluez.add_strap(STRAP, bpm=heart_bpm(0), interval_s=1.0)
        words = ("run", "--strap", STRAP, "--ceiling", str(CEILING_BPM), "--no-note", "--plan", str(plan),
                 "--set", "speech=tones")
        with LiveRun(tmp_path / "home", {**bluez.env, **heard_sounds.env}, *words,
                     keep_screens=False) as run:
            run.settled()
            began_s, wall_began_s = time.monotonic(), time.time()
            next_press_s, next_away_s = began_s + 15, began_s + AWAY_EVERY_S
            while (now_s := time.monotonic()) < began_s + SOAK_S:
                samples.append(sample(run.process.pid))
                drift.append((now_s, run.delay_s(5)))
                bluez.change(STRAP, bpm=heart_bpm(now_s - began_s))
                if now_s >= next_away_s:
                    bluez.drop(STRAP, advertising=False)
                    time.sleep(12)
                    bluez.change(STRAP, advertising=True)
                    next_away_s += AWAY_EVERY_S
                    next_press_s = time.monotonic() + 15
                if now_s >= next_press_s:
                    next_press_s = now_s + PRESS_EVERY_S
                    if (latency_s := cue_latency_s(run, heard_sounds)) is not None:
                        latencies.append((now_s, latency_s))
                assert run.process.poll() is None, run.errors.read_text()
                time.sleep(max(0.0, now_s + SAMPLE_EVERY_S - time.monotonic()))
            wall_s, real_s = time.time() - wall_began_s, time.monotonic() - began_s
            run.press("q")
            time.sleep(0.5)
            run.press("q")
            assert run.wait() == 0
            log = run.log
    assert log is not None
    recording = read_log(log)
    cpu_share = (samples[-1].cpu_s - samples[0].cpu_s) / (samples[-1].at_s - samples[0].at_s)
    figures = judged(samples, [(one.at_s - began_s) / 3600 for one in samples])
    part = max(1, len(latencies) // 6)
    first, last = [s for _, s in latencies[:part]], [s for _, s in latencies[-part:]]
    drifted_s = np.median([s for _, s in drift[-len(drift) // 6:]]) - np.median(
        [s for _, s in drift[:max(1, len(drift) // 6)]])
    (tmp_path / "soak.json").write_text(json.dumps(
        {"samples": [asdict(one) for one in samples], "latencies": latencies, "drift": drift}))
    print(f"\nraw figures: {tmp_path / 'soak.json'}")
    print(f"{real_s / 60:.0f} min in real time, {len(recording.items)} records, {len(samples)} samples")
    print_judged(figures, f"warm and judged after {WARM_SHARE * real_s / 60:.0f} min")
    memory_mib = [one.memory_mib for one in samples]
    print("memory gained in each quarter of it, MiB: "
          + ", ".join(f"{part[-1] - part[0]:+.2f}" for part in np.array_split(memory_mib, 4)))
    print(f"memory after 24 h, by the upper end: {figures[0].after(24 - real_s / 3600):.1f} MiB")
    print(f"guard process: {100 * cpu_share:.2f} % of a core, "
          f"at most {max(s.memory_mib for s in samples):.1f} MiB")
    print(f"session clock against the monotonic one: {1000 * drifted_s:+.1f} ms; "
          f"wall clock {wall_s - real_s:+.3f} s")
    print(f"key to tone, median: first sixth {1000 * np.median(first):.1f} ms ({len(first)}), "
          f"last sixth {1000 * np.median(last):.1f} ms ({len(last)}), "
          f"p99 {1000 * np.quantile([s for _, s in latencies], 0.99):.1f} ms")
    assert all(figure.flat for figure in figures) or SOAK_S < LONG_ENOUGH_S
    assert figures[0].after(24 - real_s / 3600) <= MOST_MEMORY_MIB or SOAK_S < LONG_ENOUGH_S
    assert max(memory_mib) <= MOST_MEMORY_MIB
    assert not [item for item in recording.items if isinstance(item, Clock)] or abs(wall_s - real_s) > 1.0
    assert abs(drifted_s) <= MOST_DRIFT_S
    assert np.median(last) <= np.median(first) + 0.010
    assert recording.notes == () and same_as_recorded(recording).same
    assert "Traceback" not in run.errors.read_text()
    assert cpu_share <= MOST_CPU_SHARE


# a day in minutes

DAY_S, RATE = 86_400, 600.0


class ADay:
    """Readings of 24 h, one a second, with lost links, marks and typed speeds; `RATE` times as fast."""

    about: Mapping[str, object] = {"kind": "test"}

    def __init__(self, seconds: int) -> None:
        self._seconds = seconds
        self.samples: list[tuple[float, Sample]] = []
        self.cue_delays_s: list[tuple[float, float]] = []
        self.put_s = 0.0
        self.late_s: deque[float] = deque(maxlen=600)

    async def run(self, clock: SessionClock, put: Callable[[Input], None]) -> None:
        put(Link(clock.now_s(), LinkState.CONNECTED, "Invented strap"))
        next_sample_s = 0.0
        for second in range(1, self._seconds + 1):
            await clock.sleep_until(float(second))
            self.late_s.append((clock.now_s() - second) / RATE)
            if second % 3600 in range(1800, 1830):
                if second % 3600 == 1800:
                    put(Link(clock.now_s(), LinkState.LOST, "Invented strap", "the link to the strap broke"))
                continue
            if second % 3600 == 1830:
                put(Link(clock.now_s(), LinkState.CONNECTED, "Invented strap"))
            if second % 900 == 0:
                put(Mark(clock.now_s()))
                put(Speed(clock.now_s(), 2.0 + second % 7 / 10, typed=True))
            self.put_s = time.perf_counter()
            bpm = heart_bpm(second)
            put(Reading(round(clock.now_s(), 3), bpm, True, (round(60 / bpm * 1024) / 1024,)))
            if (now_s := time.monotonic()) >= next_sample_s:
                self.samples.append((second / 3600, sample()))
                next_sample_s = now_s + 0.5

    def hear(self, cue: CueGiven) -> None:
        """Asked right after the sound was."""
        self.cue_delays_s.append((cue.t_s, time.perf_counter() - self.put_s))

    def set_speed(self, speed_m_s: float) -> None: ...


@pytest.mark.slow
async def test_a_day_compressed_stays_as_it_began(heard_sounds: Capture, tmp_path: Path) -> None:
    """The real session, log, picture and sound worker (on a device that swallows), 24 h of readings."""
    heard_sounds.swallow()
    seconds = int(os.environ.get("GUARD_DAY_S", str(DAY_S)))
    settings = Settings(ceiling_bpm=CEILING_BPM, speech="tones")
    source, inbox = ADay(seconds), Inbox()
    (tmp_path / "cache").mkdir()
    log = SessionLog(tmp_path / "day.jsonl", session_header(
        settings, started=wall_now(), clock_trusted=True, source=source.about))
    drawn = (tmp_path / "drawn").open("w", encoding="utf-8")
    console = Console(file=drawn, force_terminal=True, width=80, height=24, _environ={})
    options = ViewOptions(settings=settings, look=fitting_look("utf-8", {}))
    began_s = time.monotonic()
    ended = await run_session(
        source, settings, clock=RealClock(RATE), log=log, screen=LiveScreen(console, options),
        sounder=Sounder(settings, cache_dir=tmp_path / "cache", on_health=inbox.sound),
        inbox=inbox, stdin=StringIO())
    took_s = time.monotonic() - began_s
    pictures_mib = drawn.tell() / (1 << 20)
    drawn.close()
    figures = judged([one for _, one in source.samples], [hour for hour, _ in source.samples])
    delays = [s for _, s in source.cue_delays_s]
    part = max(1, len(delays) // 24)
    print(f"\n{seconds / 3600:.0f} h in {took_s:.0f} s, {sum(ended.summary['cues'].values())} cues, "
          f"{pictures_mib:.0f} MiB drawn, log {log.path.stat().st_size / (1 << 20):.1f} MiB")
    print_judged(figures, f"warm and judged after {WARM_SHARE * seconds / 3600:.0f} h of the session")
    print(f"reading to cue handed over, median: first 24th {1000 * np.median(delays[:part]):.2f} ms, "
          f"last 24th {1000 * np.median(delays[-part:]):.2f} ms, of {len(delays)}")
    print(f"behind the clock at the end {1000 * np.median(source.late_s):.1f} ms of wall time")
    assert all(figure.flat for figure in figures) or seconds < DAY_S
    assert np.median(delays[-part:]) <= np.median(delays[:part]) + 0.005
    assert np.median(source.late_s) < 1.0, "it keeps up"
    assert ended.summary["duration_s"] == pytest.approx(seconds, rel=0.01)
    recording = read_log(log.path)
    assert recording.notes == () and same_as_recorded(recording).same
