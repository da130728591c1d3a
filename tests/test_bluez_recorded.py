"""The emulated Bluetooth service answers as the real one was recorded to."""

from __future__ import annotations

import asyncio
import copy
import os
import shutil
import sys
from typing import Any

import pytest

from tests.support.bluez import Bluez, start_bluez
from tests.support.bluez_probe import probe, settled
from tests.support.bluez_record import differences, recorded, unknown_signals

STRAP = "C8:00:00:00:00:01"


class Emulated:
    """The probe's room on the emulation."""

    strap, quiet_s, patience_s = STRAP, 0.06, 3.0

    def __init__(self, bluez: Bluez) -> None:
        self._bluez = bluez

    async def do(self, what: str, value: int = 0) -> None:
        bluez = self._bluez
        orders: dict[str, Any] = {
            "strap on": lambda: bluez.change(STRAP, advertising=True),
            "strap off": lambda: bluez.drop(STRAP, advertising=False),
            "charge": lambda: bluez.change(STRAP, battery=value),
            "power": lambda: bluez.power(bool(value)),
            "unplug": bluez.unplug, "plug": bluez.plug,
            "kill": bluez.kill_service, "start": bluez.start_service,
        }
        orders[what]()


@pytest.mark.skipif(sys.platform != "linux" or not shutil.which("dbus-daemon"),
                    reason="needs Linux and dbus-daemon")
def test_the_emulation_does_what_the_real_service_did(monkeypatch: pytest.MonkeyPatch) -> None:
    with start_bluez() as bluez:
        for key, value in bluez.env.items():
            monkeypatch.setitem(os.environ, key, value)
        bluez.add_strap(STRAP, battery=64)
        emulated = asyncio.run(probe(Emulated(bluez)))
    assert differences(recorded(), emulated) == []


def test_a_difference_is_found_and_named() -> None:
    real = recorded()
    for change, words in (
        (lambda one: one["steps"]["connect"]["signals"].reverse(), "connect, signals"),
        (lambda one: one["steps"]["scan twice"]["replies"].append("more"), "scan twice, replies"),
        (lambda one: one["steps"].pop("read"), "'read' is only in one"),
        (lambda one: one["flags"].update({"strap/180d/2a37": ["write"]}), "flags of strap/180d/2a37"),
        (lambda one: one["shapes"]["org.bluez.Device1"].update(RSSI="s"), "Device1.RSSI: really n, here s"),
        (lambda one: one["shapes"]["org.bluez.Device1"].update(Invented="s"), "really unknown"),
        (lambda one: one["shapes"]["org.bluez.Adapter1"].pop("Powered"), "Powered is missing here"),
    ):
        other = copy.deepcopy(real)
        change(other)
        found = differences(real, other)
        assert len(found) == 1 and words in found[0]
    assert differences(real, copy.deepcopy(real)) == []


def test_what_comes_together_has_no_order_and_the_rest_has() -> None:
    up = ["strap Connected true", "strap/a added", "strap/b added", "strap ServicesResolved true"]
    assert settled([up[0], up[2], up[1], up[3]]) == up
    assert settled(up[::-1]) != up
    assert settled(["strap Connected false", "strap/a Value", "adapter Powered false"]) == [
        "adapter Powered false", "strap Connected false", "strap/a Value"]
    assert settled(["adapter added", "adapter Powered true"]) == settled(["adapter added"])


def test_signals_met_elsewhere_must_be_in_the_record() -> None:
    real = recorded()
    assert unknown_signals(real, ["strap Connected true", "adapter Discovering false"]) == []
    assert unknown_signals(real, ["strap Connected true", "strap Trusted true"]) == ["strap Trusted true"]
