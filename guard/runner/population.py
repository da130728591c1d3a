"""Runners drawn from published spreads, one array entry a runner.

What has a published spread follows it; what has none follows the invented
behaviour list in `guard.runner.behaviour` or is marked "ours" here.

Sources: gain 24.2 ± 8.3 bpm/(m/s) and time constant 57.6 ± 23.6 s for small
steps while running, 24 men (Hunt, Fankhauser, Saengsuwan 2015, BioMed Eng
OnLine 14); a dead time beside one first-order lag (Hunt & Wang 2024,
F1000Research 13:894); two first-order lags in parallel, one delayed (the same);
rest to running 17 to 23 s, stopping 22 to 26 s beside a dead time (fitted here
to the open data of Zakynthinaki 2015, PLoS One); 17.2 ± 8.0 bpm down in the
first 60 s of a pause with walking (computed from open data); maximal heart
rate 208 - 0.7 age (Tanaka 2001), SD 10; heat +1.4 % a degree (Miller & Martin
1975); share of heart-rate reserve equals share of oxygen-uptake reserve (ACSM).
"""

from dataclasses import dataclass, fields
from typing import Self

import numpy as np
from numpy.typing import NDArray

from guard.arrays import Floats
from guard.runner.demand import LEVEL_RUN_ML_PER_M, LEVEL_WALK_ML_PER_M, walk_ml_per_m

PAUSE_S = 60.0  # of standing: a measured fall is told for it
FITTED_GAIN_EXCESS = 1.08  # of a gain fitted as one lag; of the dead time, in its constant (simulated)
FITTED_DEAD_SHARE = 1.5  # likewise


@dataclass(frozen=True)
class Population:
    """Parameters of n runners; every field is a float array of n.

    `fast_share` is the part of the fall from running to walking that goes with
    `off_s`; the rest is carried over and dies away with `tail_s`. `gain` and
    `response_s` hold for small steps while running, `on_s` for starting after
    standing or walking.
    """

    rest_bpm: Floats  # standing, before the run
    run_bpm: Floats  # steady, at the habitual speed on the level, cool, first ten minutes
    ceiling_bpm: Floats
    habitual_m_s: Floats
    slowest_jog_m_s: Floats
    walk_m_s: Floats
    gain: Floats  # bpm/(m/s)
    dead_s: Floats
    response_s: Floats
    on_s: Floats
    off_s: Floats
    tail_s: Floats
    fast_share: Floats
    undelayed_share: Floats  # read by `tests/lab` alone, and drawn here so that seeds keep their runners
    drift_bpm_per_min: Floats
    heat_per_c: Floats
    cadence_spm: Floats  # of both feet at 2.5 m/s
    obeys: Floats  # share of cues heeded when not tired of them
    creep_per_s: Floats
    strap_window_s: Floats
    strap_noise_bpm: Floats

    def __len__(self) -> int:
        return len(self.rest_bpm)

    def only(self, mask: NDArray[np.bool_] | slice) -> Self:
        """The runners for whom `mask` is true."""
        return type(self)(**{item.name: getattr(self, item.name)[mask] for item in fields(self)})

    def walk_bpm(self, grade: float = 0.0, *, belt: bool = False) -> Floats:
        """Steady heart rate of walking at the own walking speed."""
        share = (walk_ml_per_m(grade, belt=belt) * self.walk_m_s) / (LEVEL_RUN_ML_PER_M * self.habitual_m_s)
        return np.asarray(self.rest_bpm + (self.run_bpm - self.rest_bpm) * share)


def _gamma(rng: np.random.Generator, mean: float, sd: float, n: int) -> Floats:
    return rng.gamma((mean / sd) ** 2, sd * sd / mean, n)


def _bounded_normal(
    rng: np.random.Generator, mean: float, sd: float, low: float, high: float, n: int
) -> Floats:
    values = rng.normal(mean, sd, n)
    while np.any(out := (values < low) | (values > high)):
        values[out] = rng.normal(mean, sd, int(out.sum()))
    return values


