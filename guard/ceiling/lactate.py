"""Heart rate at lactate thresholds, from the steps of a graded test.

Different methods mark different things, so each is shown with its name and
what it marks; none is *the* threshold. Recipes, stated because they change the
result by whole beats:

- Lactate curve: cubic through the steps by least squares. For fixed values and
  baseline plus the resting sample, if there is one, takes part as a point one
  increment below the first step; for log-log too.
- Fixed values (Mader 1976; Heck 1985) and baseline plus (Berg 1990; Zoladz
  1995): where straight lines between the fitted values at the steps reach the
  value. The curve itself, inverted, would give up to 1 to 2 % more intensity.
- Log-log: two straight lines that meet, by least squares, through the
  logarithm of measured lactate against that of intensity (Beaver, Wasserman,
  Whipp 1985).
- D-max: the point of the curve farthest from the line between its ends (Cheng
  1992); modified: from the last step before the first rise of more than
  0.4 mmol/L (Bishop 1998). Exercise steps only.
- Heart rate: straight line over the steps.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from guard.arrays import Floats
from guard.errors import InputError

FEWEST_STEPS = 4  # a cubic has four coefficients
MOST_STEPS = 40  # far above any graded test
FALL_BPM = 3.0  # heart rate may fall by so much between steps: noise
FALL_MMOL = 0.5  # and lactate, once past its lowest: scatter of finger-prick samples, common practice
LEAST_RISE_MMOL = 0.5  # from the first step to the last; less marks no threshold (ours)
LEAST_RISE_BPM = 10.0  # likewise (ours)
FIXED_MMOL = (2.0, 2.5, 3.0, 3.5, 4.0)  # Mader 1976; Heck 1985
ABOVE_BASELINE_MMOL = (0.5, 1.0, 1.5)  # Berg 1990; Zoladz 1995
MODIFIED_RISE_MMOL = 0.4  # Bishop 1998
_BREAKS = 120  # places tried for the break of the log-log lines, then as many about the best


@dataclass(frozen=True, slots=True)
class LactateStep:
    """One step: intensity in any one unit (speed, power), bpm at its end, lactate in mmol/L."""

    intensity: float
    bpm: float
    lactate_mmol: float


@dataclass(frozen=True, slots=True)
class Threshold:
    """Where `method` puts it; intensity and bpm are None where the test did not reach it.

    `first` tells that it marks the first rise of lactate, the one easy running
    stays under. `spread_bpm` is the scatter of heart rate about its line, `source` who published the method.
    """

    method: str
    first: bool
    intensity: float | None
    bpm: float | None
    spread_bpm: float
    source: str = ""


def thresholds(steps: Sequence[LactateStep], rest: LactateStep | None = None) -> list[Threshold]:
    """Every method on one test; `steps` in order of intensity, `rest` the sample before them.

    Raises InputError, saying what is wrong, for fewer than four steps and for
    figures that cannot be a graded test.
    """
    refuse_nonsense(steps, rest)
    x = np.array([step.intensity for step in steps])
    lactate = np.array([step.lactate_mmol for step in steps])
    bpm = np.array([step.bpm for step in steps])
    line = np.polyfit(x, bpm, 1)
    spread = float(np.sqrt(np.sum((np.polyval(line, x) - bpm) ** 2) / max(1, len(x) - 2)))
    all_x, all_lactate = x, lactate
    if rest is not None:
        all_x = np.concatenate([[2 * x[0] - x[1]], x])
        all_lactate = np.concatenate([[rest.lactate_mmol], lactate])
    fitted = np.polyval(_cubic(all_x, all_lactate), all_x)
    base = rest.lactate_mmol if rest is not None else float(lactate.min())

    found: list[tuple[str, str, bool, float | None]] = []
    found += [(f"fixed {value:.1f} mmol", "Mader 1976; Heck 1985", value <= 2.0,
               _reached(all_x, fitted, value)) for value in FIXED_MMOL]
    found += [(f"baseline + {above:.1f} mmol", "Berg 1990; Zoladz 1995", above <= 1.0,
               _reached(all_x, fitted, base + above)) for above in ABOVE_BASELINE_MMOL]
    found += [("log-log", "Beaver 1985", True, _log_break(all_x, all_lactate)),
              ("D-max", "Cheng 1992", False, _d_max(x, lactate, 0)),
              ("modified D-max", "Bishop 1998", False, _d_max(x, lactate, _before_first_rise(lactate)))]
    return [Threshold(name, first, at, None if at is None else float(np.polyval(line, at)), spread, source)
            for name, source, first, at in found]


def refuse_nonsense(steps: Sequence[LactateStep], rest: LactateStep | None = None) -> None:
    """InputError, with the fix, where the figures cannot be one graded test."""
    for step in [*steps, *([rest] if rest else [])]:
        if not all(map(math.isfinite, (step.intensity, step.bpm, step.lactate_mmol))):
            raise InputError("a lactate step holds something that is no number: correct it")
        if not 0.2 <= step.lactate_mmol <= 30:
            raise InputError(f"lactate {step.lactate_mmol:g} cannot be: give mmol/L, from 0.2 to 30 "
                             "(mg/dL divided by 9 gives mmol/L)")
        if not 30 <= step.bpm <= 230:
            raise InputError(f"a heart rate of {step.bpm:g} cannot be: give bpm, from 30 to 230")
    if not FEWEST_STEPS <= len(steps) <= MOST_STEPS:
        size = "few" if len(steps) < FEWEST_STEPS else "many"
        raise InputError(f"{len(steps)} lactate steps are too {size}: "
                         f"give the {FEWEST_STEPS} to {MOST_STEPS} of one test, without the sample at rest")
    lowest = min(range(len(steps)), key=lambda place: steps[place].lactate_mmol)
    for place, (before, step) in enumerate(pairwise(steps)):
        where = f"from step {place + 1} to step {place + 2}"
        if step.intensity <= before.intensity:
            raise InputError(f"intensity does not rise {where} ({before.intensity:g}, {step.intensity:g}): "
                             "give the steps of one test in the order they were run")
        if step.bpm < before.bpm - FALL_BPM:
            raise InputError(f"heart rate falls {where} ({before.bpm:g}, {step.bpm:g}): "
                             "check these figures, or leave a step with a bad reading out")
        if place >= lowest and step.lactate_mmol < before.lactate_mmol - FALL_MMOL:
            raise InputError(f"lactate falls {where} ({before.lactate_mmol:g}, {step.lactate_mmol:g}): "
                             "check these figures, or leave a step with a bad sample out")
    rise_mmol = steps[-1].lactate_mmol - steps[lowest].lactate_mmol
    if steps[-1].bpm - steps[0].bpm < LEAST_RISE_BPM or rise_mmol < LEAST_RISE_MMOL:
        raise InputError("heart rate or lactate hardly rises over the steps: "
                         "a test has to go on until lactate clearly rises")


def _cubic(x: Floats, y: Floats) -> Floats:
    """Coefficients of the cubic, highest power first; through the middle of x, which is steadier."""
    middle, half = (x[0] + x[-1]) / 2, (x[-1] - x[0]) / 2
    scaled = np.polyfit((x - middle) / half, y, 3)
    return np.asarray(np.poly1d(scaled)(np.poly1d([1 / half, -middle / half])).coeffs)


def _reached(x: Floats, fitted: Floats, value: float) -> float | None:
    """The last place where the polyline through the fitted values rises through `value`."""
    for place in range(len(x) - 2, -1, -1):
        low, high = fitted[place], fitted[place + 1]
        if low < value <= high:
            return float(x[place] + (value - low) / (high - low) * (x[place + 1] - x[place]))
    return None


def _log_break(intensity: Floats, lactate: Floats) -> float | None:
    positive = intensity > 0
    if positive.sum() < FEWEST_STEPS:
        return None
    x, y = np.log(intensity[positive]), np.log(lactate[positive])

    def left_over(place: float) -> float:
        terms = np.column_stack([np.ones_like(x), x, np.maximum(0.0, x - place)])
        factors = np.linalg.lstsq(terms, y, rcond=None)[0]
        bends_up = factors[2] > 0
        return float(np.sum((terms @ factors - y) ** 2)) if bends_up else math.inf

    low, high = float(x[1]), float(x[-2])
    at = low
    for _ in range(2):
        places = np.linspace(low, high, _BREAKS)
        left = [left_over(float(place)) for place in places]
        best = int(np.argmin(left))
        if not math.isfinite(left[best]):
            return None
        at = float(places[best])
        low, high = float(places[max(0, best - 1)]), float(places[min(best + 1, _BREAKS - 1)])
    return math.exp(at)


def _before_first_rise(lactate: Floats) -> int:
    """Index of the step before the first rise of more than 0.4 mmol/L; the first one if none rises so."""
    rises = np.flatnonzero(np.diff(lactate) > MODIFIED_RISE_MMOL)
    return int(rises[0]) if len(rises) else 0


def _d_max(x: Floats, lactate: Floats, begin: int) -> float | None:
    """Where the cubic lies farthest under the chord of its own values from step `begin` to the last."""
    curve = _cubic(x, lactate)
    low, high = float(x[begin]), float(x[-1])
    if low >= high:
        return None
    chord = (np.polyval(curve, high) - np.polyval(curve, low)) / (high - low)
    places = np.roots(np.polysub(np.polyder(curve), [chord]))
    inside = [float(place.real) for place in places if abs(place.imag) < 1e-9 and low < place.real < high]

    def under(place: float) -> float:
        return float(np.polyval(curve, low) + chord * (place - low) - np.polyval(curve, place))

    best = max(inside, key=under, default=None)
    return best if best is not None and under(best) > 0 else None
