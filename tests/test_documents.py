"""The READMEs beside the code list what is written: every field of the log and of each JSON document.

The documents of most commands are held to their table where they are tested
(`check_listed`); here are the log, the commands tested nowhere else, and the
rule that no table is left unread.
"""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from guard import events as ev
from guard.cli import main
from guard.log.log import session_header, write_recording
from guard.log.note import Note, append_note
from guard.log.records import from_record, to_record
from tests.support.documents import ROOT, check_listed, listed

EVERYTHING: list[ev.Input | ev.Output] = [
    ev.Reading(1.0, 120, True, (0.5,), 3, b"\x00"),
    ev.Speed(2.0, 2.5, 0.01, 160.0, True, ev.TREADMILL),
    ev.SpeedLink(3.0, ev.FOOT_POD, ev.LinkState.CONNECTED, "pod", "words", "AA", 50, "code"),
    ev.Battery(4.0, 60),
    ev.Link(5.0, ev.LinkState.LOST, "strap", "words", "AA", "chest", "code"),
    ev.Command(6.0, ev.Action.CEILING, 140.0, "page"),
    ev.Mark(7.0, "hill", "page"),
    ev.SoundHealth(8.0, "worker", "words"),
    ev.Clock(9.0, "2026-03-02T06:10:00+00:00"),
    ev.StateChanged(10.0, ev.State.EASING, "foreseen", ev.Numbers(level_bpm=139.0)),
    ev.CueGiven(11.0, ev.Cue.EASE, "foreseen", ev.Numbers(level_bpm=139.0), 2.4, 1, True, "climb"),
    ev.ReadingDoubted(12.0, ev.Doubt.JUMP),
]


def log_table() -> dict[str, set[str]]:
    text = (ROOT / "guard" / "log" / "README.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| `(\w+)` \| (.+) \|$", text, re.MULTILINE)
    return {kind: set(re.findall(r"`(\w+)`", re.sub(r"\([^)]*\)", "", fields.partition(": the reading")[0])))
            for kind, fields in rows}


def test_the_log_is_listed_whole(tmp_path: Path) -> None:
    header = session_header({}, started=None, clock_trusted=True)
    log = tmp_path / "a.jsonl"
    write_recording(log, header, EVERYTHING, force=True)
    append_note(log, Note(3, "fine", "none"))
    written: dict[str, set[str]] = {}
    for line in log.read_text(encoding="utf-8").splitlines():
        record = json.loads(line)
        written[record["type"]] = set(record) - {"t", "type"}
    assert written == log_table()
    known = {type(item) for item in EVERYTHING}
    assert known == set((ev.Input | ev.Output).__args__), "every event is among them"
    assert all(from_record(to_record(item)) is not None for item in EVERYTHING)


def test_replay_verify(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["replay", str(ROOT / "recordings" / "restart.jsonl"), "--verify", "--json"]) == 0
    check_listed("guard/replay/README.md", "replay --verify", json.loads(capsys.readouterr().out))


def test_data_and_import(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]):
    monkeypatch.setenv("GUARD_HOME", str(tmp_path))
    table = tmp_path / "a.csv"
    table.write_text("time,hr\n0,120\n1,121\n", encoding="utf-8")
    assert main(["import", str(table), "--json"]) == 0
    check_listed("guard/commands/README.md", "import", json.loads(capsys.readouterr().out))
    assert main(["settings", "ceiling_bpm=140"]) == 0
    capsys.readouterr()
    assert main(["data", "--json"]) == 0
    check_listed("guard/commands/README.md", "data", json.loads(capsys.readouterr().out))


def test_no_table_is_left_unread() -> None:
    checked = set()
    for path in (ROOT / "tests").glob("test_*.py"):
        text = path.read_text(encoding="utf-8")
        checked |= set(re.findall(r'check_listed\("([\w/.]+)", "([\w -]+)"', text))
    there = set()
    for path in (ROOT / "guard").rglob("README.md"):
        name = str(path.relative_to(ROOT))
        there |= {(name, command) for command in re.findall(
            r"^## `([\w -]+)`\n\n\| in \|", path.read_text(encoding="utf-8"), re.MULTILINE)}
    assert there and there == checked


def test_a_field_more_or_less_is_caught() -> None:
    check = {"name": "x", "ok": True, "detail": "", "fix": "", "essential": True}
    document = {"format": 2, "ready": True, "checks": [check]}
    check_listed("guard/commands/README.md", "check", document)
    for wrong, why in (({**document, "more": 1}, "more is not listed"), ({"format": 2}, "checks is listed"),
                       ({**document, "checks": [{}]}, "fix is listed and missing"),
                       ({**document, "ready": {"at": 1}}, "ready is not listed: at")):
        with pytest.raises(AssertionError, match=why):
            check_listed("guard/commands/README.md", "check", wrong)
    assert not listed("guard/replay/README.md", "replay")["settings"], "an object of data"
