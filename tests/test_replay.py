"""Replay: what came in, fed again, gives what was said, to the last digit."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from guard import events as ev
from guard.cli import main
from guard.errors import InputError, UsageError
from guard.log.log import read_log, session_header, write_recording
from guard.reasons import reason
from guard.replay.replay import replay, same_as_recorded
from guard.settings import Settings
from tests.support.documents import check_listed
from tests.support.keep import guard_cli, guard_here, invented_run, record_session

CEILING = Settings(ceiling_bpm=139.0, warm_up_s=60.0)


@pytest.fixture(scope="module")
def run_log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("logs") / "run.jsonl"
    record_session(path, invented_run(), CEILING)
    return path


def test_a_replay_says_exactly_what_was_said(run_log: Path) -> None:
    recording = read_log(run_log)
    result = replay(recording, recording.settings)
    assert list(result.outputs) == recording.outputs
    assert dict(result.summary) == recording.summary
    assert {given.cue for given in result.cues} >= {ev.Cue.EASE, ev.Cue.SIGNAL_LOST, ev.Cue.SIGNAL_BACK}
    verdict = same_as_recorded(recording)
    assert verdict.same and verdict.compared == len(recording.outputs) > 10


def test_other_settings_give_other_cues(run_log: Path) -> None:
    recording = read_log(run_log)
    high = replay(recording, recording.settings.replaced({"ceiling_bpm": 170.0}))
    assert not any(given.cue in (ev.Cue.EASE, ev.Cue.WALK) for given in high.cues if given.t_s < 240)
    assert replay(recording, recording.settings.replaced({"strictness": 0.0})).cues != replay(
        recording, recording.settings).cues


def test_what_was_logged_as_said_is_never_fed(run_log: Path, tmp_path: Path) -> None:
    lines = run_log.read_bytes().splitlines(keepends=True)
    kept = [line for line in lines if not any(
        word in line for word in (b'"type":"cue"', b'"type":"state"', b'"type":"doubt"'))]
    (tmp_path / "inputs.jsonl").write_bytes(b"".join(kept))
    bare = read_log(tmp_path / "inputs.jsonl")
    assert bare.outputs == []
    assert replay(bare, bare.settings).outputs == replay(read_log(run_log), CEILING).outputs


def test_a_changed_log_is_not_the_same(run_log: Path, tmp_path: Path) -> None:
    text = run_log.read_text()
    first = text.index('"type":"cue"')
    line_start = text.rindex("\n", 0, first) + 1
    (tmp_path / "less.jsonl").write_text(text[:line_start] + text[text.index("\n", first) + 1:])
    verdict = same_as_recorded(read_log(tmp_path / "less.jsonl"))
    assert not verdict.same and len(verdict.differences) <= 10 and "cue ease" in verdict.differences[0]


@given(share=st.floats(0.02, 1.0))
@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_session_cut_short_replays_as_far_as_it_goes(run_log: Path, tmp_path: Path, share: float) -> None:
    data = run_log.read_bytes()
    head = data.index(b"\n") + 1
    path = tmp_path / "cut.jsonl"
    path.write_bytes(data[:head + int(share * (len(data) - head))])
    assert same_as_recorded(read_log(path)).same


def test_a_recording_without_a_ceiling_asks_for_one(tmp_path: Path) -> None:
    write_recording(tmp_path / "a.jsonl", session_header({}, started=None, clock_trusted=False),
                    [ev.Reading(0.0, 120)])
    recording = read_log(tmp_path / "a.jsonl")
    with pytest.raises(UsageError, match="--ceiling"):
        replay(recording, recording.settings)


def test_an_input_that_cannot_be_taken_is_named(tmp_path: Path) -> None:
    write_recording(tmp_path / "a.jsonl", session_header(CEILING, started=None, clock_trusted=False),
                    [ev.Reading(0.0, 120), ev.Command(5.0, ev.Action.CEILING, 9000)])
    with pytest.raises(InputError, match=r"beyond 5 s.*ceiling_bpm is 9000"):
        replay(read_log(tmp_path / "a.jsonl"), CEILING)


def test_a_plan_in_the_log_is_followed(tmp_path: Path) -> None:
    part = {"kind": "base", "name": "easy", "seconds": 60.0, "metres": None, "ceiling_bpm": None,
            "floor_bpm": None, "ramp_bpm": 0.0, "cued": "all", "grace_s": 0.0}
    plan = {"name": "two parts", "parts": [part, {**part, "name": "easier", "ceiling_bpm": 120.0}]}
    readings = [ev.Reading(float(second), 130) for second in range(1, 180)]
    write_recording(tmp_path / "a.jsonl",
                    session_header(CEILING, started=None, clock_trusted=False, plan=plan), readings)
    recording = read_log(tmp_path / "a.jsonl")
    parts = [given for given in replay(recording, CEILING).cues if given.cue is ev.Cue.PART]
    assert [given.t_s for given in parts] == pytest.approx([60, 120], abs=1.1)
    assert parts[0].part == "easier" and "easier" in reason(parts[0])
    for bad in ({"parts": 5}, {"name": "x", "parts": []}, [1], "plan"):
        write_recording(tmp_path / "b.jsonl", {"type": "session", "format": 1, "plan": bad}, readings,
                        force=True)
        with pytest.raises(InputError, match="plan"):
            replay(read_log(tmp_path / "b.jsonl"), CEILING)


def test_the_command(run_log: Path, tmp_path: Path) -> None:
    shown = guard_cli("replay", run_log, home=tmp_path)
    assert shown.returncode == 0 and "Ease" in shown.stdout and "foreseen" in shown.stdout
    assert "at or under the ceiling" in shown.stdout and shown.stderr == ""
    done = guard_here("replay", run_log, "--json", "--set", "strictness=0.8", "--ceiling", "140",
                      home=tmp_path)
    document = json.loads(done.stdout)
    check_listed("guard/replay/README.md", "replay", document)
    assert document["settings"]["strictness"] == 0.8 and document["settings"]["ceiling_bpm"] == 140
    assert "runner changed the ceiling" in done.stderr
    verified = guard_here("replay", run_log, "--verify", home=tmp_path)
    assert verified.returncode == 0 and "to the last digit" in verified.stdout


def test_the_settings_of_the_log_beat_the_file(run_log: Path, tmp_path: Path) -> None:
    (tmp_path / "config").mkdir()
    (tmp_path / "config" / "settings.toml").write_text("ceiling_bpm = 200\nstrictness = 1\n")
    document = json.loads(guard_here("replay", run_log, "--json", home=tmp_path).stdout)
    assert document["settings"]["ceiling_bpm"] == 139 and document["settings"]["strictness"] == 0.5


def test_the_command_refuses_in_one_sentence(
        run_log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "junk.jsonl").write_text("hello\n")
    for words, code, said in (
            ([tmp_path / "none.jsonl"], 3, "No such file"),
            ([tmp_path / "junk.jsonl"], 3, "guard import"),
            ([run_log, "--set", "wrods=1"], 2, "did you mean words"),
            ([run_log, "--set", "lead_s=3"], 2, "no longer a setting"),
            ([run_log, "--ceiling", "500"], 2, "70 to 220"),
            ([run_log, "--ceiling", "x"], 2, "70 to 220"),
            ([run_log, "--verify", "--ceiling", "140"], 2, "--verify")):
        assert main(["replay", *map(str, words)]) == code
        out, err = capsys.readouterr()
        assert said in err and err.count("\n") == 1 and not out
    refused = guard_here("replay", tmp_path / "junk.jsonl", home=tmp_path)
    assert refused.returncode == 3 and "Traceback" not in refused.stderr


def test_what_is_odd_in_a_log_goes_to_stderr(run_log: Path, tmp_path: Path) -> None:
    data = run_log.read_bytes()
    inside_a_line = data.index(b"\n", len(data) // 2) - 5
    (tmp_path / "torn.jsonl").write_bytes(data[:inside_a_line] + b"\0" * 512)
    done = guard_here("replay", tmp_path / "torn.jsonl", "--json", home=tmp_path)
    assert done.returncode == 0 and json.loads(done.stdout)["format"] == 1
    assert "breaks off" in done.stderr and "interrupted" in done.stderr
