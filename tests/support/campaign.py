"""What the campaign of faults is made of: a guard under a fault, what is missing afterwards, one row kept."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path

import pytest

from guard.events import Reading
from guard.log.log import read_log
from guard.replay.replay import same_as_recorded
from tests.support.alsa import Capture, wait_until
from tests.support.bluez import Bluez
from tests.support.fault_table import Row, table
from tests.support.guard_run import CEILING_BPM, STRAP, LiveRun
from tests.support.tones_detector import recognised

REPEATS = int(os.environ.get("GUARD_REPEATS", "3"))
SAID_S, REGAINED_S, MOST_LOST_S = 8.0, 10.0, 5.0
QUICK_CUE_S = 0.060
PARTS = 'name = "many parts"\n\n[[part]]\nrepeat = 190\n\n  [[part.part]]\n  kind = "base"\n  minutes = 15\n'


def kept(rows: list[Row], row: Row) -> None:
    """Put `row` into the table, show it, and fail where it is not as promised."""
    rows.append(row)
    print(table([row]).splitlines()[1], flush=True)
    assert row.ok, row


def guard_run(tmp_path: Path, bluez: Bluez, *words: str, env: dict[str, str] | None = None,
              plan: str = "", **more: object) -> LiveRun:
    """The real program; with PARTS as its `plan` the key n brings a cue about."""
    if plan:
        (tmp_path / "parts.toml").write_text(plan, encoding="utf-8")
        words += ("--plan", str(tmp_path / "parts.toml"), "--set", "speech=tones")
    return LiveRun(tmp_path / "home", {**bluez.env, **(env or {})}, "run", "--strap", STRAP,
                   "--ceiling", str(CEILING_BPM), "--no-note", *words, **more)  # type: ignore[arg-type]


def heard_since(heard: Capture, cue: str, since_s: float, timeout_s: float = 15.0) -> float:
    """When the first sample of such a cue was heard."""
    found: list[float] = []

    def there() -> bool:
        found.extend(one.onset_s for one in heard.sounds()
                     if one.onset_s >= since_s and recognised(one.samples, one.rate_hz) == cue)
        return bool(found)

    wait_until(there, timeout_s, f"the sound of {cue}")
    return found[0]


def end(run: LiveRun) -> None:
    """End it as its runner would; the log must be whole and replay as it was."""
    run.signal(signal.SIGINT)
    assert run.wait() == 130, run.errors.read_text()
    whole(run)


def whole(run: LiveRun) -> None:
    """The log of a run that has ended is whole and replays as it was; nothing was a fault of the guard."""
    assert "Traceback" not in run.errors.read_text()
    assert run.log is not None
    recording = read_log(run.log)
    assert recording.notes == () and same_as_recorded(recording).same


def lost_at_the_end_s(run: LiveRun, bluez: Bluez, how: Callable[[LiveRun], object] = end) -> float:
    """End the run; what the strap sent it and its log does not hold, s."""
    strap = bluez.look()["straps"][STRAP]
    time.sleep(0.3)  # what is under way arrives
    how(run)
    whole(run)
    missing: int = max(0, strap["delivered"] - len(readings_s(run)))
    return missing * bluez.straps[STRAP].interval_s


def readings_s(run: LiveRun) -> list[float]:
    """Times of the readings in the log of a run that has ended."""
    assert run.log is not None
    return [item.t_s for item in read_log(run.log).items if isinstance(item, Reading)]


def missing_s(run: LiveRun, usual_s: float, away: list[tuple[float, float]]) -> float:
    """Seconds without a reading in the log, but for the (monotonic) times at which none could come."""
    times = [run.at(t_s) for t_s in readings_s(run)]
    gaps = [(one, other) for one, other in pairwise(times) if other - one > 1.6 * usual_s]
    return sum((other - one - usual_s for one, other in gaps
                if not any(one <= until_s and other >= from_s for from_s, until_s in away)), 0.0)


def mounted(place: Path, *options: str) -> None:
    """Mount there, or skip the test where this is not allowed."""
    place.mkdir(parents=True, exist_ok=True)
    if os.geteuid() != 0 or subprocess.run(
            ["mount", *options, str(place)], capture_output=True, check=False).returncode:
        pytest.skip("mounting a file system is not allowed here")


@contextmanager
def sessions_disk(tmp_path: Path, *options: str) -> Iterator[Path]:
    """The folder of the sessions on a file system of its own."""
    place = tmp_path / "home" / "data" / "sessions"
    mounted(place, *options)
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


def ext4_image(path: Path, mib: int) -> Path:
    """A disk image with an empty ext4."""
    if not shutil.which("mkfs.ext4"):
        pytest.skip("needs mkfs.ext4 (Debian: e2fsprogs)")
    with path.open("wb") as file:
        file.truncate(mib << 20)
    subprocess.run(["mkfs.ext4", "-q", str(path)], check=True)
    return path


def latencies(run: LiveRun, heard: Capture, cues: int = 10) -> list[float]:
    """Seconds from a key to the first sample of the cue it brings about."""
    found = []
    for _ in range(cues):
        pressed_s = run.press("n")
        found.append(heard_since(heard, "part", pressed_s) - pressed_s)
        time.sleep(1.2)
        heard.forget()
    return found


def quick_cues_row(fault: str, slow: list[float], usual: list[float], said_s: float | None = None,
                   regained_s: float | None = None, lost_s: float = 0.0) -> Row:
    """A fault during which cues must stay as quick as before it."""
    return Row(fault, said_s, regained_s, lost_s, f"cues as quick ({1000 * QUICK_CUE_S:.0f} ms)",
               sorted(slow)[-2] <= QUICK_CUE_S and lost_s == 0,
               f"key to tone {1000 * sorted(slow)[len(slow) // 2]:.0f} ms, before "
               f"{1000 * sorted(usual)[len(usual) // 2]:.0f} ms")
