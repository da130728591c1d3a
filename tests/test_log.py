"""The session log: exact, whole after any crash, patient with a failing disk."""

from __future__ import annotations

import errno
import json
import os
import random
import signal
import stat
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from guard import events as ev
from guard.cli import main
from guard.errors import GuardError, InputError, UsageError
from guard.log import log as log_module
from guard.log.log import (
    SessionLog,
    from_record,
    new_session_path,
    read_log,
    repair,
    to_record,
    write_recording,
)
from guard.log.recording import parse_log
from guard.log.records import from_line, to_line
from guard.replay.replay import same_as_recorded
from guard.settings import RETIRED
from tests.support.keep import events, header, small_log

POSIX = os.name == "posix"
RECORDINGS = Path(__file__).resolve().parent.parent / "recordings"


class Ticker:
    """A monotonic clock moved by hand."""

    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


def told(said: list[str]) -> Callable[[str, bool], None]:
    return lambda sentence, works: said.append(sentence)


# round trips

@given(events)
def test_an_event_comes_back_exactly(event: ev.Input | ev.Output) -> None:
    line = to_line(to_record(event))
    assert line.count(b"\n") == 1
    assert from_record(from_line(line)) == event
    # JSON (RFC 8259) as another parser of the same text sees it
    assert json.loads(line)["t"] == event.t_s


@given(st.lists(events, max_size=30))
@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
def test_a_session_comes_back_exactly(tmp_path: Path, items: list[ev.Input | ev.Output]) -> None:
    items.sort(key=lambda item: item.t_s)
    path = tmp_path / "session.jsonl"
    path.unlink(missing_ok=True)
    log = SessionLog(path, header(words=0.1 + 0.2))
    for item in items:
        log.write(item)
    assert log.close({"over_s": 1 / 3}) == path
    recording = read_log(path)
    assert list(recording.items) == items
    assert recording.notes == () and not recording.damaged
    assert recording.summary == {"over_s": 1 / 3}
    assert recording.settings.words == 0.1 + 0.2
    assert recording.inputs + recording.outputs == sorted(
        items, key=lambda item: isinstance(item, ev.CueGiven | ev.StateChanged | ev.ReadingDoubted))


def test_numpy_numbers_are_logged_as_plain_ones() -> None:
    record = to_record(ev.Reading(np.float64(1.5), np.int64(131), np.bool_(True)))  # type: ignore[arg-type]
    assert from_line(to_line(record)) == {
        "t": 1.5, "type": "reading", "bpm": 131, "contact": True, "rr_s": []}


def test_a_number_that_is_not_finite_is_logged_as_unknown() -> None:
    record = to_record(ev.Speed(1.0, float("nan"), float("inf"), 170.0))
    assert record == {"t": 1.0, "type": "speed", "cadence_spm": 170.0}


@pytest.mark.parametrize("name", ["\x1b[2J", "\x9b31m", "\u2028", "a\x7fb", "\ud800", "[red]x[/red]", "\x00"])
def test_a_hostile_name_is_kept_and_shown_harmless(name: str) -> None:
    event = ev.Link(1.0, ev.LinkState.CONNECTED, name)
    line = to_line(to_record(event))
    assert line.decode().rstrip("\n").isprintable()
    assert from_record(from_line(line)) == event


def test_names_stay_readable() -> None:
    assert "Gürtel 心".encode() in to_line(to_record(ev.Link(1.0, ev.LinkState.LOST, "Gürtel 心")))


# writing

def test_the_header_says_what_a_reader_needs(tmp_path: Path) -> None:
    small_log(tmp_path / "a.jsonl")
    first = json.loads((tmp_path / "a.jsonl").read_text(encoding="utf-8").splitlines()[0])
    assert first["type"] == "session" and first["format"] == 1
    assert first["started"] == "2026-03-02T06:10:00+00:00" and first["clock_trusted"] is True
    assert first["settings"]["ceiling_bpm"] == 139 and first["source"] == {"kind": "test"}
    assert {"guard", "plan"} <= first.keys()


