"""Random packets and logs read by processes of their own, in the time that nobody else wants."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PACKETS = int(os.environ.get("GUARD_PACKETS", "1000000"))
LOGS = int(os.environ.get("GUARD_LOGS", "100000"))


@dataclass(frozen=True)
class Tried:
    """What came of one target."""

    inputs: int
    slowest_s: float
    failures: int
    said: str


class Fuzzing:
    """`python -m tests.fuzz` for each target, side by side, at the lowest priority."""

    def __init__(self, *, start: bool) -> None:
        self._folder = Path(tempfile.mkdtemp(prefix="guard-campaign-fuzz-"))
        counts = {"heart_rate": PACKETS, "log": LOGS} if start else {}
        self._running = {name: self._start(name, count) for name, count in counts.items()}

    def result(self, name: str, timeout_s: float) -> Tried:
        """What came of the target once it is through; raises subprocess.TimeoutExpired."""
        self._running[name].wait(timeout_s)
        said = (self._folder / f"{name}.out").read_text()
        figures = re.search(r"(\d+) inputs, slowest (\d+) ms, (\d+) failures", said)
        assert figures, said[-2_000:]
        inputs, slowest_ms, failures = map(int, figures.groups())
        return Tried(inputs, slowest_ms / 1000, failures, said)

    def close(self) -> None:
        for process in self._running.values():
            process.kill()
            process.wait()
        shutil.rmtree(self._folder, ignore_errors=True)

    def _start(self, name: str, count: int) -> subprocess.Popen[bytes]:
        with (self._folder / f"{name}.out").open("wb") as out:
            return subprocess.Popen(
                ["nice", "-n", "19", sys.executable, "-m", "tests.fuzz", "--count", str(count),
                 "--target", name, "--found", str(self._folder / "found")],
                cwd=ROOT, stdout=out, stderr=subprocess.STDOUT, stdin=subprocess.DEVNULL)
