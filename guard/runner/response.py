"""Heart rate of n runners from what their effort would settle at.

Small steps while running are slow, starting and stopping are fast; so two
parts are added. The *running level* follows the demand with `response_s` while
running and is carried over (`tail_s`) while walking or standing. The *pause
depth* is what heart rate lies under that level: it deepens with `off_s` when
the runner walks or stands and fills with `on_s` when running begins again.

Two structures of the running level, so that nothing is tuned to one of them:
`first` is one lag behind a dead time; `second` is a delayed and an undelayed
lag in parallel (Hunt & Wang 2024) with a pause depth of two lags in series. It
is for reporting only, never for tuning. Constants: see `population`.
"""

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from guard.arrays import Floats
from guard.runner.population import Population

Model = Literal["first", "second"]

START_SHARE = 0.8  # of the rise from rest to running that goes with `on_s` (ours)
DRIFT_FROM_S = 600.0  # Wingo 2012: drift begins near ten minutes
HEAT_SETTLES_S = 900.0  # ours: the body warms over a quarter of an hour
COOL_C = 21.0  # Miller & Martin 1975 measured from here


class Delay:
    """The values of `seconds` ago, one dead time a runner, rounded to steps."""

    def __init__(self, seconds: Floats, step_s: float, first: Floats) -> None:
        self._steps = np.rint(seconds / step_s).astype(np.int64)
        self._ring = np.tile(first, (int(self._steps.max(initial=0)) + 1, 1))
        self._lanes = np.arange(len(first))
        self._at = 0

    def step(self, values: Floats) -> Floats:
        """Take the values of now, give those of a dead time ago."""
        size = len(self._ring)
        self._ring[self._at] = values
        old = self._ring[(self._at - self._steps) % size, self._lanes]
        self._at = (self._at + 1) % size
        return np.asarray(old)


class HeartResponse:
    """Heart rate in bpm, stepped by `step_s`; begins standing at rest."""

    def __init__(self, runners: Population, step_s: float = 1.0, model: Model = "first") -> None:
        self._who = runners
        self._model = model
        begin = runners.rest_bpm + START_SHARE * (runners.run_bpm - runners.rest_bpm)
        self._level = begin.copy()
        self._depth = begin - runners.rest_bpm
        self._depth_lag = self._depth.copy()
        dead = runners.dead_s if model == "first" else 2.0 * runners.dead_s
        self._target_delay = Delay(dead, step_s, begin)
        self._running_delay = Delay(runners.dead_s, step_s, np.zeros(len(runners)))
        one = -step_s
        self._tail = 1.0 - np.exp(one / runners.tail_s)
        if model == "first":
            self._slow = 1.0 - np.exp(one / runners.response_s)
            self._on = 1.0 - np.exp(one / runners.on_s)
            self._off = 1.0 - np.exp(one / runners.off_s)
        else:
            whole = runners.response_s + runners.dead_s
            self._slow = 1.0 - np.exp(one / np.maximum(0.8 * whole, 6.0))
            self._quick = 1.0 - np.exp(one / np.maximum(0.35 * whole, 4.0))
            self._on = 1.0 - np.exp(one / (0.55 * runners.on_s))
            self._off = 1.0 - np.exp(one / (0.55 * runners.off_s))
            self._prompt = begin.copy()

    def step(self, settled_bpm: Floats, running: NDArray[np.bool_]) -> Floats:
        """Heart rate now, given what this effort would settle at.

        `settled_bpm` is for the gait of now; `running` is false when walking or
        standing. Drift and heat are added by `warmed`.
        """
        who = self._who
        was_running = self._running_delay.step(running.astype(np.float64)) > 0.5
        target = self._target_delay.step(settled_bpm)
        rate = np.where(was_running, self._slow, self._tail)
        self._level += rate * (target - self._level)
        level = self._level
        if self._model == "second":
            rate = np.where(was_running, self._quick, self._tail)
            self._prompt += rate * (settled_bpm - self._prompt)
            level = who.undelayed_share * self._prompt + (1.0 - who.undelayed_share) * level
        goal = np.where(was_running, 0.0, who.fast_share * np.maximum(level - target, 0.0))
        rate = np.where(was_running, self._on, self._off)
        if self._model == "second":
            self._depth_lag += rate * (goal - self._depth_lag)
            goal = self._depth_lag
        self._depth += rate * (goal - self._depth)
        return np.asarray(level - self._depth)


def warming(runners: Population, t_s: float, air_c: float) -> tuple[Floats, Floats]:
    """Factor and offset that drift and heat put on heart rate at `t_s`."""
    heat = max(air_c - COOL_C, 0.0) * (1.0 - float(np.exp(-t_s / HEAT_SETTLES_S)))
    factor = 1.0 + runners.heat_per_c * heat
    offset = runners.drift_bpm_per_min * max(t_s - DRIFT_FROM_S, 0.0) / 60.0
    return factor, offset
