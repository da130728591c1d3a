"""Which speed holds: pure rules, and a session that goes by them."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from guard.decide import wording
from guard.events import (
    FOOT_POD,
    NO_NUMBERS,
    TREADMILL,
    Cue,
    CueGiven,
    Doubt,
    LinkState,
    Numbers,
    Reading,
    ReadingDoubted,
    Speed,
    SpeedLink,
)
from guard.log.records import from_line, from_record, to_line, to_record
from guard.session import Session
from guard.session.speeds import OLD_S, Speeds, in_force, origin
from guard.settings import Settings


def belt(t_s: float, km_h: float | None, grade: float | None = 0.01) -> Speed:
    return Speed(t_s, None if km_h is None else km_h / 3.6, grade, source=TREADMILL)


def pod(t_s: float, km_h: float, steps: float | None = 160.0) -> Speed:
    return Speed(t_s, km_h / 3.6, cadence_spm=steps, source=FOOT_POD)


def typed(t_s: float, km_h: float | None = None, grade: float | None = None) -> Speed:
    return Speed(t_s, None if km_h is None else km_h / 3.6, grade, typed=True)


def after(*events: Speed) -> Speeds:
    speeds = Speeds()
    for event in events:
        speeds.take(event)
    return speeds


def km_h(speeds: Speeds, t_s: float) -> float | None:
    known = speeds.known(t_s)
    return None if known is None or known.speed_m_s is None else round(known.speed_m_s * 3.6, 3)


def test_nothing_said_is_nothing_known():
    assert Speeds().known(5.0) is None
    assert after(belt(0.0, 8.0)).known(OLD_S) is not None
    assert after(belt(0.0, 8.0)).known(OLD_S + 0.1) is None, "a read speed grows old"
    assert km_h(after(typed(0.0, 8.0)), 5000.0) == 8.0, "a typed one holds"


def test_the_treadmill_leads_and_the_pod_adds_its_cadence():
    speeds = after(belt(1.0, 8.0, 0.02), pod(1.1, 8.4, 158))
    known = speeds.known(2.0)
    assert (known.source, known.grade, known.cadence_spm) == (TREADMILL, 0.02, 158)
    assert km_h(speeds, 2.0) == 8.0


def test_the_pod_takes_over_when_the_treadmill_has_been_silent():
    speeds = after(belt(0.0, 8.0), *(pod(float(t), 8.4) for t in range(15)))
    assert km_h(speeds, 9.0) == 8.0
    assert km_h(speeds, 14.0) == 8.4
    assert speeds.known(14.0).grade is None
    assert origin(speeds.known(14.0)) == FOOT_POD
    speeds.take(belt(15.0, 8.1))
    assert km_h(speeds, 15.0) == 8.1


def test_parts_of_a_split_record_are_put_together():
    speeds = after(belt(0.0, None, 0.03), belt(0.01, 8.0, None), belt(1.0, None, 0.04), belt(1.01, 8.1, None))
    known = speeds.known(1.5)
    assert (km_h(speeds, 1.5), known.grade) == (8.1, 0.04)


@pytest.mark.parametrize(("said", "holds"), [(8.0, 8.5), (8.1, 8.5), (8.2, 8.2), (7.8, 7.8), (0.0, 0.0)])
def test_a_typed_speed_holds_until_the_belt_is_turned(said: float, holds: float):
    speeds = after(belt(0.0, 8.0), typed(1.0, 8.5), belt(2.0, said))
    assert km_h(speeds, 2.5) == holds
    assert speeds.known(2.5).typed is (holds == 8.5)


@pytest.mark.parametrize(("said", "holds"), [(8.5, 9.0), (9.1, 9.0), (10.0, 10.0), (5.0, 5.0)])
def test_a_typed_speed_holds_until_the_runner_on_a_pod_changes_pace(said: float, holds: float):
    speeds = after(pod(0.0, 8.6), typed(1.0, 9.0), pod(2.0, said, 155))
    assert km_h(speeds, 2.5) == holds
    assert speeds.known(2.5).cadence_spm == 155, "cadence is the pod's whatever was typed"


def test_typed_while_the_treadmill_was_away_ends_with_its_return():
    speeds = after(belt(0.0, 8.0), typed(20.0, 9.0))
    assert km_h(speeds, 100.0) == 9.0
    speeds.take(belt(101.0, 8.0))
    assert km_h(speeds, 101.5) == 8.0


def test_a_typed_speed_is_none_of_the_pods_business_while_the_treadmill_is_meant():
    speeds = after(belt(0.0, 8.0), pod(0.0, 8.0), typed(1.0, 8.5), pod(2.0, 8.3), belt(2.0, 8.0))
    assert km_h(speeds, 2.5) == 8.5


def test_a_typed_grade_is_apart_from_the_speed():
    speeds = after(belt(0.0, 8.0, 0.0), typed(1.0, grade=0.02), belt(2.0, 9.0, 0.0))
    known = speeds.known(2.5)
    assert (km_h(speeds, 2.5), known.grade, known.typed) == (9.0, 0.02, False)
    speeds.take(belt(3.0, 9.0, 0.01))
    assert speeds.known(3.5).grade == 0.01, "the belt was tilted"


def test_an_unnamed_source_ends_what_was_typed():
    speeds = after(typed(0.0, 9.0), Speed(1.0, 2.0))
    assert km_h(speeds, 1.0) == 7.2


def test_in_force_is_one_stream():
    told = [belt(0.0, 8.0), pod(0.5, 8.6), typed(1.0, 9.0), belt(2.0, 8.0), pod(2.5, 8.6), belt(3.0, 9.5)]
    held = list(in_force(told))
    assert [round(one.speed_m_s * 3.6, 1) for one in held] == [8.0, 8.0, 9.0, 9.0, 9.0, 9.5]
    assert [one.typed for one in held] == [False, False, True, True, True, False]
    assert [one.t_s for one in held] == [one.t_s for one in told]


values = st.none() | st.floats(0, 6)
steps = st.tuples(st.floats(0, 4), values, st.none() | st.floats(-0.2, 0.2),
                  st.sampled_from(["typed", "", TREADMILL, FOOT_POD]))


@given(st.lists(steps, max_size=40))
def test_what_holds_was_said_and_not_too_long_ago(moves):
    """Whatever comes: a speed that holds was typed, or read within the last ten seconds."""
    speeds, said, t_s = Speeds(), [], 0.0
    for wait_s, speed_m_s, grade, who in moves:
        t_s += wait_s
        source = "" if who == "typed" else who
        event = Speed(t_s, speed_m_s, grade, typed=who == "typed", source=source)
        said.append(event)
        speeds.take(event)
        known = speeds.known(t_s)
        if known is None or known.speed_m_s is None:
            assert not [one for one in said if one.typed and one.speed_m_s is not None and one is event]
            continue
        same = [one for one in said if one.speed_m_s == known.speed_m_s
                and (one.typed, one.source) == (known.typed, known.source)]
        assert same
        if not known.typed:
            assert any(t_s - one.t_s <= OLD_S for one in said if one.source == known.source)


# In a session.

CEILING = Settings(ceiling_bpm=139, warm_up_s=0, gain_bpm_per_m_s=25.0)


def climb(session: Session, others) -> list[CueGiven]:
    """137 bpm, then one more every five seconds; `others(t)` gives what else comes that second."""
    cues = []
    for t in range(1, 150):
        for event in others(t):
            session.feed(event)
        bpm = 137 if t < 60 else min(150, 137 + (t - 60) // 5)
        cues += [out for out in session.feed(Reading(t + 0.5, bpm, True)) if isinstance(out, CueGiven)]
    return cues


def link(t_s: float, state: LinkState) -> SpeedLink:
    return SpeedLink(t_s, TREADMILL, state, "Invented treadmill")


def test_a_connected_treadmill_brings_the_belts_words_and_steps():
    def others(t: int) -> list[object]:
        return [link(t, LinkState.CONNECTED)] * (t == 3) + [belt(t, 8.0, 0.0)]

    session = Session(CEILING)
    ease = next(cue for cue in climb(session, others) if cue.cue is Cue.EASE)
    assert ease.belt and ease.advised_speed_m_s < 8.0 / 3.6
    said = wording.phrase(ease, CEILING)
    assert said.startswith("slow the belt ") and ", set " in said
    shown = wording.speed_to_set(ease, CEILING)
    assert math.isclose(shown * 10, round(shown * 10)), "rounded to the belt's step"
    assert wording.headline(ease, CEILING).endswith(f"{shown:.1f} km/h")
    assert session.snapshot().belt and session.snapshot().speed_from == TREADMILL


def test_without_a_treadmill_the_words_stay_those_of_the_setting():
    cues = climb(Session(CEILING), lambda t: [pod(t, 8.0)])
    ease = next(cue for cue in cues if cue.cue is Cue.EASE)
    assert not ease.belt
    said = wording.phrase(ease, CEILING)
    assert "belt" not in said and ", about " in said


def test_who_ran_on_a_belt_keeps_its_words_when_the_link_goes():
    def others(t: int) -> list[object]:
        return [link(t, LinkState.CONNECTED)] * (t == 3) + [link(t, LinkState.LOST)] * (t == 10)

    ease = next(cue for cue in climb(Session(CEILING), others) if cue.cue is Cue.EASE)
    assert ease.belt and ease.advised_speed_m_s is None
    said = wording.phrase(ease, CEILING)
    assert said.startswith("slow the belt ") and "set" not in said


def test_a_lost_treadmill_guides_on_by_heart_rate():
    def guided(lost: bool) -> list[tuple[float, Cue, str, Numbers]]:
        def others(t: int) -> list[object]:
            come = [link(t, LinkState.CONNECTED)] * (t == 3)
            if lost and t >= 20:
                return come + [link(t, LinkState.LOST)] * (t == 20)
            return [*come, belt(t, 8.0, 0.0)]

        return [(cue.t_s, cue.cue, cue.rule, cue.numbers) for cue in climb(Session(CEILING), others)]

    told, untold = guided(lost=False), guided(lost=True)
    assert told[0][:3] == untold[0][:3] and {cue for _, cue, *_ in untold} >= {Cue.EASE, Cue.WALK}


def test_the_pods_cadence_feeds_the_check_of_cadence_lock():
    """A heart rate that follows the step rate's changes for minutes is doubted, a free one is not."""
    def doubts(steps: float | None, *, follows: bool = False) -> int:
        session, count = Session(replace(CEILING, ceiling_bpm=190.0)), 0
        for t in range(1, 240):
            now = None if steps is None else steps + round(5 * math.sin(t / 9))
            session.feed(pod(t, 9.0, now))
            bpm = round(now) if follows and now else 161
            outputs = session.feed(Reading(t + 0.5, bpm + t % 3, True))
            count += sum(isinstance(out, ReadingDoubted) and out.doubt == Doubt.STEP_RATE for out in outputs)
        return count

    assert doubts(162.0, follows=True) > 60
    assert doubts(162.0) == doubts(150.0) == doubts(None) == 0


# In the log.


@pytest.mark.parametrize("event", [
    belt(1.0, 8.0), pod(2.0, 8.5), typed(3.0, 9.0), typed(3.0, grade=-0.02),
    SpeedLink(4.0, FOOT_POD, LinkState.CONNECTED, "Invented pod", "", "C8:00:00:00:00:03", 81),
    SpeedLink(5.0, TREADMILL, LinkState.LOST, "T", "the link to the treadmill broke"),
    CueGiven(6.0, Cue.EASE, "why", NO_NUMBERS, 2.2, 1, True)])
def test_the_log_keeps_it_exactly(event):
    assert from_record(from_line(to_line(to_record(event)))) == event


def test_the_log_says_where_a_speed_came_from_only_where_it_is_told():
    assert to_record(belt(1.0, 7.2)) == {
        "t": 1.0, "type": "speed", "speed_m_s": 2.0, "grade": 0.01, "from": "treadmill"}
    assert "from" not in to_record(typed(1.0, 7.2))
    assert to_record(link(2.0, LinkState.CONNECTED)) == {
        "t": 2.0, "type": "speed_link", "device": "treadmill", "state": "connected",
        "name": "Invented treadmill"}
    assert "belt" not in to_record(CueGiven(1.0, Cue.EASE))
