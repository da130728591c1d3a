"""A session left on for days: gone through in seconds, and nothing is missed on the way."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from guard.events import Action, Command, Cue, CueGiven, Input, LinkState, Reading, SpeedLink
from guard.log.log import write_recording
from guard.log.recording import read_log
from guard.log.records import LONGEST_SESSION_S
from guard.plan.plan import Kind, Part, Plan
from guard.session import Session
from guard.session import session as sessions
from guard.settings import Settings, find
from guard.signal.trust import Judged
from guard.tune.tape import tape_of
from tests.support.keep import guard_cli

SETTINGS = Settings(ceiling_bpm=139)
PLAN = Plan("invented", (
    Part(Kind.WARM_UP, "warm-up", 60.0), Part(Kind.EASY, "first", 85.3), Part(Kind.EASY, "second", 100.0)))


def invented_run(begin_s: float, bpm: int = 126) -> list[Input]:
    return [Reading(begin_s + second, bpm + second % 3) for second in range(20)]


def gone_through(inputs: list[Input], plan: Plan | None = PLAN) -> tuple[list, dict, int]:
    """(all that was said, totals, steps) of a session of `inputs`."""
    session = Session(SETTINGS, plan)
    steps = 0
    step = session._step

    def counting(t_s: float, *judged: Judged) -> list:
        nonlocal steps
        steps += 1
        return step(t_s, *judged)

    session._step = counting  # type: ignore[method-assign]
    said = [output for event in inputs for output in session.feed(event)]
    return said, session.summary(), steps


SILENT = {
    "a strap taken off": [*invented_run(0.5), *invented_run(350.5)],
    "never a reading": [SpeedLink(350.0, "treadmill", LinkState.CONNECTED)],
    "a pause in between": [
        *invented_run(0.5), Command(140.2, Action.PAUSE), Command(225.7, Action.CONTINUE),
        *invented_run(400.5)],
    "a part skipped in between": [
        *invented_run(0.5), Command(151.2, Action.SKIP_PART), Command(350.0, Action.QUIT, "ended")],
}


def test_silence_is_long_when_all_that_comes_with_time_has_come():
    lost = find("lost_s")
    assert lost.high is not None
    assert 3 * lost.high + 60 < sessions.LONG_SILENT_S


@pytest.mark.parametrize("inputs", SILENT.values(), ids=SILENT)
def test_seldom_looks_in_a_long_silence_miss_nothing(inputs: list[Input], monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(sessions, "LONG_SILENT_S", 50.0)
    said, totals, steps = gone_through(inputs)
    monkeypatch.setattr(sessions, "LONG_SILENT_LOOK_S", sessions.GRID_S)
    every, every_totals, every_step = gone_through(inputs)
    assert said == every
    assert [one.cue for one in said if isinstance(one, CueGiven)].count(Cue.PART) >= 2
    for key in ("no_signal_s", "held_s", "at_or_under_s"):
        assert totals[key] == pytest.approx(every_totals[key], abs=30.0)
    assert steps < 0.7 * every_step


def test_the_clock_that_tells_the_time_makes_no_difference(monkeypatch: pytest.MonkeyPatch):
    """Told the time four times a second, as live, or only by the next reading, as on replay."""
    monkeypatch.setattr(sessions, "LONG_SILENT_S", 50.0)
    told, inputs = Session(SETTINGS, PLAN), SILENT["a pause in between"]
    said, now_s = [], 0.0
    for event in inputs:
        while now_s < event.t_s:
            said += told.advance(now_s)
            now_s += 0.25
        said += told.feed(event)
    again, totals, _ = gone_through(inputs)
    assert (said, told.summary()) == (again, totals)


def left_on(path: Path) -> Path:
    """The longest session there is, with next to nothing in it."""
    header = {"type": "session", "format": 1, "started": "2026-03-02T06:10:00+01:00", "clock_trusted": True,
              "guard": "0.1.0", "settings": {"ceiling_bpm": 139.0}, "plan": None,
              "source": {"kind": "strap", "name": "Invented strap"}}
    write_recording(path, header, [*invented_run(0.5), Command(LONGEST_SESSION_S, Action.QUIT)])
    return path


def test_days_of_silence_are_few_steps(tmp_path: Path):
    recording = read_log(left_on(tmp_path / "left-on.jsonl"))
    assert len(tape_of("left on", recording, SETTINGS)) < LONGEST_SESSION_S / 24


@pytest.mark.slow
@pytest.mark.parametrize("command", ["replay", "review"])
def test_days_of_silence_take_seconds(command: str, tmp_path: Path):
    done = guard_cli(command, left_on(tmp_path / "left-on.jsonl"), "--json", home=tmp_path)
    assert done.returncode == 0, done.stderr
    summary = json.loads(done.stdout)["summary"]  # given up after a minute
    assert summary["duration_s"] == LONGEST_SESSION_S
    assert summary["no_signal_s"] == pytest.approx(LONGEST_SESSION_S - 21, abs=5)
