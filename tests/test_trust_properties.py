"""The invariants of trust on composed sessions: what was said, against what was true.

A table of tries and failures over 100,000 sessions, on every core, to be stopped and continued at will:
`python -m tests.test_trust_properties 100000 --first-seed 1000000 --keep table.json`.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import pytest

from guard.session import Session
from tests.support.trust_check import Found, check, gone_through, limits_fit
from tests.support.trust_sessions import composed

EVERYDAY, MANY = 300, 100_000
PIECE = 50


def checked(first: int, count: int) -> Found:
    """The invariants on `count` sessions from the seed `first` on."""
    found = Found()
    for seed in range(first, first + count):
        one = composed(seed)
        run = gone_through(one)
        found += check(one, run)
        if seed % 10 == 0:
            found.seed = seed
            again = gone_through(one, Session(one.settings, one.plan), tick_s=0.25, looks=limits_fit(found))
            found.hold("replay equals live", again.outputs == run.outputs)
    return found


def campaign(first: int, count: int, jobs: int, keep: Path | None = None) -> Found:
    """The same on `jobs` processes; each piece done is kept in `keep`, from which it goes on."""
    total, seed = Found(), first
    if keep and keep.exists():
        kept = json.loads(keep.read_text(encoding="utf-8"))
        total = Found(Counter(kept["tried"]), Counter(kept["failed"]), kept["where"])
        first, seed = kept["first_seed"], kept["next_seed"]
    pieces = range(seed, first + count, PIECE)
    with ProcessPoolExecutor(jobs, initializer=signal.signal,
                             initargs=(signal.SIGINT, signal.SIG_IGN)) as pool:
        try:
            for found in pool.map(checked, pieces, [min(PIECE, first + count - one) for one in pieces]):
                total, seed = total.__iadd__(found), min(seed + PIECE, first + count)
                if keep:
                    keep.write_text(json.dumps({
                        "first_seed": first, "next_seed": seed, "tried": total.tried, "failed": total.failed,
                        "where": total.where}), encoding="utf-8")
                if (seed - first) % 1000 == 0:
                    print(f"{seed - first:,} sessions, {total.failed.total():,} failures", file=sys.stderr)
        except KeyboardInterrupt:
            pool.shutdown(wait=False, cancel_futures=True)
    print(f"{seed - first:,} sessions, seeds {first} to {seed - 1}")
    return total


def holds(found: Found) -> None:
    assert not found.failed, "\n" + found.table() + "\n" + "\n".join(found.where[:10])


@pytest.mark.parametrize("first", range(0, EVERYDAY, 100))
def test_the_invariants_hold_on_composed_sessions(first: int):
    found = checked(first, 100)
    holds(found)
    assert sum(found.tried.values()) > 5000


@pytest.mark.slow
def test_the_invariants_hold_on_many_composed_sessions():
    found = campaign(EVERYDAY, MANY, os.cpu_count() or 1)
    print(found.table())
    holds(found)


def main() -> None:
    parser = argparse.ArgumentParser(description="Table of the invariants: tried, failed; Ctrl-C ends it.")
    parser.add_argument("count", type=int, nargs="?", default=EVERYDAY)
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="processes; else one a core")
    parser.add_argument("--keep", type=Path, help="file of what is done: the same command goes on")
    options = parser.parse_args()
    found = campaign(options.first_seed, options.count, options.jobs, options.keep)
    print(found.table())
    print(*found.where[:40], sep="\n")


if __name__ == "__main__":
    main()
