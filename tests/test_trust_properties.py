"""The invariants of trust on composed sessions: what was said, against what was true.

A table of tries and failures over 100,000 sessions: `python -m tests.test_trust_properties 100000`.
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor

import pytest

from guard.session import Session
from tests.support.trust_check import Found, check, check_limits, gone_through
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
            found += check_limits(one)
            again = gone_through(one, Session(one.settings, one.plan), tick_s=0.25)
            found.seed = seed
            found.hold("replay equals live", again.outputs == run.outputs)
    return found


def campaign(count: int, jobs: int = 2) -> Found:
    """The same on every processor given."""
    total = Found()
    with ProcessPoolExecutor(jobs) as pool:
        pieces = range(0, count, PIECE)
        for found in pool.map(checked, pieces, [min(PIECE, count - first) for first in pieces]):
            total += found
    return total


# Who was seen to walk and whose level then stands still, nearer to the ceiling than running again may
# begin, walks on for up to ten minutes: the decision's choice (`guard/decide/README.md`).
CHOSEN, CHOSEN_SHARE = "no trap: steady after 3 min", 0.02


@pytest.mark.parametrize("first", range(0, EVERYDAY, 100))
def test_the_invariants_hold_on_composed_sessions(first: int):
    found = checked(first, 100)
    kept = found.failed[CHOSEN] <= CHOSEN_SHARE * found.tried[CHOSEN]
    assert kept and not set(found.failed) - {CHOSEN}, (
        "\n" + found.table() + "\n" + "\n".join(found.where[:10]))
    assert sum(found.tried.values()) > 5000


@pytest.mark.slow
def test_the_invariants_hold_on_many_composed_sessions():
    found = campaign(MANY)
    print(found.table())
    assert not found.failed, "\n" + found.table() + "\n" + "\n".join(found.where[:10])


if __name__ == "__main__":
    result = campaign(int(sys.argv[1]) if len(sys.argv) > 1 else EVERYDAY)
    print(result.table())
    print(*result.where[:40], sep="\n")
