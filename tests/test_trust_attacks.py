"""Trust under hostile straps: spoiled packets, blind bytes, jumping clocks, and a clean strap at last.

Recordings, where they are there, stand in for some of the invented hearts in the long run of it.
A table: `python -m tests.test_trust_attacks 1000 [FIRST_SEED]`.
"""

from __future__ import annotations

import sys

import pytest

from tests.lab.trust_on_recordings import folder, outdoor, ramps, readings_of, transients
from tests.support.trust_attacks import attacked
from tests.support.trust_check import Found, invariants

EVERYDAY, MANY = 20, 3000


def checked(first: int, count: int, pieces: list[list[float]]) -> Found:
    """What held in `count` hostile sessions from the seed `first` on."""
    total = Found()
    for seed in range(first, first + count):
        _, run, names = attacked(seed, pieces)
        found = invariants(run)
        found.where = [f"{where} <{names}>" for where in found.where]
        total += found
    return total


def recorded() -> list[list[float]]:
    """Heart rates of the open recordings, one a second; none where they are not there."""
    where = folder()
    if where is None:
        return []
    several = [transients(where, *names, rr=False) for names in ("AB", "CD")]
    several += ramps(where, rr=False)
    several += [readings_of(outdoor(where, number).inputs) for number in range(1, 6)]
    return [[float(one.bpm) for one in readings if one.bpm] for readings in several]


def test_the_invariants_hold_under_hostile_straps() -> None:
    found = checked(0, EVERYDAY, [])
    assert not found.failed, "\n" + found.table() + "\n" + "\n".join(found.where[:10])


@pytest.mark.slow
def test_the_invariants_hold_under_many_hostile_straps() -> None:
    found = checked(EVERYDAY, MANY, recorded())
    print(found.table())
    assert not found.failed, "\n" + found.table() + "\n" + "\n".join(found.where[:10])


if __name__ == "__main__":
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    result = checked(first, int(sys.argv[1]) if len(sys.argv) > 1 else EVERYDAY, recorded())
    print(result.table())
    print(*result.where[:40], sep="\n")
