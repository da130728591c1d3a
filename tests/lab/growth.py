"""How work for a scheduler's workers grows with what there is to do.

    python -m tests.lab.growth tune --sizes 10 30 100 --workers 2
    python -m tests.lab.growth runners --sizes 10 30 100 --workers 2

Invented logs of an hour (tune: 20 sets as recorded) or runners of half a year.
A line each: wall time, processor time of the workers and of the command that
asks them, its peak memory. The command's share bounds what more workers can
bring (Amdahl); wall time on a busy machine says little.
"""

from __future__ import annotations

import argparse
import importlib
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from tests.support.workers import ROOT, Cluster, cluster


def main() -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("what", choices=("tune", "runners"))
    parser.add_argument("--sizes", type=int, nargs="+", default=[10, 30, 100])
    parser.add_argument("--workers", type=int, default=2)
    args = parser.parse_args()
    sys.path.insert(0, str(ROOT / "recordings"))
    year = importlib.import_module("year")
    print(f"| {'recordings' if args.what == 'tune' else 'runners'} | wall, s | workers, s | command, s "
          "| workers each, s | command each, s | command's peak, MiB |")
    print("|---|---|---|---|---|---|---|", flush=True)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with cluster(folder / "dask", args.workers) as some:
            if args.what == "tune":
                year.make_library(folder / "all", 30)
            for size in args.sizes:
                words = (_tune if args.what == "tune" else _runners)(folder, size, year)
                _measure(words, size, folder / f"home-{size}", some)
    return 0


def _tune(folder: Path, size: int, year: Any) -> list[str]:
    """The same thirty logs again and again, under other names."""
    logs = sorted((folder / "all").rglob("*.jsonl"))
    place = folder / f"logs-{size}"
    place.mkdir()
    for number in range(size):
        os.link(logs[number % len(logs)], place / f"{number:05d}.jsonl")
    return ["tune", *sorted(map(str, place.iterdir())), "--view", "recorded", "--tries", "20", "--json"]


def _runners(folder: Path, size: int, year: Any) -> list[str]:
    place = folder / f"runners-{size}"
    for number in range(size):
        year.make(place / f"{number:05d}", seed=number, weeks=26)
    return ["progress", "--runners", str(place), "--json"]


def _measure(words: list[str], size: int, home: Path, some: Cluster) -> None:
    before, begun = _spent(some), time.perf_counter()
    process = subprocess.Popen([sys.executable, "-m", "guard", *words, "--workers", some.address], cwd=ROOT,
                               stdout=subprocess.DEVNULL, env={**os.environ, "GUARD_HOME": str(home)})
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0
    wall_s, theirs_s = time.perf_counter() - begun, _spent(some) - before
    ours_s = used.ru_utime + used.ru_stime
    print(f"| {size} | {wall_s:.1f} | {theirs_s:.1f} | {ours_s:.1f} | {theirs_s / size:.3f} "
          f"| {ours_s / size:.3f} | {used.ru_maxrss / 1024:.0f} |", flush=True)


def _spent(some: Cluster) -> float:
    """Processor time of all workers so far, s."""
    total = 0
    for worker in some.workers:
        total += sum(map(int, Path(f"/proc/{worker.pid}/stat").read_text().rsplit(") ", 1)[1].split()[11:13]))
    return total / os.sysconf("SC_CLK_TCK")


if __name__ == "__main__":
    sys.exit(main())
