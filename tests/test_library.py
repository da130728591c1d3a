"""The library of sessions: listed, found, named, thrown away and brought back, checked, deleted."""

from __future__ import annotations

import json
import os
import random
import re
import resource
import shutil
import stat
import subprocess
import sys
import zipfile
from dataclasses import asdict, fields
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from guard import events as ev
from guard.cli import main
from guard.commands.options import log_path
from guard.errors import InputError, UsageError
from guard.library import everything, library
from guard.library.about import about_path, change_about, read_about
from guard.library.bin import bin_of, discard, restore
from guard.library.facts import SessionFacts, facts_from, facts_of
from guard.library.library import SessionEntry, sessions
from guard.library.search import SearchTerms, day_range, find_session, matching
from guard.log.log import SessionLog, read_log, session_header
from guard.replay.replay import replay
from guard.settings import Settings
from tests.support.documents import check_listed
from tests.support.keep import STARTED, guard_cli, invented_run, record_session
from tests.support.library import years_of_sessions

POSIX = os.name == "posix"
SETTINGS = Settings(ceiling_bpm=136, warm_up_s=0)
RECORDINGS = Path(__file__).resolve().parent.parent / "recordings"


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    spare = tmp_path / "tmp"
    spare.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(spare))
    monkeypatch.setenv("GUARD_HOME", str(tmp_path / "home"))
    return tmp_path / "home"


@pytest.fixture
def folder(home: Path) -> Path:
    """Three invented sessions of three days, made quickly."""
    place = library.sessions_dir()
    years_of_sessions(place, 3, minutes=2)
    return place


def tidy(text: str) -> str:
    return " ".join(text.split())


# facts

@pytest.mark.parametrize("path", sorted(RECORDINGS.glob("*.jsonl")), ids=lambda path: path.stem)
def test_facts_are_those_of_the_whole_log(path: Path) -> None:
    """The short way (first and last line) and the long one (every line) agree."""
    facts, recording = facts_of(path), read_log(path)
    assert facts.problem == "" and facts.notes == recording.notes and not facts.interrupted
    assert facts.duration_s == recording.end_s and facts.ceiling_bpm == recording.settings.ceiling_bpm
    assert {**facts.summary} == recording.summary
    assert facts.has_speed == any(isinstance(item, ev.Speed) and item.speed_m_s is not None
                                  for item in recording.items)
    assert facts.kind == recording.header["source"]["kind"]
    assert list(facts.marks) == [str(item.value) for item in recording.inputs if isinstance(item, ev.Mark)
                                 and item.value is not None]
    assert facts_from(json.loads(json.dumps(asdict(facts)))) == facts


def test_an_interrupted_session_has_its_totals_worked_out(tmp_path: Path) -> None:
    record_session(tmp_path / "a.jsonl", invented_run(3), SETTINGS, close=False)
    facts = facts_of(tmp_path / "a.jsonl")
    assert facts.interrupted and "interrupted" in facts.notes[0]
    assert facts.summary == replay(read_log(tmp_path / "a.jsonl"), SETTINGS).summary
    assert facts.summary["at_or_under_s"] > 60


