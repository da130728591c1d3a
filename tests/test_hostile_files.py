"""Files as an editor, a bad disk or a joker leaves them: refused in one sentence, or read; never more.

The properties hold for the same checks as the long search (`python -m tests.fuzz`);
below them stands what that search has found, once each.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import struct
import sys
import wave
from dataclasses import asdict
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from guard.cli import main
from guard.errors import GuardError, InputError, SettingError
from guard.library import facts
from guard.library.about import about_path, change_about, read_about
from guard.library.library import sessions
from guard.log import recording, series
from guard.settings import Settings
from guard.settings import file as settings_file
from guard.sound.own_phrases import LARGEST_WORDS_BYTES, WORDS_FILE, OwnPhrases
from guard.sound.wavfile import BadWav, read
from tests.fuzz import seeds
from tests.fuzz.mutate import HOSTILE, NUMBERS, VALUES
from tests.fuzz.targets import TARGETS

# -- properties

FEW = settings(max_examples=4, deadline=None, database=None,
               suppress_health_check=[HealthCheck.function_scoped_fixture])
PIECES = st.sampled_from([*HOSTILE, *(number for number in NUMBERS if len(number) < 50), *VALUES,
                          *(bytes([sign]) for sign in b"=,\n\"[]{}:#'")]) | st.binary(max_size=6)


@st.composite
def spoilt(draw: st.DrawFn, name: str) -> bytes:
    """A sound file of that kind with lines gone, doubled and swapped, and pieces put in anywhere."""
    lines = draw(st.sampled_from(TARGETS[name].seeds())).split(b"\n")
    order = draw(st.lists(st.integers(0, len(lines) - 1), max_size=8))
    data = b"\n".join(lines if not order else [*lines[:1], *(lines[number] for number in order)])
    for piece in draw(st.lists(PIECES, max_size=4)):
        at = draw(st.integers(0, len(data)))
        data = data[:at] + piece + data[at + draw(st.integers(0, 3)):]
    return data


@given(st.data())
@FEW
@pytest.mark.parametrize("name", [
    "log", "review", "csv", "settings", "plan", "track", "journal", "about", "index", "words", "wav",
    "progress"])
def test_a_spoilt_file_is_read_or_refused(name: str, tmp_path: Path, data: st.DataObject):
    TARGETS[name].check(data.draw(spoilt(name)), tmp_path)


@given(st.binary(max_size=64))
@settings(max_examples=100, deadline=None, database=None,
          suppress_health_check=[HealthCheck.function_scoped_fixture])
@pytest.mark.parametrize("name", ["heart_rate", "treadmill", "foot_pod"])
def test_any_packet_is_read_or_refused(name: str, tmp_path: Path, packet: bytes):
    TARGETS[name].check(packet, tmp_path)


# -- what was found

def log_in(folder: Path, data: bytes | None = None) -> Path:
    path = folder / "invented.jsonl"
    path.write_bytes(seeds.small_log() if data is None else data)
    return path


def one_sentence(error: BaseException, *words: str) -> None:
    text = str(error)
    assert text.isprintable() and len(text) < 1000
    assert all(word in text for word in words), text


@pytest.mark.skipif(sys.platform == "win32", reason="other limits of a name")
@pytest.mark.parametrize("words", [["replay"], ["review"], ["plan"], ["import", "--time", "t", "-o", "x"]])
def test_a_name_that_the_system_refuses(words: list[str], capsys: pytest.CaptureFixture[str]):
    name = "x" * 300 + "\x1b[2J"
    assert main([words[0], name, *words[1:]]) in (2, 3)
    said = capsys.readouterr().err
    assert said.count("\n") == 1 and said.isascii() and "\x1b" not in said
    assert "fault in the guard" not in said


@pytest.mark.parametrize("effort", ["Infinity", "NaN", "1e999", "[" * 3000 + "]" * 3000])
def test_words_beside_a_log_that_are_no_json(effort: str, tmp_path: Path):
    log = log_in(tmp_path)
    about_path(log).write_text(f'{{"format": 1, "title": "hills", "felt": {effort}}}')
    before = about_path(log).read_bytes()
    notes: list[str] = []
    assert read_about(log, notes.append) == {}
    assert len(notes) == 1 and notes[0].isprintable()
    with pytest.raises(InputError) as error:
        change_about(log, {"title": "other"})
    one_sentence(error.value, "invented.about.json", "move it away")
    assert about_path(log).read_bytes() == before


def test_words_beside_a_log_that_can_be_read_but_not_written(tmp_path: Path):
    log = log_in(tmp_path)
    about_path(log).write_text('{"format": 1, "felt": ' + "[" * 900 + "1" + "]" * 900 + "}")
    if read_about(log):  # how deep that is, is Python's affair
        with contextlib.suppress(InputError):
            change_about(log, {"title": "other"})


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes")
def test_a_pipe_in_the_folder_is_not_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv("GUARD_HOME", str(tmp_path / "home"))
    log = log_in(tmp_path)
    os.mkfifo(about_path(log))
    os.mkfifo(tmp_path / "other.jsonl")
    assert [entry.path for entry in sessions(tmp_path)] == [log]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes")
@pytest.mark.parametrize("words", [
    ["replay"], ["review"], ["plan"], ["tune"], ["learn"], ["export", "-o", "x"],
    ["import", "--time", "t", "--heart-rate", "b", "-o", "x"]])
def test_a_pipe_in_place_of_a_file_is_refused_at_once(
    words: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str],
):
    os.mkfifo(tmp_path / "run")
    assert main([words[0], str(tmp_path / "run"), *words[1:]]) == 3
    said = capsys.readouterr().err
    assert "is a pipe or a device: save it as a file and name that" in said


def test_a_file_that_no_session_can_fill(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(recording, "LARGEST_LOG_BYTES", 1000)
    log = log_in(tmp_path)
    assert "too large" in facts.facts_of(log).problem
    for reads in (recording.read_log, series.read_series):
        with pytest.raises(InputError) as error:
            reads(log)
        one_sentence(error.value, "too large", "move it away")


def test_a_log_left_on_for_a_day_with_next_to_nothing_in_it_is_not_gone_through(tmp_path: Path):
    lines = seeds.small_log().splitlines(keepends=True)
    last = b'{"t":86000.0,"type":"reading","bpm":120,"contact":true,"rr_s":[]}\n'
    found = facts.facts_of(log_in(tmp_path, b"".join(lines[:20]) + last))
    assert (found.problem, found.duration_s, found.summary, found.interrupted) == ("", 86000.0, {}, True)


@pytest.mark.parametrize(("key", "value"), [
    ("started", "2026-03-02T06:10:00"), ("started", "2026-03-02T06:1e999:00+01:00"),
    ("summary", {"over_s": "many"}), ("summary", {"cues": {"\x1b[2J": 1}})])
def test_an_index_that_lies_is_not_believed(key: str, value: object, tmp_path: Path):
    stored = json.loads(json.dumps(asdict(facts.facts_of(log_in(tmp_path)))))
    facts.facts_from(dict(stored))
    with pytest.raises(ValueError):
        facts.facts_from({**stored, key: value})


@pytest.mark.parametrize("key", ["words", "ceiling_bpm", "voice", "stop_bpm", "unheard_of", "sound"])
def test_a_setting_of_thousands_of_digits(key: str, tmp_path: Path):
    path = tmp_path / "settings.toml"
    path.write_text(f"{key} = 0x{'f' * 6000}\n")
    with pytest.raises(SettingError) as error:
        Settings().replaced(settings_file.load(path))
    one_sentence(error.value, key)


def test_settings_that_can_be_read_but_not_changed(tmp_path: Path):
    path = tmp_path / "settings.toml"
    text = "[table]\nx = " + "[" * 150 + "1" + "]" * 150 + "\n"
    path.write_text(text)
    with pytest.raises(SettingError) as error:
        settings_file.save({"words": 0.3}, path)
    one_sentence(error.value, "settings.toml", "editor")
    assert path.read_text() == text


@pytest.mark.parametrize("text", [
    '"slow down please" = ' + "[" * 3000, "#" * (LARGEST_WORDS_BYTES + 1), "\x00", "a = 1\na = 2"])
def test_own_words_that_cannot_be_read(text: str, tmp_path: Path):
    (tmp_path / WORDS_FILE).write_text(text)
    notes: list[str] = []
    own = OwnPhrases(tmp_path, lambda trouble: notes.append(str(trouble)))
    own.read([])
    assert len(notes) == 1 and notes[0].isprintable() and "own words are spoken" in notes[0]
    assert own.words("slow down please") == "slow down please"


def sound(width: int) -> bytes:
    buffer = io.BytesIO()
    with wave.open(buffer, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(width)
        file.setframerate(22_050)
        file.writeframes(bytes(200 * width))
    return buffer.getvalue()


SOUND = sound(2)


@pytest.mark.parametrize("data", [
    SOUND[:20], SOUND[:50], b"", b"RIFF", SOUND[:4] + b"\xff\xff\xff\xff" + SOUND[8:],
    SOUND[:16] + struct.pack("<I", 0x7FFFFFFF) + SOUND[20:], SOUND[:34] + struct.pack("<H", 40) + SOUND[36:],
    SOUND[:22] + struct.pack("<H", 0) + SOUND[24:], SOUND[:24] + struct.pack("<I", 0) + SOUND[28:],
    SOUND[:12] + b"junk\x03\x02\x00\x00" + SOUND[12:]])
def test_a_torn_sound_file(data: bytes, tmp_path: Path):
    path = tmp_path / "slow-down-please.wav"
    path.write_bytes(data)
    try:
        assert len(read(path)) > 0
    except BadWav as error:
        one_sentence(error)


def test_every_error_a_user_can_meet_has_its_code():
    kinds = [GuardError]
    for kind in kinds:
        kinds += kind.__subclasses__()
    assert all(kind.exit_code in (1, 2, 3, 4) for kind in kinds)
