"""The months' questions put by another hand: invented runners unlike those of `runners.py`. Nobody ran them.

The heart has three time constants and costs more a m/s above a threshold than
under it; drift is a root of time and grows with heat; the cost of grade is a
straight line, half of it given back downhill. Weeks are irregular (none to six
runs, fortnights without), runs last 22 to 95 minutes, on whichever of two devices
is at hand, each with an error of its own. Readings come every second or every
five; minutes of speed and of heart rate are missing; days' luck comes in spells and
has long tails. Temperatures are written down for two outdoor runs of three.
Written after the model was tuned and changed for none of its results.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from datetime import timedelta

import numpy as np

from guard.arrays import Floats
from tests.lab.months.runners import (
    BEGINS,
    CEILING_BPM,
    REFERENCE_C,
    REFERENCE_S,
    History,
    Row,
    Run,
    temperature,
    true_share,
)
from tests.lab.months.runners import _lag as lag
from tests.lab.months.runners import _wander as wander

UNKNOWN = ("once", "two-belts", "walk-run")  # questions that these runners are not asked


@dataclass(frozen=True)
class _Heart:
    slope: float  # bpm per m/s under the threshold
    steeper: float  # times that above it
    threshold_m_s: float  # over the speed at the ceiling
    shares: Floats
    times_s: Floats
    dead_s: int
    drift_bpm: float  # at the fortieth minute
    at_ceiling_m_s: float
    grade: float
    noise: float

    @classmethod
    def of(cls, rng: np.random.Generator) -> _Heart:
        return cls(rng.uniform(18.0, 36.0), rng.uniform(1.0, 1.25), rng.uniform(-0.25, 0.4),
                   rng.dirichlet([4.0, 5.0, 1.5]),
                   np.array([rng.uniform(8, 20), rng.uniform(40, 80), rng.uniform(150, 320)]),
                   int(rng.integers(2, 12)), rng.uniform(1.0, 14.0), rng.uniform(2.1, 3.4),
                   rng.uniform(3.2, 5.2), rng.uniform(0.6, 1.6))

    def answer(self, effort_m_s: Floats) -> Floats:
        late = np.concatenate([np.full(self.dead_s, 0.6), effort_m_s[:-self.dead_s]])
        parts = [share * lag(late, float(time_s))
                 for share, time_s in zip(self.shares, self.times_s, strict=True)]
        return np.asarray(sum(parts))

    def bpm(self, over_m_s: Floats) -> Floats:
        """Over the ceiling's, for a speed so far over the speed at the ceiling."""
        def cost(x: Floats) -> Floats:
            above = np.maximum(x - self.threshold_m_s, 0.0)
            return np.asarray(self.slope * (x + (self.steeper - 1.0) * above))
        return np.asarray(cost(over_m_s) - cost(np.zeros(1)))

    def drift(self, seconds: Floats | float) -> Floats:
        return np.asarray(self.drift_bpm * np.sqrt(np.maximum(np.asarray(seconds) - 300.0, 0.0) / 2100.0))


def history(row: Row, seed: int) -> History:
    """One invented runner; the same row and seed give the same runs."""
    rng = np.random.default_rng([zlib.crc32(f"other {row.name}".encode()), seed])
    heart = _Heart.of(rng)
    scales = {"first": 1.0 + rng.normal(0.0, 0.02), "second": 1.0 + rng.normal(0.0, 0.02)}
    every_s = int(rng.choice([1, 1, 5]))
    away = float(rng.uniform(0, row.weeks)) if rng.random() < 0.5 and row.weeks > 12 else np.inf
    form, runs = 0.0, []
    for day in range(7 * row.weeks):
        # Spells: some weeks he runs often, some hardly.
        often = 0.45 + 0.25 * np.sin(2 * np.pi * day / 37.0 + seed)
        form = 0.75 * form + rng.normal(0.0, 0.66)
        if rng.random() > often or 0.0 <= day / 7.0 - away < 2.0:
            continue
        own = 0.775 * rng.standard_t(5)
        luck = row.day_sd * (row.correlated**0.5 * form + (1.0 - row.correlated) ** 0.5 * own)
        runs.append(_run(row, rng, heart, day, luck, scales, every_s))
    return History(row, tuple(runs))


