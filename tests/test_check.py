"""`guard check`: says what is missing, how to fix it, and exits accordingly."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from guard.cli import main
from guard.cues import CUES
from guard.settings import Settings
from guard.sound import preflight, tones
from guard.sound.backends import Sound
from tests.support.alsa import Capture, heard_sounds
from tests.support.documents import check_listed
from tests.support.tones_detector import PATTERNS, recognised

__all__ = ["heard_sounds"]


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("GUARD_HOME", str(tmp_path / "home"))
    return tmp_path / "home"


def checks(capsys: pytest.CaptureFixture[str]) -> tuple[int, dict[str, dict[str, Any]], bool]:
    code = main(["check", "--json", "--no-strap"])
    document = json.loads(capsys.readouterr().out)
    assert document["format"] == 2
    check_listed("guard/commands/README.md", "check", document)
    return code, {check["name"]: check for check in document["checks"]}, document["ready"]


def test_what_is_there_is_found(
        heard_sounds: Capture, home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, found, ready = checks(capsys)
    assert found["sound output"]["ok"] and "simpleaudio" in found["sound output"]["detail"]
    assert found["voice"]["ok"] and "rendered" in found["voice"]["detail"]
    assert found["log folder"]["ok"] and str(home) in found["log folder"]["detail"]
    assert code == (0 if ready else 4)
    assert ready == all(check["ok"] for check in found.values() if check["essential"])


def test_a_missing_device_is_essential_and_comes_with_its_fix(
        heard_sounds: Capture, home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    heard_sounds.remove()
    code, found, ready = checks(capsys)
    assert code == 4 and not ready
    assert not found["sound output"]["ok"] and "connect" in found["sound output"]["fix"]


def test_sound_turned_off_is_not_missing(
        home: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GUARD_SOUND", "off")
    _, found, _ = checks(capsys)
    assert found["sound output"]["ok"] and "GUARD_SOUND" in found["sound output"]["detail"]


def test_a_folder_that_cannot_be_made_is_said(
        tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "file").write_text("not a folder")
    monkeypatch.setenv("GUARD_HOME", str(tmp_path / "file" / "home"))
    monkeypatch.setenv("GUARD_SOUND", "off")
    code, found, _ = checks(capsys)
    assert code == 4
    assert not found["log folder"]["ok"] and "GUARD_HOME" in found["log folder"]["fix"]


def test_a_missing_voice_is_said_with_its_fix(
        tmp_path: Path, home: Path, capsys: pytest.CaptureFixture[str],
        monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "pyttsx3.py").write_text("raise RuntimeError('no engine')")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    monkeypatch.setenv("GUARD_SOUND", "off")
    _, found, _ = checks(capsys)
    assert not found["voice"]["ok"] and "libespeak-ng1" in found["voice"]["fix"]


class Listener:
    """A backend that keeps what it is given."""

    name = "listener"

    def __init__(self) -> None:
        self.heard: list[np.ndarray] = []

    def play(self, sound: Sound) -> None:
        self.heard.append(sound.pcm / 32_768)

    def cut(self, sound: Sound) -> None: ...

    def close(self) -> None: ...


def test_sounds_plays_every_cue_under_its_name(tmp_path: Path) -> None:
    listener = Listener()
    names = list(preflight.play_all(Settings(), listener, tmp_path))
    heard = [recognised(sound) for sound in listener.heard]
    keys = {cue.words: cue.key for cue in CUES}
    spoken = [keys.get(name.split("  ")[0], name) for name in names]
    assert heard[:-2] == spoken[:-2]
    assert heard[-1] == "guard_stopped"
    assert set(heard[:-2]) == set(PATTERNS) - {"guard_stopped"}
    lengths_s = [len(sound) / tones.RATE_HZ for sound in listener.heard[:-2]]
    assert all(1.2 < length_s < 5 for length_s in lengths_s)  # each with its words
