"""What one session tells about the months: steady stretches, the line through them, time under the ceiling.

Heart rate lags speed: it follows a dead time and a first-order lag (Hunt &
Wang 2024, F1000Research 13:894; time constant 57.6 +- 23.6 s: Hunt,
Fankhauser, Saengsuwan 2015, BioMed Eng OnLine 14). A second is *steady* when
the runner runs, and the lagged speed has come within `SETTLED_M_S` of the
speed itself, so that what is left of the lag is about 2 bpm; what is compared
with heart rate is the lagged speed. The first eight minutes are left out (dry
electrodes, the rise from rest).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import accumulate, pairwise

import numpy as np
from numpy.typing import NDArray

from guard.progress.line import Line, fit_line
from guard.response.series import FASTEST_M_S, HILL, RUN_M_S
from guard.response.spans import held, runs
from guard.signal.trust import HIGHEST_BPM, LOWEST_BPM

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Commands = tuple[tuple[float, str, float | None], ...]

LEAST_GRADE, MOST_GRADE = -0.01, 0.10  # ACSM's equation is not for downhill
SPEED_OLD_S = 10.0  # a read speed older than this is not known; a typed one holds
SMOOTHED_S = 15
DEAD_S = 8
SETTLED_M_S = 0.08
WARM_S = 480
STRETCH_S, LEAST_STRETCH_S = 60, 40
LEAST_SAMPLES = 8  # readings in a stretch
LEAST_STRETCHES = 6
LEAST_RANGE_M_S, LEAST_SPREAD_M_S = 0.25, 0.08
DRIFT_NEEDS_S = 900
REFERENCE_S = 1200.0  # speed at the ceiling is that of the twentieth minute
MOST_BEYOND_BPM = 6.0  # how far outside the heart rates seen a ceiling may lie
WIDEST_SHARE = 0.10  # of the speed: a wider interval (to one side) tells nothing

# Why a session has no speed at the ceiling; in words: `progress/words.py`.
NO_SPEED = "no_speed"
NO_BEATS = "no_heart_rate"
TOO_SHORT = "too_short"
SAME_SPEED = "same_speed"
NO_SLOPE = "no_slope"
TOO_FAR = "far_from_ceiling"
TOO_WIDE = "wide_error"


@dataclass(frozen=True, slots=True)
class Track:
    """A session second by second: mean bpm (NaN without a reading), m/s and level m/s (NaN unknown)."""

    bpm: Floats
    speed_m_s: Floats
    level_m_s: Floats
    paused: Bools


@dataclass(frozen=True, slots=True)
class SessionFigures:
    """What is kept of one session. Either `line` or `refusal` says something.

    `running_s` is time with readings outside pauses; of it `under_s` at or
    under the ceiling of the session as the runner moved it, `over_s` over it.
    Where the session had no ceiling both are None and `bpm_seconds` holds
    (lowest bpm, seconds at each whole bpm from there).
    """

    line: Line | None
    refusal: str
    steady_s: float
    duration_s: float
    running_s: float
    under_s: float | None
    over_s: float | None
    bpm_seconds: tuple[int, tuple[int, ...]] | None
    asking_cues: int


def track(readings: Floats, speeds: Floats, commands: Commands, end_s: float) -> Track:
    """Seconds of a session from its columns: readings (n, 2), speeds (m, 4) as in a log."""
    cells = int(end_s) + 1
    sound = (readings[:, 1] >= LOWEST_BPM) & (readings[:, 1] <= HIGHEST_BPM)
    seconds = readings[sound, 0].astype(np.int64)
    count = np.bincount(seconds, minlength=cells)
    total = np.bincount(seconds, readings[sound, 1], minlength=cells)
    bpm = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    paused = np.zeros(cells, dtype=bool)
    begun: float | None = None
    for t_s, action, _ in (*commands, (end_s + 1.0, "continue", None)):
        if action == "pause" and begun is None:
            begun = t_s
        elif action == "continue" and begun is not None:
            paused[int(begun):math.ceil(t_s)] = True
            begun = None
    speed, level = _speed(speeds, cells)
    speed[paused], level[paused] = np.nan, np.nan
    return Track(bpm, speed, level, paused)


def _speed(speeds: Floats, cells: int) -> tuple[Floats, Floats]:
    if not len(speeds):
        return np.full(cells, np.nan), np.full(cells, np.nan)
    middle = np.arange(cells) + 0.5
    at = np.searchsorted(speeds[:, 0], middle, side="right") - 1
    fresh = (at >= 0) & ((speeds[at, 3] > 0) | (middle - speeds[at, 0] <= SPEED_OLD_S))
    speed = np.where(fresh, held(speeds[:, 1], np.nan)[at], np.nan)
    grade = np.nan_to_num(held(speeds[:, 2], np.nan))[at]
    speed[~((speed >= 0) & (speed <= FASTEST_M_S))] = np.nan
    flat_enough = (grade >= LEAST_GRADE) & (grade <= MOST_GRADE)
    return speed, np.where(flat_enough, speed * (1.0 + HILL * grade), np.nan)


def steady(of: Track, response_s: float) -> tuple[Floats, Floats, Floats]:
    """Mean lagged speed, mean bpm and mean time (s) of each steady stretch, in order."""
    level = _smoothed(of.level_m_s)
    known = np.isfinite(level)
    goal = np.where(known, level, 0.0)  # what is unknown has to settle anew
    rate = -math.expm1(-1.0 / response_s)
    lags = accumulate(goal.tolist(), lambda now, to: now + rate * (to - now), initial=0.0)
    lagged = np.fromiter(lags, dtype=np.float64, count=len(goal) + 1)[1:]
    shown = np.concatenate([np.zeros(min(DEAD_S, len(goal))), lagged[:-DEAD_S]])[:len(goal)]
    good = known & (level >= RUN_M_S) & (np.abs(level - shown) <= SETTLED_M_S)
    good[:WARM_S] = False
    firsts, afters = runs(good)
    cuts = [cut for begin, end in zip(firsts.tolist(), afters.tolist(), strict=True)
            for cut in pairwise(np.linspace(begin, end, max(1, round((end - begin) / STRETCH_S)) + 1))]
    first, last = np.array(cuts, dtype=np.int64).reshape(-1, 2).T
    seen = np.isfinite(of.bpm)

    def over(values: Floats) -> Floats:
        """Sums over each stretch of the seconds that have a reading."""
        sums = np.concatenate([[0.0], np.cumsum(np.where(seen, values, 0.0))])
        return np.asarray(sums[last] - sums[first])

    count = over(np.ones(len(seen)))
    enough = (last - first >= LEAST_STRETCH_S) & (count >= LEAST_SAMPLES)
    some = np.maximum(count, 1.0)
    middle_s = np.asarray(0.5 * (first + last), dtype=np.float64)
    return (over(shown) / some)[enough], (over(of.bpm) / some)[enough], middle_s[enough]


def _smoothed(values: Floats) -> Floats:
    """Moving mean over the known of `SMOOTHED_S` s around; NaN stays NaN."""
    known = np.isfinite(values)
    sums = np.concatenate([[0.0], np.cumsum(np.where(known, values, 0.0))])
    counts = np.concatenate([[0], np.cumsum(known)])
    half = SMOOTHED_S // 2
    low = np.maximum(np.arange(len(values)) - half, 0)
    high = np.minimum(np.arange(len(values)) + half + 1, len(values))
    mean = (sums[high] - sums[low]) / np.maximum(counts[high] - counts[low], 1)
    return np.where(known, mean, np.nan)


def line_of(of: Track, response_s: float) -> tuple[Line | None, str, float]:
    """The session's line, or why there is none; and the seconds of steady running."""
    if not np.isfinite(of.speed_m_s).any():
        return None, NO_SPEED, 0.0
    if not np.isfinite(of.bpm).any():
        return None, NO_BEATS, 0.0
    speed, bpm, at_s = steady(of, response_s)
    steady_s = float(len(speed) * STRETCH_S)
    if len(speed) < LEAST_STRETCHES:
        return None, TOO_SHORT, steady_s
    if np.ptp(speed) < LEAST_RANGE_M_S or np.std(speed) < LEAST_SPREAD_M_S:
        return None, SAME_SPEED, steady_s
    hours = (at_s - REFERENCE_S) / 3600.0 if np.ptp(at_s) >= DRIFT_NEEDS_S else None
    line = fit_line(speed, bpm, hours)
    if line is None:
        return None, TOO_SHORT, steady_s
    return (line, "", steady_s) if line.rises else (None, NO_SLOPE, steady_s)


