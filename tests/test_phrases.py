"""Phrases: rendered by the real speech engine, cached, repaired, replaced by the runner's own."""

from __future__ import annotations

import asyncio
import io
import time
import wave
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from rich.console import Console

from guard.commands import session_parts
from guard.decide import wording
from guard.settings import Settings
from guard.sound import phrases as phrases_module
from guard.sound import tones, wavfile
from guard.sound.own_phrases import slug
from guard.sound.phrases import Phrases

CUE_PHRASES = wording.cue_phrases(Settings())
Maker = Callable[..., Phrases]


@pytest.fixture
def notes() -> list[str]:
    return []


@pytest.fixture
def make(tmp_path: Path, notes: list[str]) -> Iterator[Maker]:
    made: list[Phrases] = []

    def maker(bank: list[str] | None = None, **changes: Any) -> Phrases:
        options: dict[str, Any] = {"voice_name": "en-us", "rate_wpm": 185, "cache_dir": tmp_path / "cache",
                                   "own_dir": tmp_path / "own",
                                   "on_note": lambda trouble: notes.append(str(trouble)), **changes}
        made.append(Phrases(CUE_PHRASES[:3] if bank is None else bank, **options))
        made[-1].start()
        return made[-1]

    yield maker
    for each in made:
        each.close()


def done(phrases: Phrases) -> Phrases:
    assert phrases.bank_done.wait(20)
    return phrases


def cached(tmp_path: Path) -> list[Path]:
    return sorted((tmp_path / "cache" / "phrases").glob("*.wav"))


def test_every_cue_phrase_is_rendered_and_no_two_sound_alike(make: Maker, notes: list[str]) -> None:
    bank = [*CUE_PHRASES, *wording.cue_phrases(Settings(belt=True)), wording.GUARD_STOPPED,
            "heart rate one forty two"]
    phrases = done(make(bank))
    spoken = {}
    for text in bank:
        pcm = phrases.pcm(text)
        assert pcm is not None, text
        assert 0.3 < len(pcm) / tones.RATE_HZ < 4, text
        assert np.sqrt(np.mean((pcm / 32_768) ** 2)) > 0.03, text
        # No wait in front: what is said begins within 50 ms.
        assert np.flatnonzero(np.abs(pcm.astype(int)) > 600)[0] < 0.05 * tones.RATE_HZ, text
        spoken[text] = pcm.tobytes()
    assert len(set(spoken.values())) == len(set(bank))
    assert not notes


def test_numbers_are_put_together_from_parts(make: Maker) -> None:
    phrases = done(make(["slow down please", "set eight point two"]))
    whole, first = phrases.pcm("slow down please", "set eight point two"), phrases.pcm("slow down please")
    assert whole is not None and first is not None
    assert len(whole) > len(first) + 5_000
    assert np.array_equal(whole[:len(first)], first)
    assert phrases.pcm("slow down please", "set nine") is None
    beginning = phrases.beginning("slow down please", "set nine")
    assert beginning is not None and np.array_equal(beginning, first)


def test_what_is_cached_is_not_rendered_again(make: Maker, tmp_path: Path) -> None:
    done(make()).close()
    before = {path: path.stat().st_mtime_ns for path in cached(tmp_path)}
    assert len(before) == 3
    done(make())
    assert {path: path.stat().st_mtime_ns for path in cached(tmp_path)} == before


@pytest.mark.parametrize("change", [{"rate_wpm": 150}, {"voice_name": "en-gb-x-rp"}])
def test_another_voice_or_rate_never_plays_the_old_file(
        make: Maker, tmp_path: Path, change: dict[str, Any]) -> None:
    first = done(make()).pcm(CUE_PHRASES[0])
    second = done(make(**change)).pcm(CUE_PHRASES[0])
    assert first is not None and second is not None
    assert first.tobytes() != second.tobytes()
    assert len(cached(tmp_path)) == 6


