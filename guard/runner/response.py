"""Heart rate of n runners from what their effort would settle at.

Small steps while running are slow, starting and stopping are fast; so two
parts are added. The *running level* follows the demand with `response_s` while
running and is carried over (`tail_s`) while walking or standing. The *pause
depth* is what heart rate lies under that level: it deepens with `off_s` when
the runner walks or stands and fills with `on_s` when running begins again.

The running level is one lag behind a dead time. Constants: see `population`.
"""

import numpy as np
from numpy.typing import NDArray

from guard.arrays import Floats
from guard.runner.population import Population

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

    def __init__(self, runners: Population, step_s: float = 1.0) -> None:
        self._who = runners
        begin = runners.rest_bpm + START_SHARE * (runners.run_bpm - runners.rest_bpm)
        self._level = begin.copy()
        self._depth = begin - runners.rest_bpm
        self._target_delay = Delay(runners.dead_s, step_s, begin)
        self._running_delay = Delay(runners.dead_s, step_s, np.zeros(len(runners)))
        self._tail, self._slow, self._on, self._off = (1.0 - np.exp(-step_s / constant_s) for constant_s in (
            runners.tail_s, runners.response_s, runners.on_s, runners.off_s))

    def step(self, settled_bpm: Floats, running: NDArray[np.bool_]) -> Floats:
        """Heart rate now, given what this effort would settle at.

        `settled_bpm` is for the gait of now; `running` is false when walking or
        standing. Drift and heat are added by `warmed`.
        """
        was_running = self._running_delay.step(running.astype(np.float64)) > 0.5
        target = self._target_delay.step(settled_bpm)
        rate = np.where(was_running, self._slow, self._tail)
        self._level += rate * (target - self._level)
        goal = np.where(was_running, 0.0, self._who.fast_share * np.maximum(self._level - target, 0.0))
        rate = np.where(was_running, self._on, self._off)
        self._depth += rate * (goal - self._depth)
        return np.asarray(self._level - self._depth)


def warming(runners: Population, t_s: float, air_c: float) -> tuple[Floats, Floats]:
    """Factor and offset that drift and heat put on heart rate at `t_s`."""
    heat = max(air_c - COOL_C, 0.0) * (1.0 - float(np.exp(-t_s / HEAT_SETTLES_S)))
    factor = 1.0 + runners.heat_per_c * heat
    offset = runners.drift_bpm_per_min * max(t_s - DRIFT_FROM_S, 0.0) / 60.0
    return factor, offset
