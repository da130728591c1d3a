"""What an estimator makes of heart rates whose truth is known.

Each runner has two straps that share their noise: one clean, one with faults.
Error, lag and coverage are of the clean one; what faults do is the difference
between the two, so that noise is never taken for an artefact.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from guard.decide.columns import reach_s
from guard.errors import InputError, printable
from guard.runner.courses import COURSES
from guard.runner.population import draw
from guard.runner.response import Model
from guard.runner.simulate import Runners
from guard.runner.strap import CLEAN, FAULTY, Fault, FaultPlan, Readout, Strap, draw_noise, plan_faults
from guard.settings import Settings
from guard.tune.still_values import StillValues

Array = NDArray[np.float64]

# Development and report draw different runners, noise and faults. Never tune on "report".
SEEDS = {"dev": 31_001, "report": 88_007}
AHEAD_S = 20
STARTED_S = 120  # error, lag and coverage are looked at from here on
LONGEST_LAG_S = 40
CLIMB_BPM = 5.0  # in the next 20 s: the moments that looking ahead is for
MISLED_BPM = 5.0
ARRIVED_S = 3.0  # older than that there is no signal, and nobody is misled by it
WITHIN_SD = 1.96


@dataclass(frozen=True)
class Signals:
    """Seconds by runners (T, n): the truth and what two straps sent, NaN where nothing came."""

    true_bpm: Array
    clean_bpm: Array
    faulty_bpm: Array


@dataclass(frozen=True)
class Figures:
    """Of one estimator, one value a runner."""

    rmse_bpm: Array  # of the level
    rmse_ahead_bpm: Array  # of the level 20 s ahead
    rmse_climb_bpm: Array  # the same where it then is higher by 5 bpm and more; NaN for who never climbs
    lag_s: Array  # shift of the truth that the level fits best
    covered: Array  # share of seconds in which the truth lies within 1.96 stated SD
    covered_ahead: Array  # the same 20 s ahead; NaN where no SD is stated
    excursion_bpm: Array  # largest difference that faults make while readings arrive
    misled: Array  # share of these seconds in which it is over 5 bpm


def simulated(course: str, n: int, minutes: float, seed_set: str, model: Model = "first") -> Signals:
    """n drawn runners who run a course without any guard."""
    where = COURSES[course]
    seed = [SEEDS[seed_set], list(COURSES).index(course)]
    runners = draw(n, np.random.default_rng([*seed, 0]), habitual_m_s=where.habitual_m_s,
                   steepest=where.steepest, belt=where.belt)
    world = Runners(runners, where, [*seed, 1], model=model, duration_s=60.0 * minutes)
    still = np.zeros(n, dtype=np.int64)
    true = np.array([world.step(still).true_bpm for _ in range(world.steps)])
    noise_rng, fault_rng = (np.random.default_rng([*seed, part]) for part in (2, 3))
    noise = draw_noise(runners, len(true), noise_rng)
    plans = [plan_faults(n, len(true), rates, fault_rng) for rates in (CLEAN, FAULTY)]
    clean, faulty = (_sent(Strap(runners, noise, plan), true) for plan in plans)
    return Signals(true, clean, faulty)


def _sent(strap: Strap, true_bpm: Array) -> Array:
    """What arrives; a value that stands still without RR intervals is dropped, as in a session."""
    nobody = np.zeros(true_bpm.shape[1])
    reads: list[Readout] = [strap.read(row, nobody) for row in true_bpm]
    return without_stuck(
        np.array([read.bpm for read in reads]), np.array([read.has_rr for read in reads]))


def without_stuck(bpm: Array, has_rr: NDArray[np.bool_]) -> Array:
    """`bpm` (T, n) with NaN where a value has stood still too long without RR intervals."""
    still = StillValues(bpm.shape[1])
    return np.array([still.dropped(float(t), row, has_rr[t]) for t, row in enumerate(bpm)])


def measured(path: Path, draws: int, seed_set: str) -> Signals:
    """A beat-by-beat record (text: seconds, bpm) as straps would have sent it.

    The truth is a straight line through the beats within 8 s on both sides; a
    strap averages the last 5 s. `draws` runners of the same heart rate with
    different faults. Raises InputError.
    """
    try:
        rows = [line.split() for line in path.read_text(encoding="utf-8").splitlines()]
        beats = np.array([[float(t_s), float(bpm)] for t_s, bpm in filter(None, rows)]).reshape(-1, 2)
    except (OSError, ValueError) as error:
        raise InputError(f"cannot read {path} ({printable(error)}): "
                         "give a text file with seconds and bpm in two columns") from None
    beats = beats[beats[:, 1] > 0.0]
    beats = beats[np.argsort(beats[:, 0], kind="stable")]  # some records are locally out of order
    if len(beats) < 60 or beats[-1, 0] - beats[0, 0] < 2 * STARTED_S:
        raise InputError(f"{path} holds no record of heart beats of {2 * STARTED_S} s and more: "
                         "give seconds and bpm in two columns")
    times = np.arange(np.ceil(beats[0, 0] + 8.0), np.floor(beats[-1, 0] - 8.0))
    true, sent = np.empty(len(times)), np.empty(len(times))
    for i, t_s in enumerate(times):
        near = np.abs(beats[:, 0] - t_s) <= 8.0
        recent = (beats[:, 0] > t_s - 5.0) & (beats[:, 0] <= t_s)
        if near.sum() < 4:
            raise InputError(f"{path} has no beats near {t_s:g} s: cut the record there")
        true[i] = np.polyfit(beats[near, 0] - t_s, beats[near, 1], 1)[1]
        sent[i] = np.rint(beats[recent, 1].mean()) if recent.any() else np.nan
    plan = plan_faults(draws, len(times), FAULTY, np.random.default_rng([SEEDS[seed_set], 4]))
    clean = np.tile(sent[:, None], (1, draws))
    return Signals(np.tile(true[:, None], (1, draws)), clean, _with_faults(clean, plan))


def _with_faults(clean_bpm: Array, plan: FaultPlan) -> Array:
    """The faults of a drawn plan put on readings that were measured."""
    bpm = clean_bpm.copy()
    added = (plan.kind == Fault.SPIKE) | (plan.kind == Fault.DRY)
    bpm = np.where(added, np.clip(np.rint(bpm + plan.size), 30, 250), bpm)
    bpm[plan.kind == Fault.DROPOUT] = np.nan
    frozen = plan.kind == Fault.FROZEN
    for t in range(1, len(bpm)):
        bpm[t] = np.where(frozen[t], bpm[t - 1], bpm[t])
    return without_stuck(bpm, ~frozen)


@dataclass(frozen=True)
class Track:
    """What an estimator said second by second, each (T, lanes)."""

    level: Array
    sd: Array
    ahead: Array
    sd_ahead: Array


def follow(make: Callable[[int], Any], readings: Array) -> Track:
    """Feed `readings` (T, lanes), one row a second."""
    contender = make(readings.shape[1])
    reach = reach_s(Settings().response_s, float(AHEAD_S))
    parts: list[tuple[Array, Array, Array, Array]] = []
    for t, row in enumerate(readings):
        contender.step(float(t), row)
        parts.append((contender.level_bpm, contender.sd_bpm, *contender.ahead(reach)))
    return Track(*(np.array(column, float) for column in zip(*parts, strict=True)))


def figures(make: Callable[[int], Any], signals: Signals) -> Figures:
    """All figures of one estimator on one set of signals."""
    n = signals.true_bpm.shape[1]
    track = follow(make, np.hstack([signals.clean_bpm, signals.faulty_bpm]))
    clean, faulty = track.level[:, :n], track.level[:, n:]
    now = slice(STARTED_S, None)
    error = clean[now] - signals.true_bpm[now]
    later = signals.true_bpm[STARTED_S + AHEAD_S:]
    span = slice(STARTED_S, STARTED_S + len(later))
    error_ahead = track.ahead[span, :n] - later
    climbs = later - signals.true_bpm[span] >= CLIMB_BPM
    off, arrived = np.abs(faulty - clean), _arrived(signals.faulty_bpm)
    off = np.where(arrived & ~np.isnan(off), off, 0.0)
    return Figures(
        rmse_bpm=_rms(error), rmse_ahead_bpm=_rms(error_ahead),
        rmse_climb_bpm=_rms(np.where(climbs, error_ahead, np.nan)),
        lag_s=lag_s(clean[now], signals.true_bpm, STARTED_S),
        covered=_within(error, track.sd[now, :n]),
        covered_ahead=_within(error_ahead, track.sd_ahead[span, :n]),
        excursion_bpm=off.max(axis=0), misled=(off > MISLED_BPM).sum(axis=0) / arrived.sum(axis=0))


def _arrived(readings: Array) -> NDArray[np.bool_]:
    """Where a reading, right or wrong, came within the last 3 s."""
    age = np.full(readings.shape[1], np.inf)
    arrived = np.empty(readings.shape, bool)
    for t, row in enumerate(readings):
        age = np.where(np.isnan(row), age + 1.0, 0.0)
        arrived[t] = age < ARRIVED_S
    return arrived


def _rms(error: Array) -> Array:
    known = ~np.isnan(error)
    total = np.where(known, error * error, 0.0).sum(axis=0)
    count = known.sum(axis=0)
    return np.asarray(np.where(count > 0, np.sqrt(total / np.maximum(count, 1)), np.nan))


def _within(error: Array, sd: Array) -> Array:
    stated = ~np.isnan(sd)
    inside = (np.abs(error) <= WITHIN_SD * sd) & stated
    return np.where(stated.any(axis=0), inside.sum(axis=0) / np.maximum(stated.sum(axis=0), 1), np.nan)


def lag_s(level: Array, true_bpm: Array, first: int) -> Array:
    """Seconds by which `level` (from second `first` on) trails the truth, one value a runner.

    The shift with the least mean square difference, between whole seconds by a
    parabola; differences of means are taken off before.
    """
    loss: Sequence[Array] = [
        np.var(level - true_bpm[first - lag:len(true_bpm) - lag], axis=0)
        for lag in range(LONGEST_LAG_S + 1)]
    table = np.array(loss)
    best = table.argmin(axis=0)
    inner = np.clip(best, 1, LONGEST_LAG_S - 1)
    lanes = np.arange(table.shape[1])
    before, at, after = (table[inner + step, lanes] for step in (-1, 0, 1))
    bend = before - 2.0 * at + after
    shift = np.where(bend > 0.0, 0.5 * (before - after) / np.where(bend > 0.0, bend, 1.0), 0.0)
    return np.asarray(np.where(best == inner, inner + shift, best))
