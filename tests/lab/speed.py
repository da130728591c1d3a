"""How long the guard's own commands take, each beside its target.

    python -m tests.lab.speed

A simulated session of an hour (1 Hz, the guard's cues heard) is written as a
log and given to the commands as whole processes, their modules compiled as those
of an installed guard are. Processor time is what counts: the wall shows whatever
else runs on the machine. Tuning has its own benchmark
(`tests.lab.tune_speed`), so have the months (`tests.lab.months --scale 2600`).
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np

from guard.decide.lane import Lane
from guard.decide.lanes import Lanes
from guard.events import Action, Command, Input, Output, Reading, Speed
from guard.log.log import session_header, write_recording
from guard.log.recording import read_log
from guard.packets.heart_rate import RR_UNITS_PER_S, encode
from guard.replay.replay import replay
from guard.runner.population import draw
from guard.runner.simulate import Runners
from guard.session import Session
from guard.settings import Settings
from tests.lab.ground import COURSES

HOUR_S = 3600
WIDE = 1000
STARTED = datetime(2026, 3, 2, 6, 10, tzinfo=UTC)  # invented


def hour_log(path: Path, seconds: int = HOUR_S, seed: int = 3) -> Path:
    """Write the log of one simulated session to `path`: a reading a second, speed every five."""
    who = draw(1, np.random.default_rng(seed))
    world = Runners(who, COURSES["rolling"], [seed, 1], duration_s=seconds)
    settings = Settings(ceiling_bpm=float(who.ceiling_bpm[0]))
    session, cues = Session(settings), np.zeros(1, dtype=np.int64)
    items: list[Input | Output] = []

    def take(event: Input) -> None:
        outputs = session.feed(event)
        items.append(event)
        items.extend(outputs)
        for given in outputs:
            if (cue := getattr(given, "cue", None)) is not None:
                cues[0] = int(cue)

    for step in range(seconds):
        second = world.step(cues)
        cues[0] = 0
        if step % 5 == 0:
            take(Speed(float(step), round(float(second.speed_m_s[0]), 3), round(float(second.grade[0]), 4)))
        bpm = float(second.bpm[0])
        if bpm == bpm:
            rr_s = (round(60.0 / bpm * RR_UNITS_PER_S) / RR_UNITS_PER_S,) * 2
            raw = encode(round(bpm), contact=True, rr_s=rr_s)
            take(Reading(step + 0.007, round(bpm), True, rr_s, raw=raw))
    take(Command(float(seconds), Action.QUIT, "ended"))
    header = session_header(settings, started=STARTED, clock_trusted=True,
                            source={"kind": "practice", "name": "simulated", "note": "no heart was measured"})
    write_recording(path, header, items, summary=session.summary(), force=True)
    return path


def whole_process(words: Sequence[str], home: str, times: int) -> tuple[float, float]:
    """Processor and wall seconds of `guard WORDS`, medians of `times` runs after one that warms up."""
    spent: list[tuple[float, float]] = []
    # What is compiled is kept in the folder, wherever the guard lies and whatever is set here.
    around = {**os.environ, "GUARD_HOME": home, "PYTHONDONTWRITEBYTECODE": "", "PYTHONPYCACHEPREFIX": home}
    quiet: dict[str, Any] = {"stdin": subprocess.DEVNULL, "stdout": subprocess.DEVNULL,
                             "stderr": subprocess.DEVNULL, "env": around}
    for _ in range(times + 1):
        before, begun = os.times(), time.perf_counter()
        subprocess.run([sys.executable, "-m", "guard", *words], check=True, **quiet)
        wall_s, after = time.perf_counter() - begun, os.times()
        spent.append((after.children_user + after.children_system
                      - before.children_user - before.children_system, wall_s))
    return median(one for one, _ in spent[1:]), median(wall for _, wall in spent[1:])


def processor_s(work: Callable[[], object], times: int) -> float:
    """Processor seconds of `work` in this process, the least of `times` runs."""
    best = float("inf")
    for _ in range(times):
        begun = time.process_time()
        work()
        best = min(best, time.process_time() - begun)
    return best


def _one_lane(bpm: Sequence[float]) -> None:
    lane = Lane(Settings(ceiling_bpm=139.0))
    for step, value in enumerate(bpm):
        lane.step(float(step), value)


def _many_lanes(bpm: Sequence[float]) -> None:
    lanes = Lanes(Settings(ceiling_bpm=139.0), WIDE)
    off = np.linspace(-8.0, 8.0, WIDE).round()  # no two need decide alike
    for step, value in enumerate(bpm):
        lanes.step(float(step), value + off)


def main(words: Sequence[str] | None = None) -> int:
    """Run and print."""
    parser = argparse.ArgumentParser(description="Speed of the guard's commands on this machine.")
    parser.add_argument("--times", type=int, default=5, help="runs of each command (default: 5)")
    parser.add_argument("--log", metavar="FILE", help="a log of your own in place of the simulated hour")
    args = parser.parse_args(words)
    with tempfile.TemporaryDirectory() as folder:
        log = str(args.log or hour_log(Path(folder) / "hour.jsonl"))
        recording = read_log(log)
        print(f"one session of {recording.end_s / 3600:.2f} h, {len(recording.items)} lines; "
              f"load {getattr(os, 'getloadavg', lambda: (float('nan'),))()[0]:.1f} on {os.cpu_count()} cores")
        print("whole process                  processor s   wall s   target")
        page = str(Path(folder) / "page.html")
        for name, command, target in (
            ("guard --help", ["--help"], "0.15 s"),
            ("guard replay FILE", ["replay", log], "0.5 s"),
            ("guard replay FILE --json", ["replay", log, "--json"], "0.5 s"),
            ("guard review FILE", ["review", log], "1 s"),
            ("guard review FILE --html PAGE", ["review", log, "--html", page, "--force"], "1 s"),
        ):
            spent_s, wall_s = whole_process(command, folder, args.times)
            print(f"  {name:<29} {spent_s:9.3f} {wall_s:10.3f}   at most {target}")
    bpm = [float(one.bpm) for one in recording.items if isinstance(one, Reading)]
    live_s = processor_s(lambda: replay(recording, recording.settings), args.times)
    lane_s = processor_s(lambda: _one_lane(bpm), args.times)
    wide_s = processor_s(lambda: _many_lanes(bpm), args.times)
    print("within one process")
    print(f"  a session fed          {recording.end_s / live_s:10,.0f} x real time")
    print(f"  one lane               {len(bpm) / lane_s:10,.0f} x real time             at least 5,000")
    wide = WIDE * len(bpm) / wide_s
    print(f"  {WIDE:,} lanes            {wide:10,.0f} lane-seconds a second  at least 2,000,000")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