def share_for_fall(
    fall_bpm: Floats, depth_bpm: Floats, dead_s: Floats, off_s: Floats, tail_s: Floats
) -> Floats:
    """The fast share that makes heart rate fall by `fall_bpm` in `PAUSE_S`.

    `depth_bpm` is the whole way from running to walking, were it walked for
    long. Closed form of the two linear lags in `guard.runner.response`.
    """
    left_s = PAUSE_S - dead_s
    tail = np.exp(-left_s / tail_s)
    fast = (tail - np.exp(-left_s / off_s)) / (1.0 - off_s / tail_s)
    return np.asarray(np.clip((fall_bpm - depth_bpm * (1.0 - tail)) / (depth_bpm * fast), 0.01, 0.95))


def draw(
    n: int,
    rng: np.random.Generator,
    *,
    habitual_m_s: tuple[float, float] = (2.45, 3.25),
    steepest: float = 0.0,
    belt: bool = False,
) -> Population:
    """n runners. Those whose ceiling lies under a walk up `steepest` are left out.

    `habitual_m_s` bounds the habitual speed (ours, from the course). The
    ceiling lies 2 to 18 bpm under the heart rate of the habitual speed.
    """
    kept: list[Population] = []
    count = 0
    while count < n:
        some = _draw_any(max(n, 64), rng, habitual_m_s)
        fit = some.walk_bpm(steepest, belt=belt) + 2.0 < some.ceiling_bpm
        kept.append(some.only(fit))
        count += int(fit.sum())
    return _joined(kept).only(slice(0, n))


def _draw_any(n: int, rng: np.random.Generator, habitual_m_s: tuple[float, float]) -> Population:
    age = rng.uniform(25, 65, n)
    highest = 208.0 - 0.7 * age + _bounded_normal(rng, 0, 10, -20, 20, n)
    rest = _bounded_normal(rng, 76, 8, 58, 95, n)
    run = rest + rng.uniform(0.62, 0.82, n) * (highest - rest)
    habitual = rng.uniform(*habitual_m_s, n)
    walk = rng.uniform(1.4, 1.75, n)
    # One lag without dead time was fitted in 2015. The same fit to a lag behind a dead time gives a
    # longer constant and a gain 8 % higher than its own: both are taken off before.
    dead = rng.uniform(4, 12, n)
    apparent = _gamma(rng, 57.6, 23.6, n)
    off = _bounded_normal(rng, 24, 3, 18, 32, n)
    tail = np.full(n, 900.0)
    depth = (run - rest) * (1.0 - LEVEL_WALK_ML_PER_M * walk / (LEVEL_RUN_ML_PER_M * habitual))
    fall = _bounded_normal(rng, 15.4, 9.6, 2.0, 45.0, n)
    return Population(
        rest_bpm=rest,
        run_bpm=run,
        ceiling_bpm=np.rint(run - rng.uniform(2, 18, n)),
        habitual_m_s=habitual,
        slowest_jog_m_s=rng.uniform(1.6, 1.9, n),  # ours: a shuffle of 5.8 to 6.8 km/h
        walk_m_s=walk,
        gain=_gamma(rng, 24.2, 8.3, n) / FITTED_GAIN_EXCESS,
        dead_s=dead,
        response_s=np.maximum(apparent - FITTED_DEAD_SHARE * dead, 8.0),
        on_s=_bounded_normal(rng, 20, 3, 14, 30, n),
        off_s=off,
        tail_s=tail,
        fast_share=share_for_fall(fall, depth, dead, off, tail),
        undelayed_share=rng.uniform(0.15, 0.35, n),
        # +1 to 4 bpm by minute 40 at 50 % of the highest uptake, +7 at 95 % of the highest
        # lactate steady state (Wingo 2012 and others): an easy run lies between.
        drift_bpm_per_min=rng.uniform(0.05, 0.2, n),
        heat_per_c=_bounded_normal(rng, 0.014, 0.003, 0.005, 0.023, n),
        cadence_spm=_bounded_normal(rng, 163, 7, 145, 185, n),
        obeys=rng.uniform(0.75, 1.0, n),
        creep_per_s=rng.uniform(0.001, 0.004, n),
        strap_window_s=rng.integers(3, 11, n).astype(np.float64),
        strap_noise_bpm=np.exp(rng.normal(np.log(1.64), 0.25, n)),
    )


def _joined(parts: list[Population]) -> Population:
    return Population(**{
        item.name: np.concatenate([getattr(part, item.name) for part in parts])
        for item in fields(Population)})
