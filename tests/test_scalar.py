"""The lanes against a second writing in plain Python: the same states, cues, reasons and doubts.

Readings and settings are drawn by hypothesis: heart rates that wander, steps,
spikes, gaps, a slipped electrode, a lock on the step rate, pauses, new limits.
The lone lane of a session and each of many lanes must do what the scalar guard
does, which knows neither numpy nor masks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from guard.decide.table import TABLE
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from guard.decide.lane import Lane
from guard.decide.lanes import Lanes
from guard.events import Cue, State
from guard.settings import Settings
from tests.support.scalar_guard import ScalarFacts, ScalarGuard

NAN = math.nan
# No shrinking: a smaller seed is no simpler run.
FEW = settings(
    max_examples=20, deadline=None, suppress_health_check=list(HealthCheck),
    phases=(Phase.explicit, Phase.reuse, Phase.generate))


@dataclass(frozen=True)
class Moment:
    """What one lane is given in one step."""

    t_s: float
    bpm: float
    speed_m_s: float
    grade: float
    cadence_spm: float
    held: bool


@st.composite
def some_settings(draw: st.DrawFn) -> Settings:
    """Settings over their ranges, likelier near the usual."""
    def one(*usual: Any, low: float, high: float) -> Any:
        return draw(st.sampled_from(usual) | st.floats(low, high).map(lambda value: round(value, 3)))

    ceiling = one(135.0, 140.0, low=110, high=170)
    return Settings(
        ceiling_bpm=ceiling,
        floor_bpm=draw(st.none() | st.floats(90, ceiling - 5)),
        stop_bpm=draw(st.none() | st.floats(ceiling + 2, ceiling + 25)),
        strictness=one(0.5, low=0, high=1), words=one(0.5, 1.0, low=0, high=1),
        walk_first=one(0.5, 1.0, low=0, high=1), spacing_s=one(12.0, 0.0, low=0, high=60),
        walking=draw(st.booleans() | st.just(True)),
        warm_up_s=one(0.0, 60.0, low=0, high=200), warm_up_quiet_s=one(20.0, low=0, high=60),
        warm_up_ramp_bpm=one(5.0, low=0, high=30),
        stale_s=one(3.0, low=2, high=5), lost_s=one(8.0, low=5, high=20),
        response_s=one(57.0, low=10, high=120), restart_response_s=one(22.0, low=5, high=60),
        gain_bpm_per_m_s=draw(st.none() | st.floats(10, 50)))


def some_run(
    rng: np.random.Generator, ceiling_bpm: float, steps: int, *, eventful: bool = True
) -> list[Moment]:
    """A run with everything that can be wrong with it, one moment a step.

    An uneventful one settles a little over the ceiling, whatever is said.
    """
    level = ceiling_bpm + float(rng.normal(-12, 10))
    goal, tau_s = level if eventful else ceiling_bpm + 5.0, 40.0
    cadence, speed, grade = float(rng.integers(150, 176)), float(rng.uniform(2.0, 3.2)), 0.0
    fault, fault_left, held_left = "", 0, 0
    knows_speed, knows_cadence = bool(rng.random() < 0.6), bool(rng.random() < 0.6)
    t_s, moments = float(rng.uniform(0, 3)), []
    for _ in range(steps):
        t_s += float(rng.choice([1.0, 1.0, 1.0, 0.25, 0.5, 2.0, round(float(rng.uniform(0.2, 2.5)), 3)]))
        if eventful and rng.random() < 0.02:
            goal = ceiling_bpm + float(rng.normal(0, 15))
            tau_s = float(rng.choice([15.0, 25.0, 60.0]))
            grade = float(rng.choice([0.0, 0.0, 0.06, -0.04, -0.2]))
            speed = float(rng.uniform(1.4, 3.4))
        level += (goal - level) / tau_s
        if eventful and fault_left == 0 and rng.random() < 0.015:
            fault = str(rng.choice(["gap", "spike", "low", "lock", "jump", "wild", "stuck"]))
            fault_left = int(rng.integers(1, 40 if fault != "spike" else 4))
            depth = float(rng.uniform(15, 70))
        if eventful and held_left == 0 and rng.random() < 0.004:
            held_left = int(rng.integers(2, 30))
        bpm = round(level + float(rng.normal(0, 1.2 if eventful else 0.4)))
        if fault_left:
            fault_left -= 1
            bpm = {
                "gap": NAN, "spike": bpm + depth, "low": bpm - depth, "lock": cadence + rng.integers(-1, 2),
                "jump": bpm + depth / 2, "wild": float(rng.choice([0.0, 20.0, 250.0, NAN])),
                "stuck": round(ceiling_bpm + depth)}[fault]
        elif rng.random() < 0.05:
            bpm = NAN
        held_left = max(0, held_left - 1)
        moments.append(Moment(
            t_s, max(0.0, float(bpm)), speed if knows_speed else NAN, grade if rng.random() < 0.95 else NAN,
            cadence if knows_cadence else NAN, held_left > 0))
    return moments


def close(one: float, other: float) -> bool:
    """The same number, or both unknown; order of sums may differ in the last digits."""
    return math.isclose(one, other, rel_tol=1e-9, abs_tol=1e-9) or (math.isnan(one) and math.isnan(other))


def compare(guard: ScalarGuard, cue: Cue, lanes: Any, theirs: Any, lane: int) -> None:
    """Everything that a step of the scalar guard and of one lane can be asked."""
    def at(column: Any) -> float:
        return float(column[lane]) if np.ndim(column) else float(column)

    where = f"lane {lane} at {guard.t_s} s"
    assert State(int(at(lanes.state))) is guard.state, where
    assert Cue(int(at(theirs))) is cue, where
    row = lanes.row(lane)
    assert (row.name if row else "") == (guard.fired.name if guard.fired else ""), where
    assert (lanes.rule(lane), lanes.numbers(lane)) == (guard.rule(), guard.numbers()), where
    assert lanes.doubt(lane) == guard.doubt(), where
    estimate, now = lanes.estimate, lanes.now
    for name, ours in (
        ("level_bpm", guard.estimate.level_bpm), ("slope_bpm_s", guard.estimate.slope_bpm_s),
        ("var_level", guard.estimate.var_level), ("cov", guard.estimate.cov),
        ("var_slope", guard.estimate.var_slope), ("age_s", guard.estimate.age_s),
    ):
        assert close(at(getattr(estimate, name)), ours), f"{name} of {where}"
    for name, ours in (
        ("limit_bpm", guard.limit_bpm), ("foreseen_bpm", guard.foreseen_bpm),
        ("foreseen_sd_bpm", guard.foreseen_sd_bpm), ("heading_bpm", guard.heading_bpm),
    ):
        assert close(at(getattr(now, name)), ours), f"{name} of {where}"
    assert bool(at(estimate.slipped)) is guard.estimate.slipped, where
    assert close(at(lanes.advised_speed_m_s), guard.advised_speed_m_s), f"advice of {where}"


def move_limits(guard: ScalarGuard, lanes: Any, lane: int, rng: np.random.Generator) -> None:
    """A command or a new part: the same for both."""
    ceiling = guard.limits.ceiling_bpm + float(rng.integers(-6, 7))
    floor = float(rng.integers(90, 120)) if rng.random() < 0.3 else None
    free, ease, walk = (bool(rng.random() < 0.3) for _ in range(3))
    lanes.set_limits(
        lane, ceiling_bpm=ceiling, floor_bpm=floor, free_run=free, quiet_ease=ease, quiet_walk=walk)
    limits = guard.limits
    limits.ceiling_bpm, limits.floor_bpm = ceiling, NAN if floor is None else floor
    limits.free_run, limits.quiet_ease, limits.quiet_walk = free, ease, walk
    if rng.random() < 0.3:
        warming = bool(rng.random() < 0.5)
        lanes.set_warm_up(lane, warming=warming)
        limits.warm_up_s = math.inf if warming else 0.0
        limits.warm_up_ramp_bpm = limits.warm_up_quiet_s = 0.0


@FEW
@given(some_settings(), st.integers(0, 2**32 - 1))
def test_the_lone_lane_is_the_scalar_guard(chosen: Settings, seed: int) -> None:
    rng = np.random.default_rng(seed)
    guard, lane = ScalarGuard(chosen), Lane(chosen)
    for moment in some_run(rng, float(chosen.ceiling_bpm or 0), 400):
        if rng.random() < 0.005:
            move_limits(guard, lane, 0, rng)
        inputs = {"speed_m_s": moment.speed_m_s, "grade": moment.grade, "cadence_spm": moment.cadence_spm}
        cue = guard.step(moment.t_s, moment.bpm, held=moment.held, **inputs)
        theirs = lane.step(moment.t_s, moment.bpm, held=moment.held, **inputs)
        compare(guard, cue, lane, theirs, 0)


@settings(FEW, max_examples=6)
@given(st.lists(some_settings(), min_size=2, max_size=4), st.integers(0, 2**32 - 1), st.booleans())
def test_each_of_many_lanes_is_the_scalar_guard(chosen: list[Settings], seed: int, alone: bool) -> None:
    """`alone`: neither speed nor cadence nor holding is given to anybody."""
    rng = np.random.default_rng(seed)
    guards, lanes = [ScalarGuard(one) for one in chosen], Lanes(chosen)
    runs = [some_run(rng, float(one.ceiling_bpm or 0), 300) for one in chosen]
    for moments in zip(*runs, strict=True):
        if rng.random() < 0.01:
            lane = int(rng.integers(len(chosen)))
            move_limits(guards[lane], lanes, lane, rng)
        def column(name: str, moments: tuple[Moment, ...] = moments) -> list[float]:
            return [getattr(moment, name) for moment in moments]
        names = () if alone else ("speed_m_s", "grade", "cadence_spm", "held")
        theirs = lanes.step(column("t_s"), column("bpm"), **{name: column(name) for name in names})
        for lane, (guard, moment) in enumerate(zip(guards, moments, strict=True)):
            inputs = {name: getattr(moment, name) for name in names}
            compare(guard, guard.step(moment.t_s, moment.bpm, **inputs), lanes, theirs, lane)


def test_the_drawn_runs_reach_every_row_of_the_table() -> None:
    """Agreement on runs that never fire a row would say nothing about it."""
    missing = {row.name for row in TABLE}
    rng = np.random.default_rng(23)
    for number in range(200):
        chosen = Settings(
            ceiling_bpm=140.0, floor_bpm=125.0 if number % 3 == 0 else None,
            walk_first=0.5 if number % 4 == 3 else 0.95, stop_bpm=160.0 if number % 2 else None,
            warm_up_s=60.0 if number % 4 == 0 else 0.0, warm_up_quiet_s=10.0,
            stale_s=3.0 if number % 5 else 9.0, lost_s=9.0)
        guard = ScalarGuard(chosen)
        for moment in some_run(rng, 140.0, 500, eventful=number % 4 != 3):
            if rng.random() < 0.002:
                guard.limits.free_run = not guard.limits.free_run
            guard.step(moment.t_s, moment.bpm, cadence_spm=moment.cadence_spm, held=moment.held)
            missing -= {guard.fired.name} if guard.fired else set()
        if not missing:
            break
    assert not missing


def test_every_fact_of_the_table_has_its_second_writing() -> None:
    asked = {name.lstrip("~") for row in TABLE for name in row.when}
    assert asked <= set(dir(ScalarFacts))
