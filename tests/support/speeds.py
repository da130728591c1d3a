"""Recordings with speed: runners of the model on a belt that is stepped by a plan."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from guard.events import Input, Reading, Speed
from guard.runner.population import Population, draw
from guard.runner.simulate import Runners
from guard.runner.strap import USUAL_FAULTS, FaultRates
from tests.lab.ground import COURSES

Plan = Sequence[tuple[int, float | None]]  # seconds, m/s off the habitual speed (None: standing)

IN_TURN: Plan = [(180, off) for off in (-0.45, 0.45) * 7]
WITH_PAUSES: Plan = [(240, -0.45), *[(180, 0.45), (120, None), (180, -0.45)] * 5]


def belt_runs(
    n: int, seed: int, plan: Plan, faults: FaultRates = USUAL_FAULTS
) -> tuple[Population, list[list[Input]]]:
    """n runners and what their straps and typed speeds gave, one list each."""
    rng = np.random.default_rng(seed)
    who = draw(n, rng, belt=True)
    # On this belt it is the plan that sets the speed, from the first second on.
    on_belt, course = replace(who, walk_m_s=who.walk_m_s.copy()), replace(COURSES["flat"], gentle_s=0.0)
    runners = Runners(on_belt, course, seed, faults=faults, duration_s=sum(length for length, _ in plan))
    events: list[list[Input]] = [[] for _ in range(n)]
    nobody = np.zeros(n, dtype=int)
    for length, off in plan:
        speed = np.zeros(n) if off is None else np.rint((who.habitual_m_s + off) * 36) / 36
        runners.behaviour.walking, runners.behaviour.pace_m_s = speed < who.slowest_jog_m_s, speed
        on_belt.walk_m_s[:] = np.minimum(speed, who.walk_m_s)
        for second in range(length):
            now = runners.step(nobody)
            for lane, mine in enumerate(events):
                if second == 0:
                    mine.append(Speed(now.t_s, float(speed[lane]), 0.0, typed=True))
                bpm = now.bpm[lane]
                if np.isfinite(bpm):
                    rr = (60.0 / float(bpm),) if now.has_rr[lane] else ()
                    mine.append(Reading(now.t_s + float(rng.uniform(0, 0.3)), int(bpm), rr_s=rr))
    return who, events
