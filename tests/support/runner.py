"""Open-loop experiments on the drawn runners."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from guard.runner.demand import demand_vo2
from guard.runner.population import Population
from guard.runner.response import HeartResponse
from guard.runner.simulate import settled_bpm

Array = NDArray[np.float64]


def respond(
    runners: Population, speeds: Array, walking: NDArray[np.bool_],
    heart_of: type[HeartResponse] = HeartResponse,
) -> Array:
    """Heart rate (steps, n) for speeds (steps, n) on a level belt, no drift, no noise."""
    heart = heart_of(runners, 1.0)
    beats = np.empty_like(speeds)
    for step, speed in enumerate(speeds):
        running = ~walking[step]
        vo2 = demand_vo2(speed, 0.0, ~running, belt=True)
        beats[step] = heart.step(settled_bpm(runners, vo2, running), running)
    return beats


def small_steps(runners: Population, steps: int = 1800) -> Array:
    """Speeds that step by ±0.25 m/s about 0.3 m/s under the habitual speed every 2 to 4 min."""
    sequence = np.zeros(steps)
    at, up = 0, True
    for length in (240, 120, 180, 240, 120, 120, 240, 180, 120, 240):
        sequence[at:at + length] = 0.25 if up else -0.25
        at, up = at + length, not up
    return runners.habitual_m_s[None, :] + sequence[:, None]


def fit_first_order(speeds: Array, beats: Array, taus: Array) -> tuple[Array, Array]:
    """Least-squares gain and time constant of one lag without dead time, a runner each.

    Over a grid of time constants: for each, the lagged speed is the regressor
    of a straight line; the one that leaves least is kept.
    """
    best = np.full(speeds.shape[1], np.inf)
    gain = np.zeros(speeds.shape[1])
    tau = np.zeros(speeds.shape[1])
    for one in taus:
        lagged = np.empty_like(speeds)
        state = speeds[0].copy()
        rate = 1.0 - np.exp(-1.0 / one)
        for step, speed in enumerate(speeds):
            state = state + rate * (speed - state)
            lagged[step] = state
        x = lagged[300:] - lagged[300:].mean(axis=0)
        y = beats[300:] - beats[300:].mean(axis=0)
        slope = (x * y).sum(axis=0) / (x * x).sum(axis=0)
        left = ((y - slope * x) ** 2).sum(axis=0)
        better = left < best
        best = np.where(better, left, best)
        gain = np.where(better, slope, gain)
        tau = np.where(better, one, tau)
    return gain, tau
