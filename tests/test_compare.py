"""Cues then and now: every cue once, the best pairing, shown so that it can be read."""

from __future__ import annotations

import json
from itertools import combinations
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from guard.cli import main
from guard.events import Cue, CueGiven
from guard.replay.compare import Compared, CueChange, compare, counted
from guard.replay.terminal import how
from tests.support.keep import guard_cli, guard_here

RECORDINGS = Path(__file__).resolve().parent.parent / "recordings"


def said(*times: float, cue: Cue = Cue.EASE) -> list[CueGiven]:
    return [CueGiven(t_s, cue, logged_words=f"at {t_s:g}") for t_s in times]


def changes(was: list[CueGiven], now: list[CueGiven]) -> list[tuple[str, float | None]]:
    return [(one.change.value, one.moved_s) for one in compare(was, now)]


def test_the_five_changes():
    assert changes(said(100), said(100)) == [("same", 0.0)]
    assert changes(said(100), said(100.9)) == [("same", pytest.approx(0.9))]
    assert changes(said(100), said(88)) == [("earlier", -12.0)]
    assert changes(said(100), said(160)) == [("later", 60.0)]
    assert changes(said(100), said(161)) == [("gone", None), ("added", None)]
    assert changes([], said(5)) == [("added", None)] and changes(said(5), []) == [("gone", None)]
    assert compare([], []) == []


def test_only_the_same_kind_answers():
    both = compare(said(100), said(100, cue=Cue.WALK))
    found = {(one.change, one.cue) for one in both}
    assert found == {(CueChange.GONE, Cue.EASE), (CueChange.ADDED, Cue.WALK)}


def test_a_cue_at_the_same_time_is_the_same_cue():
    assert changes(said(100, 130), said(130)) == [("gone", None), ("same", 0.0)]


def test_more_pairs_beat_a_smaller_shift():
    """Taking the nearest first would pair 50 with 45 and leave two alone."""
    assert changes(said(0, 50), said(45, 100)) == [("later", 45.0), ("later", 50.0)]


times = st.lists(st.integers(0, 400), max_size=6, unique=True)


@settings(max_examples=150, deadline=None)
@given(times, times)
def test_every_cue_once_and_no_better_pairing(was_s: list[int], now_s: list[int]):
    was, now = said(*was_s), said(*now_s)
    found = compare(was, now)
    assert sorted(one.was.t_s for one in found if one.was) == sorted(was_s)
    assert sorted(one.now.t_s for one in found if one.now) == sorted(now_s)
    pairs = [one for one in found if one.moved_s is not None]
    assert all(abs(one.moved_s or 0.0) <= 60 for one in pairs)
    assert sum(counted(found).values()) == len(found)
    if not set(was_s) & set(now_s):
        ways = [list(zip(left, right, strict=True)) for size in range(min(len(was_s), len(now_s)) + 1)
                for left in combinations(sorted(was_s), size)
                for right in combinations(sorted(now_s), size)]
        best = max((len(way), -sum(abs(a - b) for a, b in way)) for way in ways
                   if all(abs(a - b) <= 60 for a, b in way))
        assert (len(pairs), -sum(abs(one.moved_s or 0.0) for one in pairs)) == best


def test_many_cues_take_no_time():
    was, now = said(*range(0, 86_400, 10), cue=Cue.STOP), said(*range(3, 86_400, 10), cue=Cue.STOP)
    same = compare(was, was)
    assert counted(same) == {"same": 8640, "earlier": 0, "later": 0, "added": 0, "gone": 0}
    shifted = compare(was, now)
    assert counted(shifted)["later"] >= 8500 and len(shifted) <= 8700


def test_words():
    assert how(Compared(CueChange.EARLIER, *said(30, 18))) == "12 s earlier"
    assert how(Compared(CueChange.GONE, said(30)[0], None)) == "gone"


def test_the_command_shows_then_and_now(tmp_path: Path):
    log = RECORDINGS / "hill-loop.jsonl"
    shown = guard_cli("replay", log, "--set", "strictness=0.9", home=tmp_path)
    assert shown.returncode == 0 and shown.stderr == ""
    then = next(line for line in shown.stdout.splitlines() if line.startswith("then  "))
    now = next(line for line in shown.stdout.splitlines() if line.startswith("now   "))
    assert set(then[6:]) & set("ew+") and set(now[6:]) & set("ew+")
    assert "beside what was cued" in shown.stdout and "would have run otherwise" in shown.stdout
    done = guard_here("replay", log, "--set", "strictness=0.9", "--json", home=tmp_path)
    compared = json.loads(done.stdout)["compared"]
    logged = [json.loads(line) for line in log.read_text().splitlines() if '"type":"cue"' in line]
    assert compared["against"] == "recorded"
    assert sum(one["was_s"] is not None for one in compared["cues"]) == len(logged)
    assert sum(compared[change] for change in CueChange) == len(compared["cues"])
    assert compared["same"] < len(compared["cues"])


def replayed(capsys: pytest.CaptureFixture[str], *words: str | Path) -> str:
    assert main(["replay", *map(str, words)]) == 0
    return capsys.readouterr().out


def test_with_its_own_settings_all_is_the_same(capsys: pytest.CaptureFixture[str]):
    compared = json.loads(replayed(capsys, RECORDINGS / "hot-afternoon.jsonl", "--json"))["compared"]
    assert compared["same"] == len(compared["cues"]) > 0


def test_an_import_is_compared_with_its_own_settings(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    """No cue was given at the time: what is compared is one set of settings with another."""
    log = (RECORDINGS / "hill-loop.jsonl").read_text().splitlines()
    bare = [line for line in log if not any(f'"type":"{kind}"' in line for kind in ("cue", "state", "doubt"))]
    (tmp_path / "bare.jsonl").write_text("\n".join(bare[:400]) + "\n")
    changed = replayed(capsys, tmp_path / "bare.jsonl", "--set", "strictness=0.9", "--json")
    assert json.loads(changed)["compared"]["against"] == "replayed"
    assert json.loads(replayed(capsys, tmp_path / "bare.jsonl", "--json"))["compared"] is None
