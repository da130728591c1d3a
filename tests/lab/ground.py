"""The courses that runners of `guard.runner` are sent over: invented, an hour each; speeds are ours."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from guard.arrays import Bools, Floats
from guard.runner.behaviour import Behaviour
from guard.runner.courses import Course, Spot

TIRED_AT_IN_ALL = 20.0  # cues (ours)


class Tiring(Behaviour):
    """He forgets nothing: beside the load of ten minutes, the same with every cue so far, halved at 20."""

    def willingness(self) -> Floats:
        """Chance that each would heed a cue heard now."""
        load = self.heard / TIRED_AT_IN_ALL
        return np.asarray(super().willingness() / (1.0 + load * load))


class IgnoresEveryThird(Behaviour):
    """Every third cue is not heeded."""

    def willingness(self) -> Floats:
        """Chance that each would heed a cue heard now."""
        return np.where((self.heard + 1) % 3 == 0, 0.0, super().willingness())


@dataclass(frozen=True)
class LabCourse(Course):
    """`kind` says which targets apply; where `learned_gain` the guard is given the runner's own gain.

    `stops` is (least, most) seconds between stops and their length.
    """

    kind: str = "flat"
    learned_gain: bool = False
    listener: type[Behaviour] = Behaviour
    stops: tuple[tuple[float, float], tuple[float, float]] | None = None

    def standing(self, n: int, steps: int, rng: np.random.Generator) -> Bools | None:
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


COURSES: dict[str, LabCourse] = {
    course.name: course
    for course in (
        LabCourse("flat", "flat treadmill, speed not known to the guard", belt=True),
        LabCourse("hills", "hill repeats, 6 % for 3 min", _hill_repeats, steepest=0.06, kind="hills"),
        LabCourse("rolling", "rolling loop on the road, up to 4 %", _rolling, steepest=0.04, kind="hills"),
        LabCourse("hot", "flat road on a hot day, 27 °C, with drift", air_c=27.0),
        LabCourse("beginner", "beginner near the slowest jog: walk and run",
                  habitual_m_s=(2.05, 2.4), kind="walk-run"),
        LabCourse("fast", "fast minutes inside an easy run", _fast_segments, kind="other"),
        LabCourse("third", "flat road, every third cue is ignored", listener=IgnoresEveryThird, kind="other"),
        LabCourse("tiring", "flat road, a listener who tires of cues", listener=Tiring, kind="tiring"),
        LabCourse("lights", "road with traffic lights", stops=((120.0, 420.0), (15.0, 60.0)), kind="other"),
        LabCourse("belt", "treadmill whose speed is known", belt=True, kind="belt"),
        LabCourse("learned", "treadmill whose speed is known, gain learned", belt=True,
                  learned_gain=True, kind="learned"),
    )
}