def test_a_torn_log_is_in_the_list_up_to_where_it_goes(tmp_path: Path) -> None:
    path = tmp_path / "a.jsonl"
    record_session(path, invented_run(3), SETTINGS)
    data = path.read_bytes()
    for torn in (data[: len(data) // 2], data[: len(data) // 2] + b"\0" * 500, data[:-5], data + b'{"t":9'):
        path.write_bytes(torn)
        facts, recording = facts_of(path), read_log(path)
        assert facts.notes == recording.notes and facts.notes
        assert facts.interrupted == recording.interrupted
        assert facts.duration_s == pytest.approx(recording.end_s)


def test_cut_anywhere_the_facts_still_come(tmp_path: Path) -> None:
    whole = tmp_path / "whole.jsonl"
    record_session(whole, invented_run(0.5), SETTINGS)
    data, chance, path = whole.read_bytes(), random.Random(4), tmp_path / "a.jsonl"
    for _ in range(50):
        junk = bytearray(data[:chance.randrange(len(data))])
        for _ in range(chance.randrange(4)):
            junk[chance.randrange(len(junk) + 1):0] = chance.randbytes(chance.randrange(1, 20))
        path.write_bytes(junk)
        facts = facts_of(path)
        assert facts.problem or facts.duration_s >= 0
        assert facts.problem.isprintable() and all(note.isprintable() for note in facts.notes)
        assert facts_from(json.loads(json.dumps(asdict(facts)))) == facts


@pytest.mark.parametrize("summary", [
    None, 7, [], {"duration_s": "long"}, {"over_s": -1}, {"over_s": 1e308, "at_or_under_s": 1e308},
    {"cues": {"ease": "many", "\x1b[2J": 3, "walk": 2}}, {"cues": [1]}, {"\x1b[2J": 5}, {"over_s": True},
])
def test_a_hostile_summary_harms_no_list(
        home: Path, summary: object, capsys: pytest.CaptureFixture[str]) -> None:
    path = library.sessions_dir() / "a.jsonl"
    header = {"type": "session", "format": 1, "settings": {"ceiling_bpm": [1]}, "plan": 5,
              "source": {"kind": [], "name": "\x1b]0;x\x07"}}
    end = {"t": 5, "type": "end", "summary": summary}
    path.write_text(json.dumps(header) + "\n" + json.dumps(end) + "\n")
    entry, = sessions()
    assert entry.cue_count in (0, 2)
    assert entry.share_at_or_under is None or 0 <= entry.share_at_or_under <= 1
    for words in ([], ["--json"], ["--verify"]):
        assert main(["sessions", *words]) == 0
    assert "\x1b" not in "".join(capsys.readouterr())


@pytest.mark.parametrize(("trusted", "clock", "starts", "believed"), [
    (True, None, "2026-03-02T06:10:00+00:00", True),
    (True, "2036-03-02T06:20:00+00:00", "2026-03-02T06:10:00+00:00", True),  # a later step changes nothing
    (False, "2026-03-02T07:20:00+00:00", "2026-03-02T07:10:00+00:00", True),  # the clock was set meanwhile
    (False, None, "2026-03-02T06:10:00+00:00", False),
    (False, "tomorrow", "2026-03-02T06:10:00+00:00", False),
])
def test_when_it_began_by_what_can_be_believed(
        tmp_path: Path, trusted: bool, clock: str | None, starts: str, believed: bool) -> None:
    path = tmp_path / "a.jsonl"
    log = SessionLog(path, session_header(SETTINGS, started=STARTED, clock_trusted=trusted))
    if clock:
        log.write(ev.Clock(600.0, clock))
    log.close({"duration_s": 700})
    facts = facts_of(path)
    assert facts.started == starts and facts.clock_trusted is believed


def test_a_session_without_a_clock_is_sorted_by_its_file(home: Path) -> None:
    place = library.sessions_dir()
    years_of_sessions(place, 2, minutes=1)
    early = datetime(1970, 1, 1, tzinfo=UTC)
    SessionLog(place / "1970-01-01_0003.jsonl",
               session_header(SETTINGS, started=early, clock_trusted=False)).close({})
    assert sessions()[-1].name == "1970-01-01_0003"  # the newest file
    assert sessions()[-1].began == early and not sessions()[-1].clock_trusted


# the index

def test_the_index_spares_reading_what_has_not_changed(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    read: list[str] = []
    monkeypatch.setattr(library, "facts_of", lambda path: read.append(path.name) or facts_of(path))
    told: list[tuple[int, int]] = []
    first = sessions(progress=lambda done, total: told.append((done, total)))
    assert len(read) == 3 and told == [(0, 3), (1, 3), (2, 3), (3, 3)]
    assert sessions() == first and len(read) == 3
    changed = first[1].path
    changed.write_bytes(changed.read_bytes().replace(b'"ceiling_bpm":138.0', b'"ceiling_bpm":128.0', 1))
    os.utime(changed, ns=(1, first[1].mtime_ns + 1))
    again = sessions()
    assert read[3:] == [changed.name] and again[1].fingerprint != first[1].fingerprint
    assert again[1].ceiling_bpm == 128.0
    first[0].path.unlink()
    assert len(sessions()) == 2 and len(read) == 4


def index_file(home: Path) -> Path:
    place, = (home / "cache" / "library").iterdir()
    return place


@pytest.mark.parametrize(
    "damage", ["missing", "empty", "junk", "cut", "bit", "old", "shape", "folder", "deep"])
def test_a_bad_index_is_made_anew(home: Path, folder: Path, damage: str) -> None:
    before = sessions()
    index = index_file(home)
    data = index.read_bytes()
    if damage == "missing":
        index.unlink()
    elif damage == "folder":
        index.unlink()
        index.mkdir()
    elif damage == "shape":
        import zlib

        first = before[0]
        body = json.dumps({first.path.name: [first.size, first.mtime_ns, {"started": 5}]}).encode()
        index.write_bytes(json.dumps({"format": library.INDEX_FORMAT, "crc": zlib.crc32(body)}).encode()
                          + b"\n" + body)
    else:
        index.write_bytes({
            "empty": b"", "junk": b"\xff\x00junk", "cut": data[: len(data) // 2],
            "bit": data.replace(b"135.0", b"195.0", 1), "deep": b"[" * 100_000,
            "old": data.replace(b'"format":1', b'"format":0', 1)}[damage])
    assert sessions() == before
    if damage != "folder":
        assert index.read_bytes() == data


def test_without_a_cache_folder_the_list_is_the_same(home: Path, folder: Path) -> None:
    before = sessions()
    shutil.rmtree(home / "cache")
    (home / "cache").write_text("in the way")
    assert sessions() == before


def test_folders_have_an_index_each(home: Path, folder: Path, tmp_path: Path) -> None:
    other = tmp_path / "other"
    years_of_sessions(other, 2, minutes=1, seed=5)
    assert len(sessions()) == 3 and len(sessions(other)) == 2 and len(sessions()) == 3
    assert len(list((home / "cache" / "library").iterdir())) == 2
    assert sessions(tmp_path / "none") == []
    with pytest.raises(InputError, match="cannot read the folder"):
        sessions(next(other.glob("*.jsonl")))


def test_what_is_no_log_is_listed_with_its_problem(
        home: Path, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "notes.jsonl").write_text("hello\n")
    (folder / "empty.jsonl").touch()
    (folder / "sub.jsonl").mkdir()
    (folder / ".hidden.jsonl").write_text("part of a write")
    problems = {entry.path.name: entry.problem for entry in sessions() if entry.problem}
    assert problems.keys() == {"notes.jsonl", "empty.jsonl"}
    assert main(["sessions"]) == 0
    out = tidy(capsys.readouterr().out)
    assert "notes.jsonl: is not a session log" in out and "2 files are no session log" in out
    assert main(["sessions", "--verify"]) == 3
    assert "notes: unreadable" in capsys.readouterr().out


def cpu_s(home: Path, *words: str) -> float:
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = guard_cli("sessions", *words, home=home)
    assert done.returncode == 0, done.stderr
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


@pytest.mark.slow
def test_ten_years_are_listed_at_once(tmp_path: Path) -> None:
    """2,600 sessions, about 10 million readings; CPU time, so that a busy machine does not count."""
    took = {}
    for count in (650, 1300, 2600):
        home = tmp_path / str(count)
        readings = years_of_sessions(home / "data" / "sessions", count)
        took[count] = (cpu_s(home), min(cpu_s(home) for _ in range(3)))
        print(f"{count} sessions, {readings} readings: first {took[count][0]:.2f} s, "
              f"then {took[count][1]:.2f} s")
        shutil.rmtree(home)
    assert took[2600][0] <= 25 and took[2600][1] <= 0.7
    # Linear: twice as many more take about twice as long, not four times.
    assert took[2600][0] - took[1300][0] < 3.0 * (took[1300][0] - took[650][0])


def facts_in(one: SessionEntry) -> SessionFacts:
    return SessionFacts(**{item.name: getattr(one, item.name) for item in fields(SessionFacts)})


# finding

def entry(name: str, day: str | None = "2026-03-02T06:10:00+01:00", *, about: dict[str, object] | None = None,
          **changes: object) -> SessionEntry:
    return SessionEntry(path=Path(f"/invented/{name}.jsonl"), size=1, mtime_ns=1, about=about or {},
                        started=day, clock_trusted=True, **changes)  # type: ignore[arg-type]


MARCH = entry("2026-03-02_0610", about={"title": "Hill loop", "tags": ["Hills"]}, plan="easy hour")
APRIL = entry("2026-04-01_0030", "2026-04-01T00:30:00+02:00", marks=("bridge", "dog"))
OLD = entry("2025-12-31_2359", "2025-12-31T23:59:00-08:00",
            about={"note": {"felt": "heavy legs", "pain": ["knee"]}})
NEVER = entry("lost", None)
SOME = [OLD, MARCH, APRIL, NEVER]


@pytest.mark.parametrize(("wanted", "found"), [
    (SearchTerms(), SOME),
    (SearchTerms(("HILL",)), [MARCH]),
    (SearchTerms(("hill", "easy")), [MARCH]),
    (SearchTerms(("hill", "bridge")), []),
    (SearchTerms(("knee",)), [OLD]),
    (SearchTerms(mark="dog"), [APRIL]),
    (SearchTerms(plan="EASY"), [MARCH]),
    (SearchTerms(tag="hills"), [MARCH]),
    (SearchTerms(tag="hill"), []),
    (SearchTerms(first=date(2026, 4, 1)), [APRIL]),  # by the clock of the run, though it is March in UTC
    (SearchTerms(last=date(2025, 12, 31)), [OLD]),  # and though this is 2026 in UTC
    (SearchTerms(first=date(2026, 1, 1), last=date(2026, 3, 31)), [MARCH]),
])
def test_sessions_are_found(wanted: SearchTerms, found: list[SessionEntry]) -> None:
    assert matching(SOME, wanted) == found


@pytest.mark.parametrize(("name", "found"), [
    ("2026-03-02_0610", MARCH), ("2026-03-02_0610.jsonl", MARCH), ("2026-03-02 06:10", MARCH),
    ("2026-03", MARCH), ("hill loop", MARCH), ("2025", OLD), ("last", NEVER), ("LOST", NEVER),
])
def test_one_session_is_found_by_what_it_is_called(name: str, found: SessionEntry) -> None:
    assert find_session(SOME, name) is found


@pytest.mark.parametrize(("name", "words"), [
    ("2026", "fits 2 sessions (2026-03-02_0610, 2026-04-01_0030)"), ("lsot", "did you mean lost?"),
    ("\x1b[2J", "?[2J"), ("", "no session"), ("zzz", "--all"),
])
def test_a_name_that_does_not_tell_is_refused(name: str, words: str) -> None:
    with pytest.raises(UsageError) as caught:
        find_session(SOME, name)
    assert words in str(caught.value) and str(caught.value).isprintable()


def test_commands_take_the_names_that_are_listed(
        home: Path, folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["sessions"]) == 0
    named = re.search(r'open one: guard review "(.+)"', capsys.readouterr().out)
    newest = sessions()[-1]
    assert named is not None
    for name in (named[1], newest.name, newest.path.name, "last"):
        assert log_path(name) == str(newest.path)
    assert main(["review", named[1]]) == 0 and newest.path.stem in capsys.readouterr().out
    assert main(["replay", newest.name]) == 0
    (tmp_path / "mine.jsonl").touch()
    assert log_path(str(tmp_path / "mine.jsonl")) == str(tmp_path / "mine.jsonl"), "a file goes first"
    capsys.readouterr()
    year = newest.name[:4]
    assert main(["review", year]) == 2
    assert capsys.readouterr().err.count("\n") == 1
    assert main(["review", "nothing-like-it"]) == 3
    assert "no such file, and no session of that name" in capsys.readouterr().err


@pytest.mark.parametrize(("text", "days"), [
    ("2026-03-02", (date(2026, 3, 2), date(2026, 3, 2))), ("2026-3", (date(2026, 3, 1), date(2026, 3, 31))),
    # 2024 is a leap year, 2100 is none (Gregorian calendar, ISO 8601)
    ("2024-02", (date(2024, 2, 1), date(2024, 2, 29))), ("2100-02", (date(2100, 2, 1), date(2100, 2, 28))),
    ("2026", (date(2026, 1, 1), date(2026, 12, 31))),
])
def test_days_months_and_years(text: str, days: tuple[date, date]) -> None:
    assert day_range(text) == days


@pytest.mark.parametrize(
    "text", ["", "yesterday", "2026-02-30", "0000", "2026-13", "26-03-02", "2026-03-02T06"])
def test_what_is_no_day_is_refused(text: str) -> None:
    with pytest.raises(UsageError, match="2026-03-02"):
        day_range(text)


# words about a session

def test_words_about_a_session_stay_with_it(tmp_path: Path) -> None:
    log = tmp_path / "a.jsonl"
    change_about(log, {"effort": 4, "later": {"x": [1]}})
    change_about(log, {"title": "Gürtel \x1b[2J"})
    assert read_about(log) == {"effort": 4, "later": {"x": [1]}, "title": "Gürtel \x1b[2J"}
    assert about_path(log).read_bytes().isascii()  # harmless to show
    if POSIX:
        assert stat.S_IMODE(about_path(log).stat().st_mode) == 0o600
    change_about(log, {"title": None, "effort": None, "later": None})
    assert not about_path(log).exists()


@pytest.mark.parametrize("data", [b"", b"{", b"[]", b"\xff", b'{"format":2}', b"[" * 10_000, b" " * 300_000])
def test_words_that_cannot_be_read_are_kept_and_said(tmp_path: Path, data: bytes) -> None:
    log, said = tmp_path / "a.jsonl", list[str]()
    about_path(log).write_bytes(data)
    assert read_about(log, said.append) == {} and len(said) == 1 and str(about_path(log)) in said[0]
    with pytest.raises(InputError):
        change_about(log, {"title": "x"})
    assert about_path(log).read_bytes() == data


# the command

def test_list_name_tag_and_find(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    names = [one.name for one in sessions()]
    assert main(["sessions", "--rename", names[1], "Bridge [b]loop[/b] :warning:\x1b[2J"]) == 0
    assert main(["sessions", "--add-tag", "bridge loop", "hot"]) == 2  # the title has more to it
    assert main(["sessions", "--add-tag", names[1], "hot"]) == 0
    assert main(["sessions", "--add-tag", names[1], "HOT"]) == 0  # once is enough
    capsys.readouterr()
    assert main(["sessions"]) == 0
    out = tidy(capsys.readouterr().out)
    assert "Bridge [b]loop[/b] :warning:" in out and "#HOT" in out and "#hot" not in out and "\x1b" not in out
    assert "3 sessions" in out and "at or under the ceiling" in out
    assert main(["sessions", "LOOP", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    check_listed("guard/commands/README.md", "sessions", document)
    one, = document["sessions"]
    assert document["format"] == 1 and one["name"] == names[1] and one["tags"] == ["HOT"]
    assert one["summary"]["duration_s"] == one["duration_s"] and one["kind"] == "strap"
    assert main(["sessions", "--remove-tag", names[1], "cold"]) == 2
    assert main(["sessions", "--remove-tag", names[1], "hot"]) == 0
    assert main(["sessions", "--rename", names[1], ""]) == 0
    assert not about_path(folder / f"{names[1]}.jsonl").exists()
    assert main(["sessions", "--from", "2016-01-05", "--to", "2016"]) == 0
    assert "2 sessions" in capsys.readouterr().out
    assert main(["sessions", "--from", "2017", "--to", "2016"]) == 2
    assert main(["sessions", "--folder", "nowhere"]) == 2
    assert main(["sessions", "nothing like it"]) == 0
    assert "no session fits" in capsys.readouterr().out


def test_a_long_list_shows_the_newest(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    years_of_sessions(library.sessions_dir(), 40, minutes=1)
    assert main(["sessions"]) == 0
    short = capsys.readouterr().out
    assert main(["sessions", "--all"]) == 0
    long = capsys.readouterr().out
    assert "15 older ones are not shown" in short and "40 sessions" in short
    assert short.count("2016-") == 26 and long.count("2016-") == 41


def test_nothing_yet_says_where_to_begin(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["sessions"]) == 0
    assert "guard run" in capsys.readouterr().out
    assert not home.exists()  # looking makes no folders


def test_the_bin_and_back(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    first, second, _ = sessions()
    data = first.path.read_bytes()
    change_about(first.path, {"title": "Mine"})
    assert main(["sessions", "--delete", first.name, "no such"]) == 2
    assert len(sessions()) == 3  # nothing is moved unless all are found
    assert main(["sessions", "--delete", first.name, second.name, first.name]) == 0
    assert f"--restore {first.name}" in capsys.readouterr().out
    assert len(sessions()) == 1
    assert main(["sessions", "--bin"]) == 0
    assert "2 sessions in the bin" in tidy(capsys.readouterr().out)
    shutil.copy(bin_of(folder) / second.path.name, second.path)  # its name is taken again
    assert main(["sessions", "--restore", "mine", second.name]) == 0
    assert first.path.read_bytes() == data and read_about(first.path) == {"title": "Mine"}
    assert (folder / f"{second.name}_2.jsonl").exists()
    assert main(["sessions", "--delete", first.name]) == 0
    assert main(["sessions", "--empty-bin"]) == 2  # no terminal, no --yes
    assert main(["sessions", "--empty-bin", "--yes"]) == 0
    assert not bin_of(folder).exists() and len(sessions()) == 3


@pytest.mark.skipif(not POSIX, reason="locks")
def test_a_running_session_is_not_thrown_away(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    header = session_header(SETTINGS, started=STARTED, clock_trusted=True)
    log = SessionLog(library.sessions_dir() / "a.jsonl", header)
    assert main(["sessions", "--delete", "a"]) == 2 and main(["data", "--delete-everything", "--yes"]) == 2
    assert "being recorded" in capsys.readouterr().err
    assert main(["sessions"]) == 0 and main(["sessions", "--verify"]) == 0
    out = capsys.readouterr().out
    assert "running now" in out and "a: running" in out
    log.close({})
    assert main(["sessions", "--delete", "a"]) == 0


def test_a_bin_of_another_disk_loses_nothing(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    one = sessions()[0]
    change_about(one.path, {"title": "Mine"})
    real = Path.rename

    def rename(self: Path, target: Path) -> Path:
        if self.suffix == ".jsonl":
            raise OSError(5, "Input/output error")
        return real(self, target)

    monkeypatch.setattr(Path, "rename", rename)
    with pytest.raises(Exception, match="give write permission"):
        discard(one)
    assert one.path.exists() and read_about(one.path) == {"title": "Mine"}
    monkeypatch.undo()


def test_verify_opens_and_replays_everything(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    place = library.sessions_dir()
    for name in ("whole", "torn", "holed", "other"):
        record_session(place / f"{name}.jsonl", invented_run(2, seed=len(name)), SETTINGS)
    data = (place / "torn.jsonl").read_bytes()
    (place / "torn.jsonl").write_bytes(data[:-700])
    lines = (place / "holed.jsonl").read_bytes().split(b"\n")
    (place / "holed.jsonl").write_bytes(b"\n".join([*lines[:50], b'{"t":broken', *lines[52:]]))
    other = (place / "other.jsonl").read_text()
    (place / "other.jsonl").write_text(other.replace('"state":"steady"', '"state":"easing"', 1))
    assert main(["sessions", "--verify", "--json"]) == 3
    document = json.loads(capsys.readouterr().out)
    check_listed("guard/commands/README.md", "sessions --verify", document)
    found = {one["name"]: one for one in document["sessions"]}
    assert {name: one["state"] for name, one in found.items()} == {
        "whole": "whole", "torn": "cut", "holed": "damaged", "other": "whole"}
    assert found["whole"]["same"] is found["torn"]["same"] is True and found["other"]["same"] is False
    assert len(found["torn"]["notes"]) == 1 and "breaks off" in found["torn"]["notes"][0]
    assert main(["sessions", "--verify", "other"]) == 1
    assert main(["sessions", "--verify", "--repair", "torn"]) == 0
    assert (place / "torn.jsonl").read_bytes().endswith(b"}\n")
    assert "breaks off" not in " ".join(read_log(place / "torn.jsonl").notes)
    assert main(["sessions", "--repair"]) == 2


# private

@pytest.mark.skipif(not POSIX, reason="POSIX modes")
def test_whatever_is_written_is_for_its_owner_only(tmp_path: Path) -> None:
    """A rehearsal with sound, settings and a list under the usual umask of 022."""
    home = tmp_path / "home"
    env = {**os.environ, "GUARD_HOME": str(home), "TMPDIR": str(tmp_path), "GUARD_SOUND": ""}
    commands = [["rehearse", "--speedup", "3000", "--plain"], ["settings", "ceiling_bpm=140"],
                ["sessions", "--rehearsals"], ["sessions", "--rehearsals", "--rename", "last", "x"],
                ["data", "--export", str(tmp_path / "all.zip")]]
    code = f"from guard.cli import main\nfor words in {commands!r}: assert main(words) == 0, words"
    done = subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, text=True,
                          stdin=subprocess.DEVNULL, timeout=120, check=False, umask=0o022)
    assert done.returncode == 0, done.stderr
    places = [home, *home.rglob("*"), tmp_path / "all.zip"]
    modes = {path: stat.S_IMODE(path.stat().st_mode) for path in places}
    assert len(modes) > 6
    assert not {str(path): oct(mode) for path, mode in modes.items() if mode & 0o077}


@pytest.mark.skipif(not POSIX, reason="POSIX modes")
def test_what_others_may_read_is_said_and_closed(
        home: Path, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for path in (folder, next(folder.glob("*.jsonl"))):
        path.chmod(0o755)
    assert main(["data"]) == 0
    assert "2 places of these can be read by other users" in capsys.readouterr().out
    assert main(["data", "--make-private"]) == 0
    assert not everything.open_folders() and all(one.private for one in everything.kept())
    assert main(["data"]) == 0
    assert "other users" not in capsys.readouterr().out


def test_everything_is_taken_along_and_works_elsewhere(
        home: Path, folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
        capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["settings", "ceiling_bpm=141"]) == 0
    assert main(["sessions", "--rename", "last", "Mine"]) == 0
    assert main(["sessions", "--delete", sessions()[0].name]) == 0
    rescued = tmp_path / "tmp" / "guard-2026-03-02_0610-x.jsonl"
    shutil.copy(RECORDINGS / "hill-loop.jsonl", rescued)
    (tmp_path / "tmp" / "guard-other.jsonl").write_text("not ours")
    target = tmp_path / "all.zip"
    assert main(["data", "--export", str(target)]) == 0
    with zipfile.ZipFile(target) as archive:
        names = set(archive.namelist())
        assert archive.testzip() is None
        archive.extractall(tmp_path / "elsewhere")
    assert {"README.txt", "config/settings.toml", "rescued/guard-2026-03-02_0610-x.jsonl"} <= names
    assert sum(name.startswith("data/sessions/bin/") for name in names) == 1
    assert not any(name.startswith("cache/") for name in names)
    kept = {one.name for one in everything.kept() if not one.name.startswith("cache/")}
    assert kept == names - {"README.txt"}
    assert main(["data", "--export", str(target)]) == 2  # not over it
    assert main(["data", "--export", str(target), "--force", "--with-cache"]) == 0
    with zipfile.ZipFile(target) as archive:
        assert any(name.startswith("cache/library/") for name in archive.namelist())
    assert main(["data", "--export", str(tmp_path / "none" / "all.zip")]) == 4
    before = sessions()
    monkeypatch.setenv("GUARD_HOME", str(tmp_path / "elsewhere"))
    after = sessions()
    assert [(one.name, one.title, facts_in(one)) for one in after] == [
        (one.name, one.title, facts_in(one)) for one in before]
    capsys.readouterr()
    assert main(["settings", "ceiling_bpm"]) == 0
    assert "141" in capsys.readouterr().out


def test_everything_is_deleted_and_only_that(home: Path, folder: Path, tmp_path: Path,
                                             capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["settings", "ceiling_bpm=141"]) == 0
    sessions()
    mine = tmp_path / "mine.txt"
    mine.write_text("not the guard's")
    (home / "mine.txt").write_text("nor this")
    (tmp_path / "tmp" / "guard-other.jsonl").write_text("nor this")
    if POSIX:
        (home / "data" / "link").symlink_to(tmp_path)
    shutil.copy(RECORDINGS / "hill-loop.jsonl", tmp_path / "tmp" / "guard-x.jsonl")
    assert main(["data", "--delete-everything"]) == 2  # no terminal
    assert "--yes" in capsys.readouterr().err and len(sessions()) == 3
    assert main(["data", "--delete-everything", "--yes"]) == 0
    assert not everything.kept()
    assert not any((home / kind).exists() for kind in ("config", "data", "cache"))
    assert mine.exists() and (home / "mine.txt").exists()
    assert [path.name for path in (tmp_path / "tmp").iterdir()] == ["guard-other.jsonl"]
    assert main(["data", "--delete-everything"]) == 0  # nothing there: nothing to ask


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX terminals")
@pytest.mark.parametrize(("typed", "left"), [("yes\n", 3), ("Delete\n", 0)])
def test_deleting_everything_asks_for_a_word(home: Path, folder: Path, typed: str, left: int) -> None:
    from tests.test_session_commands import Terminal

    terminal = Terminal(home, "data", "--delete-everything", TMPDIR=str(home.parent / "tmp"))
    try:
        terminal.wait_for("Type delete to remove it")
        terminal.press(typed)
        terminal.end()
    finally:
        terminal.close()
    assert len(sessions()) == left


def test_a_restored_session_is_found_again(folder: Path) -> None:
    one = sessions()[0]
    discard(one)
    back = restore(sessions(bin_of(folder))[0])
    assert back == one.path and facts_in(sessions()[0]) == facts_in(one)
