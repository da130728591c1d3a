"""Fuzzing of everything that reads what comes from outside.

    python -m tests.fuzz --minutes 60                 every target, guided by coverage
    python -m tests.fuzz --minutes 5 --target log     one of them
    python -m tests.fuzz --count 100000 --target log  that many inputs, without guidance

A guided search needs `pip install atheris` (Linux and macOS, Python 3.11 to
3.13); its corpus is kept in --corpus and taken up again. Failing inputs lie in
--found with their tracebacks; exit code 1 when there are any.
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import re
import subprocess
import sys
import time
from pathlib import Path

from tests.fuzz.campaign import HANG_S, counted
from tests.fuzz.targets import TARGETS

MEMORY_MB = 2048
KEPT = Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "guard-fuzz"


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter,
                                     prog="python -m tests.fuzz")
    parser.add_argument("--minutes", type=float, default=10.0, help="in all, shared by the targets")
    parser.add_argument("--target", action="append", choices=sorted(TARGETS), help="may be repeated")
    parser.add_argument("--count", type=int, help="this many inputs a target, changed at random")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--found", type=Path, default=KEPT / "found")
    parser.add_argument("--corpus", type=Path, default=KEPT / "corpus")
    args = parser.parse_args()
    names = args.target or list(TARGETS)
    if args.count is None and importlib.util.find_spec("atheris") is None:
        parser.error("a guided search needs atheris: pip install atheris, or give --count")
    failures = 0
    for name in names:
        begin = time.monotonic()
        if args.count is not None:
            keeper = counted(TARGETS[name], args.count, args.seed, args.found)
            failures += len(keeper.seen)
            words = (f"{args.count} inputs, slowest {1000 * keeper.slowest_s:.0f} ms, "
                     f"{len(keeper.seen)} failures")
        else:
            fails, words = _guided(name, args, args.minutes * 60 / len(names))
            failures += fails
        print(f"{name:<10} {time.monotonic() - begin:6.0f} s  {words}", flush=True)
    return 1 if failures else 0


def _guided(name: str, args: argparse.Namespace, seconds: float) -> tuple[int, str]:
    """Failures found and a line on the search; begun again where the fuzzer had to stop (a hang, memory)."""
    target = TARGETS[name]
    corpus = args.corpus / name
    corpus.mkdir(parents=True, exist_ok=True)
    args.found.mkdir(parents=True, exist_ok=True)
    for number, data in enumerate(target.seeds()):
        (corpus / f"seed-{number:02d}").write_bytes(data[:target.longest])
    end = time.monotonic() + seconds
    runs = failures = 0
    cover = ""
    while (left := round(end - time.monotonic())) > 0:
        child = subprocess.run(
            [sys.executable, "-m", "tests.fuzz.guided", name, str(args.found), f"-max_total_time={left}",
             f"-timeout={HANG_S * 2}", f"-rss_limit_mb={MEMORY_MB}", f"-max_len={target.longest}",
             f"-artifact_prefix={args.found / name}-stop-", "-print_final_stats=1", str(corpus)],
            capture_output=True, text=True, errors="replace", check=False)
        said = child.stdout + child.stderr
        runs += int((re.findall(r"number_of_executed_units:\s*(\d+)", said) or [0])[-1])
        cover = (re.findall(r"cov: (\d+)", said) or [cover])[-1]
        for line in child.stdout.splitlines():
            if line.startswith(f"{name}: "):
                failures += 1
                print(line, flush=True)
        if child.returncode:
            failures += 1
            print(f"{name}: the fuzzer stopped ({child.returncode}): {said[-1500:]}", flush=True)
            if time.monotonic() + 5 > end:
                break
    return failures, f"{runs} inputs, {cover} branches seen, {failures} failures"


if __name__ == "__main__":
    sys.exit(main())
