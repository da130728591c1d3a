"""Everything that can happen to the link, against the real `guard run` and an emulated Bluetooth service.

Each is heard to be said, shown at once as no signal, and over soon after its cause is.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.support.alsa import Capture
from tests.support.bluez import Bluez
from tests.support.campaign import (
    QUICK_CUE_S,
    REGAINED_S,
    REPEATS,
    SAID_S,
    end,
    guard_run,
    heard_since,
    kept,
    missing_s,
)
from tests.support.fault_table import Row, worst
from tests.support.guard_run import STRAP, LiveRun

pytestmark = pytest.mark.slow

HEARD_S = SAID_S + QUICK_CUE_S  # decided within 8 s, and any cue is heard so soon
SHOWN_S = 3.0 + 0.5  # no signal shows at 3 s; the session looks, and the screen is drawn, 4 times a second


def in_turn(*works: Callable[[], object]) -> None:
    for work in works:
        work()


LINK_FAULTS: dict[str, tuple[Callable[[Bluez], object], Callable[[Bluez], object]]] = {
    "strap off (no contact)": (
        lambda bluez: bluez.change(STRAP, bpm=0, contact=False, rr=False),
        lambda bluez: bluez.change(STRAP, bpm=128, contact=True, rr=True)),
    "strap out of range": (
        lambda bluez: bluez.drop(STRAP, advertising=False),
        lambda bluez: bluez.change(STRAP, advertising=True)),
    "link silent, still connected": (
        lambda bluez: bluez.change(STRAP, silent=True), lambda bluez: bluez.change(STRAP, silent=False)),
    "Bluetooth service killed, restarted": (
        lambda bluez: bluez.kill_service(), lambda bluez: bluez.start_service()),
    "Bluetooth service frozen": (
        lambda bluez: bluez.freeze_service(), lambda bluez: bluez.thaw_service()),
    "adapter gone and back": (lambda bluez: bluez.unplug(), lambda bluez: bluez.plug()),
    "adapter off and on": (lambda bluez: bluez.power(False), lambda bluez: bluez.power(True)),
    "D-Bus gone and back": (
        lambda bluez: in_turn(bluez.kill_bus, bluez.kill_service),
        lambda bluez: in_turn(bluez.start_bus, bluez.start_service)),
}


@pytest.mark.parametrize("fault", LINK_FAULTS)
def test_link(fault: str, rows: list[Row], bluez: Bluez, heard_sounds: Capture, tmp_path: Path) -> None:
    chance, inject, fix = random.Random(fault), *LINK_FAULTS[fault]
    found: list[tuple[float, float]] = []
    away: list[tuple[float, float]] = []
    with guard_run(tmp_path, bluez, env=heard_sounds.env) as run:
        run.settled()
        for _ in range(REPEATS):
            time.sleep(3.0)
            run.settled_readings(1)  # right after a packet: the longest that one can be taken for fresh
            fault_s = time.monotonic()
            inject(bluez)
            said_s = heard_since(heard_sounds, "signal_lost", fault_s)
            time.sleep(chance.uniform(1.0, 9.0))
            back_s = time.monotonic()
            fix(bluez)
            back_at_s = run.wait_for("state", lambda one: one["state"] != "no_signal", since_s=back_s)
            no_false_fine(run, fault_s, back_at_s)
            found.append((said_s - fault_s, back_at_s - back_s))
            away.append((fault_s, back_at_s))
            heard_since(heard_sounds, "signal_back", back_s)
            run.settled(8)
            heard_sounds.forget()
        end(run)
        lost_s = missing_s(run, 1.0, away)
    kept(rows, worst([
        Row(fault, said, regained, lost_s, f"heard {SAID_S:g} s, back {REGAINED_S:g} s, no false fine",
            said <= HEARD_S and regained <= REGAINED_S and lost_s == 0, f"{REPEATS} times")
        for said, regained in found]))


def no_false_fine(run: LiveRun, fault_s: float, until_s: float) -> None:
    """From 3 s after the last trusted packet until trusted ones are back nothing may look well."""
    doubted = {one["t"] for one in run.of("doubt")}
    last_s = max(run.at(one["t"]) for one in run.of("reading")
                 if run.at(one["t"]) <= fault_s + 0.1 and one["bpm"] and one["t"] not in doubted)
    from_s = last_s + SHOWN_S
    states = [(run.at(one["t"]), one["state"]) for one in run.of("state")]
    before = [state for at_s, state in states if at_s <= from_s]
    assert before[-1:] == ["no_signal"], (before, last_s, fault_s)
    assert not [one for one in states if from_s < one[0] < until_s - 0.001 and one[1] != "no_signal"], states
    screens = [one for one in list(run.screens) if one.at_s <= until_s - 0.3]
    standing = [one for one in screens if one.at_s <= from_s][-1:]
    for screen in standing + [one for one in screens if one.at_s > from_s]:
        assert "NO SIGNAL" in screen.lines[1], (screen.at_s - last_s, screen.lines[:3])
