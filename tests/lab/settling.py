"""The speed at which a runner of `guard.runner` settles at a heart rate: what a *knowing* controller has."""

from __future__ import annotations

import numpy as np

from guard.arrays import Floats
from guard.runner.demand import LEVEL_RUN_ML_PER_M, run_ml_per_m
from guard.runner.population import Population
from guard.runner.simulate import NEAR_M_S, Second, far_slope


def level_speed_at(runners: Population, bpm: Floats) -> Floats:
    """The level running speed whose heart rate settles at `bpm`: `run_bpm_at` the other way."""
    room = bpm - runners.run_bpm
    step = runners.gain * NEAR_M_S
    near = np.clip(room, -step, step)
    return np.asarray(
        runners.habitual_m_s + near / runners.gain + (room - near) / far_slope(runners, room))


def settling_speed_m_s(runners: Population, now: Second, bpm: Floats, *, belt: bool) -> Floats:
    """The running speed over the ground of `now` that settles at `bpm`, drift and heat counted."""
    factor, offset_bpm = now.warmed
    per_m = run_ml_per_m(now.grade, belt=belt) / LEVEL_RUN_ML_PER_M
    return np.asarray(level_speed_at(runners, (bpm - offset_bpm) / factor) / per_m)
