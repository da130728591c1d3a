"""Events and logs for the tests of what is kept."""

from __future__ import annotations

import io
import math
import os
import random
import subprocess
import sys
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import fields
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import strategies as st

from guard import events as ev
from guard.cli import main
from guard.log.log import SessionLog, session_header
from guard.session import Session
from guard.settings import Settings
from tests.support.reasons import FORESEEN

STARTED = datetime(2026, 3, 2, 6, 10, tzinfo=UTC)

seconds = st.floats(0, 86_400).map(lambda t: round(t, 3)) | st.floats(0, 86_400)
texts = st.text(max_size=30)
maybe = st.none()


def numbers(low: float, high: float) -> st.SearchStrategy[float | None]:
    return maybe | st.floats(low, high, allow_nan=False)


readings = st.builds(
    ev.Reading, seconds, st.integers(0, 65_535), st.none() | st.booleans(),
    st.lists(st.floats(0, 64), max_size=9).map(tuple), st.none() | st.integers(0, 65_535),
    st.binary(max_size=20))
speeds = st.builds(
    ev.Speed, seconds, numbers(0, 12), numbers(-0.4, 0.4), numbers(0, 300), st.booleans(),
    st.sampled_from(["", ev.TREADMILL, ev.FOOT_POD]))
inputs = st.one_of(
    readings,
    speeds,
    st.builds(ev.SpeedLink, seconds, st.sampled_from([ev.TREADMILL, ev.FOOT_POD]),
              st.sampled_from(ev.LinkState), texts, texts, texts, st.none() | st.integers(0, 100), texts),
    st.builds(ev.Battery, seconds, st.integers(0, 100)),
    st.builds(ev.Link, seconds, st.sampled_from(ev.LinkState), texts, texts, texts, texts, texts),
    st.builds(ev.Command, seconds, st.sampled_from(ev.Action),
              st.none() | st.floats(-1000, 1000) | texts.filter(bool)),
    st.builds(ev.Mark, seconds, st.none() | st.floats(-1000, 1000) | texts.filter(bool)),
    st.builds(ev.SoundHealth, seconds, texts, texts),
    st.builds(ev.Clock, seconds, texts),
)
rests_on = st.builds(ev.Numbers, **{item.name: numbers(-1e9, 1e9) for item in fields(ev.Numbers)})
outputs = st.one_of(
    st.builds(ev.CueGiven, seconds, st.sampled_from(ev.Cue), texts, rests_on, numbers(0, 8),
              st.integers(0, 50), st.booleans(), texts, texts),
    st.builds(ev.StateChanged, seconds, st.sampled_from(ev.State), texts, rests_on, texts),
    st.builds(ev.ReadingDoubted, seconds, texts, texts),
)
events = inputs | outputs


def header(**settings: object) -> dict[str, object]:
    return session_header(Settings().replaced({"ceiling_bpm": 139, **settings}), started=STARTED,
                          clock_trusted=True, source={"kind": "test"})


def small_log(path: Path) -> list[ev.Input | ev.Output]:
    """Writes a short invented session to `path`; returns what was logged."""
    items: list[ev.Input | ev.Output] = [
        ev.Link(0.0, ev.LinkState.CONNECTED, "Invented strap ü"),
        ev.StateChanged(0.0, ev.State.STEADY),
        ev.Reading(0.5, 131, True, (0.458,), None, bytes.fromhex("1083d501")),
        ev.Speed(1.0, 2.75, 0.01),
        ev.Reading(1.503, 0, False),
        ev.ReadingDoubted(1.503, ev.Doubt.NO_CONTACT),
        ev.Reading(2.5, 139, None, (0.43, 0.431)),
        ev.CueGiven(2.5, ev.Cue.EASE, "ease", FORESEEN, 2.5, 0),
        ev.Mark(3.0, "hill"),
        ev.Command(3.5, ev.Action.CEILING, 141),
    ]
    log = SessionLog(path, header())
    for item in items:
        log.write(item)
    log.close({"duration_s": 3.5})
    return items


def guard_cli(*words: str | Path, home: Path, stdin: str | None = None) -> subprocess.CompletedProcess[str]:
    """Run the real command in a process of its own, with its folders in `home`."""
    env = {**os.environ, "GUARD_HOME": str(home), "PYTHONWARNINGS": "error", "COLUMNS": "120"}
    return subprocess.run([sys.executable, "-m", "guard", *map(str, words)], env=env, input=stdin,
                          capture_output=True, text=True, timeout=60, check=False)


def guard_here(*words: str | Path, home: Path) -> subprocess.CompletedProcess[str]:
    """The same in this process, several times as quick: for all but a command's first call."""
    out, err = (io.TextIOWrapper(io.BytesIO(), "utf-8", write_through=True) for _ in range(2))
    with pytest.MonkeyPatch.context() as patch, redirect_stdout(out), redirect_stderr(err):
        patch.setenv("GUARD_HOME", str(home))
        patch.setenv("COLUMNS", "120")
        try:
            code = main([str(word) for word in words])
        except SystemExit as end:  # argparse
            code = int(end.code or 0)
    said = (stream.buffer.getvalue().decode() for stream in (out, err))  # type: ignore[attr-defined]
    return subprocess.CompletedProcess(words, code, *said)


def invented_run(minutes: float = 8.0, seed: int = 5) -> list[ev.Input]:
    """Inputs of an invented hilly run: slow waves about 135 bpm, dropouts, spikes, a pause."""
    chance = random.Random(seed)
    items: list[ev.Input] = [ev.Link(0.0, ev.LinkState.CONNECTED, "Invented strap", "", "00:11:22:33:44:55")]
    level = 95.0
    for second in range(1, int(minutes * 60)):
        t_s = round(second + chance.uniform(-0.2, 0.2), 3)
        goal = 135 + 12 * math.sin(second / 140)
        level += (goal - level) / 40
        if second % 100 == 3:
            items.append(ev.Speed(t_s, 2.8, round(0.03 * math.sin(second / 140), 4)))
        if second == 200:
            items.append(ev.Command(t_s, ev.Action.PAUSE))
        if second == 215:
            items.append(ev.Command(t_s, ev.Action.CONTINUE))
        if second == 250:
            items.append(ev.Command(t_s, ev.Action.CEILING, 137))
        if second == 280:
            items.append(ev.Battery(t_s, 12))
        if 300 < second < 316:  # out of range
            continue
        bpm = round(level + chance.gauss(0, 1))
        if second % 173 == 0:
            items.append(ev.Reading(t_s, 0, False))
        elif second % 211 == 0:
            items.append(ev.Reading(t_s, min(240, bpm + 70), True))
        else:
            items.append(ev.Reading(t_s, bpm, True, (round(60 / level, 4),)))
    return items


def record_session(path: Path, inputs_: list[ev.Input], settings: Settings, *, close: bool = True) -> None:
    """Logs a session as a live one does: timeouts when they happen, then the input, then what follows."""
    session = Session(settings)
    log = SessionLog(path, session_header(settings, started=STARTED, clock_trusted=True))
    for event in inputs_:
        for output in session.advance(event.t_s - 0.1):
            log.write(output)
        admitted = session.admit(event)
        outputs_ = session.feed(admitted)
        for item in [*(output for output in outputs_ if output.t_s < admitted.t_s), admitted,
                     *(output for output in outputs_ if output.t_s >= admitted.t_s)]:
            log.write(item)
    if close:
        end_s = inputs_[-1].t_s + 15.5
        for output in session.advance(end_s):
            log.write(output)
        log.close(session.summary(), end_s)
