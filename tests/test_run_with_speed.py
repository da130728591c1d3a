"""The real `guard run` with a strap, a treadmill and a foot pod, all remembered.

A process of its own, started as a user would, talks through bleak to an
emulated BlueZ on a private D-Bus. Heart rate, belt and steps are invented: the
treadmill vanishes and returns, then the heart rate climbs through the ceiling.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from itertools import pairwise
from pathlib import Path

import pytest

from guard.devices import remembered as straps
from guard.devices.seen import RememberedDevice
from guard.log.log import read_log
from guard.replay.replay import same_as_recorded
from tests.support.bluez import Bluez, start_bluez

pytestmark = pytest.mark.skipif(
    sys.platform != "linux" or not shutil.which("dbus-daemon"), reason="needs Linux and dbus-daemon")

STRAP, BELT, POD = "C8:00:00:00:00:01", "00:11:22:00:00:02", "C8:00:00:00:00:03"


@pytest.fixture
def home(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    monkeypatch.setenv("GUARD_HOME", str(tmp_path / "home"))
    straps.remember(RememberedDevice("Invented strap", STRAP))
    straps.remember(RememberedDevice("Invented treadmill", BELT), "treadmill")
    straps.remember(RememberedDevice("Invented foot pod", POD), "foot_pod")
    return tmp_path / "home"


class Run:
    """A `guard run` under way, its log and what it printed."""

    def __init__(self, bluez: Bluez, folder: Path, home: Path, *words: str) -> None:
        self.home, self.out, self.err = home, folder / "out", folder / "err"
        env = {**os.environ, **bluez.env, "PYTHONUNBUFFERED": "1"}
        with self.out.open("wb") as out, self.err.open("wb") as err:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "guard", "run", "--ceiling", "139", "--set", "warm_up_s=0",
                 "--set", "sound=false", "--set", "gain_bpm_per_m_s=25", *words],
                env=env, stdout=out, stderr=err, stdin=subprocess.DEVNULL)

    @property
    def log(self) -> Path | None:
        return next(iter((self.home / "data").rglob("*.jsonl")), None)

    def records(self, kind: str = "", **like: object) -> list[dict]:
        """Whole lines of the log, of one kind and with these values."""
        lines = self.log.read_text().splitlines(keepends=True) if self.log else []
        found = [json.loads(line) for line in lines if line.endswith("\n")]
        return [one for one in found if kind in ("", one["type"])
                and all(one.get(key) == value for key, value in like.items())]

    def until(self, wanted, limit_s: float, what: str):
        ends = time.monotonic() + limit_s
        while time.monotonic() < ends:
            if value := wanted():
                return value
            assert self.process.poll() is None, self.err.read_text()
            time.sleep(0.1)
        raise AssertionError(f"not within {limit_s} s: {what}")

    def end(self) -> int:
        self.process.send_signal(signal.SIGINT)
        return self.process.wait(15)

    def kill(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()


def test_a_run_with_strap_treadmill_and_pod(home: Path, tmp_path: Path) -> None:
    with start_bluez() as bluez:
        bluez.add_strap(STRAP, bpm=135, interval_s=1.0)
        bluez.add_treadmill(BELT, address_type="public", speed_km_h=8.0, incline_percent=1.0, interval_s=1.0)
        bluez.add_foot_pod(POD, speed_km_h=8.3, cadence=82, interval_s=1.0, battery=11)
        run = Run(bluez, tmp_path, home)
        try:
            run.until(lambda: len(run.records("speed", **{"from": "treadmill"})) >= 5
                      and len(run.records("speed", **{"from": "foot_pod"})) >= 5, 40, "speeds of both")

            bluez.drop(BELT, advertising=False)
            run.until(lambda: run.records("speed_link", state="lost"), 10, "treadmill lost")
            time.sleep(4.0)
            bluez.change(BELT, advertising=True, speed_km_h=8.4)
            back = run.until(lambda: run.records("speed_link", device="treadmill", state="connected")[1:], 30,
                             "treadmill back")[0]["t"]
            run.until(lambda: run.records("speed", **{"from": "treadmill"})[-1]["t"] > back, 10, "its speed")

            for bpm in range(136, 152):
                bluez.change(STRAP, bpm=bpm)
                if run.records("cue", cue="ease"):
                    break
                time.sleep(1.5)
            ease = run.until(lambda: run.records("cue", cue="ease"), 10, "the ease cue")[0]
            time.sleep(1.0)
            devices = bluez.look()["straps"]
            assert run.end() == 130
        finally:
            run.kill()

    assert "Traceback" not in run.err.read_text()
    assert [devices[one]["written"] for one in (STRAP, BELT, POD)] == [[], [], []]
    assert devices[STRAP]["connects"] == 1

    first = run.records("speed", **{"from": "treadmill"})[0]
    assert (first["speed_m_s"], first["grade"]) == (2.2222, 0.01)
    assert run.records("speed", **{"from": "foot_pod"})[0]["cadence_spm"] == 164
    times = [one["t"] for one in run.records("reading")]
    assert max(later - earlier for earlier, later in pairwise(times)) < 2.5, "the strap never paused"
    assert {one["cue"] for one in run.records("cue")} == {"ease"}, "no signal was said to be lost"
    assert len(run.records("speed_link", device="treadmill")) == 3, "connected, lost, connected"

    assert ease["belt"] is True
    steps = ease["advised_speed_m_s"] * 36
    assert steps == pytest.approx(round(steps), abs=1e-6), "whole steps of the belt"
    out = run.out.read_text()
    assert "Ease: slow the belt" in out and f", {round(steps) / 10:.1f} km/h" in out
    assert "note: treadmill lost: guarding goes on without its speed" in out
    assert "note: treadmill connected again" in out
    assert "note: the foot pod's battery is low: 11 %" in out

    recording = read_log(run.log)
    assert recording.notes == ()
    assert [one["kind"] for one in recording.header["source"]["speed"]] == ["treadmill", "foot_pod"]
    comparison = same_as_recorded(recording)
    assert comparison.same, comparison


def test_no_speed_source_leaves_treadmill_and_pod_alone(home: Path, tmp_path: Path) -> None:
    with start_bluez() as bluez:
        bluez.add_strap(STRAP, bpm=120, interval_s=0.3)
        bluez.add_treadmill(BELT, address_type="public", interval_s=0.3)
        run = Run(bluez, tmp_path, home, "--no-speed-source")
        try:
            run.until(lambda: len(run.records("reading")) >= 10, 40, "ten readings")
            assert bluez.look()["straps"][BELT]["connects"] == 0
            assert run.end() == 130
        finally:
            run.kill()
    assert not run.records("speed") and not run.records("speed_link")
    both = subprocess.run([sys.executable, "-m", "guard", "run", "--ceiling", "139", "--no-speed-source",
                           "--treadmill"], capture_output=True, text=True, timeout=30, check=False)
    assert both.returncode == 2
    assert "--no-speed-source and a treadmill cannot both be given: leave one out" in both.stderr


def test_a_treadmill_named_on_the_command_line(home: Path, tmp_path: Path) -> None:
    straps.forget("treadmill")
    straps.forget("foot_pod")
    with start_bluez() as bluez:
        bluez.add_strap(STRAP, bpm=120, interval_s=0.3)
        bluez.add_treadmill(BELT, "Belt in the cellar", interval_s=0.3)
        bluez.add_treadmill("00:11:22:00:00:09", "Belt next door", interval_s=0.3)
        run = Run(bluez, tmp_path, home, "--treadmill", "belt in the cellar")
        try:
            run.until(lambda: run.records("speed"), 40, "a speed")
            time.sleep(0.5)
            assert bluez.look()["straps"]["00:11:22:00:00:09"]["connects"] == 0
            assert run.end() == 130
        finally:
            run.kill()
    assert straps.remembered(kind="treadmill") == RememberedDevice("Belt in the cellar", BELT)
