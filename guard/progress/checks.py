"""The monthly steady-heart-rate check: heart rate at a speed the runner keeps from month to month.

A check is a session whose plan has `test` parts of at least four minutes at
which the runner holds one speed. What is read is the mean of the last two
minutes of each, when heart rate has settled (three time constants of 57.6 s,
Hunt et al. 2015, are just under three minutes).

All checks at the same speed are compared by one line. Heart rate at a given
easy effort has a typical error of about 3 % (Buchheit 2014, Front Physiol
5:73), so of two checks the difference has 1.96 * sqrt(2) * 3 %, near 12 bpm at
140; of twelve checks in a year the line's ends have about 7.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from guard.arrays import Floats
from guard.progress.figures import Commands

TYPICAL_ERROR = 0.03  # of heart rate at one easy effort (Buchheit 2014)
LEAST_PART_S = 240.0  # two minutes to settle, two that count (ours)
CHECK_LAST_S = 120  # of the part: what counts
SAME_SPEED = 0.03  # of the speed
STEADY_CHECK_M_S = 0.15  # SD of speed over the two minutes; more is no steady check
LEAST_READINGS = 30  # in those two minutes (ours)
_95 = 1.96  # 97.5 % point of the normal distribution


@dataclass(frozen=True, slots=True)
class CheckPart:
    """One steady stretch of a check; `speed_m_s` is None where speed was not logged or not steady."""

    name: str
    bpm: float
    speed_m_s: float | None


@dataclass(frozen=True, slots=True)
class Difference:
    """What the line through all checks says of heart rate at the same speed, `later` less `earlier`.

    `checks` of them share the newest check's speed. `told` when it is beyond chance (95 %).
    """

    earlier: date
    later: date
    speed_m_s: float
    bpm: float
    earlier_bpm: float
    later_bpm: float
    error_bpm: float
    checks: int

    @property
    def told(self) -> bool:
        return abs(self.bpm) > self.error_bpm


def check_parts(
    parts: Sequence[tuple[str, str, float]], bpm: Floats, speed_m_s: Floats, commands: Commands,
) -> tuple[CheckPart, ...]:
    """The steady stretches of a session with its plan; empty where it is no check.

    `parts` are (kind, name, seconds) in order; `bpm` and `speed_m_s` hold one
    value a second, NaN where unknown. Pauses hold the plan, skipped parts
    shorten it.
    """
    found = []
    for kind, name, begin, end in _times(parts, commands):
        if kind != "test" or end - begin < LEAST_PART_S or end > len(bpm):
            continue
        last = slice(int(end) - CHECK_LAST_S, int(end))
        beats, speeds = bpm[last], speed_m_s[last]
        beats = beats[np.isfinite(beats)]
        if len(beats) < LEAST_READINGS:
            continue
        steady = np.isfinite(speeds).sum() >= CHECK_LAST_S / 2 and np.nanstd(speeds) <= STEADY_CHECK_M_S
        found.append(CheckPart(name, float(beats.mean()), float(np.nanmean(speeds)) if steady else None))
    return tuple(found)


def _times(
    parts: Sequence[tuple[str, str, float]], commands: Commands,
) -> list[tuple[str, str, float, float]]:
    """(kind, name, begin, end) of each part, s since the session began."""
    pending = list(commands)
    found = []
    now = 0.0
    for kind, name, seconds in parts:
        begin, end = now, now + seconds
        while pending and pending[0][0] < end:
            t_s, action, _ = pending.pop(0)
            if action == "pause":
                resumed = next((t for t, one, _ in pending if one == "continue"), None)
                end = math.inf if resumed is None else end + resumed - t_s
            elif action == "skip_part":
                end = t_s
                break
        found.append((kind, name, begin, end))
        now = end
    return [one for one in found if math.isfinite(one[3])]


def over_all_checks(checks: Sequence[tuple[date, Sequence[CheckPart]]]) -> Difference | None:
    """A straight line through every check that shares a speed with the newest; None with fewer than two.

    Its error is that of the typical error, or of the scatter about the line where that is larger.
    """
    if len(checks) < 2:
        return None
    newest = checks[-1][1]
    found = [(day, *mean) for day, parts in checks if (mean := _beside(parts, newest)) is not None]
    if len(found) < 2 or found[-1][0] == found[0][0]:
        return None
    days = np.array([float((day - found[0][0]).days) for day, _, _ in found])
    beats = np.array([bpm for _, bpm, _ in found])
    apart = days - days.mean()
    squares = float(apart @ apart)
    slope = float(apart @ beats) / squares
    rest = beats - beats.mean() - slope * apart
    scatter = math.sqrt(float(rest @ rest) / max(len(found) - 2, 1))
    # The stretches of one check share its day, so more of them make it no surer.
    sd = max(TYPICAL_ERROR * float(beats.mean()), scatter)
    first, last = (float(beats.mean() + slope * apart[place]) for place in (0, -1))
    error = _95 * sd * float(days[-1]) / math.sqrt(squares)
    return Difference(found[0][0], found[-1][0], found[-1][2], last - first, first, last, error, len(found))


def _beside(parts: Sequence[CheckPart], newest: Sequence[CheckPart]) -> tuple[float, float] | None:
    """(bpm, speed) at the speeds shared with the newest check, as that check ran them; None without any."""
    pairs = [(one, other) for one in parts for other in newest
             if one.speed_m_s and other.speed_m_s
             and abs(one.speed_m_s - other.speed_m_s) <= SAME_SPEED * other.speed_m_s]
    if not pairs:
        return None
    shared = {id(other): other for _, other in pairs}.values()
    base = sum(other.bpm for other in shared) / len(shared)
    off = sum(one.bpm - other.bpm for one, other in pairs) / len(pairs)
    return base + off, sum(other.speed_m_s or 0.0 for other in shared) / len(shared)
