"""Everything that can happen to sound during a session, done for real.

Each time: the loop is never held up, the runner hears of it once on screen and
in the log, and sound comes back without a restart. All of them, those with a
private sound service too: `.venv/bin/python -m pytest -m "slow or not slow" -n 0 -s
tests/test_sound_faults.py`.
"""

from __future__ import annotations

import os
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from guard.events import Cue
from guard.settings import Settings
from guard.sound import health, player
from tests.support.alsa import Capture, heard_sounds, wait_until
from tests.support.pulse import Pulse, pulse
from tests.support.sound_session import SoundSession
from tests.support.tones_detector import recognised

__all__ = ["heard_sounds", "pulse"]

LONGEST_DELAY_S = 0.050
PART_WORDS = "the next part begins now"


@pytest.fixture(autouse=True)
def soon(monkeypatch: pytest.MonkeyPatch) -> None:
    """Lost ways out are tried again soon, and only what is said here is rendered."""
    monkeypatch.setattr(health, "PROBE_OFTEN_S", 0.5)
    monkeypatch.setattr(player, "phrase_bank", lambda settings: [PART_WORDS])


def session(folder: Path, speech: str = "tones", cache_dir: Path | None = None) -> SoundSession:
    return SoundSession(folder, Settings(ceiling_bpm=139, speech=speech), cache_dir=cache_dir)


def sounding(live: SoundSession) -> None:
    """Wait until a cue is being played."""
    wait_until(lambda: (now := live.sounder._current) is not None and now[0].cue is Cue.PART, 5, "a cue")


def checked(live: SoundSession, script: Callable[[], None], *troubles: str) -> None:
    """Play the script; each of `troubles` must have been told exactly once, the loop never held up."""
    live.play(script)
    print(f"the loop was held up by {1_000 * live.source.longest_delay_s:.0f} ms at most")
    assert live.source.longest_delay_s < LONGEST_DELAY_S
    told = [detail for _, detail in live.health() if detail]
    # A service that comes and goes may answer another player first; that is told too.
    lost = [detail for detail in told if not detail.startswith("sound goes through")]
    assert len(lost) == len(troubles), told
    for words, detail in zip(troubles, lost, strict=True):
        assert words in detail
    for detail in told:
        assert live.shown.getvalue().count(f"note: {detail}") == 1, live.shown.getvalue()
        assert "CODE" not in detail


def test_the_watch_sees_a_loop_held_up(heard_sounds: Capture, tmp_path: Path) -> None:
    live = session(tmp_path)

    def script() -> None:
        live.source.call(lambda: time.sleep(0.1))
        time.sleep(0.3)

    live.play(script)
    assert live.source.longest_delay_s > LONGEST_DELAY_S


@pytest.mark.slow
@pytest.mark.parametrize("during_a_sound", [False, True])
def test_the_sound_service_is_killed(
        pulse: Pulse, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, during_a_sound: bool) -> None:
    live = session(tmp_path, speech="short")

    def script() -> None:
        wait_until(lambda: live.sounder._phrases.pcm(PART_WORDS) is not None, 10, "words")  # type: ignore[union-attr]
        live.part_cue()
        if during_a_sound:
            sounding(live)
            time.sleep(0.3)
        else:
            sounding(live)
            wait_until(lambda: live.sounder._current is None, 5, "the end of the cue")
        pulse.kill()
        if not during_a_sound:
            live.part_cue()
        live.wait_for_health("none", "bell")
        pulse.start()
        live.wait_for_health("simpleaudio")
        heard = len(pulse.sounds())
        live.part_cue()
        wait_until(lambda: len(pulse.sounds()) > heard, 10, "a cue after the return")
        assert recognised(pulse.sounds()[-1]) == "part"

    checked(live, script, "connect a sound output")


@pytest.mark.slow
def test_the_sound_service_freezes_in_the_middle_of_a_sound(pulse: Pulse, tmp_path: Path) -> None:
    live = session(tmp_path, speech="short")

    def script() -> None:
        wait_until(lambda: live.sounder._phrases.pcm(PART_WORDS) is not None, 10, "words")  # type: ignore[union-attr]
        live.part_cue()
        sounding(live)
        time.sleep(0.3)
        frozen_s = time.monotonic()
        pulse.freeze()
        live.wait_for_health("none", "bell")
        print(f"a frozen sound service is said after {time.monotonic() - frozen_s:.1f} s")
        pulse.thaw()
        live.wait_for_health("simpleaudio")
        heard = len(pulse.sounds())
        live.part_cue()
        wait_until(lambda: len(pulse.sounds()) > heard, 10, "a cue after the return")

    checked(live, script, "the sound device ")


