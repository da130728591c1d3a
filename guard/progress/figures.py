"""What one session tells about the months: its minutes' sums, the time under the ceiling. Pure."""

import math
from dataclasses import dataclass

import numpy as np

from guard.arrays import Bools, Floats
from guard.events import FASTEST_M_S
from guard.progress.minutes import Minutes, minutes
from guard.response.spans import held
from guard.signal.trust import HIGHEST_BPM, LOWEST_BPM

Commands = tuple[tuple[float, str, float | None], ...]

SPEED_OLD_S = 10.0  # a read speed older than this is not known; a typed one holds
# Why a session has no speed at the ceiling; in words: `progress/words.py`.
NO_SPEED = "no_speed"
NO_BEATS = "no_heart_rate"
TOO_SHORT = "too_short"


@dataclass(frozen=True, slots=True)
class Track:
    """A session second by second: mean bpm (NaN without a reading), m/s (NaN unknown) and grade."""

    bpm: Floats
    speed_m_s: Floats
    grade: Floats
    paused: Bools


@dataclass(frozen=True, slots=True)
class SessionFigures:
    """What is kept of one session. Either `minutes` or `refusal` says something.

    `source` is what told the speed, `ceiling_bpm` the last ceiling of the session.
    `running_s` is time with readings outside pauses; of it `under_s` at or
    under the ceiling of the session as the runner moved it, `over_s` over it.
    Where the session had no ceiling both are None and `bpm_seconds` holds
    (lowest bpm, seconds at each whole bpm from there).
    """

    minutes: Minutes | None
    refusal: str
    source: str
    ceiling_bpm: float | None
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
    speed, grade = _speed(speeds, cells)
    speed[paused] = np.nan
    return Track(bpm, speed, grade, paused)


def _speed(speeds: Floats, cells: int) -> tuple[Floats, Floats]:
    if not len(speeds):
        return np.full(cells, np.nan), np.zeros(cells)
    middle = np.arange(cells) + 0.5
    at = np.searchsorted(speeds[:, 0], middle, side="right") - 1
    fresh = (at >= 0) & ((speeds[at, 3] > 0) | (middle - speeds[at, 0] <= SPEED_OLD_S))
    speed = np.where(fresh, held(speeds[:, 1], np.nan)[at], np.nan)
    grade = np.nan_to_num(held(speeds[:, 2], np.nan))[at]
    speed[~((speed >= 0) & (speed <= FASTEST_M_S))] = np.nan
    return speed, grade


def figures(
    readings: Floats, speeds: Floats, commands: Commands, end_s: float, *,
    ceiling_bpm: float | None, source: str, asking_cues: int = 0,
) -> SessionFigures:
    """All that is kept of one session; it began with `ceiling_bpm`, `source` told its speed."""
    of = track(readings, speeds, commands, end_s)
    paced = bool(np.isfinite(of.speed_m_s).any())
    found, refusal = None, NO_BEATS if paced else NO_SPEED
    if paced and np.isfinite(of.bpm).any():
        found = minutes(of.bpm, of.speed_m_s, of.grade, of.paused)
        refusal = "" if found else TOO_SHORT
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
    last = None if ceilings is None or not len(ceilings) else float(ceilings[-1])
    return SessionFigures(found, refusal, source, last, max(duration_s, 0.0), running_s, under_s, over_s,
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
