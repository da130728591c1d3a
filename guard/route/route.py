"""A road as cells with a grade, from altitudes along a track or from the parts of a plan. Pure.

Recorded altitudes wander by metres, so a slope taken from one point to the next
is mostly noise. The grade is therefore the derivative of the altitude smoothed by
a Gaussian over distance (`SIGMA_M`): at each place the slope of a straight line
fitted with Gaussian weights, which inside a track is that derivative and at its
ends still is a slope. What is shorter than about 100 m is smoothed away with the
noise. The grades of a plan are exact and stay as they are.
"""

from dataclasses import dataclass

import numpy as np

from guard.arrays import Floats
from guard.errors import InputError
from guard.plan.plan import Plan
from guard.runner.demand import STEEPEST_MEASURED

SIGMA_M = 100.0  # of the Gaussian: error of the grade 8.9 to 2.3 points at 3 m of noise (simulated)
CELL_M = 10.0  # between places: fine beside the smoothing
SHORTEST_M = 200.0  # a shorter track holds no slope that its noise would not hide
LONGEST_M = 500_000.0  # more is a slip (ours)


@dataclass(frozen=True)
class Route:
    """n cells: `edges_m` and `altitude_m` (n + 1,), `grade` (n,) as rise over run.

    `exact`: the grades were written down, not measured. `speed_m_s` (n,) is what a
    plan asks for, NaN where it asks for none.
    """

    name: str
    kind: str  # gpx, csv or plan
    edges_m: Floats
    grade: Floats
    altitude_m: Floats
    exact: bool
    speed_m_s: Floats
    notes: tuple[str, ...] = ()

    @property
    def cells_m(self) -> Floats:
        """Length of each cell."""
        return np.diff(self.edges_m)

    @property
    def length_m(self) -> float:
        return float(self.edges_m[-1])

    @property
    def rise_m(self) -> float:
        """All that goes up, after smoothing."""
        return float(np.maximum(np.diff(self.altitude_m), 0.0).sum())

    @property
    def fall_m(self) -> float:
        """All that goes down, after smoothing."""
        return float(np.maximum(-np.diff(self.altitude_m), 0.0).sum())


def slope(altitude_m: Floats, cell_m: float, sigma_m: float = SIGMA_M) -> Floats:
    """Grade at each of evenly spaced altitudes (n,), by a line fitted with Gaussian weights."""
    reach = int(np.ceil(4.0 * sigma_m / cell_m))
    offset = cell_m * np.arange(-reach, reach + 1)
    weight = np.exp(-0.5 * (offset / sigma_m) ** 2)

    def summed(values: Floats, by: Floats) -> Floats:
        # np.convolve turns its kernel round; a correlation is wanted
        return np.convolve(values, by[::-1])[reach:reach + len(values)]

    here = np.ones(len(altitude_m))
    level = altitude_m - altitude_m.mean()
    w, wx, wxx = (summed(here, weight * offset**power) for power in (0, 1, 2))
    y, xy = summed(level, weight), summed(level, weight * offset)
    return np.asarray((w * xy - wx * y) / (w * wxx - wx * wx))


def of_altitudes(name: str, kind: str, distance_m: Floats, altitude_m: Floats,
                 notes: tuple[str, ...] = ()) -> Route:
    """The road through altitudes at rising distances. Raises InputError: too short, long or steep."""
    distance_m = distance_m - distance_m[0]
    length = float(distance_m[-1])
    if length < SHORTEST_M:
        raise InputError(f"{name} is {length:.0f} m long: a grade needs {SHORTEST_M:.0f} m and more, "
                         "give the whole track")
    if length > LONGEST_M:
        raise InputError(f"{name} is {length / 1000:.0f} km long: give one run, up to "
                         f"{LONGEST_M / 1000:.0f} km")
    new = np.concatenate([[True], np.diff(distance_m) > 0.0])
    count = max(2, round(length / CELL_M))
    cell = length / count
    edges: Floats = cell * np.arange(count + 1, dtype=np.float64)
    measured = np.interp(edges, distance_m[new], altitude_m[new])
    at_edges = slope(measured, cell)
    grade: Floats = 0.5 * (at_edges[:-1] + at_edges[1:])
    steep = int(np.abs(grade).argmax())
    if abs(grade[steep]) > STEEPEST_MEASURED:  # a fault of the file rather than a road
        raise InputError(f"{name} has a grade of {100 * grade[steep]:.0f} % at {edges[steep] / 1000:.2f} km: "
                         "its altitudes or distances are wrong there (feet taken for metres?), correct or "
                         "cut that stretch")
    climbed = np.concatenate([np.zeros(1), np.cumsum(grade * cell)])
    altitude: Floats = climbed + float((measured - climbed).mean())
    if float(np.ptp(altitude_m)) == 0.0:
        notes = (*notes, "all altitudes are the same: the road is level, or none were recorded")
    return Route(name, kind, edges, grade, altitude, False, np.full(count, np.nan), notes)


def of_plan(plan: Plan, level_m_s: float | None) -> Route:
    """The road that a plan's parts describe, their grades exact; a part without a grade is level.

    A part without a distance is as long as its time at its speed, or else at
    `level_m_s`. Raises InputError naming a part of which neither is known.
    """
    edges: list[float] = [0.0]
    grades: list[float] = []
    speeds: list[float] = []
    for number, part in enumerate(plan.parts, start=1):
        speed = part.speed_m_s or level_m_s
        if part.metres is None and speed is None:
            raise InputError(f"{plan.name}, part {number} has a time but no distance: give it metres or "
                             "speed_km_h, or add --speed")
        metres = part.metres if part.metres is not None else part.seconds * (speed or 0.0)
        count = max(1, round(metres / CELL_M))
        edges += list(edges[-1] + metres / count * np.arange(1, count + 1))
        grades += [part.grade or 0.0] * count
        speeds += [np.nan if part.speed_m_s is None else part.speed_m_s] * count
    grade, at = np.array(grades, dtype=np.float64), np.array(edges)
    if at[-1] > LONGEST_M:
        raise InputError(f"{plan.name} is {at[-1] / 1000:.0f} km long: give one run, up to "
                         f"{LONGEST_M / 1000:.0f} km")
    altitude: Floats = np.concatenate([np.zeros(1), np.cumsum(grade * np.diff(at))])
    notes = () if any(part.grade for part in plan.parts) else (
        "no part of this plan has a grade: grade_percent = 4 gives it one",)
    return Route(plan.name, "plan", at, grade, altitude, True, np.array(speeds), notes)
