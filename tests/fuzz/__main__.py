"""Fuzzing of everything that reads what comes from outside.

    python -m tests.fuzz --minutes 60                 every target, guided by coverage
    python -m tests.fuzz --minutes 5 --target log     one of them
    python -m tests.fuzz --count 100000 --target log  that many inputs, without guidance

A guided search needs `pip install atheris` (Linux and macOS, Python 3.11 to
3.13); its corpus is kept in --corpus and taken up again. Failing inputs lie in
--found with their tracebacks, what a worker died of and the slowest inputs
too. Exit code 1 when anything failed. Ctrl-C ends it with the table so far.
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import sys
from pathlib import Path

from tests.fuzz.targets import TARGETS
from tests.fuzz.watch import HEAD, Searched, Words, searched

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
    results: list[Searched] = []
    try:
        for name in names:
            if args.count is not None:
                found = searched(name, _counted(args.seed), args.found, count=args.count)
            else:
                found = searched(name, _guided(name, args), args.found,
                                 seconds=args.minutes * 60 / len(names))
            results.append(found)
            if len(results) == 1:
                print(HEAD)
            print(found.row(), flush=True)
    except KeyboardInterrupt:
        print("interrupted", file=sys.stderr)
    runs = sum(one.runs for one in results)
    crashes = sum(one.failures + one.deaths for one in results)
    slowest_s = max((one.slowest_s for one in results), default=0.0)
    print(f"in all {runs} inputs, slowest {1000 * slowest_s:.0f} ms, {crashes} failures")
    return 1 if crashes else 0


def _counted(seed: int) -> Words:
    return lambda to_do, left_s, start: ["counted", str(to_do), str(seed + start)]


def _guided(name: str, args: argparse.Namespace) -> Words:
    target = TARGETS[name]
    corpus = args.corpus / name
    corpus.mkdir(parents=True, exist_ok=True)
    for number, data in enumerate(target.seeds()):
        (corpus / f"seed-{number:02d}").write_bytes(data[:target.longest])
    return lambda to_do, left_s, start: [
        "guided", f"-max_total_time={max(1, round(left_s))}", f"-rss_limit_mb={MEMORY_MB}",
        f"-max_len={target.longest}", "-timeout=100000", f"-artifact_prefix={args.found / name}-stop-",
        "-print_final_stats=1", str(corpus)]


if __name__ == "__main__":
    sys.exit(main())
