"""What a long session must not do: grow, or fall behind. Samples of a process, and how flat they are."""

from __future__ import annotations

import os
import time
from dataclasses import dataclass, fields
from pathlib import Path

import numpy as np
from scipy.stats import t as student_t  # type: ignore[import-untyped]

_TICKS_PER_S = os.sysconf("SC_CLK_TCK")
# Of the samples: caches and the drawn five minutes fill, the allocator finds its size. Two hours in
# real time gained 2.5 and 2.9 MiB in their first 40 minutes, ever slower, then 0.01 and 0.07 MiB.
WARM_SHARE = 2 / 3
BLOCKS = 20


@dataclass(frozen=True)
class Sample:
    """One process at the monotonic time `at_s`; memory is its own resident memory."""

    at_s: float
    memory_mib: float
    descriptors: int
    threads: int
    children: int
    children_mib: float
    cpu_s: float


def sample(pid: int | str = "self") -> Sample:
    """The process now; OSError when it has ended."""
    home = Path("/proc") / str(pid)
    status = _status(home)
    children = _children(int(status["Pid"]))
    after_name = (home / "stat").read_text().rpartition(")")[2].split()
    return Sample(
        time.monotonic(), _mib(status), len(list((home / "fd").iterdir())), int(status["Threads"]),
        len(children), sum(_memory_mib(child) for child in children),
        (int(after_name[11]) + int(after_name[12])) / _TICKS_PER_S)


def _status(home: Path) -> dict[str, str]:
    pairs = (line.split(":", 1) for line in (home / "status").read_text().splitlines())
    return {key: value.strip() for key, value in pairs}


def _mib(status: dict[str, str]) -> float:
    return int(status.get("VmRSS", "0 kB").split()[0]) / 1024


def _memory_mib(pid: int) -> float:
    try:
        return _mib(_status(Path(f"/proc/{pid}")))
    except OSError:
        return 0.0  # it has just ended


def _children(pid: int) -> list[int]:
    """All descendants."""
    found: list[int] = []
    for task in Path(f"/proc/{pid}/task").glob("*/children"):
        try:
            for child in map(int, task.read_text().split()):
                found += [child, *_children(child)]
        except OSError:
            continue
    return found


@dataclass(frozen=True)
class Flatness:
    """One figure of a series, judged once warm: growth by the hour, how sure that is, and what is borne.

    `begin`, `warm` and `end` are medians of a fiftieth of the samples there;
    `low` and `high` the 95 % interval of the slope.
    """

    name: str
    begin: float
    warm: float
    end: float
    slope_per_h: float
    low: float
    high: float
    most_per_h: float

    @property
    def flat(self) -> bool:
        """Whether it is not shown to grow (the interval leaves no growth out) by more than is borne."""
        return self.low <= 0 or self.slope_per_h <= self.most_per_h

    def after(self, hours: float) -> float:
        """Where it is so many hours on, by the upper end of the interval."""
        return self.end + hours * max(0.0, self.high)

    def __str__(self) -> str:
        return (f"{self.name:<14} {self.begin:>8.2f} {self.warm:>8.2f} {self.end:>8.2f} "
                f"{self.slope_per_h:>+9.3f} ({self.low:+.3f} to {self.high:+.3f}) {self.most_per_h:>6.2f}  "
                f"{'flat' if self.flat else 'GROWS'}")


HEADER = f"{'':<14} {'begin':>8} {'warm':>8} {'end':>8} {'per hour':>9} (95 % interval)    borne"


def flatness(name: str, at_h: list[float], values: list[float], most_per_h: float) -> Flatness:
    """How flat `values` over `at_h` (hours) are, once warm; `most_per_h` is the growth borne.

    A straight line through the medians of 20 blocks. Memory grows in steps, so
    its residuals hang together and count for fewer: effective sample size
    n (1 - r) / (1 + r), r their correlation from block to block (Santer et al.
    2000, J. Geophys. Res. 105, 7337-7356; from memory).
    """
    first = int(len(values) * WARM_SHARE)
    hours, kept = np.asarray(at_h[first:]), np.asarray(values[first:], dtype=float)
    blocks = [block for block in np.array_split(np.arange(len(kept)), BLOCKS) if len(block)]
    x = np.array([hours[block].mean() for block in blocks])
    y = np.array([np.median(kept[block]) for block in blocks])
    slope, base = np.polyfit(x, y, 1)
    residuals = y - (base + slope * x)
    squares = float(residuals @ residuals)
    related = float(residuals[1:] @ residuals[:-1]) / squares if squares > 1e-18 else 0.0
    related = min(max(related, 0.0), 0.9)
    count = max(3.0, len(x) * (1 - related) / (1 + related))
    error = float(np.sqrt(squares / (count - 2)) / (np.std(x) * np.sqrt(len(x))))
    wide = float(student_t.ppf(0.975, count - 2)) * error
    few = max(1, len(values) // 50)
    return Flatness(name, float(np.median(values[:few])), float(np.median(kept[:few])),
                    float(np.median(kept[-few:])), float(slope), float(slope - wide), float(slope + wide),
                    most_per_h)


# Growth borne, by the hour of session time. Memory: 24 h of it stay within 90 MiB.
MOST_PER_H = {"memory_mib": 0.5, "descriptors": 0.1, "threads": 0.1, "children": 0.1, "children_mib": 0.5}


def judged(samples: list[Sample], hours: list[float]) -> list[Flatness]:
    """Every figure of the samples that may not grow."""
    return [flatness(one.name, hours, [getattr(sample, one.name) for sample in samples], MOST_PER_H[one.name])
            for one in fields(Sample) if one.name in MOST_PER_H]