DAMAGES: list[Callable[[bytes], bytes]] = [
    lambda data: data[:len(data) // 2],  # torn: the header promises more
    lambda data: b"",
    lambda data: b"not sound at all" * 50,
    lambda data: data[:44] + bytes(len(data) - 44),  # silent
]


def test_damaged_cached_phrases_are_rendered_again(make: Maker, tmp_path: Path) -> None:
    bank = CUE_PHRASES[:len(DAMAGES)]
    done(make(bank)).close()
    for path, damage in zip(cached(tmp_path), DAMAGES, strict=True):
        path.write_bytes(damage(path.read_bytes()))
    phrases = done(make(bank))
    assert all(phrases.pcm(text) is not None for text in bank)
    assert all(len(wavfile.read(path)) for path in cached(tmp_path))


def test_a_phrase_damaged_while_running_is_repaired_for_the_next_time(make: Maker, tmp_path: Path) -> None:
    phrases = done(make(["heart rate one forty two"], keep=0))
    assert phrases.pcm("heart rate one forty two") is not None
    cached(tmp_path)[0].write_bytes(b"RIFF")
    assert phrases.pcm("heart rate one forty two") is None
    give_up_s = time.monotonic() + 5
    while phrases.pcm("heart rate one forty two") is None:
        assert time.monotonic() < give_up_s
        time.sleep(0.02)


def test_a_cache_that_cannot_be_written_costs_nothing_but_the_cache(
        make: Maker, tmp_path: Path, notes: list[str]) -> None:
    (tmp_path / "file").write_text("a file where a folder should be")
    phrases = done(make(cache_dir=tmp_path / "file"))
    assert all(phrases.pcm(text) is not None for text in CUE_PHRASES[:3])
    temporary = list(phrases._temporary)
    phrases.close()
    assert temporary and not any(folder.exists() for folder in temporary)
    assert not notes


def test_a_text_outside_the_bank_is_rendered_when_wanted(make: Maker) -> None:
    phrases = make(wording.phrase_bank(Settings()))
    said: list[bool] = []
    text = "quite another sentence"
    phrases.want(text, then=lambda: said.append(phrases.pcm(text) is not None))
    give_up_s = time.monotonic() + 10
    while not said:
        assert time.monotonic() < give_up_s
        time.sleep(0.01)
    assert said == [True]
    assert not phrases.bank_done.is_set()  # it did not wait for the whole bank


def _write_wav(path: Path, samples: np.ndarray, rate_hz: int, channels: int, width: int) -> None:
    path.parent.mkdir(exist_ok=True)
    scaled = np.repeat(samples, channels) * 0.5
    data = {1: lambda: (scaled * 127 + 128).astype(np.uint8).tobytes(),
            2: lambda: (scaled * 32_767).astype("<i2").tobytes(),
            3: lambda: (scaled * 2**31).astype("<i4").view(np.uint8).reshape(-1, 4)[:, 1:].tobytes(),
            4: lambda: (scaled * 2**31).astype("<i4").tobytes()}[width]()
    with wave.open(str(path), "wb") as file:
        file.setnchannels(channels)
        file.setsampwidth(width)
        file.setframerate(rate_hz)
        file.writeframes(data)


@pytest.mark.parametrize(("rate_hz", "channels", "width"), [
    (22_050, 1, 2), (44_100, 2, 2), (48_000, 1, 3), (8_000, 1, 1), (44_100, 2, 4)])
def test_the_runners_own_phrase_is_used_whatever_its_kind(
        make: Maker, tmp_path: Path, notes: list[str], rate_hz: int, channels: int, width: int) -> None:
    t_s = np.arange(rate_hz) / rate_hz
    path = tmp_path / "own" / f"{slug('slow down please')}.wav"
    _write_wav(path, np.sin(2 * np.pi * 440 * t_s), rate_hz, channels, width)
    pcm = done(make(["slow down please"])).pcm("slow down please")
    assert pcm is not None and not notes
    assert len(pcm) / tones.RATE_HZ == pytest.approx(1.0, abs=0.01)
    crossings = np.count_nonzero(np.diff(np.signbit(pcm)))
    assert crossings / 2 == pytest.approx(440, rel=0.01)


def test_a_bad_phrase_of_the_runner_is_said_once_and_spoken_anyway(
        make: Maker, tmp_path: Path, notes: list[str]) -> None:
    path = tmp_path / "own" / "slow-down-please.wav"
    path.parent.mkdir()
    path.write_bytes(b"ID3 this is no WAV file")
    assert done(make(["slow down please"])).pcm("slow down please") is not None
    assert len(notes) == 1 and str(path) in notes[0] and "PCM WAV" in notes[0]


def _words(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "own" / "words.toml"
    path.parent.mkdir()
    path.write_text(text)
    return path


def test_the_voice_says_the_runners_own_words(make: Maker, tmp_path: Path, notes: list[str]) -> None:
    bank = ["slow down please", "easy now"]
    _words(tmp_path, '"slow down please" = "easy now"')
    phrases = done(make(bank))
    said, same = (phrases.pcm(text) for text in bank)
    assert said is not None and same is not None and np.array_equal(said, same)
    assert not notes


@pytest.mark.parametrize(("text", "fix"), [
    ('"slow down pleese" = "easy"', "did you mean 'slow down please'?"),
    ('"slow down please" = 3', "write up to"),
    ('"slow down please" = "..."', "write up to"),
    ('"slow down please" = "\\u001b[31m"', "write up to"),
    ("no toml", "correct or remove it"),
])
def test_words_that_cannot_be_used_are_said_once_and_cost_nothing(
        make: Maker, tmp_path: Path, notes: list[str], text: str, fix: str) -> None:
    path = _words(tmp_path, text)
    assert done(make(["slow down please"])).pcm("slow down please") is not None
    note, = notes
    assert str(path) in note and fix in note and note.isprintable()


def test_an_unknown_voice_is_said_and_the_default_speaks(make: Maker, notes: list[str]) -> None:
    assert done(make(voice_name="no-such-voice")).pcm(CUE_PHRASES[0]) is not None
    assert len(notes) == 1 and "no-such-voice" in notes[0]


def _fake_engine(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, code: str) -> None:
    """A broken speech engine in place of the real one, for child processes only."""
    folder = tmp_path / "broken"
    folder.mkdir()
    (folder / "pyttsx3.py").write_text(code)
    monkeypatch.setenv("PYTHONPATH", str(folder))


@pytest.mark.parametrize("code", [
    "raise RuntimeError('you probably do not have eSpeak installed')",
    "import os; os.abort()",
    "def init(): raise OSError('libespeak-ng.so.1 is missing')",
])
def test_without_a_voice_it_is_said_once(
        make: Maker, tmp_path: Path, notes: list[str], monkeypatch: pytest.MonkeyPatch, code: str) -> None:
    _fake_engine(monkeypatch, tmp_path, code)
    phrases = done(make())
    assert phrases.pcm(CUE_PHRASES[0]) is None
    assert phrases.voice_missing
    assert len(notes) == 1 and "libespeak-ng1" in notes[0]


def test_an_engine_that_hangs_is_given_up(
        make: Maker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(phrases_module, "PHRASE_LIMIT_S", 0.05)
    _fake_engine(monkeypatch, tmp_path, """
import time
class Engine:
    def getProperty(self, name): return []
    def setProperty(self, name, value): pass
    def save_to_file(self, text, path): pass
    def runAndWait(self): time.sleep(60)
def init(): return Engine()
""")
    began_s = time.monotonic()
    phrases = done(make([CUE_PHRASES[0]]))
    assert phrases.pcm(CUE_PHRASES[0]) is None
    assert time.monotonic() - began_s < 15


def test_the_first_start_gets_the_voice_ready(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(session_parts, "phrase_bank", lambda settings: CUE_PHRASES[:6])
    monkeypatch.setenv("GUARD_HOME", str(tmp_path))
    monkeypatch.delenv("GUARD_SOUND", raising=False)
    out = io.StringIO()
    console = Console(file=out, force_terminal=True, width=80)
    asyncio.run(session_parts.ready_voice(Settings(), plain=False, console=console))
    assert "Getting the voice ready, this once" in out.getvalue()
    assert len(list(tmp_path.rglob("phrases/*.wav"))) == 6
    out.truncate(0)
    asyncio.run(session_parts.ready_voice(Settings(), plain=False, console=console))
    assert "Getting the voice ready, this once" not in out.getvalue()  # only the first time


@pytest.mark.parametrize("quiet", [{"speech": "tones"}, {"sound": False}])
def test_without_a_voice_nothing_is_made_ready(tmp_path: Path, quiet: dict[str, Any]) -> None:
    assert session_parts.is_first_start(Settings(), tmp_path)
    assert not session_parts.is_first_start(Settings(**quiet), tmp_path)


async def test_making_the_voice_ready_can_be_given_up(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GUARD_HOME", str(tmp_path))
    monkeypatch.delenv("GUARD_SOUND", raising=False)
    began_s = time.monotonic()
    console = Console(file=io.StringIO(), force_terminal=True)
    with pytest.raises(TimeoutError):
        await asyncio.wait_for(session_parts.ready_voice(Settings(), plain=False, console=console), 0.2)
    assert time.monotonic() - began_s < 3
