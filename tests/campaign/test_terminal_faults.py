"""A terminal that stalls or is closed, every way to end or stop the guard: no late cue, no torn log."""

from __future__ import annotations

import contextlib
import fcntl
import os
import signal
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from guard.log.log import read_log
from tests.support.alsa import Capture, wait_until
from tests.support.bluez import Bluez
from tests.support.campaign import (
    PARTS,
    REGAINED_S,
    end,
    guard_run,
    kept,
    latencies,
    lost_at_the_end_s,
    missing_s,
    quick_cues_row,
)
from tests.support.fault_table import Row
from tests.support.guard_run import STRAP, LiveRun

pytestmark = pytest.mark.slow

ENDS_S = 20.0
ENDS_WELL = f"ends within {ENDS_S:g} s, log whole, strap let go"


def test_terminal_stalled(rows: list[Row], bluez: Bluez, heard_sounds: Capture, tmp_path: Path) -> None:
    with guard_run(tmp_path, bluez, env=heard_sounds.env, plan=PARTS) as run:
        run.settled()
        usual = latencies(run, heard_sounds)
        run.hold_terminal()
        time.sleep(5)  # the terminal's buffer is full after two screens
        slow = latencies(run, heard_sounds)
        back_s = time.monotonic()
        run.release_terminal()
        wait_until(lambda: run.screens[-1].at_s > back_s + 1, 10, "screens again")
        # Not what waited in between.
        again_s = next(one.at_s for one in run.screens if one.at_s > back_s + 0.1)
        lost_s = lost_at_the_end_s(run, bluez)
    kept(rows, quick_cues_row("terminal takes nothing", slow, usual, None, again_s - back_s, lost_s))


def test_stdout_blocked(rows: list[Row], bluez: Bluez, heard_sounds: Capture, tmp_path: Path) -> None:
    """A pipe that nobody reads, as behind a pager."""
    reader, writer = os.pipe()
    with guard_run(tmp_path, bluez, env=heard_sounds.env, plan=PARTS, plain_out=writer) as run:
        run.settled()
        usual = latencies(run, heard_sounds)
        spare = os.open(f"/proc/self/fd/{writer}", os.O_WRONLY | os.O_NONBLOCK)
        with contextlib.suppress(BlockingIOError):
            while True:
                os.write(spare, b"\n")
        slow = latencies(run, heard_sounds)
        fcntl.fcntl(reader, fcntl.F_SETFL, os.O_NONBLOCK)
        os.read(reader, 1 << 20)
        lost_s = lost_at_the_end_s(run, bluez)
    for fd in (reader, writer, spare):
        os.close(fd)
    kept(rows, quick_cues_row("standard output blocked", slow, usual, lost_s=lost_s))


# how it is ended, and stopped

ENDINGS: dict[str, Callable[[LiveRun], object]] = {
    "SIGTERM": lambda run: run.signal(signal.SIGTERM),
    "terminal closed (SIGHUP)": lambda run: run.hang_up(),
    "Ctrl-C twice": lambda run: [(run.press("\x03"), pause.wait(0.2)) for pause in [threading.Event()] * 2],
}


@pytest.mark.parametrize("how", ENDINGS)
def test_ending(how: str, rows: list[Row], bluez: Bluez, heard_sounds: Capture, tmp_path: Path) -> None:
    took_s = [0.0]

    def ended(run: LiveRun) -> None:
        began_s = time.monotonic()
        ENDINGS[how](run)
        assert run.wait(25) == 130, run.errors.read_text()
        took_s[0] = time.monotonic() - began_s

    with guard_run(tmp_path, bluez, env=heard_sounds.env) as run:
        run.settled(6)
        lost_s = lost_at_the_end_s(run, bluez, ended)
        ok = took_s[0] <= ENDS_S and let_go(run, bluez) and lost_s == 0
    kept(rows, Row(how, None, None, lost_s, ENDS_WELL, ok, f"ended in {took_s[0]:.1f} s"))


def test_ending_on_a_stalled_terminal(
        rows: list[Row], bluez: Bluez, heard_sounds: Capture, tmp_path: Path) -> None:
    """The log is closed and the strap let go though nothing can be shown; the process waits to say so."""
    took_s = [0.0, 0.0]

    def ended(run: LiveRun) -> None:
        run.hold_terminal()
        time.sleep(4)
        asked_s = run.press("\x03")
        wait_until(lambda: bool(run.of("end")), ENDS_S, "the end of the log")
        took_s[0] = time.monotonic() - asked_s
        time.sleep(10)
        let_s = time.monotonic()
        run.release_terminal()
        assert run.wait(25) == 130, run.errors.read_text()
        took_s[1] = time.monotonic() - let_s

    with guard_run(tmp_path, bluez, env=heard_sounds.env) as run:
        run.settled(6)
        lost_s = lost_at_the_end_s(run, bluez, ended)
        ok = sum(took_s) <= ENDS_S and let_go(run, bluez) and lost_s == 0
    kept(rows, Row("Ctrl-C, terminal takes nothing", None, None, lost_s, ENDS_WELL, ok,
                   f"log closed in {took_s[0]:.1f} s, ended {took_s[1]:.1f} s after it was released"))


def let_go(run: LiveRun, bluez: Bluez) -> bool:
    """The log has its last line, and the strap is free for the next."""
    assert run.log is not None
    return bool(read_log(run.log).summary) and not bluez.look()["straps"][STRAP]["connected"]


def test_ctrl_z(rows: list[Row], bluez: Bluez, heard_sounds: Capture, tmp_path: Path) -> None:
    """Ctrl-Z in a guard would be a frozen guard: it goes on, sound and all."""
    with guard_run(tmp_path, bluez, env=heard_sounds.env, plan=PARTS) as run:
        run.settled()
        usual = latencies(run, heard_sounds, 5)
        run.press("\x1a")
        time.sleep(2)
        slow = latencies(run, heard_sounds, 5)
        run.signal(signal.SIGCONT)  # what fg sends
        run.settled(3)
        lost_s = lost_at_the_end_s(run, bluez)
    kept(rows, quick_cues_row("Ctrl-Z, then fg", slow, usual, lost_s=lost_s))


def test_stopped_and_continued(rows: list[Row], bluez: Bluez, heard_sounds: Capture, tmp_path: Path) -> None:
    """SIGSTOP cannot be refused: what it looked like before must not pass for now."""
    with guard_run(tmp_path, bluez, env=heard_sounds.env) as run:
        run.settled()
        stopped_s = run.signal(signal.SIGSTOP)
        time.sleep(12)
        back_s = run.signal(signal.SIGCONT)
        run.settled(6)
        assert [one for one in run.of("state", stopped_s) if one["state"] == "no_signal"]
        last = [run.at(one["t"]) for one in run.of("state", stopped_s) if one["state"] != "no_signal"][-1]
        end(run)
        lost_s = missing_s(run, 1.0, [(stopped_s, back_s)])
    kept(rows, Row("job stopped 12 s, continued", None, max(0.0, last - back_s), lost_s,
                   f"no signal meanwhile, back {REGAINED_S:g} s",
                   last - back_s <= REGAINED_S and lost_s == 0))
