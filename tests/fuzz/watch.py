"""Watching the workers: one that dies or waits without end costs its input, never the campaign."""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from tests.fuzz.campaign import kept
from tests.fuzz.trail import Trail
from tests.fuzz.worker import TRAIL

WAITS_S = 180.0  # an input that takes longer than this, by the clock, waits for something that never comes
WORKER = (sys.executable, "-m", "tests.fuzz.worker")
ERR = "err"
LOOK_S = 0.5
LATE_S = 10.0  # beyond the time it was given, a worker is ended: it may still be at the inputs it knew
MOST_DEATHS = 5

# (runs still to do, seconds left, number of the start) -> the worker's words after TARGET FOUND WORK
Words = Callable[[int, float, int], list[str]]


@dataclass
class Searched:
    """What came of one target; `branches` is None where nothing counted them."""

    name: str
    runs: int = 0
    branches: int | None = None
    failures: int = 0
    deaths: int = 0
    slowest_s: float = 0.0
    slowest: Path | None = None
    took_s: float = 0.0
    given_up: bool = False

    def row(self) -> str:
        branches = "-" if self.branches is None else str(self.branches)
        crashes = str(self.failures + self.deaths) + (" given up" if self.given_up else "")
        return (f"{self.name:<12} {self.took_s:7.0f} {self.runs:10,} {branches:>14} {crashes:>8} "
                f"{1000 * self.slowest_s:10.1f}  {self.slowest or '-'}")


HEAD = (f"{'target':<12} {'s':>7} {'runs':>10} {'branches seen':>14} {'crashes':>8} "
        f"{'slowest ms':>10}  slowest input")


def searched(
    name: str, words: Words, found: Path, *,
    count: int | None = None, seconds: float | None = None, worker: tuple[str, ...] = WORKER,
    say: Callable[[str], None] = lambda line: print(line, flush=True), waits_s: float = WAITS_S,
) -> Searched:
    """Have `count` inputs tried, or go on for `seconds`; a new worker takes over where one died.

    Failures are said as they are found; what a worker died of is kept in `found`.
    """
    result = Searched(name)
    begin_s = time.monotonic()
    found.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=f"guard-fuzz-{name}-", ignore_cleanup_errors=True) as work:
        trail = Trail(Path(work) / TRAIL)
        for start in range(MOST_DEATHS):
            left_s = float("inf") if seconds is None else begin_s + seconds - time.monotonic()
            to_do = sys.maxsize if count is None else count - result.runs
            if left_s < 1.0 or to_do <= 0:
                break
            child = [*worker, name, str(found), work, *words(to_do, left_s, start)]
            died = _watched(child, Path(work), trail, result, left_s, waits_s, say)
            result.runs = trail.read().runs
            if not died:
                break
            result.deaths += 1
            data = trail.read().data
            path = kept(f"{name}-died", f"{data!r}", data, found)
            said = (Path(work) / ERR).read_bytes()
            path.with_name(path.name + ".txt").write_bytes(died.encode() + b"\n" + said[-20_000:])
            say(f"{name}: the worker died ({died}) of {path}")
            result.given_up = start + 1 == MOST_DEATHS
        at = trail.read()
        result.slowest_s = at.slowest_s
        if at.slowest:
            result.slowest = found / f"{name}-slowest"
            result.slowest.write_bytes(at.slowest)
        trail.close()
    result.took_s = time.monotonic() - begin_s
    return result


def _watched(
    child: list[str], work: Path, trail: Trail, result: Searched, left_s: float, waits_s: float,
    say: Callable[[str], None],
) -> str:
    """Run one worker to its end; "" or what it died of."""
    ends_s = time.monotonic() + left_s + LATE_S
    ended = ""
    with (work / "out").open("w+b") as out, (work / ERR).open("w+b") as err:
        process = subprocess.Popen(child, stdout=out, stderr=err)
        said = 0
        try:
            while not _over(process, LOOK_S):
                said = _tell(work / "out", said, result, say)
                at = trail.read()
                now_s = time.monotonic()
                if at.busy and now_s - at.began_s > waits_s:
                    ended = f"waited {now_s - at.began_s:.0f} s"
                if ended or now_s > ends_s:
                    break
            late = process.poll() is None and not ended
        finally:
            process.kill()
            process.wait()
    _tell(work / "out", said, result, say)
    words = (work / ERR).read_text("utf-8", "replace")
    if seen := re.findall(r"\bcov: (\d+)", words):
        result.branches = max(result.branches or 0, int(seen[-1]))
    if ended or late or not process.returncode:
        return ended
    why = [line.strip() for line in words.splitlines() if re.search(r"(?i)error\b", line)]
    return f"exit {process.returncode}{': ' if why else ''}{(why or [''])[-1][:300]}"


def _over(process: subprocess.Popen[bytes], within_s: float) -> bool:
    try:
        process.wait(within_s)
    except subprocess.TimeoutExpired:
        return False
    return True


def _tell(path: Path, said: int, result: Searched, say: Callable[[str], None]) -> int:
    """Pass on the failures the worker has printed since; returns how far it was read."""
    with path.open("rb") as file:
        file.seek(said)
        new = file.read()
    whole = new[:new.rfind(b"\n") + 1]
    for line in whole.decode("utf-8", "replace").splitlines():
        if line.startswith(f"{result.name}: "):
            result.failures += 1
            say(line)
    return said + len(whole)
