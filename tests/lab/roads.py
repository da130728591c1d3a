"""Roads an hour long: grade, share of the pace and who has to stand, second by second.

Every road is drawn anew for each runner. Speeds and slopes are ours; the cost
of a metre on a slope is Minetti and others' (2002, J Appl Physiol 93:1039), on
a belt that climbs the running equation of the ACSM.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter  # type: ignore[import-untyped]

Array = NDArray[np.float64]
Small = NDArray[np.float32]


@dataclass(frozen=True)
class Road:
    """Arrays (steps, n): grade, share of pace, and whether the runner has to stand."""

    grade: Small
    share: Small
    stands: NDArray[np.bool_]


def run_cost(grade: Any) -> Array:
    """Cost of a metre run on a slope, of that on the level (Minetti 2002, from memory)."""
    i = np.clip(np.asarray(grade, dtype=float), -0.45, 0.45)
    return np.asarray(((((155.4 * i - 30.4) * i - 43.3) * i + 46.3) * i + 19.5) * i / 3.6 + 1.0)


def walk_cost(grade: Any) -> Array:
    """Cost of a metre walked on a slope, of that on the level (Minetti 2002, from memory)."""
    i = np.clip(np.asarray(grade, dtype=float), -0.45, 0.45)
    return np.asarray(((((280.5 * i - 58.7) * i - 76.8) * i + 51.9) * i + 19.6) * i / 2.5 + 1.0)


def make(name: str, n: int, steps: int, rng: np.random.Generator, args: Mapping[str, Any]) -> Road:
    """The road called `name` for n runners."""
    grade = np.zeros((steps, n), np.float32)
    share = np.ones((steps, n), np.float32)
    stands = np.zeros((steps, n), bool)
    if name == "climbs":
        _climbs(grade, rng, **args)
    elif name == "wandering":
        _wandering(grade, rng)
    elif name == "rolling":
        t = np.arange(steps)[:, None]
        period, begin = rng.uniform(300, 420, n), rng.uniform(0, 6.28, n)
        grade[:] = rng.uniform(0.025, 0.04, n) * np.sin(2 * np.pi * t / period + begin)
    elif name == "random":
        _random(grade, rng, **args)
    elif name == "lights":
        _spells(stands, rng, (120, 420), (15, 60), True)
    elif name == "surges":
        _surges(share, rng, **args)
    elif name != "level":
        raise ValueError(f"no road is called {name!r}")
    return Road(grade, share, stands)


def _climbs(grade: Small, rng: np.random.Generator, *, up_s: tuple[float, float],
            level_s: tuple[float, float], slope: tuple[float, float], down: bool = False) -> None:
    steps, n = grade.shape
    for lane in range(n):
        at = rng.uniform(60, 60 + level_s[1])
        while at < steps:
            up, steep = rng.uniform(*up_s), rng.uniform(*slope)
            grade[int(at):int(at + up), lane] = steep
            at += up
            if down:
                grade[int(at):int(at + up), lane] = -steep
                at += up
            at += rng.uniform(*level_s)


def _wandering(grade: Small, rng: np.random.Generator) -> None:
    steps, n = grade.shape
    for lane in range(n):
        grade[:, lane] = rng.uniform(0.015, 0.025) * coloured(steps, rng.uniform(30, 90), rng)


def _random(grade: Small, rng: np.random.Generator, *, most: float) -> None:
    """Slopes of 20 s to 4 min, half of them up; one runs into the other within 10 s."""
    steps, n = grade.shape
    for lane in range(n):
        at = 0.0
        while at < steps:
            length = float(np.exp(rng.uniform(np.log(20), np.log(240))))
            grade[int(at):int(at + length), lane] = rng.choice([0.0, rng.uniform(-most, most)])
            at += length
    grade[:] = lfilter([0.1], [1.0, -0.9], grade, axis=0)


def _spells(where: NDArray[Any], rng: np.random.Generator, gap: tuple[float, float],
            length: tuple[float, float], value: Any) -> None:
    steps, n = where.shape
    for lane in range(n):
        at = rng.uniform(300, 300 + gap[1])
        while at < steps:
            lasts = rng.uniform(*length)
            where[int(at):int(at + lasts), lane] = value
            at += lasts + rng.uniform(*gap)


def _surges(share: Small, rng: np.random.Generator, *, for_s: tuple[float, float],
            every_s: tuple[float, float], factor: tuple[float, float]) -> None:
    steps, n = share.shape
    for lane in range(n):
        at = rng.uniform(300, 300 + every_s[1])
        while at < steps:
            lasts = rng.uniform(*for_s)
            share[int(at):int(at + lasts), lane] = rng.uniform(*factor)
            at += lasts + rng.uniform(*every_s)


def coloured(steps: int, memory_s: float, rng: np.random.Generator) -> Array:
    """`steps` values of unit variance, exponentially correlated over `memory_s` (0: white)."""
    if memory_s <= 0.0:
        return rng.standard_normal(steps)
    keep = float(np.exp(-1.0 / memory_s))
    fresh = np.sqrt(1.0 - keep * keep) * rng.standard_normal(steps)
    fresh[0] = rng.standard_normal()
    return np.asarray(lfilter([1.0], [1.0, -keep], fresh))
