"""What a plan knows of the road reaches the decision before the heart does."""

from __future__ import annotations

import math

import pytest

from guard.events import PACE_CUES, Cue, CueGiven, Reading, Speed
from guard.plan.plan import Cued, Kind, Part, Plan, Progress
from guard.session import Session
from guard.session.road import NO_LOAD, Road
from guard.settings import Settings

BELT = Settings(ceiling_bpm=139, belt=True)
FOOT_S = 300.0
LEVEL = Part(Kind.EASY, "level", FOOT_S, grade=0.0, speed_m_s=2.2)
UP = Part(Kind.CLIMB, "up", 240.0, grade=0.06, speed_m_s=2.2)


def paced(plan: Plan, *, told: bool) -> list[CueGiven]:
    """Cues about pace in nine minutes at 135 bpm that rise by 20 on the climb, whatever is said."""
    session = Session(BELT, plan)
    cues = []
    for t_s in range(1, 541):
        if told:
            session.feed(Speed(t_s - 0.5, 2.2, 0.06 if t_s > FOOT_S else 0.0, source="treadmill"))
        into = max(t_s - FOOT_S - 10.0, 0.0)
        bpm = round(135 + 20 * (1 - math.exp(-into / 50.0)))
        cues += [out for out in session.feed(Reading(float(t_s), bpm, True, (60.0 / bpm + 1e-3 * (t_s % 7),)))
                 if isinstance(out, CueGiven) and out.cue in PACE_CUES]
    return cues


@pytest.mark.parametrize("told", [True, False], ids=["belt told", "belt not told"])
def test_ease_is_said_before_the_foot_of_a_climb_that_is_known(told):
    bare = Plan("bare", (Part(Kind.EASY, "level", FOOT_S), Part(Kind.CLIMB, "up", 240.0)))
    late = paced(bare, told=told)[0]
    early = paced(Plan("road", (LEVEL, UP)), told=told)[0]
    assert early.cue is late.cue is Cue.EASE
    assert FOOT_S - 30.0 < early.t_s < FOOT_S < late.t_s


def test_a_crest_that_is_known_puts_an_ease_off():
    """Heading for the ceiling with the crest a few seconds away: less is foreseen."""
    down = Part(Kind.EASY, "down", 240.0, grade=-0.04, speed_m_s=2.2)

    def first(after: Part) -> float:
        session = Session(BELT, Plan("p", (LEVEL, after)))
        for t_s in range(1, 321):
            bpm = 130 if t_s < 275 else round(130 + 0.4 * min(t_s - 275, 25))
            for out in session.feed(Reading(float(t_s), bpm, True, (60.0 / bpm + 1e-3 * (t_s % 7),))):
                if isinstance(out, CueGiven) and out.cue is Cue.EASE:
                    return t_s
        return math.inf

    assert first(LEVEL) + 5.0 <= first(down) <= FOOT_S


def road_at(t_s: float, *parts: Part, distance_m: float | None = None) -> tuple[Road, Progress]:
    progress = Progress(Plan("p", parts))
    road = Road(progress, belt=True)
    progress.advance(0.0, 0.0 if distance_m is not None else None)
    progress.advance(t_s, distance_m)
    return road, progress


def test_what_comes_is_a_change_of_level_speed_and_a_time():
    """6 % on a belt asks for 1.27 of the level (ACSM: 0.9 x 0.06 / 0.2 more)."""
    road, _ = road_at(290.0, LEVEL, UP)
    change, in_s = road.load(None, 139, held=False) or NO_LOAD
    assert (change, in_s) == (pytest.approx(0.27 * 2.2), pytest.approx(10.0))
    # the belt's own speed goes before the plan's; what it climbs already is not to come
    assert (road.load(Speed(290.0, 2.0), 139, held=False) or NO_LOAD)[0] == pytest.approx(1.27 * 2.2 - 2.0)
    climbing = Speed(290.0, 2.2, 0.06)
    assert (road.load(climbing, 139, held=False) or NO_LOAD)[0] == pytest.approx(0.0)


def test_at_the_boundary_it_comes_now_once():
    road, progress = road_at(299.0, LEVEL, UP)
    road.load(None, 139, held=False)
    progress.advance(300.5)
    assert road.load(None, 139, held=False) == (pytest.approx(0.27 * 2.2), 0.0)
    assert math.isnan((road.load(None, 139, held=False) or NO_LOAD)[0]), "the last part: nothing comes"


def test_a_part_by_distance_is_timed_by_the_speed_in_force():
    by_distance = Part(Kind.EASY, "level", 400.0, metres=1000.0, grade=0.0)
    road, _ = road_at(300.0, by_distance, UP, distance_m=950.0)
    assert (road.load(Speed(300.0, 2.5), 139, held=False) or NO_LOAD)[1] == pytest.approx(20.0)


@pytest.mark.parametrize(("after", "why"), [
    (Part(Kind.FAST, "fast", 60.0, cued=Cued.STOP_ONLY, speed_m_s=4.0), "left to the runner"),
    (Part(Kind.CLIMB, "up", 60.0, ceiling_bpm=150.0, grade=0.06), "under a higher ceiling"),
    (Part(Kind.CLIMB, "up", 60.0), "without grade or speed"),
])
def test_nothing_comes_from_a_part_that(after, why):
    road, _ = road_at(290.0, LEVEL, after)
    assert math.isnan((road.load(None, 139, held=False) or NO_LOAD)[0]), why


def test_without_a_road_or_in_a_pause_nothing_comes():
    assert road_at(290.0, Part(Kind.EASY, "a", 300.0), Part(Kind.EASY, "b", 60.0))[0].load(
        None, 139, held=False) is None
    assert Road(None, belt=False).load(None, 139, held=False) is None
    road, _ = road_at(290.0, LEVEL, UP)
    assert math.isnan((road.load(None, 139, held=True) or NO_LOAD)[0])
    unknown, _ = road_at(
        290.0, Part(Kind.EASY, "a", 300.0, grade=0.0), Part(Kind.EASY, "b", 60.0, grade=0.06))
    assert math.isnan((unknown.load(None, 139, held=False) or NO_LOAD)[0]), "no speed is known"


def test_the_plans_grade_is_told_where_only_a_speed_is():
    road, _ = road_at(310.0, LEVEL, UP)
    assert road.graded(Speed(1.0, 2.2)) == Speed(1.0, 2.2, 0.06)
    assert road.graded(Speed(1.0, 2.2, 0.01)) == Speed(1.0, 2.2, 0.01)
    assert road.graded(None) is None
