"""Courses: ground, air and interruptions; all invented, an hour each.

A course says, for n runners at `t_s` and their own distance, the grade, the
share of the chosen pace that is run there (slower uphill, gentle at the start)
and who has to stand. Speeds and slopes are ours.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from guard.arrays import Floats

HOUR_S = 3600.0
GENTLE_S = 300.0  # every course begins gently
GENTLE_SHARE = 0.8


@dataclass(frozen=True)
class Spot:
    """Where the runners are: grade, share of pace (arrays of n or numbers)."""

    grade: Floats | float = 0.0
    pace_share: Floats | float = 1.0


def _level(t_s: float, distance_m: Floats) -> Spot:
    return Spot()


def _hill_repeats(t_s: float, distance_m: Floats) -> Spot:
    """After ten level minutes: 3 min up 6 %, 3 min back down, 2 min level."""
    if t_s < 600.0:
        return Spot()
    phase = (t_s - 600.0) % 480.0
    if phase < 180.0:
        return Spot(0.06, 0.88)
    return Spot(-0.06, 0.95) if phase < 360.0 else Spot()


def _rolling(t_s: float, distance_m: Floats) -> Spot:
    """A loop with slopes of up to 4 %, 900 m from top to top."""
    grade = 0.04 * np.sin(2.0 * np.pi * distance_m / 900.0)
    return Spot(grade, 1.0 - 1.5 * np.maximum(grade, 0.0))


def _fast_segments(t_s: float, distance_m: Floats) -> Spot:
    """After fifteen minutes a minute at 114 % of pace every six minutes."""
    fast = t_s >= 900.0 and t_s % 360.0 < 60.0
    return Spot(0.0, 1.14 if fast else 1.0)


@dataclass(frozen=True)
class Course:
    """One course; `stops` is (least, most) seconds between stops and their length."""

    name: str
    meaning: str
    spot: Callable[[float, Floats], Spot] = _level
    duration_s: float = HOUR_S
    habitual_m_s: tuple[float, float] = (2.45, 3.25)
    steepest: float = 0.0
    air_c: float = 18.0
    belt: bool = False
    learned_gain: bool = False
    tiring: bool = False
    ignores_every: int = 0
    stops: tuple[tuple[float, float], tuple[float, float]] | None = None
    gentle_s: float = GENTLE_S
    kind: str = "flat"  # which targets apply

    def at(self, t_s: float, distance_m: Floats) -> Spot:
        """Grade and pace share, with the gentle start."""
        spot = self.spot(t_s, distance_m)
        if t_s >= self.gentle_s:
            return spot
        gentle = GENTLE_SHARE + (1.0 - GENTLE_SHARE) * t_s / self.gentle_s
        return Spot(spot.grade, spot.pace_share * gentle)

    def standing(self, n: int, steps: int, rng: np.random.Generator) -> NDArray[np.bool_] | None:
        """Who stands when, (steps of 1 s, n); None on a course without stops."""
        if self.stops is None:
            return None
        (gap_low, gap_high), (low, high) = self.stops
        stands = np.zeros((steps, n), dtype=bool)
        for lane in range(n):
            at = rng.uniform(300.0, 300.0 + gap_high)
            while at < steps:
                length = rng.uniform(low, high)
                stands[int(at):int(at + length), lane] = True
                at += length + rng.uniform(gap_low, gap_high)
        return stands


COURSES: dict[str, Course] = {
    course.name: course
    for course in (
        Course("flat", "flat treadmill, speed not known to the guard", belt=True),
        Course("hills", "hill repeats, 6 % for 3 min", _hill_repeats, steepest=0.06, kind="hills"),
        Course("rolling", "rolling loop on the road, up to 4 %", _rolling, steepest=0.04, kind="hills"),
        Course("hot", "flat road on a hot day, 27 °C, with drift", air_c=27.0),
        Course("beginner", "beginner near the slowest jog: walk and run",
               habitual_m_s=(2.05, 2.4), kind="walk-run"),
        Course("fast", "fast minutes inside an easy run", _fast_segments, kind="other"),
        Course("third", "flat road, every third cue is ignored", ignores_every=3, kind="other"),
        Course("tiring", "flat road, a listener who tires of cues", tiring=True, kind="tiring"),
        Course("lights", "road with traffic lights", stops=((120.0, 420.0), (15.0, 60.0)), kind="other"),
        Course("belt", "treadmill whose speed is known", belt=True, kind="belt"),
        Course("learned", "treadmill whose speed is known, gain learned", belt=True,
               learned_gain=True, kind="learned"),
    )
}
