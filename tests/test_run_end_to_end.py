"""The real `guard run`: strap to sound to log, every part real but radio and air.

A separate process, started as a user would, talks through bleak to an emulated
BlueZ on a private D-Bus and plays into a captured ALSA device. The heart rate
is invented: it climbs through the ceiling, the strap drops and comes back.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from guard.log.log import read_log
from guard.replay.replay import same_as_recorded
from tests.support.alsa import Capture, heard_sounds  # noqa: F401
from tests.support.bluez import start_bluez
from tests.support.tones_detector import recognised

STRAP = "C8:00:00:00:00:07"
CEILING_BPM = 139


@pytest.fixture
def home(tmp_path: Path) -> Path:
    folder = tmp_path / "home"
    folder.mkdir()
    return folder


def _lines(path: Path) -> list[dict]:
    return [json.loads(line) for line in path.read_text().splitlines() if line]


def _until(condition, limit_s: float, what: str):
    ends = time.monotonic() + limit_s
    while time.monotonic() < ends:
        value = condition()
        if value:
            return value
        time.sleep(0.1)
    raise AssertionError(f"not within {limit_s} s: {what}")


def test_a_run_from_strap_to_sound_to_log(home: Path, heard_sounds: Capture, tmp_path: Path):  # noqa: F811
    with start_bluez() as bluez:
        bluez.add_strap(STRAP, "Invented strap", bpm=128, interval_s=1.0, battery=64)
        env = {**os.environ, **bluez.env, "ALSA_CONFIG_PATH": os.environ["ALSA_CONFIG_PATH"],
               "GUARD_HOME": str(home), "PYTHONUNBUFFERED": "1"}
        with (tmp_path / "out").open("wb") as out, (tmp_path / "err").open("wb") as err:
            process = subprocess.Popen(
                [sys.executable, "-m", "guard", "run", "--ceiling", str(CEILING_BPM), "--set", "warm_up_s=0"],
                env=env, stdout=out, stderr=err, stdin=subprocess.DEVNULL)
        try:
            log = _until(lambda: next(iter((home / "data").rglob("*.jsonl")), None), 15, "a log")

            def records(kind: str) -> list[dict]:
                return [line for line in _lines(log) if line["type"] == kind]

            def more_readings(count: int, what: str) -> None:
                wanted = len(records("reading")) + count
                _until(lambda: len(records("reading")) >= wanted, 2 * count + 10, f"{count} readings {what}")

            more_readings(8, "at the start")
            # Through the ceiling by nearly a beat a second, as at the start of a climb.
            for bpm in range(129, 150):
                bluez.change(STRAP, bpm=bpm)
                time.sleep(1.2)
                if any(cue["cue"] == "ease" for cue in records("cue")):
                    break
            ease = _until(lambda: [c for c in records("cue") if c["cue"] == "ease"], 10, "the ease cue")[0]
            assert f"ceiling {CEILING_BPM}" in ease["reason"]
            over = [r["t"] for r in records("reading") if r["bpm"] > CEILING_BPM]
            # Due when the crossing is foreseen; at the latest a few seconds after the first reading over.
            assert not over or ease["t"] <= over[0] + 5.0
            bluez.change(STRAP, bpm=132)
            more_readings(8, "after easing")

            bluez.drop(STRAP, advertising=False)
            _until(lambda: [c for c in records("cue") if c["cue"] == "signal_lost"], 15, "sensor lost")
            bluez.change(STRAP, advertising=True)
            _until(lambda: [c for c in records("cue") if c["cue"] == "signal_back"], 15, "sensor back")
            more_readings(6, "with the strap back")
            time.sleep(2.5)  # the last phrase ends
            process.send_signal(signal.SIGINT)
            assert process.wait(15) == 130
        finally:
            if process.poll() is None:
                process.kill()
                process.wait()

    errors = (tmp_path / "err").read_text()
    assert "Traceback" not in errors
    recording = read_log(log)
    assert recording.notes == ()
    kinds = [line["type"] for line in _lines(log)]
    assert kinds[0] == "session" and kinds[-1] == "end"
    cues = [line["cue"] for line in _lines(log) if line["type"] == "cue"]
    assert [cue for cue in cues if cue != "ease"] == ["signal_lost", "signal_back"]
    comparison = same_as_recorded(recording)
    assert comparison.same, comparison

    heard = [recognised(sound.samples, sound.rate_hz) for sound in heard_sounds.sounds()]
    assert heard[: len(cues)] == cues
    assert len(heard) <= len(cues) + 1  # "guard stopped", spoken at the end
    out_text = (tmp_path / "out").read_text()
    assert "foreseen" in out_text and str(log.name) in out_text + errors
