"""Clocks that are set, and a machine that slept."""

from __future__ import annotations

import signal
import time
from pathlib import Path

import pytest

from tests.support.bluez import Bluez
from tests.support.campaign import REGAINED_S, SAID_S, guard_run, kept, lost_at_the_end_s
from tests.support.fault_table import STEP_YEARS_S, Row, Shim

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("years", [10, -10])
def test_clock_step(years: int, rows: list[Row], bluez: Bluez, tmp_path: Path) -> None:
    shim = Shim(tmp_path)
    with guard_run(tmp_path, bluez, env={**shim.env, "GUARD_SOUND": "off"}) as run:
        run.settled()
        fault_s = time.monotonic()
        shim.set_wall(years / 10 * STEP_YEARS_S)
        run.wait_for("clock", since_s=fault_s)
        said_s = run.wait_to_show("clock of this machine was set", fault_s) - fault_s
        run.settled(5)
        assert not [one for one in run.of("state", fault_s) if one["state"] == "no_signal"]
        lost_s = lost_at_the_end_s(run, bluez)
    kept(rows, Row(f"clock set {years:+d} years", said_s, None, lost_s, "goes on, said",
                   said_s <= SAID_S and lost_s == 0, "on screen and in the log; wall clock of the process"))


def test_suspend(rows: list[Row], bluez: Bluez, tmp_path: Path) -> None:
    """The processes stand still while the clock that counts sleep goes on by three minutes."""
    shim = Shim(tmp_path)
    with guard_run(tmp_path, bluez, env={**shim.env, "GUARD_SOUND": "off"}) as run:
        run.settled()
        time.sleep(2)
        run.signal(signal.SIGSTOP)
        time.sleep(1)
        shim.sleep_counted(180.0)
        woke_s = run.signal(signal.SIGCONT)
        said_s = run.wait_to_show("slept for 3:0", woke_s)
        run.settled(5)
        states = [one["state"] for one in run.of("state", woke_s - 400)]
        assert "no_signal" in states and states[-1] != "no_signal"
        lost_s = [one["t"] for one in run.of("state") if one["state"] == "no_signal"][-1]
        woke_t_s = next(one["t"] for one in run.of("reading") if one["t"] > lost_s)
        regained_s = next(one["t"] for one in run.of("state") if one["t"] > lost_s) - woke_t_s
        missing_s = lost_at_the_end_s(run, bluez)
    kept(rows, Row("machine asleep for 3 min", said_s - woke_s, regained_s, missing_s,
                   "said on waking, old readings not fine",
                   said_s - woke_s <= SAID_S and regained_s <= REGAINED_S and missing_s == 0,
                   "on screen; clock of sleep by a shim"))