def _run(row: Row, rng: np.random.Generator, heart: _Heart, day: int, luck: float,
         scales: dict[str, float], every_s: int) -> Run:
    week = day / 7.0
    outdoors = rng.random() < row.pod if row.belt_high is None else week >= 13.0
    seconds = 60 * int(np.clip(rng.lognormal(3.75, 0.35), 22, 95))
    ceiling = row.ceiling_to if row.ceiling_to is not None and week >= 16.0 else CEILING_BPM
    bad = row.faults and rng.random() < 0.06
    usual = heart.at_ceiling_m_s * true_share(row, week)
    today = usual * (1.0 + luck - (rng.uniform(0.04, 0.08) if bad else 0.0))
    under_m_s = (rng.uniform(1.0, 14.0) - (ceiling - CEILING_BPM)) / heart.slope
    about = usual * (1.0 + 0.7 * luck) - under_m_s
    speed = np.full(seconds, about)
    if rng.random() >= row.even:
        speed = speed + wander(rng, seconds, 0.10, 90.0) + np.linspace(0.0, rng.normal(0.0, 0.12), seconds)
    speed[:420] *= np.linspace(0.8, 1.0, 420)
    for begin in rng.integers(500, seconds - 120, rng.poisson(0.7)):
        speed[begin:begin + int(rng.integers(10, 90))] = 0.0
    grade = np.zeros(seconds)
    if row.hills and week >= 12.0:
        grade = np.clip(wander(rng, seconds, 0.02, 120.0), -0.06, 0.06)
        speed = speed * (1.0 - 1.5 * grade)
    cost = np.where(grade > 0.0, heart.grade, 0.6 * heart.grade) * grade
    seen = heart.answer(np.maximum(speed, 0.0) * (1.0 + cost)) - today
    warm = temperature(row, day, rng) if outdoors else float(rng.normal(20.0, 2.0))
    heat = row.heat * (max(warm - row.heat_from_c, 0.0) - max(REFERENCE_C - row.heat_from_c, 0.0))
    at = np.arange(seconds, dtype=np.float64)
    drift = rng.lognormal(0.0, 0.3) * (1.0 + 0.03 * max(warm - 20.0, 0.0)) * heart.drift(at)
    bpm = CEILING_BPM + heart.bpm(seen) + drift - heart.drift(REFERENCE_S) + heat
    bpm += wander(rng, seconds, 1.1 * heart.noise, 25.0) + wander(rng, seconds, 0.8 * heart.noise, 400.0)
    if week >= 16.0:
        bpm -= row.medicine_bpm
    bpm = np.asarray(np.rint(bpm + rng.normal(0.0, 0.6, seconds)), dtype=np.float64)
    bpm[at % every_s != 0] = np.nan
    device = "first" if row.belt_high is not None or rng.random() < 0.5 else "second"
    told = speed * scales[device]
    if outdoors:
        step = row.pod_step if week >= 16.0 else 0.0
        told = told * (1.0 + step) + rng.normal(0.0, 0.06, seconds)
    else:
        told = told * (1.0 + (row.belt_high or 0.0))
    for series, times in ((bpm, 0.8), (told, 0.4)):
        for begin in rng.integers(0, seconds, rng.poisson(times)):
            series[begin:begin + int(rng.exponential(90.0))] = np.nan
    if row.faults:
        bpm[rng.random(seconds) < 0.05] = np.nan
        if rng.random() < 0.15:
            begin = int(rng.integers(0, seconds - 200))
            bpm[begin:begin + int(rng.integers(100, 700))] = np.rint(rng.normal(166.0, 2.0))
    known = row.written and rng.random() < min(0.67, 1.0 - row.forgotten)
    # Which of the two pods or belts it was, no log tells.
    source = "foot_pod" if outdoors else "treadmill"
    return Run(BEGINS + timedelta(days=day), source, bpm, np.asarray(np.round(np.maximum(told, 0.0), 2)),
               np.asarray(np.round(grade, 3)), round(warm + rng.normal(0.0, 1.5)) if known else None, ceiling)
