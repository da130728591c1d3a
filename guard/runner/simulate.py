"""n simulated runners with straps, stepped together by a second; any controller can drive them.

    runners = Runners(draw(500, rng), Course("flat", "a flat treadmill", belt=True), seed=1)
    second = runners.step(np.zeros(500, int))
    cues = lanes.step(second.t_s, second.bpm)
    second = runners.step(cues, lanes.advised_speed_m_s)
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from guard.arrays import Bools, Floats
from guard.runner.behaviour import Behaviour
from guard.runner.courses import Course
from guard.runner.demand import LEVEL_RUN_ML_PER_M, REST_VO2, demand_vo2
from guard.runner.population import Population
from guard.runner.response import HeartResponse, warming
from guard.runner.strap import CLEAN, FaultPlan, FaultRates, Strap, draw_noise, plan_faults

NEAR_M_S = 0.5  # small steps: those of the identification runs were 0.5 m/s and less


@dataclass(frozen=True)
class Second:
    """One second of n runners.

    `bpm` and `has_rr` are what the strap sends; all else is the truth, which
    only a *knowing* controller may look at. `warmed` is the factor and the offset
    (bpm) that drift and heat put on heart rate.
    """

    t_s: float
    bpm: Floats
    has_rr: Bools
    fault: NDArray[np.uint8]
    true_bpm: Floats
    speed_m_s: Floats
    grade: Floats
    cadence_spm: Floats
    walking: Bools
    standing: Bools
    warmed: tuple[Floats, Floats]


def level_speed(vo2: Floats) -> Floats:
    """The level running speed that asks for the same oxygen, m/s."""
    return (vo2 - REST_VO2) / (60.0 * LEVEL_RUN_ML_PER_M)


def run_bpm_at(runners: Population, level_m_s: Floats) -> Floats:
    """Heart rate that running at a level speed would settle at, before drift and heat.

    Within 0.5 m/s of the habitual speed the runner's gain for small steps
    holds. Farther up or down heart rate follows the straight line to rest: the
    slope over whole step tests is steeper, 30.4 ± 7.5 bpm/(m/s) (Donne 2024 data).
    """
    off = level_m_s - runners.habitual_m_s
    near = np.clip(off, -NEAR_M_S, NEAR_M_S)
    return np.asarray(runners.run_bpm + runners.gain * near + far_slope(runners, off) * (off - near))


def far_slope(runners: Population, off_m_s: Floats) -> Floats:
    """Slope beyond `NEAR_M_S` on that side of the habitual speed, bpm/(m/s)."""
    side = np.sign(off_m_s) * NEAR_M_S
    return np.asarray(np.maximum(runners.run_bpm + runners.gain * side - runners.rest_bpm, 10.0)
                      / (runners.habitual_m_s + side))


def settled_bpm(runners: Population, vo2: Floats, running: Bools) -> Floats:
    """Heart rate that an effort would settle at, before drift and heat.

    Running: `run_bpm_at` the level speed that asks for the same oxygen. Walking
    and standing: share of heart-rate reserve equals share of oxygen-uptake
    reserve (ACSM), anchored at the habitual speed.
    """
    speed = level_speed(vo2)
    rest = runners.rest_bpm + (runners.run_bpm - runners.rest_bpm) * speed / runners.habitual_m_s
    return np.where(running, run_bpm_at(runners, speed), rest)


class Runners:
    """Runners on a course. `seed` fixes noise, faults, stops and behaviour.

    Each of these has its own generator, so that changing one (a clean strap
    for a faulty one, another controller) leaves the others as they were.
    `copies`: `runners` are so many blocks, one like the other, that share all
    luck: one block for each of several controllers that are to be compared.
    """

    def __init__(
        self,
        runners: Population,
        course: Course,
        seed: int | list[int],
        *,
        heart: type[HeartResponse] = HeartResponse,
        listener: type[Behaviour] = Behaviour,
        faults: FaultRates = CLEAN,
        duration_s: float | None = None,
        copies: int = 1,
    ) -> None:
        n = len(runners)
        if n % copies:
            raise ValueError(f"{n} runners are not {copies} blocks of equal length")
        block = runners.only(slice(0, n // copies))
        self.runners = runners
        self.course = course
        self.steps = round(duration_s or course.duration_s)
        noise, fault, stop, mind = (
            np.random.default_rng(child) for child in np.random.SeedSequence(seed).spawn(4))
        stands = course.standing(len(block), self.steps, stop)
        self._stands = None if stands is None else np.tile(stands, copies)
        self._heart = heart(runners)
        plan = plan_faults(len(block), self.steps, faults, fault)
        self._strap = Strap(
            runners, np.tile(draw_noise(block, self.steps, noise), copies),
            FaultPlan(np.tile(plan.kind, copies), np.tile(plan.size, copies)))
        self.behaviour = listener(runners, mind, belt=course.belt, copies=copies)
        self.distance_m = np.zeros(n)
        self._nobody: Bools = np.zeros(n, dtype=bool)
        self.step_count = 0

    def step(self, cues: NDArray[np.int64], advised_speed_m_s: Floats | None = None) -> Second:
        """Live one second; `cues` are codes of `Cue` heard at its beginning."""
        who, course = self.runners, self.course
        at = self.step_count
        if at >= self.steps:
            raise ValueError(f"the course is over after {self.steps} steps")
        t_s = float(at)
        self.step_count += 1
        standing = self._nobody if self._stands is None else self._stands[at]
        self.behaviour.step(t_s, cues, advised_speed_m_s, standing)
        spot = course.at(t_s, self.distance_m)
        grade = np.broadcast_to(np.asarray(spot.grade, dtype=np.float64), (len(who),))
        walking = self.behaviour.walking
        jog = np.maximum(self.behaviour.pace_m_s * spot.pace_share, np.minimum(
            who.slowest_jog_m_s, self.behaviour.pace_m_s))
        speed = np.where(walking, who.walk_m_s, jog)
        speed = np.where(standing, 0.0, speed)
        self.distance_m += speed
        running = ~(walking | standing)
        vo2 = demand_vo2(speed, grade, ~running, belt=course.belt)
        factor, offset = warming(who, t_s, course.air_c)
        true = factor * self._heart.step(settled_bpm(who, vo2, running), running) + offset
        cadence = np.where(running, who.cadence_spm + 10.0 * (speed - 2.5),
                           np.where(standing, 0.0, 75.0 + 25.0 * speed))
        read = self._strap.read(true, cadence)
        return Second(
            t_s=t_s, bpm=read.bpm, has_rr=read.has_rr, fault=read.fault, true_bpm=true,
            speed_m_s=speed, grade=grade, cadence_spm=cadence, walking=walking & ~standing,
            standing=standing, warmed=(factor, offset))
