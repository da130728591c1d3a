"""One controller with n runners on one course, and what came of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from guard.events import PACE_CUES, SLOW_DOWN, Cue
from guard.runner.courses import COURSES, Course
from guard.runner.population import Population, draw
from guard.runner.response import Model
from guard.runner.simulate import Runners
from guard.runner.strap import CLEAN, FAULTY, USUAL_FAULTS, ReadingFault, Strap, draw_noise, plan_faults
from tests.lab.benchmark.controllers import Guard, make

Array = NDArray[np.float64]

# Development and report draw different runners, noise and luck. Never tune on "report".
SEEDS = {"dev": 20_001, "report": 77_003}
SOON_S = 60.0
STALE_S = 3.0
LONG_AGO_S = -1e9
STOPPED_S = 10.0  # walking or standing at least so long before it counts as a restart


@dataclass
class Outcome:
    """Per runner, arrays of n unless said otherwise; times in s."""

    over_s: Array
    over_bpm_s: Array
    cues: Array  # (n, 10) by code of `Cue`
    distance_m: Array
    walk_s: Array
    first_cue_s: Array  # inf if none
    resumes: Array  # resume cues given
    false_resumes: Array  # over the ceiling within 60 s of one given under it
    restarts: Array
    needless: Array  # restarts with a slow-down cue within 60 s that was not needed
    blind_resumes: Array  # on a slipped strap or on readings older than 3 s
    hopeless_over_s: Array  # of over_s: no jog, however slow, would have settled under
    duration_s: float

    @classmethod
    def empty(cls, n: int, duration_s: float) -> Outcome:
        """Nothing counted yet."""
        values: dict[str, Any] = {item.name: np.zeros(n) for item in fields(cls)}
        values.update(cues=np.zeros((n, len(Cue))), first_cue_s=np.full(n, np.inf), duration_s=duration_s)
        return cls(**values)

    @property
    def pace_cues(self) -> Array:
        """Cues about pace a runner: all but signal, battery and part cues."""
        return np.asarray(self.cues[:, [int(cue) for cue in PACE_CUES]].sum(axis=1))


def seed_of(seed_set: str, course: Course) -> list[int]:
    """The seed of one course in one set; the same for every controller."""
    return [SEEDS[seed_set], list(COURSES).index(course.name)]


def population(course: Course, n: int, seed_set: str) -> Population:
    """The n runners of a course."""
    return draw(
        n, np.random.default_rng([*seed_of(seed_set, course), 0]), habitual_m_s=course.habitual_m_s,
        steepest=course.steepest, belt=course.belt)


def run(
    course: Course,
    controller: str,
    n: int,
    seed_set: str,
    model: Model = "first",
    changes: Mapping[str, Any] | None = None,
    duration_s: float | None = None,
) -> Outcome:
    """Drive n runners of `course` with `controller`; `changes` are settings of the guard."""
    runners = population(course, n, seed_set)
    seed = seed_of(seed_set, course)
    world = Runners(runners, course, [*seed, 1], model=model, faults=USUAL_FAULTS, duration_s=duration_s)
    pilot = make(controller, runners, course, changes or {}, np.random.default_rng([*seed, 2]))
    out = Outcome.empty(n, float(world.steps))
    lanes = np.arange(n)
    cues = np.zeros(n, dtype=np.int64)
    resumed_s, restarted_s, read_s = (np.full(n, LONG_AGO_S) for _ in range(3))
    stopped_since = np.full(n, np.inf)
    for _ in range(world.steps):
        now = world.step(cues, pilot.advised_speed_m_s, pilot.imposed_speed_m_s)
        t_s = now.t_s
        over = now.true_bpm - runners.ceiling_bpm
        is_over = over > 0
        out.over_s += is_over
        out.hopeless_over_s += is_over & (now.slowest_jog_m_s > now.ceiling_speed_m_s)
        out.over_bpm_s += np.maximum(over, 0.0)
        out.walk_s += now.walking
        read_s = np.where(np.isnan(now.bpm), read_s, t_s)

        # A restart: running again after a while of walking or standing, not the start itself.
        stopped = now.walking | now.standing
        stood = t_s - stopped_since >= STOPPED_S
        restarts = ~stopped & stood
        stopped_since = np.where(stopped, np.minimum(stopped_since, t_s), np.inf)
        out.restarts += restarts
        restarted_s = np.where(restarts, t_s, restarted_s)

        again = is_over & (t_s - resumed_s <= SOON_S)
        out.false_resumes += again
        resumed_s = np.where(again, LONG_AGO_S, resumed_s)

        cues = pilot.step(np.full(n, t_s), now.bpm, truth=now)
        if not cues.any():
            continue
        given = cues > 0
        out.cues[lanes[given], cues[given]] += 1
        slow = np.isin(cues, SLOW_DOWN)
        out.first_cue_s = np.where(slow, np.minimum(out.first_cue_s, t_s), out.first_cue_s)
        resume = (cues == Cue.RESUME) & now.walking
        out.resumes += resume
        out.blind_resumes += resume & ((now.fault == ReadingFault.SLIPPED) | (t_s - read_s >= STALE_S))
        resumed_s = np.where(resume & ~is_over, t_s, resumed_s)
        # Not needed: under the ceiling now, and this effort would settle under it.
        vain = (slow & (t_s - restarted_s <= SOON_S) & ~is_over & ~stopped
                & (now.speed_m_s <= now.ceiling_speed_m_s))
        out.needless += vain
        restarted_s = np.where(vain, LONG_AGO_S, restarted_s)
    out.distance_m = world.distance_m
    return out


def steady_runs(n: int, seed_set: str, model: Model, part: int) -> tuple[Population, Array]:
    """Runners who keep well under the ceiling for an hour, and their heart rates (3600, n)."""
    course = replace(COURSES["flat"], name="flat")
    rng = np.random.default_rng([SEEDS[seed_set], 99, part])
    runners = draw(n, rng)
    world = Runners(runners, course, [SEEDS[seed_set], 98, part], model=model)
    still = np.zeros(n, dtype=np.int64)
    beats = np.array([world.step(still).true_bpm for _ in range(world.steps)])
    ceiling = np.rint(np.minimum(beats.max(axis=0) + rng.uniform(8.0, 20.0, n), 219.0))
    return replace(runners, ceiling_bpm=ceiling), beats


@dataclass
class FaultOutcome:
    """Cues about pace that faults alone caused, open loop."""

    hours: float
    by_fault: float  # cues in the faulty run of runners whose clean twin had none
    clean: float  # cues in the clean twin: nobody was ever over
    in_warm_up: float  # of these, during the warm-up


def faults_alone(
    n: int, seed_set: str, model: Model, changes: Mapping[str, Any], part: int
) -> FaultOutcome:
    """The guard on n clean runs and on their twins with detectable faults."""
    runners, beats = steady_runs(n, seed_set, model, part)
    steps = len(beats)
    seeds = [np.random.default_rng([SEEDS[seed_set], 97, part, i]) for i in range(3)]
    noise = draw_noise(runners, steps, seeds[0])
    straps = (Strap(runners, noise, plan_faults(n, steps, CLEAN, seeds[1])),
              Strap(runners, noise, plan_faults(n, steps, FAULTY, seeds[1])))
    counts = np.zeros((2, n))
    early = 0.0
    guards = [Guard(runners, COURSES["third"], changes, np.random.default_rng(0)) for _ in straps]
    nothing = _Fed(np.zeros(n, dtype=bool))
    for step in range(steps):
        for which, (strap, guard) in enumerate(zip(straps, guards, strict=True)):
            read = strap.read(beats[step], np.zeros(n))
            nothing.has_rr = read.has_rr
            cues = guard.step(np.full(n, float(step)), read.bpm, truth=nothing)  # type: ignore[arg-type]
            wrong = np.isin(cues, PACE_CUES)
            counts[which] += wrong
            if which == 0 and step < guard.lanes.settings[0].warm_up_s:
                early += float(wrong.sum())
    alone = float(counts[1][counts[0] == 0].sum())
    return FaultOutcome(n * steps / 3600.0, alone, float(counts[0].sum()), early)


@dataclass
class _Fed:
    """The part of a `Second` the guard looks at where no speed is known."""

    has_rr: NDArray[np.bool_]


def true_rises(n: int, seed_set: str, changes: Mapping[str, Any]) -> tuple[Array, Array]:
    """Seconds from due to cue (n; inf if none) and whether a cue came before the rise.

    Steady 10 bpm under the ceiling for twenty minutes, then 15 bpm up in 30 s.
    Due when the true heart rate passes the ceiling.
    """
    rng = np.random.default_rng([SEEDS[seed_set], 96])
    runners = draw(n, rng)
    begin = rng.integers(1200, 1500, n)
    steps = 1600
    noise = draw_noise(runners, steps, rng)
    strap = Strap(runners, noise, plan_faults(n, steps, CLEAN, rng))
    guard = Guard(runners, COURSES["third"], changes, np.random.default_rng(0))
    cued = np.full(n, np.inf)
    early = np.zeros(n, dtype=bool)
    fed = _Fed(np.ones(n, dtype=bool))
    base = runners.ceiling_bpm - 10.0
    for step in range(steps):
        start = base - 50.0 * np.exp(-step / 60.0)
        beats = start + np.clip((step - begin) / 2.0, 0.0, 15.0)
        read = strap.read(beats, np.zeros(n))
        cues = guard.step(np.full(n, float(step)), read.bpm, truth=fed)  # type: ignore[arg-type]
        slow = np.isin(cues, SLOW_DOWN)
        early |= slow & (step < begin)
        cued = np.where(slow & (step >= begin), np.minimum(cued, step), cued)
    return cued - (begin + 20.0), early
