"""The model of a runner against handbooks and published spreads."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

from guard.events import Cue
from guard.runner.behaviour import Behaviour
from guard.runner.demand import (
    demand_vo2,
    run_cost_j_kg_m,
    walk_cost_j_kg_m,
)
from guard.runner.population import Population, draw
from guard.runner.simulate import Runners, run_bpm_at
from guard.runner.strap import (
    CLEAN,
    USUAL_FAULTS,
    FaultRates,
    ReadingFault,
    Strap,
    draw_noise,
    plan_faults,
)
from tests.lab.ground import COURSES, IgnoresEveryThird, Tiring
from tests.lab.second_heart import SecondHeart
from tests.lab.settling import level_speed_at, settling_speed_m_s
from tests.support.runner import fit_first_order, respond, small_steps

KM_H = 1 / 3.6
FAULTY = FaultRates(
    {ReadingFault.DROPOUT: 12.0, ReadingFault.SPIKE: 20.0, ReadingFault.FROZEN: 4.0}, dry_share=0.6)
NOBODY = np.zeros(1, dtype=bool)


@pytest.fixture(scope="module")
def many() -> Population:
    return draw(800, np.random.default_rng(11))


# -- demand ------------------------------------------------------------------


@pytest.mark.parametrize(("vo2", "expected"), [
    # ACSM's metabolic equations; worked with the published coefficients.
    (demand_vo2(8 * KM_H, 0.0, False, belt=True), 30.17),
    (demand_vo2(8 * KM_H, 0.05, False, belt=True), 36.17),
    (demand_vo2(5 * KM_H, 0.0, True, belt=True), 11.83),
    (demand_vo2(93.8 / 60, 0.10, True, belt=True), 29.76),
    (demand_vo2(93.8 / 60, 0.10, False, belt=True), 30.70),
])
def test_handbook_examples(vo2: float, expected: float) -> None:
    assert float(vo2) == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize(("cost", "measured", "sd"), [
    # Measured means ± SD of Minetti et al. 2002 that the polynomials were fitted to (from memory).
    (run_cost_j_kg_m(-0.20), 1.73, 0.36),
    (run_cost_j_kg_m(0.0), 3.40, 0.24),
    (run_cost_j_kg_m(0.45), 18.93, 1.74),
    (walk_cost_j_kg_m(-0.10), 0.81, 0.37),
    (walk_cost_j_kg_m(0.45), 17.33, 1.11),
])
def test_cost_of_slopes(cost: float, measured: float, sd: float) -> None:
    assert abs(float(cost) - measured) < sd


def test_level_running_costs_near_one_kcal_per_kg_and_km() -> None:
    # Common practice; 1 kcal = 4184 J.
    assert 0.8 < float(run_cost_j_kg_m(0.0)) * 1000 / 4184 < 1.1
    # 20.9 J per ml of oxygen, carbohydrate-rich diet; ACSM: 3.5 + 0.2 ml a metre
    assert 3.5 + float(run_cost_j_kg_m(0.0)) * 180.0 / 20.9 == pytest.approx(3.5 + 0.2 * 180.0, rel=0.15)


def test_demand_is_smooth_where_sources_meet() -> None:
    speeds = np.linspace(1.8, 2.6, 81)
    for grade in (-0.05, 0.0, 0.06):
        for belt in (False, True):
            if belt and grade < 0:
                continue
            steps = np.diff(demand_vo2(speeds, grade, False, belt=belt))
            assert np.ptp(steps) < 1e-9 and steps.min() > 0
    assert demand_vo2(2.5, -0.05, False) < demand_vo2(2.5, 0.0, False) < demand_vo2(2.5, 0.05, False)
    assert float(demand_vo2(2.8, 0.0, False)) == pytest.approx(3.5 + 0.2 * 168.0)


# -- response ------------------------------------------------------------------


def test_small_steps_repeat_the_published_spread(many: Population) -> None:
    # Hunt, Fankhauser, Saengsuwan 2015: k 24.2 ± 8.3 bpm/(m/s), tau 57.6 ± 23.6 s, one lag.
    who = many.only(slice(0, 400))
    speeds = small_steps(who)
    beats = respond(who, speeds, np.zeros(speeds.shape, dtype=bool))
    gain, tau = fit_first_order(speeds, beats, np.arange(6.0, 170.0, 4.0))
    assert gain.mean() == pytest.approx(24.2, abs=1.0)
    assert gain.std() == pytest.approx(8.3, abs=1.0)
    assert tau.mean() == pytest.approx(57.6, abs=3.0)
    assert tau.std() == pytest.approx(23.6, abs=3.0)


def test_pauses_with_walking_repeat_the_published_fall(many: Population) -> None:
    # Computed from open data of mid-run pauses: 11.8 ± 5.3 bpm in 30 s, 17.2 ± 8.0 in 60 s.
    speeds = np.tile(many.habitual_m_s, (961, 1))
    walking = np.zeros(speeds.shape, dtype=bool)
    speeds[900:], walking[900:] = many.walk_m_s, True
    beats = respond(many, speeds, walking)
    half, whole = beats[899] - beats[929], beats[899] - beats[959]
    assert whole.mean() == pytest.approx(17.2, abs=1.0)
    assert whole.std() == pytest.approx(8.0, abs=1.0)
    assert half.mean() == pytest.approx(11.8, abs=1.5)


def test_starting_is_fast(many: Population) -> None:
    # Rest to running: 17 to 23 s beside a dead time (Zakynthinaki 2015 data): 63 % near 20 to 40 s.
    speeds = np.tile(many.habitual_m_s, (400, 1))
    beats = respond(many, speeds, np.zeros(speeds.shape, dtype=bool))
    risen = (beats - many.rest_bpm) / (many.run_bpm - many.rest_bpm)
    at = np.argmax(risen > 0.632, axis=0)
    assert 20 < np.median(at) < 40
    assert np.allclose(beats[-1], many.run_bpm, atol=4.0)


def test_whole_range_slope_is_steeper_than_small_steps() -> None:
    # 263 running step tests: 30.4 ± 7.5, 5 to 95 % 19.9 to 45 bpm/(m/s) (Donne 2024 data).
    who = draw(1500, np.random.default_rng(2), habitual_m_s=(2.1, 3.3))
    slope = (run_bpm_at(who, who.habitual_m_s) - run_bpm_at(who, who.habitual_m_s - 1.5)) / 1.5
    assert 22 < slope.mean() < 34
    for off in (-1.2, -0.3, 0.4, 0.9):
        speed = who.habitual_m_s + off
        assert np.allclose(level_speed_at(who, run_bpm_at(who, speed)), speed)


def test_second_model_settles_alike_but_moves_otherwise(many: Population) -> None:
    who = many.only(slice(0, 50))
    speeds = np.tile(who.habitual_m_s, (900, 1))
    speeds[400:] -= 0.3
    still = np.zeros(speeds.shape, dtype=bool)
    first, second = respond(who, speeds, still), respond(who, speeds, still, SecondHeart)
    assert np.allclose(first[-1], second[-1], atol=1.0)
    assert np.abs(first - second)[400:].max() > 1.0
    # An undelayed part moves at once, a lag behind a dead time of 4 s and more does not.
    assert np.allclose(first[402], first[399], atol=0.2)
    assert (second[399] - second[402]).mean() > 0.05


def test_speed_at_the_ceiling_settles_at_the_ceiling() -> None:
    course = COURSES["belt"]
    who = draw(60, np.random.default_rng(4))
    world = Runners(who, course, 4, duration_s=2000)
    now = world.step(np.zeros(60, dtype=int))
    for _ in range(1999):
        mind, speed = world.behaviour, settling_speed_m_s(who, now, who.ceiling_bpm, belt=True)
        mind.walking, mind.pace_m_s = speed < who.slowest_jog_m_s, speed
        now = world.step(np.zeros(60, dtype=int))
    jogs = ~now.walking
    # Slow drift is followed by slow easing, so the lag keeps it a little over.
    assert jogs.sum() > 40
    assert np.abs(now.true_bpm - who.ceiling_bpm)[jogs].max() < 1.0


def test_population_keeps_out_ceilings_under_a_walk_uphill() -> None:
    who = draw(400, np.random.default_rng(6), steepest=0.06)
    assert (who.walk_bpm(0.06) < who.ceiling_bpm).all()
    excess = who.run_bpm - who.ceiling_bpm
    assert excess.min() >= 1.5 and excess.max() <= 18.5  # 2 to 18, ceiling in whole bpm


# -- strap -----------------------------------------------------------------------


def readings(who: Population, rates: FaultRates, steps: int = 1800, bpm: float = 140.0) -> np.ndarray:
    seeds = [np.random.default_rng([9, i]) for i in range(2)]
    strap = Strap(who, draw_noise(who, steps, seeds[0]), plan_faults(len(who), steps, rates, seeds[1]))
    cadence = np.full(len(who), 166.0)
    return np.array([strap.read(np.full(len(who), bpm), cadence).bpm for _ in range(steps)])


def test_noise_about_a_two_minute_mean(many: Population) -> None:
    # Steady running: median SD 1.64 bpm about a two-minute mean (computed from open data).
    values = readings(many.only(slice(0, 300)), CLEAN)[60:]
    kernel = np.ones(121) / 121
    spread = [np.std(lane[60:-60] - np.convolve(lane, kernel, "valid")) for lane in values.T]
    assert np.median(spread) == pytest.approx(1.64, abs=0.2)
    assert np.array_equal(values, np.rint(values))


def test_faults_leave_the_rest_as_it_was(many: Population) -> None:
    who = many.only(slice(0, 40))
    clean, faulty = readings(who, CLEAN), readings(who, FAULTY)
    same = clean == faulty
    assert 0.7 < same.mean() < 0.99
    assert np.isnan(faulty).any() and (np.abs(faulty - clean) > 20).any()


@pytest.mark.parametrize(("fault", "holds"), [
    (ReadingFault.DROPOUT, lambda value: np.isnan(value).all()),
    (ReadingFault.SLIPPED, lambda value: (value < 125).all()),
    (ReadingFault.LOCKED, lambda value: (np.abs(value - 166) < 8).all()),
    (ReadingFault.FROZEN, lambda value: np.ptp(value) == 0),
])
def test_each_fault_looks_like_itself(many: Population, fault: ReadingFault, holds: object) -> None:
    who = many.only(slice(0, 1))
    plan = plan_faults(1, 200, CLEAN, np.random.default_rng(0))
    plan.kind[100:150] = fault
    plan.size[100:150] = -40.0 if fault is ReadingFault.SLIPPED else 0.0
    strap = Strap(who, draw_noise(who, 200, np.random.default_rng(1)), plan)
    reads = [strap.read(np.array([140.0]), np.array([166.0])) for _ in range(200)]
    values = np.array([read.bpm[0] for read in reads])
    assert holds(values[115:150])  # type: ignore[operator]
    without_rr = fault in (ReadingFault.FROZEN, ReadingFault.DROPOUT)
    assert all(read.has_rr[0] != without_rr for read in reads[101:150])
    assert np.abs(values[80:100] - 140).max() < 8


# -- behaviour -------------------------------------------------------------------


def drive(mind: Behaviour, cues: dict[int, int], seconds: int) -> list[np.ndarray]:
    """Paces a second, with whole-population cues at the seconds given."""
    n = len(mind.pace_m_s)
    paces = []
    for t_s in range(seconds):
        mind.step(float(t_s), np.full(n, cues.get(t_s, 0)), None, np.zeros(n, dtype=bool))
        paces.append(mind.pace_m_s.copy())
    return paces


def test_ease_is_late_partial_and_moves_the_habit(many: Population) -> None:
    mind = Behaviour(many, np.random.default_rng(1), belt=False)
    paces = drive(mind, {10: Cue.EASE}, 20)
    changed = np.array(paces)[:, :] != paces[0]
    assert not changed[:13].any()
    eased = changed[-1]
    assert 0.75 < eased.mean() < 1.0
    share = 1.0 - paces[18] / paces[0]
    assert share[eased].min() > 0.069 and share[eased].max() < 0.181
    left = (mind.habit_m_s / many.habitual_m_s)[eased]
    assert np.allclose(left, 1.0 - 0.35 * share[eased], atol=0.002)
    before = mind.pace_m_s.copy()
    drive(mind, {}, 300)
    crept = (mind.pace_m_s - before)[eased] / (mind.habit_m_s - before)[eased]
    # 1 - exp(-300 r) for rates of 0.001 to 0.004 1/s
    assert crept.min() > 0.24 and crept.max() < 0.72


def test_belt_does_not_creep_and_has_steps(many: Population) -> None:
    mind = Behaviour(many, np.random.default_rng(1), belt=True)
    paces = drive(mind, {10: Cue.EASE}, 320)
    assert np.array_equal(paces[20], paces[-1])
    eased = paces[-1] != paces[0]
    tenths = paces[-1][eased] * 36.0
    assert np.allclose(tenths, np.rint(tenths))


def test_walks_and_resumes_at_97_percent(many: Population) -> None:
    mind = Behaviour(many, np.random.default_rng(2))
    drive(mind, {5: Cue.WALK}, 20)
    walking = mind.walking.copy()
    before = mind.pace_m_s.copy()
    assert 0.75 < walking.mean() < 1.0
    n = len(many)
    for t_s in range(20, 40):
        mind.step(float(t_s), np.full(n, int(Cue.RESUME) if t_s == 25 else 0), None, np.zeros(n, dtype=bool))
    resumed = walking & ~mind.walking
    assert np.allclose((mind.pace_m_s / before)[resumed], 0.97, atol=0.005)
    missed = walking & mind.walking
    assert missed.any()
    for t_s in range(40, 150):
        mind.step(float(t_s), np.zeros(n, dtype=int), None, np.zeros(n, dtype=bool))
        assert t_s >= 145 or mind.walking[missed].all()
    assert not mind.walking[missed].any()


def test_obeys_less_after_many_cues(many: Population) -> None:
    mind = Behaviour(many, np.random.default_rng(3))
    assert np.array_equal(mind.willingness(), many.obeys)
    drive(mind, dict.fromkeys(range(0, 70, 10), int(Cue.EASE)), 80)
    assert np.allclose(mind.willingness() / many.obeys, 1 / (1 + (7 * 12 / 80) ** 2))
    drive(mind, {}, 700)
    assert np.allclose(mind.willingness(), many.obeys)
    tired = Tiring(many, np.random.default_rng(3))
    drive(tired, dict.fromkeys(range(0, 200, 10), int(Cue.EASE)), 1000)
    assert np.allclose(tired.willingness(), many.obeys / 2)  # ten minutes later, twenty heard in all


def test_every_third_cue_is_ignored(many: Population) -> None:
    mind = IgnoresEveryThird(many, np.random.default_rng(3))
    drive(mind, {0: Cue.EASE, 60: Cue.EASE}, 120)
    before = mind.heeded.copy()
    drive(mind, {0: Cue.EASE}, 60)
    assert np.array_equal(mind.heeded, before)


def test_advised_speed_is_set() -> None:
    who = draw(200, np.random.default_rng(8))
    mind = Behaviour(who, np.random.default_rng(3), belt=True)
    for t_s in range(12):
        mind.step(float(t_s), np.full(200, int(Cue.EASE) if t_s == 0 else 0), np.full(200, 2.25),
                  np.zeros(200, dtype=bool))
    assert (np.isclose(mind.pace_m_s, 2.25).mean()) > 0.75


# -- together ---------------------------------------------------------------------


def test_same_seed_same_run_and_faults_do_not_disturb_it() -> None:
    who = draw(30, np.random.default_rng(5))
    runs = []
    for seed, rates in ((1, CLEAN), (1, CLEAN), (1, FAULTY), (2, CLEAN)):
        world = Runners(who, COURSES["lights"], seed, faults=rates, duration_s=600)
        cues = np.zeros(30, dtype=int)
        seconds = []
        for step in range(600):
            cues[:] = int(Cue.EASE) if step % 200 == 50 else 0
            seconds.append(world.step(cues))
        runs.append((np.array([s.true_bpm for s in seconds]), np.array([s.bpm for s in seconds])))
    assert np.array_equal(runs[0][0], runs[1][0]) and np.array_equal(runs[0][1], runs[1][1])
    assert np.array_equal(runs[0][0], runs[2][0]) and not np.array_equal(runs[0][1], runs[2][1])
    assert not np.array_equal(runs[0][0], runs[3][0])


@pytest.mark.parametrize("name", list(COURSES))
def test_courses_run_to_their_end(name: str) -> None:
    course = COURSES[name]
    who = draw(5, np.random.default_rng(5), habitual_m_s=course.habitual_m_s, steepest=course.steepest)
    world = Runners(who, course, 3, duration_s=800)
    steepest = 0.0
    for _ in range(800):
        now = world.step(np.zeros(5, dtype=int))
        steepest = max(steepest, float(now.grade.max()))
        assert np.isfinite(now.true_bpm).all() and (now.true_bpm > 40).all() and (now.true_bpm < 240).all()
    with pytest.raises(ValueError, match="over after 800 steps"):
        world.step(np.zeros(5, dtype=int))
    assert steepest == pytest.approx(course.steepest, abs=0.001)


def test_copies_share_their_luck():
    """Told the same they live the same; told otherwise only what they do differs."""
    block = draw(5, np.random.default_rng(3))
    both = type(block)(**{item.name: np.tile(getattr(block, item.name), 2) for item in fields(block)})
    one, two = Runners(block, COURSES["lights"], 4, faults=USUAL_FAULTS), Runners(
        both, COURSES["lights"], 4, faults=USUAL_FAULTS, copies=2)
    cues = np.zeros(5, int)
    for second in range(600):
        cues[:] = Cue.EASE if second == 300 else 0
        alone, twice = one.step(cues), two.step(np.tile(cues, 2))
        for name in ("bpm", "true_bpm", "speed_m_s", "standing"):
            assert np.array_equal(np.tile(getattr(alone, name), 2), getattr(twice, name), equal_nan=True)
    with pytest.raises(ValueError, match="not 3 blocks"):
        Runners(both, COURSES["flat"], 4, copies=3)
