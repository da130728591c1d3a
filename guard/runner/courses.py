"""A course: ground, air and interruptions.

A course says, for n runners at `t_s` and their own distance, the grade, the
share of the chosen pace that is run there (slower uphill, gentle at the start)
and who has to stand.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from guard.arrays import Floats

HOUR_S = 3600.0  # every course lasts an hour
GENTLE_S = 300.0  # every course begins gently
GENTLE_SHARE = 0.8  # of the speed after it (ours)


@dataclass(frozen=True)
class Spot:
    """Where the runners are: grade, share of pace (arrays of n or numbers)."""

    grade: Floats | float = 0.0
    pace_share: Floats | float = 1.0


def _level(t_s: float, distance_m: Floats) -> Spot:
    return Spot()


@dataclass(frozen=True)
class Course:
    """One course."""

    name: str
    meaning: str
    spot: Callable[[float, Floats], Spot] = _level
    duration_s: float = HOUR_S
    habitual_m_s: tuple[float, float] = (2.45, 3.25)
    steepest: float = 0.0
    air_c: float = 18.0
    belt: bool = False
    gentle_s: float = GENTLE_S

    def at(self, t_s: float, distance_m: Floats) -> Spot:
        """Grade and pace share, with the gentle start."""
        spot = self.spot(t_s, distance_m)
        if t_s >= self.gentle_s:
            return spot
        gentle = GENTLE_SHARE + (1.0 - GENTLE_SHARE) * t_s / self.gentle_s
        return Spot(spot.grade, spot.pace_share * gentle)

    def standing(self, n: int, steps: int, rng: np.random.Generator) -> NDArray[np.bool_] | None:
        """Who stands when, (steps of 1 s, n); None on a course without stops."""
        return None