@pytest.mark.parametrize("how", ["remove", *(
    pytest.param(how, marks=pytest.mark.slow) for how in ("swallow", "freeze"))])
def test_the_devices_configuration_changes(heard_sounds: Capture, tmp_path: Path, how: str) -> None:
    """Removed: nothing to open. Swallowed: it takes everything at once. Frozen: opening never returns."""
    live = session(tmp_path, speech="short")

    def script() -> None:
        live.part_cue()
        heard_sounds.wait_for(1)
        getattr(heard_sounds, how)()
        live.part_cue()
        live.wait_for_health("none", "bell")
        heard_sounds.restore()
        live.wait_for_health("simpleaudio")
        heard = len(heard_sounds.sounds())
        live.part_cue()
        assert recognised((sound := heard_sounds.wait_for(heard + 1)[-1]).samples, sound.rate_hz) == "part"

    checked(live, script, {"remove": "no sound device is set up", "swallow": "ended too early",
                           "freeze": "does not answer"}[how])


@pytest.mark.slow  # test_sounder.py has the same without a session
@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSTOP])
def test_the_sound_worker_is_killed_or_frozen(heard_sounds: Capture, tmp_path: Path, number: int) -> None:
    """Killed, the spare takes over: nothing to tell. Frozen, a system player does meanwhile."""
    live = session(tmp_path)

    def script() -> None:
        for heard in range(1, 4 if number == signal.SIGKILL else 2):
            child = live.sounder._worker._active
            assert child is not None
            os.kill(child.process.pid, number)
            live.part_cue()
            assert recognised((sound := heard_sounds.wait_for(heard)[-1]).samples, sound.rate_hz) == "part"
            wait_until(lambda: live.sounder._current is None, 5, "the end of the cue")
        live.wait_for_health("simpleaudio")

    checked(live, script)


def test_the_voice_library_is_missing(
        heard_sounds: Capture, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "broken").mkdir()
    (tmp_path / "broken" / "pyttsx3.py").write_text("raise OSError('libespeak-ng.so.1: cannot open')")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path / "broken"))
    live = session(tmp_path, speech="short")

    def script() -> None:
        wait_until(lambda: any("no voice" in detail for _, detail in live.health()), 10, "the news")
        live.part_cue()
        sound, = heard_sounds.wait_for(1)
        assert sound.length_s < 0.6 and recognised(sound.samples, sound.rate_hz) == "part"

    checked(live, script, "no voice, tones only")


@pytest.fixture
def tiny_disk(tmp_path: Path) -> Iterator[Path]:
    """A mounted disk of 256 KiB; needs root."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=256k", "guard-test", str(folder)]
    if os.geteuid() != 0 or subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("needs root to mount a small disk")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


@pytest.mark.slow  # test_phrases.py has the same for the phrases alone
@pytest.mark.parametrize("how", ["full", "read-only"])
def test_the_cache_cannot_be_written(
        heard_sounds: Capture, tmp_path: Path, tiny_disk: Path, how: str) -> None:
    """Phrases are kept elsewhere for this session: nothing is lost, so there is nothing to tell."""
    if how == "full":
        (tiny_disk / "filler").write_bytes(bytes(244_000))  # leaves room for a trial, not for a phrase
    else:
        subprocess.run(["mount", "-o", "remount,ro", str(tiny_disk)], check=True)
    live = session(tmp_path, speech="short", cache_dir=tiny_disk)

    def script() -> None:
        wait_until(lambda: live.sounder._phrases.pcm(PART_WORDS) is not None, 15, "words")  # type: ignore[union-attr]
        live.part_cue()
        assert heard_sounds.wait_for(1)[0].length_s > 1.0

    checked(live, script)


@pytest.mark.slow
def test_a_cached_phrase_is_damaged(heard_sounds: Capture, tmp_path: Path) -> None:
    live = session(tmp_path, speech="short")

    def first() -> None:
        wait_until(lambda: live.sounder._phrases.pcm(PART_WORDS) is not None, 15, "words")  # type: ignore[union-attr]

    checked(live, first)
    cached = list((tmp_path / "cache" / "phrases").glob("*.wav"))
    for path in cached:
        path.write_bytes(path.read_bytes()[:2_000])
    (tmp_path / "again").mkdir()
    again = SoundSession(tmp_path / "again", live.settings, cache_dir=tmp_path / "cache")

    def second() -> None:
        wait_until(lambda: again.sounder._phrases.pcm(PART_WORDS) is not None, 15, "words")  # type: ignore[union-attr]
        before = len(heard_sounds.sounds())  # the goodbye of the session before
        again.part_cue()
        assert heard_sounds.wait_for(before + 1)[-1].length_s > 1.0

    checked(again, second)
    assert all(len(path.read_bytes()) > 20_000 for path in cached)
