"""The practice runner as a source of a live session."""

from __future__ import annotations

import asyncio
from functools import cache
from itertools import pairwise

import numpy as np
import pytest

from guard.clock import ManualClock, PacedClock, SessionClock
from guard.errors import UsageError
from guard.events import PACE_CUES, Battery, Cue, CueGiven, Input, Link, LinkState, Reading, Speed
from guard.live.practice import PRACTICE_STRAP, PracticeSource, find_course
from guard.packets.heart_rate import parse
from guard.plan.plan import Kind, Part, Plan
from guard.runner.follow import Follower, practice_for
from guard.runner.rehearsal import PRACTICE
from guard.session import Session
from guard.settings import Settings

NAMES = list(PRACTICE)


@cache
def rehearse(name: str, seed: int = 1, guarded: bool = True) -> tuple[list[Input], list[CueGiven]]:
    """The rehearsal as fast as it goes."""
    return rehearse_on(ManualClock(), name, seed, guarded)


def rehearse_on(
    clock: SessionClock, name: str, seed: int = 1, guarded: bool = True
) -> tuple[list[Input], list[CueGiven]]:
    """All events of a rehearsal and the cues a real session gave on them."""
    course = PRACTICE[name]
    source, session = PracticeSource(course, seed), Session(Settings().replaced(course.settings))
    events: list[Input] = []
    cues: list[CueGiven] = []

    def put(event: Input) -> None:
        events.append(event)
        for item in session.feed(event) if guarded else ():
            if isinstance(item, CueGiven):
                cues.append(item)
                source.hear(item)

    asyncio.run(source.run(clock, put))
    return events, cues


@pytest.mark.parametrize("name", NAMES)
def test_a_newcomer_hears_a_cue_within_30_s_and_the_end_within_3_min(name: str) -> None:
    events, cues = rehearse(name)
    course = PRACTICE[name]
    assert course.duration_s / course.speedup <= 180
    assert 14 * 60 <= course.duration_s <= 25 * 60
    asking = sum(given.cue in PACE_CUES for given in cues)
    assert asking * 3600 / course.duration_s <= 30, "a show must not nag"
    assert min(cue.t_s for cue in cues) / course.speedup <= 30
    assert events[-1].t_s == pytest.approx(course.duration_s - 1, abs=1)
    assert [event.state for event in events if isinstance(event, Link)][:2] == [
        LinkState.CONNECTING, LinkState.CONNECTED]
    assert all(event.name == PRACTICE_STRAP for event in events if isinstance(event, Link))


def test_together_they_show_the_cues_that_matter() -> None:
    heard = {cue.cue for name in NAMES for cue in rehearse(name)[1]}
    assert {Cue.EASE, Cue.WALK, Cue.RESUME, Cue.SIGNAL_LOST, Cue.SIGNAL_BACK, Cue.BATTERY_LOW} <= heard


def test_cues_change_the_run() -> None:
    guarded, _ = rehearse("hill-loop")
    alone, _ = rehearse("hill-loop", guarded=False)
    highest = [max(e.bpm for e in events if isinstance(e, Reading)) for events in (guarded, alone)]
    assert highest[0] < highest[1] - 5


def test_same_seed_same_run_at_any_speed() -> None:
    slow = rehearse("hot-afternoon")
    fast = rehearse_on(PacedClock(4000.0), "hot-afternoon")
    other = rehearse("hot-afternoon", seed=2)
    assert slow == fast
    assert slow != other


def test_intervals_agree_with_the_rate_and_the_packet_with_both() -> None:
    events, _ = rehearse("garage-treadmill")
    readings = [event for event in events if isinstance(event, Reading)]
    for reading in readings:
        packet = parse(reading.raw)
        assert (packet.bpm, packet.contact) == (reading.bpm, True)  # type: ignore[union-attr]
        assert packet.rr_s == pytest.approx(reading.rr_s)  # type: ignore[union-attr]
    for begin in range(120, 840, 60):
        window = readings[begin:begin + 60]
        beats = [rr for reading in window for rr in reading.rr_s]
        assert 60 / (sum(beats) / len(beats)) == pytest.approx(
            sum(r.bpm for r in window) / len(window), abs=5)
        assert sum(beats) == pytest.approx(60, abs=1.5)


