"""The sounder against a captured device: order, cutting, failing, coming back."""

from __future__ import annotations

import itertools
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from guard.decide.wording import GUARD_STOPPED
from guard.events import Cue, CueGiven
from guard.settings import Settings
from guard.sound import backends, player, tones, worker_backend
from guard.sound import health as health_module
from guard.sound.backends import CommandBackend, Cut, Failed, Sound
from guard.sound.player import Sounder
from guard.sound.worker_backend import WorkerBackend, meaning
from tests.support.alsa import Capture, Heard, heard_sounds, wait_until
from tests.support.reasons import FORESEEN
from tests.support.tones_detector import recognised

__all__ = ["heard_sounds"]

Start = Callable[..., Sounder]


@pytest.fixture
def health() -> list[tuple[str, str]]:
    return []


@pytest.fixture
def start(heard_sounds: Capture, tmp_path: Path, health: list[tuple[str, str]],
          monkeypatch: pytest.MonkeyPatch) -> Iterator[Start]:
    """Starts a sounder that has found its way out; tones only unless told otherwise."""
    monkeypatch.setattr(health_module, "PROBE_OFTEN_S", 0.2)
    (tmp_path / "cache").mkdir()
    made: list[Sounder] = []

    def starter(**changes: Any) -> Sounder:
        settings = Settings(**{"speech": "tones", **changes})
        sounder = Sounder(settings, cache_dir=tmp_path / "cache",
                          on_health=lambda backend, detail: health.append((backend, detail)))
        made.append(sounder)
        sounder.start()
        wait_until(lambda: bool(health), 10, "the first news of sound")
        return sounder

    yield starter
    for sounder in made:
        sounder.close()


def given(cue: Cue, **more: Any) -> CueGiven:
    return CueGiven(1.0, cue, "ease", FORESEEN, **more)


def key(sound: Heard) -> str:
    return recognised(sound.samples, sound.rate_hz)


def is_playing(sounder: Sounder, cue: Cue) -> bool:
    current = sounder._current
    return current is not None and current[0].cue is cue


def worker_of(sounder: Sounder) -> int:
    child = sounder._worker._active
    assert child is not None
    return child.process.pid


def test_a_cue_is_its_tone_and_then_its_words(start: Start, heard_sounds: Capture) -> None:
    sounder = start(speech="short")
    assert sounder._phrases is not None
    wait_until(lambda: sounder._phrases.pcm("slow down please") is not None, 10, "the phrase")  # type: ignore[union-attr]
    sounder.cue(given(Cue.EASE))
    sound, = heard_sounds.wait_for(1)
    assert key(sound) == "ease"
    tone_s, words_s = (len(pcm) / tones.RATE_HZ for pcm in (
        tones.tone(Cue.EASE), sounder._phrases.pcm("slow down please")))  # type: ignore[arg-type]
    assert sound.length_s == pytest.approx(tone_s + 0.08 + words_s, abs=0.1)
    words = sound.samples[int((tone_s + 0.1) * sound.rate_hz):]
    assert np.sqrt(np.mean(words**2)) > 0.02


