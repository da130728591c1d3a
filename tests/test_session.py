"""A session: one lane, its grid, its commands, its totals, its plan."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from guard.errors import UsageError
from guard.events import (
    Action,
    Battery,
    Command,
    Cue,
    CueGiven,
    Doubt,
    Link,
    LinkState,
    Numbers,
    Reading,
    ReadingDoubted,
    Speed,
    State,
    StateChanged,
)
from guard.plan.plan import Cued, Kind, Part, Plan
from guard.session import Session
from guard.session.step import Step
from guard.settings import Settings

SETTINGS = Settings(ceiling_bpm=139, warm_up_s=0)


def invented_inputs(seed: int = 1, minutes: int = 20) -> list:
    """An invented run: readings with gaps and spikes, commands, speed, battery."""
    rng = np.random.default_rng(seed)
    inputs: list = [Link(0.2, LinkState.CONNECTED, name="invented strap")]
    bpm, t_s = 110.0, 0.5
    while t_s < minutes * 60:
        target = 150 if (t_s // 180) % 2 else 125
        bpm += (target - bpm) / 50
        t_s += float(rng.choice([0.9, 1.0, 1.05, 2.1, 14.0], p=[0.3, 0.4, 0.25, 0.04, 0.01]))
        value = round(bpm + rng.normal() * 1.5)
        if rng.random() < 0.02:
            value = int(rng.choice([0, 40, 220]))
        inputs.append(Reading(t_s, value, contact=None if rng.random() < 0.9 else True))
        if rng.random() < 0.01:
            inputs.append(Speed(t_s, speed_m_s=float(rng.uniform(2, 3)), typed=True))
        if rng.random() < 0.005:
            inputs.append(Command(t_s + 0.01, rng.choice(list(Action)[:4])))
    return inputs


def outputs_of(inputs: list, settings: Settings = SETTINGS, *, tick_s: float | None = None) -> list:
    session = Session(settings)
    outputs, ticks_s = [], 0.0
    for event in inputs:
        if tick_s:
            while ticks_s + tick_s < event.t_s:
                ticks_s += tick_s
                outputs += session.advance(ticks_s)
        outputs += session.feed(event)
    return outputs


@pytest.mark.parametrize("seed", range(6))
def test_how_often_time_is_looked_at_changes_nothing(seed):
    """Live ticks a few times a second, replay only at events: the same decisions."""
    inputs = invented_inputs(seed)
    plain = outputs_of(inputs)
    assert any(isinstance(one, CueGiven) for one in plain)
    assert outputs_of(inputs, tick_s=0.25) == plain
    assert outputs_of(inputs, tick_s=0.37) == plain


def test_admitted_times_are_whole_ms_never_back_and_stay_as_they_are():
    session = Session(SETTINGS)
    first = session.admit(Reading(1.23456, 120))
    assert first.t_s == 1.235
    session.feed(first)
    again = session.admit(Reading(1.2, 121))
    assert again.t_s == 1.236
    assert session.admit(again) == again


def test_no_ceiling_asks_for_one():
    with pytest.raises(UsageError, match="--ceiling"):
        Session(Settings())


def test_contact_zero_and_stillness_are_doubted_with_a_reason():
    session = Session(SETTINGS)
    outputs = []
    for second in range(60):
        rr = (0.45 + 0.001 * (second % 7),) if second < 30 else ()
        bpm = 130 + second % 3 if second < 30 else 131
        outputs += session.feed(Reading(second + 0.5, bpm, rr_s=rr))
    early = [one.doubt for one in outputs if isinstance(one, ReadingDoubted) and one.t_s < 30]
    assert early == [Doubt.UNPROVEN] * 3
    doubts = [one for one in outputs if isinstance(one, ReadingDoubted) and one.t_s > 30]
    assert doubts and doubts[0].doubt == Doubt.REPEATED
    assert doubts[0].t_s - 30 <= 12
    outputs = session.feed(Reading(61.0, 0)) + session.feed(Reading(62.0, 130, contact=False))
    assert [one.doubt for one in outputs if isinstance(one, ReadingDoubted)] == [
        Doubt.NO_PULSE, Doubt.NO_CONTACT]


def test_totals_add_up_and_pauses_count_in_none():
    session = Session(SETTINGS)
    rng = np.random.default_rng(0)
    for second in range(600):
        if second == 300:
            session.feed(Command(second + 0.2, Action.PAUSE))
        if second == 400:
            session.feed(Command(second + 0.2, Action.CONTINUE))
        target = min(max(132.0, 132.0 + 1.0 * (second - 450)), 146.0)
        session.feed(Reading(second + 0.5, round(target + rng.normal())))
    summary = session.summary()
    assert summary["held_s"] == pytest.approx(100, abs=1)
    parts = summary["at_or_under_s"] + summary["over_s"] + summary["no_signal_s"] + summary["held_s"]
    assert parts == pytest.approx(summary["duration_s"], abs=0.01)
    assert summary["over_s"] == pytest.approx(144, abs=8)
    assert summary["over_bpm_min"] == pytest.approx(144 / 60 * 7, rel=0.12)
    asked = sum(n for kind, n in summary["cues"].items() if kind in ("ease", "walk", "resume"))
    assert summary["cues_per_h"] == pytest.approx(asked * 6, rel=0.01)


def test_commands_move_ceiling_and_free_run_silences_all_but_stop():
    session = Session(dataclasses.replace(SETTINGS, stop_bpm=170.0))
    session.feed(Command(0.1, Action.FREE_RUN, 1))
    outputs = []
    for second in range(200):
        outputs += session.feed(Reading(second + 0.5, min(178 + second % 3, 120 + second // 2)))
    cues = {one.cue for one in outputs if isinstance(one, CueGiven)}
    assert cues == {Cue.STOP}
    other = Session(SETTINGS)
    other.feed(Command(0.1, Action.CEILING, 160))
    assert other.snapshot().ceiling_bpm == 160
    outputs = []
    for second in range(300):
        outputs += other.feed(Reading(second + 0.5, 148 + second % 3))
    assert not [one for one in outputs if isinstance(one, CueGiven)]


def test_battery_low_is_said_once_and_quit_ends():
    session = Session(SETTINGS)
    said = session.feed(Battery(1.0, 40)) + session.feed(Battery(2.0, 12)) + session.feed(Battery(3.0, 11))
    cues = [one for one in said if isinstance(one, CueGiven)]
    assert [one.cue for one in cues] == [Cue.BATTERY_LOW]
    assert cues[0].numbers == Numbers(percent=12.0, low_percent=15.0)
    ended = session.feed(Command(4.5, Action.QUIT))
    assert ended[-1] == StateChanged(4.5, State.DONE, "quit")
    assert session.feed(Reading(9.0, 150)) == []


def test_a_plan_moves_the_ceiling_and_a_fast_part_makes_no_burst():
    """Limits of the parts are invented; heart rates follow them as a runner would."""
    plan = Plan("invented", (
        Part(Kind.EASY, "easy", 300.0),
        Part(Kind.FAST, "fast", 180.0, ceiling_bpm=170.0, cued=Cued.STOP_ONLY),
        Part(Kind.EASY, "easy again", 400.0, grace_s=86.0),
    ))
    session = Session(SETTINGS, plan)
    rng = np.random.default_rng(4)
    bpm, outputs = 120.0, []
    for second in range(900):
        target = 165 if 300 <= second < 480 else 130
        bpm += (target - bpm) / 40
        outputs += session.feed(Reading(second + 0.5, round(bpm + rng.normal())))
    cues = [(one.t_s, one.cue) for one in outputs if isinstance(one, CueGiven)]
    assert [cue for _, cue in cues] == [Cue.PART, Cue.PART, Cue.PART]
    assert [round(t_s) for t_s, _ in cues] == pytest.approx([300, 480, 880], abs=2)


def test_pace_cues_keep_their_distance_from_the_words_of_a_part():
    settings = SETTINGS.replaced({"warm_up_s": 0})
    plan = Plan("", (Part(Kind.EASY, "one", 120.0), Part(Kind.EASY, "two", 300.0, ceiling_bpm=128.0)))
    outputs = []
    session = Session(settings, plan)
    for k in range(1, 240):
        outputs += session.feed(Reading(float(k), 134 + k % 2))
    cues = [(one.t_s, one.cue) for one in outputs if isinstance(one, CueGiven)]
    part_s = next(at_s for at_s, cue in cues if cue is Cue.PART)
    assert part_s + settings.spacing_s <= cues[1][0] <= part_s + settings.spacing_s + 2.0


def test_snapshot_leads_with_room_and_chance():
    session = Session(SETTINGS)
    for second in range(120):
        session.feed(Reading(second + 0.5, 130 + second % 2))
    seen = session.snapshot()
    assert seen.room_bpm == pytest.approx(8.5, abs=1)
    assert 0 <= seen.chance_over < 0.05
    assert len(seen.trace) == len(seen.ceiling_trace) == 117  # the first three prove nothing yet
    session.advance(140.0)
    assert session.snapshot().level_bpm is None
    assert session.snapshot().reading_age_s == pytest.approx(20.5, abs=0.01)


def test_an_observer_is_told_every_step_and_changes_nothing():
    steps: list[Step] = []
    plan = Plan("two", (
        Part(Kind.WARM_UP, "warm-up", 300.0), Part(Kind.FAST, "fast", 300.0, cued=Cued.STOP_ONLY)))
    watched, alone = Session(SETTINGS, plan, steps.append), Session(SETTINGS, plan)
    for event in invented_inputs(minutes=12):
        assert watched.feed(event) == alone.feed(event)
    assert watched.summary() == alone.summary()
    times = [step.t_s for step in steps]
    assert times == sorted(set(times))
    assert sum(step.dt_s for step in steps) == pytest.approx(times[-1])
    by_part = {part: [step for step in steps if step.part == part] for part in (0, 1, 2)}
    assert all(step.warming and step.counts for step in by_part[0])
    assert not any(step.warming or step.counts for step in by_part[1])
    assert all(step.counts and not step.warming for step in by_part[2])
    assert any(step.bpm == step.bpm for step in by_part[1]) and any(step.bpm != step.bpm for step in steps)


def test_what_comes_just_after_a_look_at_the_clock_is_stamped_after_it():
    # A typed speed within half a millisecond of a timeout: replay must not take it first.
    live, again = Session(SETTINGS), Session(SETTINGS)
    outputs = live.advance(40.0001)
    event = live.admit(Speed(40.0002, speed_m_s=2.5, typed=True))
    assert event.t_s == 40.001
    outputs += live.feed(event) + live.advance(50.0)
    assert outputs == again.feed(event) + again.advance(50.0)
    assert live.summary() == again.summary()


def test_a_warm_up_shows_where_heart_rate_goes():
    session = Session(Settings(ceiling_bpm=139))
    for second in range(40):
        session.feed(Reading(second + 0.5, 90 + second))
    seen = session.snapshot()
    assert seen.state is State.WARMING
    assert seen.foreseen_bpm > seen.level_bpm + 5


def test_skipping_the_first_part_before_the_first_reading_is_said():
    parts = tuple(Part(Kind.EASY, name, 600.0) for name in ("one", "two"))
    session = Session(SETTINGS, Plan("invented", parts))
    outputs = session.feed(Command(0.1, Action.SKIP_PART))
    assert [given.cue for given in outputs if isinstance(given, CueGiven)] == [Cue.PART]
