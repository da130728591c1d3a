"""Which readings are believed and what is said when none is: the two rooms by themselves.

Scenarios are invented. What the whole session makes of them is in
`test_trust_points.py` and `test_trust_properties.py`.
"""

from __future__ import annotations

import math
import time
from typing import Any

import numpy as np
import pytest

from guard.events import Cue, CueGiven, Output, Reading, ReadingDoubted
from guard.session import Session
from guard.settings import Settings
from guard.signal.interval import Interval
from guard.signal.kit import SINGLE
from guard.signal.kit_arrays import ARRAYS
from guard.signal.trust import Doubt, Trust
from guard.signal.watch import Watch

NAN = math.nan


def strap(rng: np.random.Generator, bpm: float, scatter_bpm: float = 1.5) -> int:
    return round(bpm + float(rng.normal()) * scatter_bpm)


@pytest.mark.parametrize(("gaps_s", "learned_s"), [
    ((1, 1, 1, 1, 1, 1), 1.0),
    ((1, 6, 1, 6, 1, 6, 1, 6), 5.0),  # (3 + 2 * 36) / (3 + 2 * 6): one 6 may have been a silence
    ((1, 1, 1, 40, 1, 1), 1.0),  # one silence teaches nothing
    ((10, 10), 10.0),  # known after three readings
    ((4.96, 0.01, 0.01, 0.01, 0.01) * 7, 5.0),  # handed over five at a time
    ((0.25,) * 12, 0.5),
    ((1,), 1.0),
])
def test_the_interval_is_the_gap_in_which_a_random_moment_falls(gaps_s: tuple[float, ...], learned_s: float):
    one, many = Interval(SINGLE, 0.0), Interval(ARRAYS, np.zeros(2))
    for gap_s in gaps_s:
        one.take(True, float(gap_s))
        many.take(np.array([True, False]), np.array([float(gap_s)] * 2))
    assert one.seconds == pytest.approx(learned_s)
    assert many.seconds == pytest.approx([learned_s, 1.0])