def test_an_existing_session_is_never_written_over(tmp_path: Path) -> None:
    path = tmp_path / "a.jsonl"
    path.write_text("mine")
    log = SessionLog(path, header())
    assert log.close({}) == tmp_path / "a_2.jsonl" and log.path == tmp_path / "a_2.jsonl"
    with pytest.raises(UsageError, match="--force"):
        write_recording(path, header(), [])
    assert path.read_text() == "mine"
    write_recording(path, header(), [], force=True)
    assert read_log(path).notes == ()


def test_a_folder_or_device_is_never_replaced(tmp_path: Path) -> None:
    for place in (tmp_path, Path(os.devnull)):
        with pytest.raises(UsageError, match="not a file"):
            write_recording(place, header(), [], force=True)


@pytest.mark.skipif(not POSIX, reason="POSIX modes")
def test_only_the_owner_can_read_a_session(tmp_path: Path) -> None:
    small_log(tmp_path / "a.jsonl")
    write_recording(tmp_path / "b.jsonl", header(), [])
    assert stat.S_IMODE((tmp_path / "a.jsonl").stat().st_mode) == 0o600
    assert stat.S_IMODE((tmp_path / "b.jsonl").stat().st_mode) == 0o600


def test_session_names_are_unique(tmp_path: Path) -> None:
    began = datetime(2026, 3, 2, 6, 10)
    first = new_session_path(began, tmp_path)
    assert first.name == "2026-03-02_0610.jsonl"
    first.touch()
    second = new_session_path(began, tmp_path)
    assert second.name == "2026-03-02_0610_2.jsonl"


