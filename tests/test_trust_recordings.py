"""Trust on open recordings: where they are there. One command shows all: `tests.lab.trust_on_recordings`."""

from __future__ import annotations

from pathlib import Path

import pytest

from guard.events import ReadingDoubted
from guard.replay.replay import Replay, replay
from guard.settings import Settings
from tests.lab.trust_on_recordings import (
    THINNED_S,
    folder,
    judged,
    leaping,
    outdoor,
    ramps,
    readings_of,
    transients,
)

SETTINGS = Settings(ceiling_bpm=160.0)
pytestmark = pytest.mark.skipif(folder() is None, reason="open data not here (GUARD_OPEN_DATA)")


@pytest.fixture(scope="module")
def where() -> Path:
    found = folder()
    assert found is not None
    return found


@pytest.mark.parametrize("names", ["AB", "CD"])
@pytest.mark.parametrize("rr", [False, True])
def test_running_and_then_standing_still_is_followed(where: Path, names: str, rr: bool):
    """Zakynthinaki 2015: rest to 13 or 14 km/h, then a stop; the version before lost half of it."""
    assert judged(transients(where, *names, rr=rr))[0].untrusted_s <= 30


@pytest.mark.parametrize("rr", [False, True])
def test_ramps_and_their_recovery_are_followed(where: Path, rr: bool):
    """ACTES: 18 maximal ramps, 6.4 h, with real artefacts."""
    found = [judged(one)[0] for one in ramps(where, rr=rr)]
    assert sum(one.untrusted_s for one in found) <= 0.006 * sum(one.covered_s for one in found)


def test_leaping_seconds_are_mostly_doubted_and_clean_ones_believed(where: Path):
    wild = [0, 0]
    clean = [0, 0]
    for number in range(1, 6):
        readings = [one for one in readings_of(outdoor(where, number).inputs) if one.bpm]
        for leaps, true in zip(leaping(readings), judged(readings)[1], strict=True):
            (wild if leaps else clean)[true] += 1
    assert wild[1] <= 0.45 * sum(wild)
    assert clean[0] <= 0.03 * sum(clean)


@pytest.fixture(scope="module")
def whole(where: Path) -> Replay:
    return replay(outdoor(where, 4), SETTINGS)


@pytest.mark.parametrize("every", THINNED_S)
def test_a_thinned_run_says_what_the_whole_says(where: Path, whole: Replay, every: int):
    thin = replay(outdoor(where, 4, every), SETTINGS)
    sent = sum(one.bpm > 0 for one in readings_of(outdoor(where, 4, every).inputs))
    doubted = sum(isinstance(one, ReadingDoubted) for one in thin.outputs)
    assert doubted <= 0.06 * sent
    assert thin.summary["over_s"] == pytest.approx(whole.summary["over_s"], rel=0.12)
