"""Random packets and logs, tried by processes of their own in the time that nobody else wants.

    python -m tests.support.fuzzing 100000     so many random logs are read, and nothing else done with them
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
import warnings
from dataclasses import dataclass
from pathlib import Path

from guard.log.log import read_log
from tests.fuzz import seeds
from tests.fuzz.campaign import Found, inputs
from tests.fuzz.targets import Target, printed, refusals
from tests.fuzz.trail import Trail

ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Try:
    """One kind of input: how many of it, and who tries them."""

    what: str
    count: int
    command: tuple[str, ...]


def _wanted(name: str, default: int) -> int:
    return int(os.environ.get(name, default))


def _tries() -> list[Try]:
    packets, read, worked = (_wanted("GUARD_PACKETS", 1_000_000), _wanted("GUARD_LOGS", 100_000),
                             _wanted("GUARD_LOGS_WORKED", 10_000))
    return [
        Try("random packets", packets, ("tests.fuzz", "--target", "heart_rate", "--count", str(packets))),
        Try("random logs, read", read, ("tests.support.fuzzing", str(read))),
        Try("random logs, replayed, exported", worked,
            ("tests.fuzz", "--target", "log", "--count", str(worked)))]


TRIES = _tries()


@dataclass(frozen=True)
class Tried:
    """What came of one of them."""

    inputs: int
    slowest_s: float
    failures: int
    said: str


class Fuzzing:
    """All of TRIES, side by side, at the lowest priority."""

    def __init__(self, *, start: bool) -> None:
        self._folder = Path(tempfile.mkdtemp(prefix="guard-campaign-fuzz-"))
        self._running = [self._start(index) for index in range(len(TRIES))] if start else []

    def result(self, index: int, timeout_s: float) -> Tried:
        """What came of TRIES[index] once it is through; raises subprocess.TimeoutExpired."""
        self._running[index].wait(timeout_s)
        said = self._output(index).read_text()
        figures = re.search(r"(\d+) inputs, slowest (\d+) ms, (\d+) failures", said)
        assert figures, said[-2_000:]
        count, slowest_ms, failures = map(int, figures.groups())
        return Tried(count, slowest_ms / 1000, failures, said)

    def close(self) -> None:
        for process in self._running:
            process.kill()
            process.wait()
        shutil.rmtree(self._folder, ignore_errors=True)

    def _output(self, index: int) -> Path:
        return self._folder / f"{index}.out"

    def _start(self, index: int) -> subprocess.Popen[bytes]:
        module, *words = TRIES[index].command
        if module == "tests.fuzz":
            words += ["--found", str(self._folder / "found")]
        with self._output(index).open("wb") as out:
            return subprocess.Popen(["nice", "-n", "19", sys.executable, "-m", module, *words], cwd=ROOT,
                                    stdout=out, stderr=subprocess.STDOUT, stdin=subprocess.DEVNULL)


def _read(data: bytes, folder: Path) -> None:
    path = folder / "random.jsonl"
    path.write_bytes(data)
    with refusals():
        for note in read_log(path).notes:
            printed(note)


def main() -> None:
    warnings.simplefilter("error")
    count = int(sys.argv[1])
    with tempfile.TemporaryDirectory(prefix="guard-random-logs-") as name:
        trail = Trail(Path(name) / "trail")
        target = Target("log_read", _read, seeds.logs)
        found = Found("log_read", Path(name) / "found", trail)
        for data in inputs(target, count, seed=2):
            found.run(target, data, Path(name))
        at = trail.read()
        print(f"in all {at.runs} inputs, slowest {1000 * at.slowest_s:.0f} ms, {len(found.seen)} failures")


if __name__ == "__main__":
    main()
