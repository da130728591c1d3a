"""What a long session must not do: grow, or fall behind. Samples of a process, and how flat they are."""

from __future__ import annotations

import os
import time
from dataclasses import dataclass, fields
from pathlib import Path

import numpy as np

_TICKS_PER_S = os.sysconf("SC_CLK_TCK")
WARM_SHARE = 0.5  # of the samples: caches fill, the drawn five minutes too; flatness is judged after it


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
    """One figure of a series: its median early and late, its slope by the hour, the growth that is borne.

    `low` and `high` are the 95 % interval of the slope, from the scatter of
    the medians of 20 blocks (neighbouring samples are not independent).
    """

    name: str
    early: float
    late: float
    slope_per_h: float
    low: float
    high: float
    most_per_h: float

    @property
    def flat(self) -> bool:
        """The slope is within the bound, or cannot be told from none and the medians differ by little."""
        return self.slope_per_h <= self.most_per_h

    def __str__(self) -> str:
        return (f"{self.name:<14} {self.early:>9.2f} {self.late:>9.2f} {self.slope_per_h:>+9.3f} "
                f"({self.low:+.3f} to {self.high:+.3f}) {self.most_per_h:>6.2f}  "
                f"{'flat' if self.flat else 'GROWS'}")


HEADER = f"{'':<14} {'early':>9} {'late':>9} {'per hour':>9} (95 % interval)    borne"


def flatness(name: str, at_h: list[float], values: list[float], most_per_h: float) -> Flatness:
    """How flat `values` over `at_h` (hours) are, once warm; `most_per_h` is the growth borne."""
    first = int(len(values) * WARM_SHARE)
    hours, kept = np.asarray(at_h[first:]), np.asarray(values[first:], dtype=float)
    blocks = [block for block in np.array_split(np.arange(len(kept)), 20) if len(block)]
    x = np.array([hours[block].mean() for block in blocks])
    y = np.array([np.median(kept[block]) for block in blocks])
    slope, base = np.polyfit(x, y, 1)
    spread = np.std(y - (base + slope * x), ddof=2) / (np.std(x) * np.sqrt(len(x)))
    t_95 = 2.10  # Student's t, 18 degrees of freedom, two-sided (published tables)
    tenth = max(1, len(kept) // 10)
    return Flatness(name, float(np.median(kept[:tenth])), float(np.median(kept[-tenth:])), float(slope),
                    float(slope - t_95 * spread), float(slope + t_95 * spread), most_per_h)


# Growth borne, by the hour of session time. Memory: 24 h of it stay within 90 MiB.
MOST_PER_H = {"memory_mib": 0.5, "descriptors": 0.1, "threads": 0.1, "children": 0.1, "children_mib": 0.5}


def judged(samples: list[Sample], hours: list[float]) -> list[Flatness]:
    """Every figure of the samples that may not grow."""
    return [flatness(one.name, hours, [getattr(sample, one.name) for sample in samples], MOST_PER_H[one.name])
            for one in fields(Sample) if one.name in MOST_PER_H]
