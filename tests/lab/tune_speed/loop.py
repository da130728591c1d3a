"""A plain loop over readings, written by hand: the peer that the speed of the lanes is measured beside.

It is the least that could be called a guard (level and slope by fixed gains, a
look ahead, ease, walk, resume, signal lost and back), so it does less a step
than the decision does. It runs as it is, or compiled by numba.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from guard.events import Cue

Floats = NDArray[np.float64]
Loop = Callable[[Floats, Floats, float, float, float, Floats, NDArray[np.int64]], int]

# Gains of a critically damped filter of level and slope with a memory of 0.85 a reading
# (1 - m^2 and (1 - m)^2, as in every handbook of tracking); the rest is round figures.
LEVEL_GAIN, SLOPE_GAIN = 1.0 - 0.85**2, (1.0 - 0.85) ** 2
LOST_S = 8.0
LEAD_S = 20.0
ROOM_TO_RESUME_BPM = 8.0
EASE, WALK, RESUME = int(Cue.EASE), int(Cue.WALK), int(Cue.RESUME)
LOST, BACK = int(Cue.SIGNAL_LOST), int(Cue.SIGNAL_BACK)


def loop(times: Floats, beats: Floats, ceiling_bpm: float, lead_s: float, spacing_s: float,
         said_s: Floats, said: NDArray[np.int64]) -> int:
    """Cues over `times` (s) and `beats` (bpm, NaN: none), both of length n.

    They go to `said` (codes) and `said_s` (s), of length n too; returns how many.
    """
    level, slope, known_s, cue_s = math.nan, 0.0, times[0] if len(times) else 0.0, -math.inf
    lost = walking = False
    eased = count = 0
    for k in range(len(times)):
        t_s, bpm = times[k], beats[k]
        cue = 0
        if math.isnan(bpm):
            if not lost and t_s - known_s >= LOST_S:
                lost, cue = True, LOST
        else:
            dt_s = t_s - known_s
            known_s = t_s
            if lost or math.isnan(level):
                level, slope = bpm, 0.0
                cue = BACK if lost else 0
                lost = False
            elif dt_s > 0.0:
                foretold = level + slope * dt_s
                level = foretold + LEVEL_GAIN * (bpm - foretold)
                slope += SLOPE_GAIN * (bpm - foretold) / dt_s
            if not cue and t_s - cue_s >= spacing_s:
                foreseen = level + slope * lead_s
                if walking:
                    if level <= ceiling_bpm - ROOM_TO_RESUME_BPM and slope <= 0.0:
                        walking, eased, cue = False, 0, RESUME
                elif foreseen > ceiling_bpm:
                    walking = eased >= 2 and level > ceiling_bpm
                    eased += 1
                    cue = WALK if walking else EASE
                elif level <= ceiling_bpm:
                    eased = 0
        if cue:
            said_s[count], said[count] = t_s, cue
            count += 1
            cue_s = t_s
    return count


def compiled() -> Loop:
    """The loop compiled by numba; ImportError where that is not installed."""
    import numba  # type: ignore[import-not-found, import-untyped, unused-ignore]

    jit: Any = numba.njit(error_model="numpy")
    made: Loop = jit(loop)
    return made