def test_each_line_is_one_write_and_what_matters_is_synced_at_once(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    clock, writes, syncs = Ticker(), [], []
    real_write, real_sync = os.write, os.fsync
    monkeypatch.setattr(os, "write", lambda fd, data: writes.append(data) or real_write(fd, data))
    monkeypatch.setattr(os, "fsync", lambda fd: syncs.append(clock.now_s) or real_sync(fd))
    log = SessionLog(tmp_path / "a.jsonl", header(), clock=clock)
    syncs.clear()
    for second in range(1, 13):
        clock.now_s += 1
        log.write(ev.Reading(float(second), 120))
    assert syncs == [103.0, 106.0, 109.0, 112.0]  # every 3 s
    log.write(ev.CueGiven(12.0, ev.Cue.EASE, "x"))
    log.write(ev.Link(12.0, ev.LinkState.LOST))
    assert syncs[4:] == [112.0, 112.0]
    log.write(ev.Reading(13.0, 120))
    clock.now_s += 6
    log.tick()  # idle: nothing more is written, and yet it reaches the disk
    assert syncs[6:] == [118.0]
    log.close({})
    assert len(syncs) == 8
    assert all(line.endswith(b"\n") and line.count(b"\n") == 1 for line in writes)
    assert b"".join(writes) == (tmp_path / "a.jsonl").read_bytes()


class FailingDisk:
    """os.write that takes `room` bytes more, then says the disk is full."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.room = 10**9
        self._write = os.write
        monkeypatch.setattr(os, "write", self)

    def __call__(self, fd: int, data: bytes) -> int:
        if self.room <= 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        written = self._write(fd, data[: self.room])
        self.room -= written
        return written


@pytest.mark.parametrize("room", [0, 1, 30, 61, 500])
def test_a_full_disk_loses_nothing_once_it_has_room_again(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch, room: int) -> None:
    clock, said = Ticker(), []
    disk = FailingDisk(monkeypatch)
    log = SessionLog(tmp_path / "a.jsonl", header(), clock=clock, report=told(said))
    disk.room = room  # in the middle of a line, too
    items = [ev.Reading(float(second), 100 + second) for second in range(20)]
    for item in items:
        clock.now_s += 1
        log.write(item)
    assert log.failing and len(said) == 1 and "No space left" in said[0] and "goes on" in said[0]
    disk.room = 10**9
    clock.now_s += 3
    log.tick()
    assert not log.failing and len(said) == 2 and "recording again, nothing is missing" in said[1]
    log.close({"duration_s": 20})
    recording = read_log(tmp_path / "a.jsonl")
    assert list(recording.items) == items and recording.notes == ()


def test_a_disk_that_stays_full_leaves_the_whole_session_elsewhere(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    said: list[str] = []
    disk = FailingDisk(monkeypatch)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "rescue"))
    (tmp_path / "rescue").mkdir()
    log = SessionLog(tmp_path / "a.jsonl", header(), report=told(said))
    log.write(ev.Reading(1.0, 120))
    disk.room = 17
    log.write(ev.Reading(2.0, 121))
    kept = log.close({"duration_s": 2})
    assert kept is not None and kept.parent == tmp_path / "rescue" and str(kept) in said[-1]
    recording = read_log(kept)
    assert [item.bpm for item in recording.items] == [120, 121]  # type: ignore[union-attr]
    assert recording.notes == ()


def test_a_missing_folder_does_not_stop_the_session(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    clock, said = Ticker(), []
    log = SessionLog(tmp_path / "gone" / "a.jsonl", header(), clock=clock, report=told(said))
    log.write(ev.Reading(1.0, 120))
    assert log.failing and len(said) == 1
    (tmp_path / "gone").mkdir()
    clock.now_s += 3
    log.write(ev.Reading(2.0, 121))
    assert log.close({}) == tmp_path / "gone" / "a.jsonl"
    assert len(read_log(tmp_path / "gone" / "a.jsonl").items) == 2


def test_memory_is_bounded_and_what_is_lost_is_said(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    clock = Ticker()
    disk = FailingDisk(monkeypatch)
    monkeypatch.setattr(log_module, "KEPT_BYTES", 2000)
    log = SessionLog(tmp_path / "a.jsonl", header(), clock=clock)
    disk.room = 10
    for second in range(1000):
        log.write(ev.Reading(float(second), 120))
    assert log._waiting_bytes <= 2000 and log._waiting_bytes == sum(map(len, log._waiting))
    disk.room = 10**9
    clock.now_s += 3
    log.close({})
    recording = read_log(tmp_path / "a.jsonl")
    assert recording.damaged and "lines are missing" in recording.notes[0]
    lost = next(record["lines"] for record in recording.unknown if record["type"] == "gap")
    assert lost + len(recording.items) == 1000
    assert recording.items[-1] == ev.Reading(999.0, 120)


# damage

def test_a_log_cut_at_any_byte_opens_with_every_whole_line(tmp_path: Path) -> None:
    items = small_log(tmp_path / "whole.jsonl")
    data = (tmp_path / "whole.jsonl").read_bytes()
    head = data.index(b"\n")
    path = tmp_path / "cut.jsonl"
    lines = data.split(b"\n")[1:-2]
    # A line is whole with its last brace; only its newline may be missing.
    ends = [sum(map(len, data.split(b"\n")[:place + 2])) + place + 1 for place in range(len(lines))]
    for size in range(len(data)):
        for tail in (b"", b"\0" * 5):
            cut = data[:size] + tail
            if size < head:
                with pytest.raises(InputError):
                    parse_log("cut", cut)
                continue
            recording = parse_log("cut", cut)
            whole = sum(end <= size for end in ends)
            assert list(recording.items) == items[:whole], size
            assert not recording.damaged
            if size < len(data) - 1:
                assert recording.notes
            if size % 40 == 0:  # a file is read by the same lines
                path.write_bytes(cut)
                assert read_log(path).items == recording.items
                assert path.read_bytes() == cut  # reading never changes a file


def test_repair_cuts_only_the_tail(tmp_path: Path) -> None:
    small_log(tmp_path / "a.jsonl")
    path = tmp_path / "a.jsonl"
    data = path.read_bytes()
    assert repair(path) == 0 and path.read_bytes() == data
    for tail in (b'{"t":9.0,"type":"rea', b"\0" * 4096, b'{"t":9\0\0\0'):
        path.write_bytes(data + tail)
        assert repair(path) == len(tail)
        assert path.read_bytes() == data
    middle = data.replace(b'"type":"mark"', b'"type":mark"')
    path.write_bytes(middle)
    assert repair(path) == 0 and path.read_bytes() == middle


@pytest.mark.parametrize(("line", "word"), [
    (b'{"t":2,"type":"reading","bpm":NaN}', "NaN"),
    (b'{"t":2,"type":"reading","bpm":1e999}', "bpm"),
    (b'{"t":1e999,"type":"reading","bpm":120}', "t is"),
    (b'{"t":1e300,"type":"reading","bpm":120}', "t is"),
    (b'{"t":-1,"type":"reading","bpm":120}', "t is"),
    (b'{"t":true,"type":"reading","bpm":120}', "t is"),
    (b'{"t":2,"type":"reading","bpm":' + b"9" * 4000 + b"}", "bpm"),
    (b'{"t":2,"type":"reading","bpm":' + b"9" * 9000 + b"}", "integer string"),
    (b'{"t":2,"type":"reading","bpm":131.5}', "whole"),
    (b'{"t":2,"type":"reading","bpm":"131"}', "bpm"),
    (b'{"t":2,"type":"reading"}', "bpm"),
    (b'{"t":2,"type":"reading","bpm":120,"raw":"xyz"}', "hex"),
    (b'{"t":2,"type":"reading","bpm":120,"rr_s":[null]}', "rr_s"),
    (b'{"t":2,"type":"reading","bpm":120,"rr_s":7}', "rr_s"),
    (b'{"t":2,"type":"reading","bpm":120,"contact":1}', "contact"),
    (b'{"t":2,"type":"cue","cue":"dance"}', "dance"),
    (b'{"t":2,"type":"cue","cue":["ease"]}', "cue"),
    (b'{"t":2,"type":"link","state":"lost","name":5}', "name"),
    (b'{"t":2,"type":"speed","speed_m_s":-3}', "speed_m_s"),
    (b'{"t":2,"type":"speed","speed_m_s":[]}', "speed_m_s"),
    (b"[" * 100_000, "nested"),
    (b'{"a":' * 100_000, "nested"),
    (b"\xff\xfe\x00", "UTF-8"),
    (b"hello", "JSON"),
    (b"7", "object"),
    (b"x" * 3_000_000, "JSON"),
])
def test_a_damaged_line_is_skipped_and_named(tmp_path: Path, line: bytes, word: str) -> None:
    path = tmp_path / "a.jsonl"
    items = small_log(path)
    lines = path.read_bytes().split(b"\n")
    path.write_bytes(b"\n".join([*lines[:4], line, *lines[4:]]))
    recording = read_log(path)
    assert list(recording.items) == items
    assert len(recording.notes) == 1 and recording.damaged
    assert recording.notes[0].startswith("line 5 skipped: ") and word in recording.notes[0]
    assert len(recording.notes[0]) < 250


def test_a_time_that_runs_backward_is_skipped(tmp_path: Path) -> None:
    path = tmp_path / "a.jsonl"
    small_log(path)
    lines = path.read_bytes().split(b"\n")
    path.write_bytes(b"\n".join([*lines[:8], b'{"t":0.1,"type":"reading","bpm":120}', *lines[8:]]))
    assert "before" in read_log(path).notes[0]


def test_a_log_with_settings_of_old_opens_with_one_note(
        tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, old = RECORDINGS / "walk-run.jsonl", tmp_path / "old.jsonl"
    first, rest = path.read_text(encoding="utf-8").split("\n", 1)
    known = json.loads(first)
    for key in ("strictness", "words", "walk_first"):
        del known["settings"][key]
    known["settings"] |= {"lead_s": 20.0, "certainty": 0.6, "settle_s": 8.0, "resume_margin_bpm": 8.0,
                          "repeat_s": 18.0, "walk_after_s": 140.0, "budget_per_h": "many",
                          "restart_response_s": 22.0}
    old.write_text(json.dumps(known) + "\n" + rest, encoding="utf-8")
    recording = read_log(old)
    (note,) = recording.notes
    assert all(key in note for key in RETIRED) and "`guard settings lead_s` says" in note and len(note) < 250
    assert not recording.damaged and recording.settings == read_log(path).settings
    assert same_as_recorded(recording).same
    for words in (["replay", old], ["replay", old, "--verify"], ["review", old, "--ceiling", "141"]):
        assert main(list(map(str, words))) == 0
        out, err = capsys.readouterr()
        assert (out + err).count("lead_s") == 2, words  # once, and in the fix
    assert main(["replay", str(old), "--set", "budget_per_h=5"]) == 2
    assert "words sets how many" in capsys.readouterr().err


def test_what_a_newer_guard_wrote_is_kept_and_ignored(tmp_path: Path) -> None:
    path = tmp_path / "a.jsonl"
    items = small_log(path)
    text = path.read_text(encoding="utf-8")
    text = text.replace('"bpm":131', '"bpm":131,"new_field":{"a":1}')
    text = text.replace('"words"', '"later_setting":1,"words"')
    lines = text.split("\n")
    lines.insert(3, '{"t":0.7,"type":"weather","celsius":21}')
    path.write_text("\n".join(lines), encoding="utf-8")
    recording = read_log(path)
    assert list(recording.items) == items
    assert recording.unknown == ({"t": 0.7, "type": "weather", "celsius": 21},)
    assert not recording.damaged and "later_setting" in recording.notes[0]


def test_a_flood_of_junk_is_counted_not_printed(tmp_path: Path) -> None:
    path = tmp_path / "a.jsonl"
    small_log(path)
    path.write_bytes(path.read_bytes() + b"junk\n" * 5000)
    notes = read_log(path).notes
    assert len(notes) == 21 and "4980 more" in notes[20]


@pytest.mark.parametrize(("data", "word"), [
    (b"", "is empty"),
    (b"time,hr\n1,120\n", "guard import"),
    (b"\0" * 4096, "not a session log"),
    (b"\x7fELF" + bytes(range(256)), "not a session log"),
    (b"[]\n", "not a session log"),
    (b'{"type":"reading"}\n', "does not say"),
    (b'{"type":"session"}\n', "format"),
    (b'{"type":"session","format":NaN}\n', "not JSON"),
    (b'{"type":"session","format":1e999}\n', "format"),
    (b'{"type":"session","format":' + b"9" * 9999 + b"}\n", "not JSON"),
    (b'{"type":"session","format":' + b"9" * 4000 + b"}\n", "newer"),
    (b'{"type":"session","format":2}\n', "newer"),
    (b'{"type":"session","form', "breaks off"),
    (b'{"type":"session","format":1,"settings":{"ceiling_bpm":120,"floor_bpm":150}}\n', "contradict"),
    (b"{" * 2_000_000, "not a session log"),
    (b'{"a":' * 150_000, "not a session log"),
])
def test_what_is_no_log_is_refused_in_one_sentence(tmp_path: Path, data: bytes, word: str) -> None:
    path = tmp_path / "junk.jsonl"
    path.write_bytes(data)
    with pytest.raises(InputError, match=word) as caught:
        read_log(path)
    assert str(path) in str(caught.value) and len(str(caught.value)) < 400


def test_a_file_that_cannot_be_opened_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="No such file"):
        read_log(tmp_path / "none.jsonl")
    with pytest.raises(InputError, match="directory"):
        read_log(tmp_path)


def test_random_junk_never_crashes_the_reader(tmp_path: Path) -> None:
    chance = random.Random(7)
    small_log(tmp_path / "a.jsonl")
    good = (tmp_path / "a.jsonl").read_bytes()
    head = good.index(b"\n")
    path = tmp_path / "junk.jsonl"
    opened = 0
    for _ in range(1000):
        data = bytearray(good)
        first = chance.choice([0, head, head])  # spare the header more often than not
        for _ in range(chance.randint(1, 12)):
            place = chance.randrange(first, len(data) - 30)
            match chance.randrange(5):
                case 0:
                    data[place] = chance.randrange(256)
                case 1:
                    del data[place:place + chance.randint(1, 30)]
                case 2:
                    data[place:place] = chance.randbytes(chance.randint(1, 20))
                case 3:
                    data[place:place + 1] = chance.choice(
                        [b"NaN", b"1e999", b"null", b"[", b'"', b"-", b"\n"])
                case 4:
                    other = chance.randrange(len(data) - 30)
                    data[place:place + 20] = data[other:other + 20]
        path.write_bytes(data)
        try:
            recording = read_log(path)
        except InputError:
            continue
        opened += 1
        assert all(len(note) < 300 and note.isprintable() for note in recording.notes)
    assert opened > 300


# crash

WRITER = """
import sys, itertools
from pathlib import Path
from guard.events import CueGiven, Cue, Reading
from guard.log.log import SessionLog
log = SessionLog(Path(sys.argv[1]), {"type": "session", "format": 1, "settings": {}})
print("ready", flush=True)
for n in itertools.count():
    log.write(Reading(n / 1000, n % 200))
"""


@pytest.mark.skipif(not POSIX, reason="kill -9")
def test_kill_9_leaves_a_log_without_a_hole(tmp_path: Path) -> None:
    chance = random.Random(3)
    for trial in range(3):
        path = tmp_path / f"{trial}.jsonl"
        child = subprocess.Popen([sys.executable, "-c", WRITER, str(path)], stdout=subprocess.PIPE)
        assert child.stdout is not None and child.stdout.readline()
        time.sleep(chance.uniform(0.01, 0.2))
        child.send_signal(signal.SIGKILL)
        child.wait()
        child.stdout.close()
        recording = read_log(path)
        assert not recording.damaged and recording.summary is None
        assert [item.t_s for item in recording.items] == [n / 1000 for n in range(len(recording.items))]
        assert len(recording.items) > 10


def test_folders_follow_one_variable_and_are_private(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from guard.files import folders

    monkeypatch.setenv("GUARD_HOME", str(tmp_path / "home"))
    assert folders.config_dir(make=False) == tmp_path / "home" / "config"
    assert not (tmp_path / "home").exists()
    for folder in (folders.config_dir(), folders.data_dir(), folders.cache_dir(), folders.sessions_dir()):
        assert folder.is_dir() and folder.is_relative_to(tmp_path / "home")
        if POSIX:
            assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("GUARD_HOME", str(tmp_path / "file"))
    with pytest.raises(GuardError, match="GUARD_HOME"):
        folders.config_dir()


def test_folders_without_the_variable_are_the_platforms(
        monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    from guard.files import folders

    monkeypatch.delenv("GUARD_HOME", raising=False)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "c"))
    if sys.platform == "linux":  # XDG Base Directory Specification 0.8
        assert folders.config_dir(make=False) == tmp_path / "c" / "guard"


@pytest.mark.skipif(sys.platform != "linux", reason="Linux clocks")
def test_a_clock_without_battery_is_trusted_once_it_is_synchronised(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from guard import clock

    now = datetime(2026, 3, 2).astimezone()
    for synchronised in (True, False):
        monkeypatch.setattr(clock, "_synchronised", lambda state=synchronised: state)
        assert clock.clock_is_trusted(now, tmp_path) is synchronised
    (tmp_path / "rtc0").mkdir()
    assert clock.clock_is_trusted(now, tmp_path)
    assert not clock.clock_is_trusted(datetime(1970, 1, 1).astimezone(), tmp_path)
    monkeypatch.undo()
    assert clock._synchronised() in (True, False)  # the kernel answers
