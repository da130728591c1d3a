"""What the real `guard` goes through on the real Bluetooth stack, fault after fault.

Limits are those of the design: a lost signal is said within 8 s of the last
trusted packet, and trusted readings are back within 10 s of the return of what
was gone.
"""

from __future__ import annotations

import asyncio
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from air import STRAP_ADDRESS, STRAP_NAME, TREADMILL_ADDRESS, RunningRoom
from machine import Machine

from guard.log.log import read_log
from guard.replay.replay import same_as_recorded
from tests.support.alsa import Capture, wait_until
from tests.support.bluez_probe import Recorder, probe
from tests.support.bluez_record import Json, unknown_signals
from tests.support.guard_run import CEILING_BPM, LiveRun
from tests.support.tones_detector import recognised

SAID_S, REGAINED_S = 8.0, 10.0
GRID_S = 0.25  # the session looks at its timeouts four times a second
HEARD_S = 1.0  # from a cue in the log to its first sample
CALM_BPM = 130
START_S = 15.0  # for the program to start, find the strap and read it
Row = Callable[[str, str, str, bool], None]


class Rig:
    """The virtual machine and the room around its radio, as the story and the probe move them."""

    strap, quiet_s, patience_s = STRAP_ADDRESS, 0.8, 30.0

    def __init__(self, machine: Machine) -> None:
        self.machine, self.room = machine, RunningRoom()
        self.env = {"DBUS_SYSTEM_BUS_ADDRESS": f"tcp:host=127.0.0.1,port={machine.door['bus']}"}
        self.plug()

    def plug(self) -> None:
        self.room.do(self.room.plug(f"tcp-client:127.0.0.1:{self.machine.door['radio']}"))

    def unplug(self) -> None:
        self.room.do(self.room.unplug())

    def strap_on(self) -> None:
        self.room.do(self.room.strap.appear())

    def strap_off(self) -> None:
        self.room.do(self.room.strap.switch_off())

    def strap_leaves(self) -> None:
        self.room.do(self.room.strap.leave())

    def charge(self, percent: int) -> None:
        self.room.do(self.room.strap.charge(percent))

    def power(self, on: bool) -> None:
        self.machine.order(f"power {'on' if on else 'off'}")

    def kill(self) -> None:
        self.machine.order("kill")

    def start(self) -> None:
        self.machine.order("start")

    async def do(self, what: str, value: int = 0) -> None:
        """The probe's orders (`tests.support.bluez_probe.World`)."""
        orders: dict[str, Callable[[], None]] = {
            "strap on": self.strap_on, "strap off": self.strap_off, "unplug": self.unplug, "plug": self.plug,
            "kill": self.kill, "start": self.start,
            "charge": lambda: self.charge(value), "power": lambda: self.power(bool(value)),
        }
        await asyncio.to_thread(orders[what])


def record(rig: Rig, about: Json) -> Json:
    """What the Bluetooth service answers to the probe."""
    return {"made_with": about, **asyncio.run(probe(rig))}


class Ear(threading.Thread):
    """The recorder of signals on a loop of its own while the guard runs; `lines` is what it heard."""

    def __init__(self) -> None:
        super().__init__(name="ear", daemon=True)
        self._loop = asyncio.new_event_loop()
        self._recorder = Recorder(STRAP_ADDRESS)
        self.start()
        asyncio.run_coroutine_threadsafe(self._recorder.listen(), self._loop).result(20)

    def run(self) -> None:
        self._loop.run_forever()

    def stop(self) -> list[str]:
        self._loop.call_soon_threadsafe(self._recorder.close)
        return list(self._recorder.lines)


@dataclass(frozen=True)
class Fault:
    """What is brought about and taken back, and what the guard must say of the link meanwhile."""

    name: str
    inject: Callable[[], None]
    mend: Callable[[], None]
    says: str