def test_the_watch_of_an_array_does_what_that_of_one_lane_does():
    rng = np.random.default_rng(3)
    trust = Trust()
    ceilings = (160.0, NAN, 172.0)
    lone = [Watch(SINGLE, stop, 3.0, 8.0) for stop in ceilings]
    many = Watch(ARRAYS, np.array(ceilings), np.full(3, 3.0), np.full(3, 8.0))
    t_s, level, said = 0.0, 150.0, set()
    held = False
    for step in range(6000):
        t_s += float(rng.choice([0.25, 1.0, 1.0]))
        if step % 400 == 0:
            level = float(rng.choice([120, 150, 168, 176]))
        held = held ^ bool(rng.random() < (0.05 if held else 0.002))
        silent = (step // 50) % 7 == 3
        sent = rng.random() < 0.7 and not silent
        judged = trust.take(t_s, Reading(t_s, strap(rng, level))) if sent else None
        bpm, heard = (judged.bpm, judged.heard_bpm) if judged else (NAN, NAN)
        known = {"unguarded_s": t_s - trust.unguarded_since_s, "interval_s": trust.interval_s,
                 "heard_bpm": heard, "locked": (step // 300) % 5 == 4}
        if (step // 1000) % 2:  # as the lanes alone know it
            known = {}
        one = [watch.step(t_s, bpm, held, **known) for watch in lone]
        all_of = {name: np.full(3, value) for name, value in known.items()}
        cues = many.step(np.full(3, t_s), np.full(3, bpm), np.full(3, held), **all_of)
        assert list(cues) == one
        assert list(many.rule) == [watch.rule for watch in lone]
        assert list(many.cause) == [watch.cause for watch in lone]
        assert list(many.blind) == [bool(watch.blind) for watch in lone]
        said.update(one)
    assert said == {Cue.NONE, Cue.STOP, Cue.SIGNAL_LOST, Cue.SIGNAL_BACK}


def test_what_the_packet_itself_denies_is_no_reading():
    trust = Trust()
    for at_s, reading, doubt in (
        (1.0, Reading(1.0, 150, contact=False), Doubt.NO_CONTACT),
        (2.0, Reading(2.0, 0, contact=True), Doubt.NO_PULSE),
        (3.0, Reading(3.0, 240), Doubt.RANGE),
        (4.0, Reading(4.0, 20), Doubt.RANGE),
    ):
        judged = trust.take(at_s, reading)
        assert (judged.doubt, judged.alive) == (doubt, False)
        assert math.isnan(judged.bpm)
        assert math.isnan(judged.heard_bpm)
    assert trust.unguarded_since_s == 0.0


@pytest.mark.parametrize(("leapt_s", "calm_s"), [(4, 4), (60, 12)])
def test_who_leapt_for_long_is_believed_after_as_long_a_calm(leapt_s: int, calm_s: int):
    """A dry electrode that changes by little three times running is still a dry electrode."""
    trust, believed_s = Trust(), math.inf
    rates = [130, 131] * 30 + [130, 150] * (leapt_s // 2) + [150, 151] * 20
    for k, bpm in enumerate(rates):
        judged = trust.take(float(k), Reading(float(k), bpm))
        calm_from = 60 + 2 * (leapt_s // 2) - 1  # the newest leap
        if k > calm_from and judged.doubt is not Doubt.ROUGH:
            believed_s = min(believed_s, k - calm_from)
    assert calm_s <= believed_s <= calm_s + 1


def beats(rng: np.random.Generator, bpm: float) -> tuple[float, ...]:
    return tuple(60.0 / bpm * (1.0 + 0.012 * float(rng.normal())) for _ in range(2))


@pytest.mark.parametrize("rr_s", [
    lambda rng, bpm: (0.0,), lambda rng, bpm: (1.0,), lambda rng, bpm: (60.0 / bpm,),
    lambda rng, bpm: tuple(2.0 * one for one in beats(rng, bpm)),  # every second beat
    lambda rng, bpm: tuple(0.1 * one for one in beats(rng, bpm)),  # in a unit of its own
    lambda rng, bpm: (rng.uniform(0.2, 2.0),),
], ids=["zeros", "always 1 s", "made up from the rate", "doubled", "tenths", "drawn"])
def test_a_strap_is_believed_whatever_it_sends_as_rr_where_its_rate_moves_like_a_heart(rr_s: Any):
    rng, trust = np.random.default_rng(5), Trust()
    level, believed = 130.0, []
    for k in range(600):
        level += 0.2 * math.sin(k / 30.0)
        bpm = strap(rng, level, 0.5)
        judged = trust.take(float(k), Reading(float(k), bpm, None, rr_s(rng, bpm)))
        believed.append(judged.bpm == judged.bpm)
    assert sum(believed[30:]) >= 0.98 * len(believed[30:])


@pytest.mark.parametrize(("says_yes_at_s", "rr", "believed_from_s"), [
    (math.inf, True, 64), (math.inf, False, math.inf), (30, True, math.inf), (150, True, 64)])
def test_a_strap_that_only_ever_denies_contact_is_believed_by_its_beats(
        says_yes_at_s: float, rr: bool, believed_from_s: float):
    """After a minute of them; who once said yes means his no."""
    rng, session, outputs = np.random.default_rng(8), Session(Settings(ceiling_bpm=160.0)), []
    level, denied_from_s = 130.0, min(says_yes_at_s, 200.0)
    for k in range(200):
        level += 0.2 * math.sin(k / 30.0)
        bpm = strap(rng, level, 0.5)
        outputs += session.feed(Reading(float(k), bpm, k == says_yes_at_s, beats(rng, bpm) if rr else ()))
    doubted = {one.t_s for one in outputs if isinstance(one, ReadingDoubted)}
    first = min((k for k in range(200) if k not in doubted and k != says_yes_at_s), default=math.inf)
    assert first == pytest.approx(believed_from_s, abs=3.0)
    assert all(k in doubted for k in range(int(denied_from_s) + 1, 200))
    back = [one.rule for one in outputs if isinstance(one, CueGiven) and one.cue is Cue.SIGNAL_BACK]
    assert back == (["unfelt"] if first < 100 else [])


def test_beats_that_told_the_rate_are_heard_when_they_tell_another_for_as_long_as_they_did():
    rng, trust, believed = np.random.default_rng(6), Trust(), []
    for k in range(600):
        true = strap(rng, 130.0)
        bpm = true + (40 if k >= 200 else 0)
        believed.append(trust.take(float(k), Reading(float(k), bpm, None, beats(rng, true))).bpm > 150.0)
    assert not any(believed[:285])
    assert sum(believed[400:]) >= 0.95 * 200  # no latch


def test_of_a_dry_electrode_whose_beats_agree_little_is_believed_from_the_start():
    """It hands its false beats on as RR; SD 25 bpm, two readings in five missing."""
    rng, sent, believed = np.random.default_rng(1), 0, 0
    for _ in range(80):
        trust = Trust()
        for k in range(60):
            bpm = round(120.0 + 25.0 * float(rng.normal()))
            if rng.random() < 0.6 and 40 < bpm < 220:
                beat_s = 60.0 / bpm + 0.004 * (k % 5 - 2)
                judged = trust.take(float(k), Reading(float(k), bpm, None, (beat_s,)))
                sent, believed = sent + 1, believed + (judged.bpm == judged.bpm)
    assert believed < 0.06 * sent


def test_three_readings_of_a_spike_are_no_heart_whatever_leapt_before():
    """Two spikes, a minute at one rate with living beats, and a third spike."""
    rng, trust = np.random.default_rng(2), Trust()
    rates = [143] * 60 + [179] * 3 + [143] * 3 + [179] * 3 + [143] * 60 + [179] * 3
    believed = [trust.take(float(k), Reading(float(k), bpm, None, beats(rng, bpm)[:1])).bpm
                for k, bpm in enumerate(rates)]
    assert not any(bpm > 146.0 for bpm in believed)
    assert all(bpm == 143.0 for bpm in believed[80:-3])


def test_belief_begins_with_proof_of_life():
    """A packet that has stood from the start, or since a leap, is believed when it moves."""
    trust = Trust()
    rates = [169] * 20 + [170] + [100, 101] * 20 + [200] * 50 + [201] * 2
    believed = [trust.take(float(k), Reading(float(k), bpm)).bpm > 150.0 for k, bpm in enumerate(rates)]
    assert not any(believed[:20]) and believed[20]
    assert not any(believed[61:111]) and believed[-1]


def test_what_comes_back_to_a_level_that_lived_before_has_to_live_anew():
    """An artefact about 100 bpm that moves, the truth again, and a packet that stands at 100."""
    trust = Trust()
    rates = [140, 141] * 20 + [100, 101] * 20 + [140, 141] * 17 + [100] * 50 + [101] * 2
    believed = [trust.take(float(k), Reading(float(k), bpm)).bpm < 110.0 for k, bpm in enumerate(rates)]
    assert any(believed[40:80]) and not any(believed[114:164]) and believed[-1]


def test_how_a_rate_changed_across_a_long_silence_makes_no_leap():
    trust = Trust()
    sent = [(begin_s + 8.0 * k, bpm + k % 3) for begin_s, bpm in ((0.0, 80), (200.0, 170), (400.0, 81))
            for k in range(6)]
    judged = [trust.take(t_s, Reading(t_s, bpm)) for t_s, bpm in sent]
    assert not [one for one in judged if one.doubt is Doubt.ROUGH]
    assert [one.bpm == one.bpm for one in judged[-3:]] == [True] * 3


def test_of_beats_that_come_early_and_late_in_turns_the_mean_is_the_level():
    """Bigeminy: every second beat is early."""
    rng, trust, doubted = np.random.default_rng(7), Trust(), 0
    for k in range(200):
        early, late = (60.0 / 180.0 * share * (1.0 + 0.01 * float(rng.normal())) for share in (0.7, 1.3))
        bpm, rr_s = (186, (early, late, early)) if k % 2 else (174, (late, early, late))
        judged = trust.take(float(k), Reading(float(k), bpm, None, rr_s))
        doubted += k > 20 and math.isnan(judged.bpm)
    assert not doubted


@pytest.mark.parametrize(("bpm", "stops"), [(160.4, False), (160.6, True), (160.0, False), (161.0, True)])
def test_a_stop_is_over_the_limit_in_whole_beats_as_they_are_shown(bpm: float, stops: bool):
    watch = Watch(SINGLE, 160.0, 3.0, 8.0)
    assert any(watch.step(float(k), bpm, False) == Cue.STOP for k in range(1, 30)) is stops


def test_a_stop_rests_on_the_reading_of_its_own_step():
    """Two spikes with beats of their own, and then the truth: what is believed lags behind what is said."""
    watch = Watch(SINGLE, 170.0, 3.0, 8.0)
    heard_bpm = (221.0, 220.0, 120.0, 120.0)
    said = [watch.step(float(k), 218.0, False, heard_bpm=heard) for k, heard in enumerate(heard_bpm)]
    assert said == [Cue.STOP, Cue.NONE, Cue.NONE, Cue.NONE]
    watch = Watch(SINGLE, 170.0, 3.0, 8.0)
    assert Cue.STOP not in [watch.step(float(k), 218.0, False, heard_bpm=120.0) for k in range(60)]
    session = Session(Settings(ceiling_bpm=145.0, stop_bpm=170.0))
    outputs: list[Output] = []
    for t_s, bpm, rr_s in ((0.1, 119, (0.504,)), (1.0, 221, (0.2725, 0.2705)), (2.1, 220, (0.2715, 0.2744)),
                           (3.0, 120, (0.499,)), (4.1, 120, (0.4941, 0.5039)), (5.0, 121, (0.4893,)),
                           (6.0, 120, (0.502,)), (7.0, 120, (0.5, 0.499))):
        outputs += session.feed(Reading(t_s, bpm, None, rr_s))
    assert not [one for one in outputs if isinstance(one, CueGiven)]


def test_after_a_loss_that_was_said_pace_cues_wait_for_8_s_of_trusted_readings():
    watch = Watch(SINGLE, NAN, 3.0, 8.0)
    guarded = {}
    for step in range(1, 600):
        t_s = 0.25 * step
        away = 60.0 < t_s < 80.0
        watch.step(t_s, 130.0 if step % 4 == 0 and not away else NAN, False)
        guarded[t_s] = bool(watch.guarded)
    assert guarded[59.0] and not guarded[79.0]
    assert [watched for t_s, watched in guarded.items() if 80.0 <= t_s < 88.0] == [False] * 32
    assert guarded[88.25] and guarded[149.0]


def test_a_reading_is_judged_in_microseconds():
    rng = np.random.default_rng(1)
    readings = [Reading(float(i), strap(rng, 150), rr_s=(0.4 + 0.001 * (i % 9),)) for i in range(3000)]
    best_s = math.inf
    for _ in range(5):
        trust, began_s = Trust(), time.perf_counter()
        for reading in readings:
            trust.take(reading.t_s, reading)
        best_s = min(best_s, time.perf_counter() - began_s)
    assert best_s / len(readings) < 60e-6  # about 10 on a quiet core; six times that on a busy one
