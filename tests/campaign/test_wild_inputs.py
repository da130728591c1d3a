"""Whatever comes in by air or in a file: no crash, no hang, nothing a terminal acts on."""

from __future__ import annotations

import os
import random
import re
import time
from pathlib import Path

import pytest
from rich.cells import cell_len

from tests.support.alsa import wait_until
from tests.support.bluez import Bluez
from tests.support.campaign import (
    SAID_S,
    end,
    guard_run,
    kept,
    lost_at_the_end_s,
    missing_s,
)
from tests.support.fault_table import Row
from tests.support.fuzzing import TRIES, Fuzzing
from tests.support.guard_run import COLUMNS, ROWS, STRAP, LiveRun

pytestmark = pytest.mark.slow

ON_AIR = int(os.environ.get("GUARD_ON_AIR", "5000"))
SLOW, SLOW_INTERVAL_S, AIR_INTERVAL_S = 100, 0.15, 0.004
BELIEVED_S = 30.0  # as promised where the signal leapt: its calm is waited for
THROUGH_S = 3 * 3600.0  # at most, in what time a busy machine leaves over

# Title set, screen cleared, colour (7 and 8 bit), direction turned, markup, page code.
HOSTILE = "\x1b]0;owned\x07\x1b[2J\x1b[35mx\x9b35my\u202ez [bold red]m[/] <script>n</script>"
LEFT_OF_IT = "[bold red]m"  # what a reader may see of it: markup as it stands
# A plan with orders to a terminal in its names is refused; markup and code of a page are mere text.
HOSTILE_PLAN = """\
name = "[bold red]m[/] <script>n</script>"

[[part]]
kind = "base"
name = "[/] [link=file:///]x[/link] {0} %s"
minutes = 60
"""
# What the live view itself says to a terminal: colours, and the screen taken and given back.
OWN = re.compile(rb"\x1b\[[0-9;]*m|\x1b\[H|\x1b\[\?(?:1049|25)[hl]|\x1b\[(?:2J|[0-9]*[ABCDGK])")


def test_random_packets_on_the_air(rows: list[Row], bluez: Bluez, tmp_path: Path) -> None:
    """Far quicker than any strap, in mid-session; then the strap is itself again."""
    chance = random.Random(9)
    with guard_run(tmp_path, bluez, env={"GUARD_SOUND": "off"}) as run:
        run.settled()
        wild_s = time.monotonic()
        said_s = 0.0
        # So slow that each is read, then in a flood of which the excess is dropped.
        for words, interval_s, count in (("could not be read", SLOW_INTERVAL_S, SLOW),
                                         ("far more often", AIR_INTERVAL_S, ON_AIR)):
            began_s = time.monotonic()
            bluez.change(STRAP, interval_s=interval_s)
            for sent in range(0, count, 500):
                bluez.change(STRAP, packets=[
                    chance.randbytes(chance.randrange(24)).hex() for _ in range(min(500, count - sent))])
                wait_until(lambda: not bluez.look()["straps"][STRAP]["queued"], 60, "the packets")
            said_s = max(said_s, run.wait_to_show(words, began_s) - began_s)
        bluez.change(STRAP, interval_s=1.0)
        back_s = time.monotonic()
        run.settled(8)
        end(run)
        regained_s = trusted_again_s(run, back_s) - back_s
        lost_s = missing_s(run, 1.0, [(wild_s, back_s + 1.0)])
    target = f"said, goes on, back {BELIEVED_S:g} s"
    kept(rows, Row("random packets on the air", said_s, regained_s, lost_s, target,
                   said_s <= SAID_S and regained_s <= BELIEVED_S and lost_s == 0, f"{SLOW + ON_AIR} packets"))


def trusted_again_s(run: LiveRun, since_s: float) -> float:
    """When the first believed reading came while the state was not no signal."""
    doubted = {one["t"] for one in run.of("doubt")}
    states = [(run.at(one["t"]), one["state"]) for one in run.of("state")]
    return next(at_s for at_s in (run.at(one["t"]) for one in run.of("reading", since_s)
                                  if one["t"] not in doubted)
                if [state for when_s, state in states if when_s <= at_s][-1:] != ["no_signal"])


def test_hostile_names(rows: list[Row], bluez: Bluez, tmp_path: Path) -> None:
    """A strap, a plan and its part whose names are orders to a terminal, markup and code of a page."""
    bluez.remove_strap(STRAP)
    bluez.add_strap(STRAP, HOSTILE, bpm=128, interval_s=1.0)
    with guard_run(tmp_path, bluez, env={"GUARD_SOUND": "off"}, plan=HOSTILE_PLAN) as run:
        run.settled()
        bluez.drop(STRAP, advertising=False)  # so that its name is shown as lost, and found again
        run.wait_for("link", lambda one: one["state"] == "lost")
        time.sleep(2)
        bluez.change(STRAP, advertising=True)
        run.settled(4)
        lost_s = lost_at_the_end_s(run, bluez)
    seen = bytes(run.seen) + run.errors.read_bytes()
    foreign = [bytes([sign]) for sign in OWN.sub(b"", seen) if sign < 0x20 and sign not in b"\r\n"]
    text = OWN.sub(b"", seen).decode()
    foreign += [sign.encode() for sign in text if "\x7f" <= sign <= "\x9f" or sign == "\u202e"]
    assert b"\x1b[35m" not in seen and LEFT_OF_IT in text
    broken = [one for one in run.screens[1:-1]
              if len(one.lines) > ROWS or any(cell_len(line) > COLUMNS for line in one.lines)]
    kept(rows, Row("hostile names (strap, plan)", None, None, lost_s, "no foreign code, screen intact",
                   not foreign and not broken and lost_s == 0,
                   f"{len(seen)} bytes, {len(run.screens)} screens looked at"))


@pytest.mark.parametrize("index", range(len(TRIES)))
def test_random_files_and_packets(index: int, rows: list[Row], fuzzing: Fuzzing) -> None:
    """Tried by processes of their own since the beginning of the campaign; each failure is printed."""
    tried = fuzzing.result(index, THROUGH_S)
    print(tried.said if tried.failures else "")
    kept(rows, Row(TRIES[index].what, None, None, None, "no crash, no hang",
                   tried.failures == 0 and tried.inputs >= TRIES[index].count,
                   f"{tried.inputs}, the slowest {1000 * tried.slowest_s:.0f} ms"))