class Scenario:
    """The whole story, with one row for each of its points."""

    def __init__(self, rig: Rig, folder: Path, known: Json, row: Row) -> None:
        self._rig, self._folder, self._known, self._row = rig, folder, known, row
        self._strap, self._belt = rig.room.strap, rig.room.treadmill
        self._heard = Capture(folder)

    def play(self) -> None:
        self._strap.bpm = CALM_BPM
        self._rig.charge(64)
        self._scan()
        self._killed_guard()
        ear = Ear()
        with self._guard("session", "--treadmill", TREADMILL_ADDRESS) as run:
            self._connect(run)
            self._ease(run)
            self._battery(run)
            for fault in self._faults():
                self._bear(run, fault)
            self._treadmill(run)
            self._end(run)
            self._log(run)
            self._sounds(run)
        self._signals(ear.stop())

    def _guard(self, home: str, *words: str) -> LiveRun:
        return LiveRun(self._folder / home, {**self._heard.env, **self._rig.env}, "run",
                       "--strap", STRAP_ADDRESS, "--ceiling", str(CEILING_BPM), "--set", "warm_up_s=0",
                       "--no-note", *words)

    # The points of the story.

    def _scan(self) -> None:
        began_s = time.monotonic()
        done = subprocess.run(
            [sys.executable, "-m", "guard", "straps", "--seconds", "4", "--json"], capture_output=True,
            text=True, timeout=90, check=False,
            env={**os.environ, **self._rig.env, "GUARD_HOME": str(self._folder / "scan")})
        found = json.loads(done.stdout or "{}")
        straps = [one["name"] for one in found.get("straps", [])]
        treadmills = [one["address"] for one in found.get("treadmills", [])]
        self._row("scan: `guard straps`", f"{len(straps)} strap, {len(treadmills)} treadmill in "
                  f"{time.monotonic() - began_s:.1f} s", "the strap by name, the treadmill",
                  straps == [STRAP_NAME] and treadmills == [TREADMILL_ADDRESS] and done.returncode == 0)

    def _connect(self, run: LiveRun) -> None:
        began_s = time.monotonic()
        wait_until(lambda: bool(run.of("reading")) or run.process.poll() is not None, START_S + 20,
                   "a reading")
        first_s = time.monotonic() - began_s
        run.settled(5)
        reading = run.of("reading")[-1]
        self._row("connect: program start to first reading", f"{first_s:.1f} s, {reading['bpm']} bpm",
                  f"{START_S:g} s, {CALM_BPM} bpm with contact and RR", first_s <= START_S
                  and reading["bpm"] == CALM_BPM and reading["contact"] is True and len(reading["rr_s"]) == 1)

    def _ease(self, run: LiveRun) -> None:
        """Two beats in three seconds up through the ceiling, as at the start of a climb."""
        strap, over_s = self._strap, None
        while not run.of("cue") and strap.bpm < CEILING_BPM + 15:
            strap.bpm += 1
            over_s = over_s or (time.monotonic() if strap.bpm > CEILING_BPM else None)
            time.sleep(1.5)
        cues = [one for one in run.of("cue") if one["cue"] == "ease"]
        strap.bpm = CALM_BPM
        foreseen_s = (over_s or time.monotonic()) - run.at(cues[0]["t"]) if cues else float("nan")
        self._row("cue: a climb through the ceiling", cues[0]["reason"] if cues else "no cue",
                  "ease, 5 s after the crossing at the latest", bool(cues) and foreseen_s >= -5.0)

    def _battery(self, run: LiveRun) -> None:
        first = [one["percent"] for one in run.of("battery")]
        time.sleep(4.0)  # the phrase before has ended, so that the next need not wait for it
        at_s = time.monotonic()
        self._rig.charge(12)
        try:
            run.wait_for("battery", lambda one: one["percent"] == 12, since_s=at_s, timeout_s=10)
            cue_s = run.wait_for("cue", lambda one: one["cue"] == "battery_low", since_s=at_s, timeout_s=20)
        except AssertionError as error:
            self._row("battery", f"{first}, then {error}", "64 %, then 12 % and its cue", False)
            return
        self._row("battery", f"{first[0]} %, then 12 %, said after {cue_s - at_s:.1f} s",
                  "64 %, then 12 % and its cue", first == [64])

    def _faults(self) -> list[Fault]:
        rig, strap = self._rig, self._strap
        return [
            Fault("strap silent, still connected", lambda: setattr(strap, "silent", True),
                  lambda: setattr(strap, "silent", False), "no readings"),
            Fault("strap out of range and back", rig.strap_leaves, rig.strap_on, "the strap"),
            Fault("strap switched off and on", rig.strap_off, rig.strap_on, "the link to the strap broke"),
            Fault("bluetoothd killed, restarted", rig.kill, rig.start,
                  "the Bluetooth service is not running"),
            Fault("adapter off and on", lambda: rig.power(False), lambda: rig.power(True),
                  "the Bluetooth adapter is off"),
            Fault("adapter unplugged and back", rig.unplug, rig.plug, "no Bluetooth adapter found"),
        ]

    def _bear(self, run: LiveRun, fault: Fault) -> None:
        wanted = f"said {SAID_S:g} s, back {REGAINED_S:g} s, {fault.says!r}"
        try:
            run.settled(4)
            run.told_back()
            fault_s = time.monotonic()
            fault.inject()
            said_s = run.wait_for("cue", lambda one: one["cue"] == "signal_lost", since_s=fault_s,
                                  timeout_s=20)
            last_s = max(run.at(one["t"]) for one in run.of("reading") if run.at(one["t"]) < said_s)
            run.wait_for("link", lambda one: fault.says in one.get("detail", ""), since_s=fault_s,
                         timeout_s=20)
            told = [one["detail"].partition(":")[0] for one in run.of("link", fault_s) if one.get("detail")]
            mended_s = time.monotonic()
            fault.mend()
            back_s = time.monotonic()  # what was gone is there: a service takes its time to start
            regained_s = max(0.0, run.wait_for("state", lambda one: one["state"] != "no_signal",
                                               since_s=mended_s, timeout_s=60) - back_s)
        except AssertionError as error:
            self._row(fault.name, str(error).splitlines()[0], wanted, False)
            return
        said_s -= last_s
        self._row(fault.name, f"said {said_s:.1f} s, back {regained_s:.1f} s"
                  + (f" ({back_s - mended_s:.1f} s to mend)" if back_s - mended_s > 1.0 else "") + "; "
                  + "; ".join(dict.fromkeys(told)), wanted,
                  said_s <= SAID_S + GRID_S and regained_s <= REGAINED_S)

    def _treadmill(self, run: LiveRun) -> None:
        """The belt's speed is read again after all of it, and nothing was ever written to it."""
        belt = self._belt
        belt.speed_km_h, since_s = 9.0, time.monotonic()
        first = [one for one in run.of("speed") if one.get("from") == "treadmill"][:1]
        try:
            run.wait_for("speed", lambda one: one.get("from") == "treadmill"
                         and abs(one["speed_m_s"] - 2.5) < 0.001 and abs(one["grade"] - 0.01) < 1e-9,
                         since_s=since_s, timeout_s=60)
            again_s = time.monotonic() - since_s
        except AssertionError:
            again_s = float("inf")
        self._row("treadmill beside the strap", f"{len(run.of('speed'))} speeds, the last change after "
                  f"{again_s:.1f} s, {len(belt.written)} writes",
                  "8.5 then 9 km/h read within 45 s of the last fault, nothing written",
                  bool(first) and abs(first[0]["speed_m_s"] - 8.5 / 3.6) < 0.001 and again_s <= 45
                  and not belt.written)

    def _end(self, run: LiveRun) -> None:
        at_s = run.signal(signal.SIGINT)
        code = run.wait(20)
        ended_s = time.monotonic() - at_s
        free = _within(5, lambda: not self._strap.connected)
        errors = run.errors.read_text()
        self._row("end by Ctrl-C", f"exit code {code} in {ended_s:.1f} s, strap "
                  f"{'free' if free else 'still held'}", "130, strap free, no traceback",
                  code == 130 and free and "Traceback" not in errors)

    def _log(self, run: LiveRun) -> None:
        assert run.log is not None
        recording = read_log(run.log)
        same = same_as_recorded(recording).same
        self._row("log", f"{len(run.records)} records, {len(recording.notes)} notes, replayed "
                  f"{'the same' if same else 'differently'}", "whole, the same cues and states when replayed",
                  same and not recording.notes)

    def _sounds(self, run: LiveRun) -> None:
        """Every cue of the log was heard, soon."""
        heard = [(one.onset_s, recognised(one.samples, one.rate_hz)) for one in self._heard.sounds()]
        cues = [(run.at(one["t"]), one["cue"]) for one in run.of("cue")]
        delays_s = [min((on_s - at_s for on_s, sound in heard if sound == cue and on_s > at_s - 0.1),
                        default=float("inf")) for at_s, cue in cues]
        missed = [cue for (_, cue), delay_s in zip(cues, delays_s, strict=True) if delay_s > HEARD_S]
        self._row("sound", f"{len(cues) - len(missed)} of {len(cues)} cues heard, the slowest "
                  f"{max(delays_s, default=0) * 1000:.0f} ms after it was due"
                  + (f"; not: {', '.join(missed)}" if missed else ""),
                  f"each within {HEARD_S:g} s", bool(cues) and not missed)

    def _killed_guard(self) -> None:
        """Killed, its strap stays connected to this machine; the next start must take it up."""
        with self._guard("killed") as run:
            run.settled(3, timeout_s=START_S + 20)
            run.signal(signal.SIGKILL)
            run.wait()
        time.sleep(1.0)
        self._row("guard killed", f"its strap is {'still connected' if self._strap.connected else 'free'}",
                  "still connected: the next start finds it so", self._strap.connected)

    def _signals(self, heard: list[str]) -> None:
        """What passed on the bus is what the probe met, so that the emulation is held to it."""
        unknown = unknown_signals(self._known, heard)
        self._row("signals during the run", f"{len(set(heard))} kinds"
                  + (f", not met by the probe: {', '.join(unknown)}" if unknown else
                     ", all met by the probe"), "the emulation is held to each", bool(heard) and not unknown)


def _within(limit_s: float, holds: Callable[[], bool]) -> bool:
    ends_s = time.monotonic() + limit_s
    while not holds():
        if time.monotonic() > ends_s:
            return False
        time.sleep(0.05)
    return True
