"""A second heart for the runners of `guard.runner`, so that nothing is tuned to the first one's structure.

A delayed and an undelayed lag in parallel (Hunt & Wang 2024, F1000Research
13:894) with a pause depth of two lags in series. For reporting only, never for
tuning. Constants: see `guard.runner.population`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from guard.arrays import Floats
from guard.runner.population import Population
from guard.runner.response import Delay, HeartResponse


class SecondHeart(HeartResponse):
    """As the first in what it settles at; it moves otherwise."""

    def __init__(self, runners: Population, step_s: float = 1.0) -> None:
        super().__init__(runners, step_s)
        self._target_delay = Delay(2.0 * runners.dead_s, step_s, self._level.copy())
        whole = runners.response_s + runners.dead_s
        self._slow = 1.0 - np.exp(-step_s / np.maximum(0.8 * whole, 6.0))
        self._quick = 1.0 - np.exp(-step_s / np.maximum(0.35 * whole, 4.0))
        self._on = 1.0 - np.exp(-step_s / (0.55 * runners.on_s))
        self._off = 1.0 - np.exp(-step_s / (0.55 * runners.off_s))
        self._prompt, self._depth_lag = self._level.copy(), self._depth.copy()

    def step(self, settled_bpm: Floats, running: NDArray[np.bool_]) -> Floats:
        """Heart rate now."""
        who = self._who
        was_running = self._running_delay.step(running.astype(np.float64)) > 0.5
        target = self._target_delay.step(settled_bpm)
        self._level += np.where(was_running, self._slow, self._tail) * (target - self._level)
        self._prompt += np.where(was_running, self._quick, self._tail) * (settled_bpm - self._prompt)
        level = who.undelayed_share * self._prompt + (1.0 - who.undelayed_share) * self._level
        goal = np.where(was_running, 0.0, who.fast_share * np.maximum(level - target, 0.0))
        rate = np.where(was_running, self._on, self._off)
        self._depth_lag += rate * (goal - self._depth_lag)
        self._depth += rate * (self._depth_lag - self._depth)
        return np.asarray(level - self._depth)


HEARTS: dict[str, type[HeartResponse]] = {"first": HeartResponse, "second": SecondHeart}
