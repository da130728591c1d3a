"""What the campaign of faults and the long sessions are judged by, and an end that nobody can read."""

from __future__ import annotations

import os
import random
import sys
from pathlib import Path

import pytest

from guard.commands.session_parts import finished
from guard.live.live import Ended
from tests.support.fault_table import Row, table, worst
from tests.support.soak import flatness, sample


def grown(per_h: float) -> bool:
    """Whether a noisy hour of samples that grows so much is called flat (0.5 an hour are borne)."""
    chance = random.Random(1)
    hours = [second / 3600 for second in range(0, 3600, 5)]
    values = [50 + per_h * hour + chance.gauss(0, 0.05) for hour in hours]
    return not flatness("memory", hours, values, 0.5).flat


def test_growth_is_told_from_noise() -> None:
    assert not grown(0.0) and not grown(0.3) and not grown(-3.0)
    assert grown(0.7) and grown(10.0)


def test_growth_before_it_is_warm_is_no_leak() -> None:
    hours = [second / 3600 for second in range(0, 3600, 5)]
    warm = flatness("memory", hours, [min(50.0, 40 + 20 * hour) for hour in hours], 0.5)
    assert warm.flat and (warm.warm, warm.end) == (50.0, 50.0) and warm.after(24) == pytest.approx(50.0)


def test_one_step_is_not_taken_for_a_trend_nor_for_certainly_flat() -> None:
    """An allocator takes another 0.25 MiB once; but a leak that comes in such steps is seen."""
    hours = [second / 3600 for second in range(0, 3600, 5)]
    once = flatness("memory", hours, [50 + 0.25 * (hour > 0.82) for hour in hours], 0.5)
    assert once.flat and once.high > 1.0
    often = flatness("memory", hours, [50 + 0.05 * int(60 * hour) for hour in hours], 0.5)
    assert not often.flat and often.low > 2.5 and often.slope_per_h == pytest.approx(3.0, abs=0.1)


@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")
def test_a_sample_sees_this_process() -> None:
    before = sample()
    held = bytearray(b"x" * (16 << 20))
    with Path(os.devnull).open("rb"):
        after = sample()
    assert after.descriptors == before.descriptors + 1
    assert 12 < after.memory_mib - before.memory_mib < 40 and len(held)
    assert after.threads >= 1 and after.cpu_s >= before.cpu_s


def test_a_fault_is_as_bad_as_its_worst_repeat() -> None:
    rows = [Row("a", 1.0, 2.0, 0.0, "t", True), Row("a", 7.5, None, 0.25, "t", False)]
    assert worst(rows) == Row("a", 7.5, 2.0, 0.25, "t", False)
    assert worst(rows[:1]).ok
    line = table([worst(rows)]).splitlines()[1]
    assert line.split() == ["a", "7.50", "s", "2.00", "s", "0.25", "s", "t", "NO"]


@pytest.mark.parametrize("how", ["interrupted", "quit"])
def test_an_end_that_nobody_can_read(how: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The window was closed: that is how it was interrupted, and no fault."""
    reader, writer = os.pipe()
    os.close(reader)
    ended = Ended(how, {"duration_s": 60.0, "at_or_under_s": 60.0, "over_s": 0.0, "over_bpm_min": 0.0,
                        "no_signal_s": 0.0, "held_s": 0.0, "unguarded_s": 0.0, "cues": {}, "cues_per_h": 0.0},
                  Path("session.jsonl"), ())
    with open(writer, "w", encoding="utf-8") as gone:  # noqa: PTH123
        monkeypatch.setattr(sys, "stdout", gone)
        if how == "interrupted":
            assert finished(ended, title="Session") == 130
        else:
            with pytest.raises(BrokenPipeError):
                finished(ended, title="Session")
            os.dup2(os.open(os.devnull, os.O_WRONLY), writer)
        monkeypatch.undo()
