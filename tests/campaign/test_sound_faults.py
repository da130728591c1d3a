"""Sound that is missing, goes, freezes or loses its voice: the guard goes on, says so once, sounds again."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from guard.settings import Settings
from tests.support.alsa import Capture, wait_until
from tests.support.bluez import Bluez
from tests.support.campaign import (
    PARTS,
    REGAINED_S,
    REPEATS,
    SAID_S,
    guard_run,
    heard_since,
    kept,
    lost_at_the_end_s,
)
from tests.support.fault_table import Row, worst
from tests.support.guard_run import CEILING_BPM
from tests.support.pulse import Pulse
from tests.support.sound_session import SoundSession

pytestmark = pytest.mark.slow

SOUND_TARGET = "goes on, said once, regained"


def sound_row(rows: list[Row], fault: str, live: SoundSession,
              script: Callable[[dict[str, float]], None]) -> None:
    times: dict[str, float] = {}
    live.play(lambda: script(times))
    told = [detail for _, detail in live.health() if detail and not detail.startswith("sound goes through")]
    once = all(live.shown.getvalue().count(f"note: {detail}") == 1 for detail in told)
    said_s = times["said"] - times["fault"] if "said" in times else None
    regained_s = times["again"] - times["back"] if "again" in times else None
    kept(rows, Row(fault, said_s, regained_s, None, SOUND_TARGET, once and
                   len(told) == ("said" in times) and (said_s or 0.0) <= SAID_S
                   and (regained_s or 0.0) <= REGAINED_S and live.source.longest_delay_s < 0.05,
                   f"loop held up {1000 * live.source.longest_delay_s:.0f} ms"))


def sound_session(folder: Path, speech: str = "tones") -> SoundSession:
    return SoundSession(folder, Settings(ceiling_bpm=CEILING_BPM, speech=speech))


def now(times: dict[str, float], what: str) -> None:
    times[what] = time.monotonic()


def test_sound_missing_at_the_start(rows: list[Row], heard_sounds: Capture, tmp_path: Path) -> None:
    live = sound_session(tmp_path)
    heard_sounds.remove()
    began_s = time.monotonic()

    def script(times: dict[str, float]) -> None:
        times["fault"] = began_s
        live.wait_for_health("none", "bell")
        now(times, "said")
        heard_sounds.restore()
        now(times, "back")
        live.wait_for_health("simpleaudio", timeout_s=20)
        now(times, "again")

    sound_row(rows, "sound device missing at the start", live, script)


@pytest.mark.parametrize("how", ["remove", "freeze"])
def test_sound_device(how: str, rows: list[Row], heard_sounds: Capture, tmp_path: Path) -> None:
    live = sound_session(tmp_path)

    def script(times: dict[str, float]) -> None:
        live.part_cue()
        heard_sounds.wait_for(1)
        getattr(heard_sounds, how)()
        now(times, "fault")
        live.part_cue()
        live.wait_for_health("none", "bell")
        now(times, "said")
        heard_sounds.restore()
        now(times, "back")
        live.wait_for_health("simpleaudio", timeout_s=20)
        now(times, "again")

    name = {"remove": "sound device gone, back", "freeze": "sound device never opens"}[how]
    sound_row(rows, name, live, script)


@pytest.mark.parametrize("how", ["freeze", "kill"])
def test_sound_service(how: str, rows: list[Row], pulse: Pulse, tmp_path: Path) -> None:
    live = sound_session(tmp_path)

    def script(times: dict[str, float]) -> None:
        live.part_cue()
        wait_until(lambda: bool(pulse.sounds()), 10, "a cue")
        getattr(pulse, how)()
        now(times, "fault")
        live.part_cue()
        live.wait_for_health("none", "bell")
        now(times, "said")
        pulse.thaw() if how == "freeze" else pulse.start()
        now(times, "back")
        live.wait_for_health("simpleaudio", timeout_s=20)
        now(times, "again")

    name = {"freeze": "sound service frozen", "kill": "sound service killed, restarted"}[how]
    sound_row(rows, name, live, script)


def test_sound_gone_on_a_terminal(
        rows: list[Row], bluez: Bluez, heard_sounds: Capture, tmp_path: Path) -> None:
    """The real guard: the cue is on the screen, the bell rings, and sound comes back by itself."""
    found: list[tuple[float, float, float]] = []
    with guard_run(tmp_path, bluez, env=heard_sounds.env, plan=PARTS) as run:
        run.settled()
        for _ in range(REPEATS):
            heard_since(heard_sounds, "part", run.press("n"))
            time.sleep(2)
            heard_sounds.remove()
            run.bells_s.clear()
            fault_s = run.press("n")
            said_s = run.wait_to_show("bell only", fault_s)
            run.wait_to_show("next part", fault_s)
            wait_until(lambda: bool(run.bells_s), 5, "the bell")
            rang_s = run.bells_s[0]
            time.sleep(2)
            heard_sounds.restore()
            back_s = time.monotonic()
            again_s = run.wait_for("sound", lambda one: one["backend"] == "simpleaudio", since_s=back_s)
            said = [one["backend"] for one in run.of("sound", fault_s)]
            assert said == ["bell", "simpleaudio"], "said once"
            found.append((said_s - fault_s, rang_s - fault_s, again_s - back_s))
        lost_s = lost_at_the_end_s(run, bluez)
    kept(rows, worst([
        Row("sound gone, on a terminal", said, again, lost_s, SOUND_TARGET,
            max(said, rang) <= SAID_S and again <= REGAINED_S and lost_s == 0,
            f"{REPEATS} times; bell after {rang:.2f} s") for said, rang, again in found]))


def test_sound_worker_frozen(rows: list[Row], heard_sounds: Capture, tmp_path: Path) -> None:
    """A player of the system sounds meanwhile, where there is one."""
    live = sound_session(tmp_path)

    def script(times: dict[str, float]) -> None:
        child = live.sounder._worker._active
        assert child is not None
        os.kill(child.process.pid, signal.SIGSTOP)
        now(times, "back")
        live.part_cue()
        times["again"] = heard_sounds.wait_for(1)[0].onset_s
        live.wait_for_health("simpleaudio", timeout_s=20)

    sound_row(rows, "sound worker frozen", live, script)


def test_sound_worker_killed(rows: list[Row], heard_sounds: Capture, tmp_path: Path) -> None:
    live = sound_session(tmp_path)

    def script(times: dict[str, float]) -> None:
        child = live.sounder._worker._active
        assert child is not None
        os.kill(child.process.pid, signal.SIGKILL)
        now(times, "back")
        live.part_cue()
        times["again"] = heard_sounds.wait_for(1)[0].onset_s

    sound_row(rows, "sound worker killed", live, script)


def test_voice_missing(rows: list[Row], heard_sounds: Capture, tmp_path: Path,
                       monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "broken").mkdir()
    (tmp_path / "broken" / "pyttsx3.py").write_text("raise OSError('libespeak-ng.so.1: cannot open')")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path / "broken"))
    live = sound_session(tmp_path, "short")
    began_s = time.monotonic()

    def script(times: dict[str, float]) -> None:
        times["fault"] = began_s
        wait_until(lambda: any("no voice" in detail for _, detail in live.health()), 10, "the news")
        now(times, "said")
        now(times, "back")
        live.part_cue()
        times["again"] = heard_sounds.wait_for(1)[0].onset_s

    sound_row(rows, "voice missing", live, script)
