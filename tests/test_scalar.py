"""The lanes against a second writing in plain Python: the same states and cues, the same belief.

Seeds of lives and settings are drawn by hypothesis: heart rates that wander, steps,
spikes, gaps, walks, pauses, new limits. The lone lane of a session and each of
many lanes must do what the scalar guard does, which knows neither numpy nor masks.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from guard.decide.lane import Lane
from guard.decide.lanes import Lanes
from guard.events import Cue, State
from guard.settings import Settings
from tests.support.scalar_guard import ScalarGuard

NAN = math.nan
# No shrinking: a smaller seed is no simpler run.
FEW = settings(
    max_examples=16, deadline=None, suppress_health_check=list(HealthCheck),
    phases=(Phase.explicit, Phase.reuse, Phase.generate))


def some_settings(rng: np.random.Generator) -> Settings:
    """Settings over their ranges, most of them as usual."""
    def one(usual: float, low: float, high: float) -> float:
        return usual if rng.random() < 0.7 else round(float(rng.uniform(low, high)), 3)

    ceiling = one(140.0, 110, 170)
    return Settings(
        ceiling_bpm=ceiling,
        floor_bpm=None if rng.random() < 0.7 else ceiling - float(rng.uniform(5, 20)),
        stop_bpm=None if rng.random() < 0.7 else ceiling + float(rng.uniform(5, 25)),
        strictness=one(0.5, 0, 1), words=one(0.5, 0, 1), walk_first=one(0.5, 0, 1),
        spacing_s=one(10.0, 0, 60), walking=bool(rng.random() < 0.9),
        warm_up_s=one(0.0, 0, 300), warm_up_quiet_s=one(20.0, 0, 60), warm_up_ramp_bpm=one(8.0, 0, 30),
        stale_s=one(3.0, 2, 5), lost_s=one(8.0, 5, 20), response_s=one(57.0, 30, 120))


class Life:
    """A heart under cues, a step at a time: what can happen and what can be wrong.

    Some hear a walk and a resume, some never: so that every turn of the rule is taken.
    """

    def __init__(self, rng: np.random.Generator, ceiling_bpm: float) -> None:
        self.rng, self.ceiling = rng, ceiling_bpm
        self.level = ceiling_bpm + float(rng.normal(-10, 8))
        self.goal, self.tau_s = ceiling_bpm + float(rng.normal(3, 5)), 30.0
        self.hears = float(rng.choice([0.0, 0.5, 0.9]))
        self.t_s = float(rng.uniform(0, 3))
        self.road, self.change, self.change_s = bool(rng.random() < 0.5), 0.0, -1.0
        self.fault, self.fault_left, self.held_left, self.depth = "", 0, 0, 0.0
        self.often = float(rng.choice([0.0, 0.01]))

    def next(self, cue: Cue) -> tuple[float, float, bool]:
        """Time, bpm and whether held."""
        rng = self.rng
        self.t_s += float(rng.choice([1.0, 1.0, 1.0, 0.5, 2.0, round(float(rng.uniform(0.2, 2.5)), 3)]))
        if rng.random() < self.hears:
            down = {Cue.EASE: float(rng.uniform(-1, 4)), Cue.WALK: float(rng.uniform(4, 35))}.get(cue, 0.0)
            self.goal -= down
            if cue is Cue.RESUME:
                self.goal, self.tau_s = self.ceiling + float(rng.normal(3, 6)), 20.0
        if rng.random() < 0.006:
            self.goal = self.ceiling + float(rng.normal(2, 9))
            self.tau_s = float(rng.choice([15.0, 25.0, 60.0]))
        self.level += (self.goal - self.level) / self.tau_s
        if self.fault_left == 0 and rng.random() < self.often:
            self.fault = str(rng.choice(["gap", "spike", "low", "jump", "wild"]))
            self.fault_left = int(rng.integers(1, 40 if self.fault != "spike" else 4))
            self.depth = float(rng.uniform(15, 70))
        if self.held_left == 0 and rng.random() < self.often / 4:
            self.held_left = int(rng.integers(2, 30))
        bpm = float(round(self.level + float(rng.normal(0, 1.2))))
        if self.fault_left:
            self.fault_left -= 1
            off = {"spike": self.depth, "low": -self.depth, "jump": self.depth / 2, "gap": NAN}
            wild = float(rng.choice([0.0, 20.0, 250.0, NAN]))
            bpm = wild if self.fault == "wild" else bpm + off[self.fault]
        elif rng.random() < 0.05:
            bpm = NAN
        self.held_left = max(0, self.held_left - 1)
        return self.t_s, max(0.0, bpm), self.held_left > 0

    def load(self) -> tuple[float, float]:
        """A known change of effort and in how many seconds; where there is no road, none."""
        rng = self.rng
        if not self.road:
            return NAN, NAN
        if self.change_s < self.t_s:
            self.change = float(rng.choice([NAN, rng.uniform(-2, 2), rng.uniform(-1, 1)]))
            self.change_s = self.t_s + float(rng.integers(0, 60))
        return self.change, self.change_s - self.t_s


def close(one: float, other: float) -> bool:
    """The same number, or both unknown; sums in another order differ in the last digits."""
    return math.isclose(one, other, rel_tol=1e-6, abs_tol=1e-6) or (math.isnan(one) and math.isnan(other))


def compare(guard: ScalarGuard, cue: Cue, core: Any, theirs: Any, lane: int) -> None:
    """State, cue and belief of the scalar guard and of one lane."""
    def at(column: Any) -> float:
        return float(column[lane]) if np.ndim(column) else float(column)

    where = f"lane {lane} at {guard.t} s"
    for name, ours in (
        ("level_bpm", guard.level), ("target_bpm", guard.target), ("foreseen_bpm", guard.foreseen),
        ("foreseen_sd_bpm", guard.foreseen_sd), ("pending_bpm", guard.pending),
    ):
        assert close(at(getattr(core.belief, name)), ours), f"{name} of {where}"
    assert Cue(int(at(theirs))) is cue, where
    assert State(int(at(core.state))) is guard.state, where
    assert close(at(core.resume_bpm) - at(core.limit_bpm), -guard.needs * guard.rise), where


def move_limits(guard: ScalarGuard, core: Any, lane: int, rng: np.random.Generator) -> None:
    """A command or a new part: the same for both."""
    ceiling = guard.ceiling + float(rng.integers(-6, 7))
    floor = float(rng.integers(90, 120)) if rng.random() < 0.3 else None
    free, ease, walk = (bool(rng.random() < 0.3) for _ in range(3))
    core.set_limits(
        lane, ceiling_bpm=ceiling, floor_bpm=floor, free_run=free, quiet_ease=ease, quiet_walk=walk)
    guard.ceiling, guard.floor = ceiling, NAN if floor is None else floor
    guard.free_run, guard.quiet_ease, guard.quiet_walk = free, ease, walk


@FEW
@given(st.integers(0, 2**32 - 1))
def test_the_lone_lane_is_the_scalar_guard(seed: int) -> None:
    rng = np.random.default_rng(seed)
    chosen = some_settings(rng)
    guard, lane = ScalarGuard(chosen), Lane(chosen)
    life, cue = Life(rng, float(chosen.ceiling_bpm or 0)), Cue.NONE
    for _ in range(900):
        if rng.random() < 0.002:
            move_limits(guard, lane, 0, rng)
        t_s, bpm, held = life.next(cue)
        load = life.load()
        cue = guard.step(t_s, bpm, held_now=held, load=load)
        compare(guard, cue, lane, lane.step(t_s, bpm, held=held, load=load if life.road else None), 0)


@FEW
@given(st.integers(0, 2**32 - 1))
def test_each_of_many_lanes_is_the_scalar_guard(seed: int) -> None:
    rng = np.random.default_rng(seed)
    chosen = [some_settings(rng) for _ in range(4)]
    guards, lanes = [ScalarGuard(one) for one in chosen], Lanes(chosen)
    lives = [Life(rng, float(one.ceiling_bpm or 0)) for one in chosen]
    cues = [Cue.NONE] * len(chosen)
    for _ in range(300):
        moments = [life.next(cue) for life, cue in zip(lives, cues, strict=True)]
        times, beats, held = (np.array(column) for column in zip(*moments, strict=True))
        loads = [life.load() for life in lives]
        changes, in_s = (np.array(column) for column in zip(*loads, strict=True))
        theirs = lanes.step(times, beats, held=held, load_ahead_m_s=changes, load_in_s=in_s)
        cues = [guard.step(t_s, bpm, held_now=now, load=load) for guard, (t_s, bpm, now), load in zip(
            guards, moments, loads, strict=True)]
        for place, (guard, cue) in enumerate(zip(guards, cues, strict=True)):
            compare(guard, cue, lanes.core, theirs, place)