def figures(
    readings: Floats, speeds: Floats, commands: Commands, end_s: float, *,
    ceiling_bpm: float | None, response_s: float, asking_cues: int = 0,
) -> SessionFigures:
    """All that is kept of one session; `ceiling_bpm` is the one it began with."""
    of = track(readings, speeds, commands, end_s)
    line, refusal, steady_s = line_of(of, response_s)
    counted = np.isfinite(of.bpm) & ~of.paused
    running_s = float(counted.sum())
    under_s = over_s = seconds = None
    ceilings = _ceilings(ceiling_bpm, commands, len(of.bpm))
    if ceilings is not None:
        under_s = float((counted & (of.bpm <= ceilings)).sum())
        over_s = running_s - under_s
    elif running_s:
        whole = np.ceil(of.bpm[counted]).astype(np.int64)
        lowest = int(whole.min())
        seconds = (lowest, tuple(np.bincount(whole - lowest).tolist()))
    duration_s = end_s - float(of.paused.sum())
    return SessionFigures(line, refusal, steady_s, max(duration_s, 0.0), running_s, under_s, over_s,
                          seconds, asking_cues)


def _ceilings(first_bpm: float | None, commands: Commands, cells: int) -> Floats | None:
    """The ceiling in force each second; None where the session never had one from its start."""
    if first_bpm is None:
        return None
    ceilings = np.full(cells, first_bpm)
    for t_s, action, value in commands:
        if action == "ceiling" and value is not None:
            ceilings[int(t_s):] = value
    return ceilings