def test_belt_speed_and_battery_are_sent() -> None:
    events, _ = rehearse("garage-treadmill")
    speeds = [event for event in events if isinstance(event, Speed)]
    assert max(b.t_s - a.t_s for a, b in pairwise(speeds)) <= 5.0
    assert {event.grade for event in speeds} == {0.0, 0.04}
    assert not any(isinstance(event, Speed) for event in rehearse("hill-loop")[0])
    levels = [event.percent for event in rehearse("hot-afternoon")[0] if isinstance(event, Battery)]
    assert levels == [19, 14]


def test_typed_speed_sets_the_belt_but_not_the_road() -> None:
    for name, follows in (("garage-treadmill", True), ("hill-loop", False)):
        source = PracticeSource(name)
        source.set_speed(2.0)
        source.set_speed(float("nan"))
        source.set_speed(99.0)
        assert bool(source._runners.behaviour.pace_m_s[0] < 2.6) is follows
        second = source._runners.step(np.zeros(1, np.int64))
        assert bool(second.speed_m_s[0] == pytest.approx(2.0)) is follows  # in the gentle start, too


def test_out_of_range_is_silent_and_said() -> None:
    events, _ = rehearse("hot-afternoon")
    begin, length = PRACTICE["hot-afternoon"].no_signal_s[0]
    quiet = [e for e in events if isinstance(e, Reading) and begin <= e.t_s < begin + length]
    assert not quiet
    states = [e.state for e in events if isinstance(e, Link)]
    assert states == [LinkState.CONNECTING, LinkState.CONNECTED, LinkState.LOST, LinkState.CONNECTED]


def test_unknown_course_names_those_there_are() -> None:
    with pytest.raises(UsageError, match="garage-treadmill"):
        find_course("moon\x1b[31m")


# A plan, rehearsed.


def test_the_runner_follows_a_plan_by_what_he_hears() -> None:
    kinds = (Kind.WARM_UP, Kind.FAST, Kind.CLIMB, Kind.TEST, Kind.TEST, Kind.COOL_DOWN)
    follower = Follower(Plan("all", tuple(Part(kind, f"{kind.value} {place}", 90.0)
                                          for place, kind in enumerate(kinds))))
    paces, grades = [], []
    for _ in kinds:
        spot = follower.spot(0.0, np.zeros(1))
        paces.append(float(np.asarray(spot.pace_share)))
        grades.append(float(np.asarray(spot.grade)))
        follower.hear(CueGiven(0.0, Cue.EASE))  # asks for another pace, not for another part
        follower.hear(CueGiven(0.0, Cue.PART))
    warm_up, fast, _, stage, next_stage, cool_down = paces
    assert cool_down < warm_up < 1.0 < fast and next_stage > stage
    assert [grade > 0 for grade in grades] == [kind is Kind.CLIMB for kind in kinds]


def test_a_skipped_part_is_found_by_its_name() -> None:
    parts = (Part(Kind.EASY, "a", 60.0), Part(Kind.EASY, "b", 60.0), Part(Kind.FAST, "c", 60.0))
    follower = Follower(Plan("three", parts))
    follower.hear(CueGiven(0.0, Cue.PART, part="c"))
    assert float(np.asarray(follower.spot(0.0, np.zeros(1)).pace_share)) > 1.0


def test_a_plan_is_rehearsed_within_three_minutes_under_the_runners_own_ceiling() -> None:
    plan = Plan("long", (Part(Kind.WARM_UP, "", 600.0), Part(Kind.EASY, "", 5400.0)))
    course = practice_for(plan, Follower(plan), 151.0)
    assert course.duration_s / course.speedup <= 180.0 and course.settings["ceiling_bpm"] == 151.0
    short = Plan("short", (Part(Kind.EASY, "", 300.0),))
    assert practice_for(short, Follower(short), 151.0).speedup == 8.0