def test_no_call_holds_up_the_caller_even_when_the_device_is_stuck(
        start: Start, heard_sounds: Capture, health: list[tuple[str, str]],
        monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(worker_backend, "STARTED_LIMIT_S", 0.3)
    monkeypatch.setattr(worker_backend, "OVERTIME_S", 0.3)
    monkeypatch.setattr(backends, "OVERTIME_S", 0.3)
    sounder = start()
    heard_sounds.freeze()
    longest_s = 0.0
    for cue in (Cue.PART, Cue.EASE, Cue.WALK, Cue.STOP, Cue.SIGNAL_LOST, Cue.SIGNAL_BACK):
        for call in (lambda cue=cue: sounder.cue(given(cue)), sounder.tick, lambda: sounder.say("x"),
                     lambda: sounder.mute(False)):
            began_s = time.monotonic()
            call()
            longest_s = max(longest_s, time.monotonic() - began_s)
        time.sleep(0.1)
    assert longest_s < 0.05
    wait_until(lambda: health[-1][0] in ("none", "bell"), 10, "news of the stuck device")
    heard_sounds.restore()
    wait_until(lambda: health[-1][0] == "simpleaudio", 10, "the device's return")
    sounder.cue(given(Cue.RESUME))
    assert key(heard_sounds.wait_for(1)[-1]) == "resume"


def test_a_killed_worker_costs_at_most_the_rest_of_one_sound(
        start: Start, heard_sounds: Capture, health: list[tuple[str, str]]) -> None:
    sounder = start()
    os.kill(worker_of(sounder), signal.SIGKILL)
    sounder.cue(given(Cue.EASE))
    assert key(heard_sounds.wait_for(1)[0]) == "ease"
    # Only then: a cue that cuts another short ends the worker itself.
    wait_until(lambda: sounder._current is None, 3, "the end of the ease cue")

    sounder.cue(given(Cue.STOP))
    wait_until(lambda: is_playing(sounder, Cue.STOP), 2, "the stop tone")
    time.sleep(0.1)
    os.kill(worker_of(sounder), signal.SIGKILL)
    assert key(heard_sounds.wait_for(3)[-1]) == "stop"  # the spare says it whole
    assert [backend for backend, _ in health] == ["simpleaudio"]


def test_a_frozen_worker_is_replaced(start: Start, heard_sounds: Capture) -> None:
    sounder = start()
    os.kill(worker_of(sounder), signal.SIGSTOP)
    began_s = time.monotonic()
    sounder.cue(given(Cue.WALK))
    sound, = heard_sounds.wait_for(1)
    assert key(sound) == "walk"
    assert sound.onset_s - began_s < 1.5


def test_without_a_device_it_is_said_once_and_regained(
        start: Start, heard_sounds: Capture, health: list[tuple[str, str]], tmp_path: Path) -> None:
    heard_sounds.remove()
    sounder = start()
    assert health[0][0] in ("none", "bell")
    for _ in range(3):
        sounder.cue(given(Cue.EASE))
        time.sleep(0.3)
    assert len(health) == 1
    assert "no sound device is set up" in health[0][1] and "guard check" in health[0][1]
    assert "CODE" not in health[0][1]  # that is kept behind, for whoever looks into it
    assert "CODE" in (tmp_path / "cache" / "sound-debug.log").read_text()
    heard_sounds.restore()
    wait_until(lambda: health[-1][0] == "simpleaudio", 5, "the device's return")
    sounder.cue(given(Cue.WALK))
    assert key(heard_sounds.wait_for(1)[0]) == "walk"


@pytest.mark.parametrize(("raw", "ours"), [
    ("Error opening PCM device. -- CODE: -2 -- MSG: No such file or directory", "no sound device is set up"),
    ("Error opening PCM device. -- CODE: -16 -- MSG: Device or resource busy", "in use by another program"),
    ("Error opening PCM device. -- CODE: -111 -- MSG: Connection refused", "service does not answer"),
    ("Weak argument", "cannot be opened"),
])
def test_a_library_is_quoted_in_our_own_words(raw: str, ours: str) -> None:
    assert ours in meaning(raw) and "CODE" not in meaning(raw)


def test_without_the_audio_library_a_system_player_takes_over(
        start: Start, heard_sounds: Capture, health: list[tuple[str, str]], tmp_path: Path,
        monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "simpleaudio.py").write_text("raise ImportError('not built')")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    sounder = start()
    assert health[0][0] == "aplay" and "not installed" in health[0][1]
    sounder.cue(given(Cue.RESUME))
    assert key(heard_sounds.wait_for(1)[0]) == "resume"


def test_a_device_that_swallows_sound_is_noticed(
        start: Start, heard_sounds: Capture, health: list[tuple[str, str]]) -> None:
    sounder = start()
    heard_sounds.swallow()
    sounder.cue(given(Cue.STOP))
    wait_until(lambda: health[-1][0] != "simpleaudio", 5, "news")
    assert health[-1][0] in ("none", "bell")


@pytest.mark.parametrize(("first", "second"), [
    (Cue.WALK, Cue.STOP), (Cue.PART, Cue.EASE),
    (Cue.SIGNAL_LOST, Cue.SIGNAL_BACK),  # what is being said is no longer true
])
def test_what_matters_more_cuts_in(start: Start, heard_sounds: Capture, first: Cue, second: Cue) -> None:
    sounder = start()
    sounder.cue(given(first))
    wait_until(lambda: is_playing(sounder, first), 2, "the first tone")
    time.sleep(0.05)
    decided_s = time.monotonic()
    sounder.cue(given(second))
    heard = heard_sounds.wait_for(2)
    assert key(heard[-1]) == second.key
    assert heard[-1].onset_s - decided_s < 0.3


def test_a_late_cut_ends_only_the_sound_it_names(heard_sounds: Capture) -> None:
    backend = WorkerBackend()
    first, second = Sound(tones.tone(Cue.PART)), Sound(tones.tone(Cue.STOP))
    backend.play(first)
    playing = threading.Thread(target=backend.play, args=(second,))
    playing.start()
    for _ in range(50):
        backend.cut(first)
        time.sleep(0.01)
    playing.join(5)
    assert [key(sound) for sound in heard_sounds.wait_for(2)] == ["part", "stop"]  # none a second time
    assert heard_sounds.sounds()[-1].length_s == pytest.approx(second.length_s, abs=0.05)
    third = Sound(tones.tone(Cue.WALK))
    backend.cut(third)  # before it begins
    with pytest.raises(Cut):
        backend.play(third)
    backend.close()
    assert len(heard_sounds.sounds()) == 2


def test_what_matters_less_waits_its_turn(start: Start, heard_sounds: Capture) -> None:
    sounder = start()
    sounder.cue(given(Cue.STOP))
    wait_until(lambda: is_playing(sounder, Cue.STOP), 2, "the stop tone")
    sounder.cue(given(Cue.PART))
    sounder.cue(given(Cue.EASE))
    heard = heard_sounds.wait_for(3)
    assert [key(sound) for sound in heard] == ["stop", "ease", "part"]
    for before, after in itertools.pairwise(heard):
        assert after.began_s >= before.began_s + before.length_s - 0.1  # never two at once


def test_a_cue_that_comes_too_late_is_dropped(
        start: Start, heard_sounds: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(player, "STALE_S", 0.5)
    sounder = start()
    sounder.cue(given(Cue.STOP))  # longer than half a second
    wait_until(lambda: is_playing(sounder, Cue.STOP), 2, "the stop tone")
    sounder.cue(given(Cue.EASE))
    heard_sounds.wait_for(1)
    time.sleep(0.4)
    assert [key(sound) for sound in heard_sounds.sounds()] == ["stop"]


def test_muted_only_stop_and_the_sensor_sound(start: Start, heard_sounds: Capture) -> None:
    sounder = start()
    sounder.mute(True)
    for cue in (Cue.EASE, Cue.WALK, Cue.RESUME, Cue.PART, Cue.PICK_UP, Cue.BATTERY_LOW):
        sounder.cue(given(cue))
    sounder.tick()
    sounder.cue(given(Cue.STOP))
    heard_sounds.wait_for(1)
    sounder.cue(given(Cue.SIGNAL_LOST))
    assert [key(sound) for sound in heard_sounds.wait_for(2)] == ["stop", "signal_lost"]


def test_status_is_spoken_though_it_was_not_rendered_yet(start: Start, heard_sounds: Capture) -> None:
    sounder = start(speech="short")
    sounder.say("heart rate one thirty one", "room eight")
    sound, = heard_sounds.wait_for(1)
    assert 1.0 < sound.length_s < 3.5


def test_the_tick_is_short_and_soft_and_gives_way(start: Start, heard_sounds: Capture) -> None:
    sounder = start()
    sounder.cue(given(Cue.EASE))
    wait_until(lambda: is_playing(sounder, Cue.EASE), 2, "the tone")
    sounder.tick()  # something sounds: left out
    heard_sounds.wait_for(1)
    wait_until(lambda: sounder._current is None, 2, "the end of the tone")
    sounder.tick()
    ease, tick = heard_sounds.wait_for(2)
    assert tick.length_s < 0.1
    assert np.abs(tick.samples).max() < 0.5 * np.abs(ease.samples).max()


def test_goodbye_is_said_before_closing(start: Start, heard_sounds: Capture) -> None:
    sounder = start(speech="short")
    sounder.close(GUARD_STOPPED)
    sound, = heard_sounds.sounds()
    assert 0.4 < sound.length_s < 1.5
    time.sleep(0.3)
    assert len(heard_sounds.sounds()) == 1  # and the worker adds no last words


def test_closing_leaves_no_process_and_no_thread(start: Start) -> None:
    sounder = start(speech="short")
    children = [sounder._worker._active, sounder._worker._spare]
    began_s = time.monotonic()
    sounder.close()
    assert time.monotonic() - began_s < 2
    assert all(child is None or child.process.poll() is not None for child in children)
    wait_until(lambda: not [t for t in threading.enumerate() if t.name.startswith("sound")], 2, "threads")


def test_the_worker_says_guard_stopped_when_the_guard_dies(
        heard_sounds: Capture, tmp_path: Path) -> None:
    program = f"""
import os, pathlib, threading, time
from guard.settings import Settings
from guard.sound.player import Sounder
from guard.sound.worker_backend import WorkerBackend, meaning
found = threading.Event()
sounder = Sounder(Settings(speech="short"), cache_dir=pathlib.Path({str(tmp_path)!r}),
                  on_health=lambda backend, detail: found.set())
sounder.start()
assert found.wait(10)
give_up_s = time.monotonic() + 15
while sounder._phrases.pcm("guard stopped") is None and time.monotonic() < give_up_s:
    time.sleep(0.01)
time.sleep(0.2)
print(time.monotonic(), flush=True)
os.kill(os.getpid(), 9)
"""
    died = subprocess.run([sys.executable, "-c", program], timeout=40, check=False, stdout=subprocess.PIPE)
    sound, = heard_sounds.wait_for(1)
    assert key(sound) == "guard_stopped"
    print(f"guard stopped: heard {1e3 * (sound.onset_s - float(died.stdout)):.0f} ms after the guard's end")
    assert sound.onset_s - float(died.stdout) < 1.0
    assert sound.length_s > len(tones.stopped()) / tones.RATE_HZ + 0.4  # tone and words
    time.sleep(0.3)
    assert len(heard_sounds.sounds()) == 1  # the spare keeps quiet


@pytest.mark.parametrize("turn_off", ["environment", "setting"])
def test_sound_can_be_turned_off(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, turn_off: str) -> None:
    news: list[tuple[str, str]] = []
    if turn_off == "environment":
        monkeypatch.setenv("GUARD_SOUND", "off")
    sounder = Sounder(Settings(sound=turn_off != "setting"), cache_dir=tmp_path,
                      on_health=lambda backend, detail: news.append((backend, detail)))
    sounder.start()
    sounder.cue(given(Cue.STOP))
    sounder.say("anything")
    wait_until(lambda: bool(news), 2, "the news")
    sounder.close("goodbye")
    assert [backend for backend, _ in news] == ["off"]
    assert not list(tmp_path.iterdir())


def test_a_failing_listener_does_not_stop_sound(heard_sounds: Capture, tmp_path: Path) -> None:
    def fails(backend: str, detail: str) -> None:
        raise RuntimeError("the loop is closed")

    sounder = Sounder(Settings(speech="tones"), cache_dir=tmp_path, on_health=fails)
    sounder.start()
    sounder.cue(given(Cue.WALK))
    assert key(heard_sounds.wait_for(1)[0]) == "walk"
    sounder.close()


def test_players_that_want_a_file_get_one(heard_sounds: Capture) -> None:
    CommandBackend("aplay", ["aplay", "-q"], takes_file=True).play(Sound(tones.tone(Cue.PART)))
    assert key(heard_sounds.wait_for(1)[0]) == "part"
    with pytest.raises(Failed, match="false cannot play"):
        CommandBackend("false", ["false"], takes_file=False).play(Sound(tones.tone(Cue.PART)))
    with pytest.raises(Failed, match="cannot be started"):
        CommandBackend("none", ["/nonexistent"], takes_file=True).play(Sound(tones.tone(Cue.PART)))


@pytest.mark.slow
def test_decided_to_first_sample_is_quick(start: Start, heard_sounds: Capture) -> None:
    sounder = start()  # tones alone: quicker to hear out, and begun alike
    cues = [Cue.PART, Cue.PICK_UP, Cue.RESUME, Cue.EASE]
    waits_s = []
    for number in range(200):
        decided_s = time.monotonic()
        sounder.cue(given(cues[number % len(cues)]))
        waits_s.append(heard_sounds.wait_for(number + 1)[-1].onset_s - decided_s)
        wait_until(lambda: sounder._current is None, 5, "the end")
    median_s, p99_s = np.quantile(waits_s, [0.5, 0.99])
    print(f"decided to first sample: median {median_s * 1e3:.1f} ms, p99 {p99_s * 1e3:.1f} ms, "
          f"worst {max(waits_s) * 1e3:.1f} ms over {len(waits_s)} cues")
    assert median_s <= 0.025 and p99_s <= 0.060
