"""Invented courses for rehearsals, each with its invented runner and strap.

They are made so that a newcomer meets every important cue within a few
minutes: short warm-ups, a runner a little too keen, one spell without signal.
"""

from collections.abc import Mapping
from dataclasses import dataclass, fields

import numpy as np

from guard.arrays import Floats
from guard.runner.courses import Course, Spot
from guard.runner.population import Population


@dataclass(frozen=True)
class PracticeCourse:
    """One rehearsal. `settings` are overrides that suit the invented runner.

    `speedup` is session seconds a wall second when nothing else is asked for;
    `no_signal_s` holds (begin, length) of spells out of range, `battery` pairs
    of (t_s, percent). With `speed_known` the belt's speed is sent.
    """

    name: str
    title: str
    course: Course
    runner: Mapping[str, float]
    settings: Mapping[str, float | bool]
    speedup: float
    speed_known: bool = False
    no_signal_s: tuple[tuple[float, float], ...] = ()
    battery: tuple[tuple[float, int], ...] = ((0.0, 82),)
    dry_s: float = 0.0

    @property
    def duration_s(self) -> float:
        """Length of the rehearsal in session seconds."""
        return self.course.duration_s


RUNNER: dict[str, float] = {
    "rest_bpm": 78, "run_bpm": 150, "ceiling_bpm": 141, "habitual_m_s": 2.8, "slowest_jog_m_s": 1.85,
    "walk_m_s": 1.55, "gain": 25, "dead_s": 7, "response_s": 42, "on_s": 20, "off_s": 24,
    "tail_s": 600, "fast_share": 0.42, "undelayed_share": 0.25, "drift_bpm_per_min": 0.2,
    "heat_per_c": 0.014, "cadence_spm": 164, "obeys": 0.97, "creep_per_s": 0.003,
    "strap_window_s": 5, "strap_noise_bpm": 1.3,
}


def one_runner(changes: Mapping[str, float]) -> Population:
    """A population of one: the invented runner with `changes`."""
    values = {**RUNNER, **changes}
    return Population(**{item.name: np.array([float(values[item.name])]) for item in fields(Population)})


def _garage(t_s: float, distance_m: Floats) -> Spot:
    """Level; from 4:30 the belt climbs 4 % for three minutes; at 11:00 it is turned up by a fifth."""
    if 270.0 <= t_s < 450.0:
        return Spot(0.04)
    return Spot(0.0, 1.2 if t_s >= 660.0 else 1.0)


def _hill_loop(t_s: float, distance_m: Floats) -> Spot:
    """After 600 m 220 m at 9 %, too steep to jog for long; at 1,500 m 150 m at 4 %."""
    long = (distance_m > 600.0) & (distance_m < 820.0)
    gentle = (distance_m > 1500.0) & (distance_m < 1650.0)
    grade = np.where(long, 0.09, np.where(gentle, 0.04, 0.0))
    return Spot(grade, 1.0 - 1.5 * grade)


_LENGTH_S = 15 * 60.0  # of a rehearsal
# It shall not be half of it.
_SHORT_WARM_UP: dict[str, float | bool] = {"warm_up_s": 120.0, "warm_up_quiet_s": 45.0}


PRACTICE: dict[str, PracticeCourse] = {
    item.name: item
    for item in (
        PracticeCourse(
            "garage-treadmill",
            "a treadmill in the garage: the belt climbs, then is turned up (invented)",
            Course("garage-treadmill", "belt with known speed", _garage, _LENGTH_S, belt=True, gentle_s=90.0),
            {"run_bpm": 143},
            {**_SHORT_WARM_UP, "ceiling_bpm": 141.0, "belt": True, "gain_bpm_per_m_s": 25.0},
            speedup=8.0, speed_known=True),
        PracticeCourse(
            "hill-loop",
            "a long hill and a gentle one, where walking is said soon (invented)",
            Course("hill-loop", "road with a 9 % and a 4 % hill", _hill_loop, _LENGTH_S, gentle_s=90.0),
            {"run_bpm": 143, "habitual_m_s": 2.75, "drift_bpm_per_min": 0.1, "creep_per_s": 0.001},
            # In the middle of the dials he is asked five times to ease before he is told to walk.
            {**_SHORT_WARM_UP, "ceiling_bpm": 142.0, "strictness": 0.4, "walk_first": 1.0},
            speedup=8.0),
        PracticeCourse(
            "hot-afternoon",
            "a level road at 25 °C: heart rate drifts, the strap is lost once (invented)",
            Course("hot-afternoon", "level road, hot", duration_s=_LENGTH_S, air_c=25.0, gentle_s=90.0),
            {"run_bpm": 144, "drift_bpm_per_min": 1.2, "creep_per_s": 0.0015},
            {**_SHORT_WARM_UP, "ceiling_bpm": 140.0},
            speedup=8.0, no_signal_s=((390.0, 16.0),), battery=((0.0, 19), (690.0, 14)), dry_s=8.0),
    )
}
