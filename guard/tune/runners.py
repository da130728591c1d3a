"""Invented runners like the one recorded: what recordings tell is drawn from it, the rest is published.

Each runner is one draw. A constant that `guard learn` finds is drawn from its
interval (normal; time constants in logarithms), each by itself; one that it
refuses is drawn from the published population. Behaviour (how cues are heeded,
creep, walking) follows the frozen list of `guard.runner.behaviour`; the habit
lies 2 to 18 bpm over the ceiling as it says there. Hills and halts are those
recorded, hills by distance and halts by time.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from guard.arrays import Bools, Floats
from guard.events import Action, Command, Input, Reading, Speed
from guard.response.fit import Fit, Refusal
from guard.response.model import TIMES_IN_LOG
from guard.response.search import NORMAL_95
from guard.response.spans import Estimate, held
from guard.runner.courses import GENTLE_S, GENTLE_SHARE, Course, Spot
from guard.runner.population import Population, draw
from guard.session.speeds import Speeds

CELL_M = 10.0  # of the road that is drawn
SHORTEST_RUN_S, LONGEST_RUN_S = 1200.0, 3600.0  # of simulated runs, whatever the recording's (ours)
STANDING_M_S = 0.5  # slower is standing
UPHILL = 1.5  # share of pace lost per unit of grade, as on the benchmark's rolling course
CONSTANTS = ("gain", "response_s", "dead_s", "on_s", "off_s", "drift_bpm_per_min")
PARAMETER_WORDS = {
    "gain": "rise with speed", "response_s": "response to small changes", "dead_s": "dead time",
    "on_s": "rise after standing", "off_s": "fall after running", "drift_bpm_per_min": "drift",
}


@dataclass(frozen=True)
class Way:
    """Ground of one recording: `grade` a cell of 10 m, `stands` a second; `speed_known` tells
    that the guard was told speeds, `ceiling_bpm` is its session's."""

    grade: Floats
    stands: Bools
    speed_known: bool
    duration_s: float
    ceiling_bpm: float


@dataclass(frozen=True)
class Ground(Course):
    """Each runner on the hills and with the halts of one recording, `which`."""

    ways: tuple[Way, ...] = ()
    which: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))

    def at(self, t_s: float, distance_m: Floats) -> Spot:
        """Grade by distance, the way begun again at its end; a gentle start."""
        which = np.tile(self.which, len(distance_m) // len(self.which))
        grade = np.zeros(len(distance_m))
        for number, way in enumerate(self.ways):
            if way.grade.any():
                here = which == number
                cell = (distance_m[here] / CELL_M).astype(np.int64) % len(way.grade)
                grade[here] = way.grade[cell]
        share = 1.0 - UPHILL * np.maximum(grade, 0.0)
        if t_s < GENTLE_S:
            share = share * (GENTLE_SHARE + (1.0 - GENTLE_SHARE) * t_s / GENTLE_S)
        return Spot(grade, share)

    def standing(self, n: int, steps: int, rng: np.random.Generator) -> Bools | None:
        """The recorded halts, (steps, n)."""
        if not any(way.stands.any() for way in self.ways):
            return None
        stands = np.zeros((steps, n), dtype=bool)
        for lane, number in enumerate(self.which):
            halts = self.ways[number].stands[:steps]
            stands[:len(halts), lane] = halts
        return stands


@dataclass(frozen=True)
class Drawn:
    """`people` and `ground` for n runners; `learned` and `published` name where each constant is from."""

    people: Population
    ground: Ground
    learned: tuple[str, ...]
    published: tuple[str, ...]
    speed_known: bool
    seed: tuple[int, ...]


def way_of(inputs: Sequence[Input], ceiling_bpm: float, begin_s: float, end_s: float) -> Way:
    """The ground between two times of a recording."""
    speeds, held, ran = Speeds(), False, False
    cells: list[tuple[int, float]] = []
    stands = np.zeros(max(1, math.ceil(end_s - begin_s)), dtype=bool)
    distance_m, last_s, known = 0.0, begin_s, 0
    for event in inputs:
        if isinstance(event, Speed):
            speeds.take(event)
        elif isinstance(event, Command) and event.action in (Action.PAUSE, Action.CONTINUE):
            held = event.action is Action.PAUSE
        if not isinstance(event, Reading) or not begin_s <= event.t_s < end_s:
            continue
        now = speeds.known(event.t_s)
        speed_m_s = None if now is None else now.speed_m_s
        halted = held or (ran and speed_m_s is not None and speed_m_s < STANDING_M_S)
        if halted:
            stands[int(last_s - begin_s):int(event.t_s - begin_s)] = True
        if now is not None and speed_m_s is not None and not held:
            known += 1
            ran |= speed_m_s > STANDING_M_S
            distance_m += min(max(speed_m_s, 0.0), 12.0) * min(event.t_s - last_s, 10.0)
            cells.append((int(distance_m / CELL_M), min(max(now.grade or 0.0, -0.3), 0.3)))
        last_s = event.t_s
    return Way(_profile(cells), stands, known > 60, end_s - begin_s, ceiling_bpm)


def _profile(cells: list[tuple[int, float]]) -> Floats:
    """Mean grade of each cell; cells passed over keep the grade before."""
    if not cells:
        return np.zeros(1)
    at, grade = np.array([cell for cell, _ in cells]), np.array([grade for _, grade in cells])
    count = np.bincount(at)
    return held(np.bincount(at, grade) / np.where(count > 0, count, np.nan), 0.0)


def draw_runners(
    fit: Fit | Refusal, ways: Sequence[Way], n: int, seed: Sequence[int], *, belt: bool
) -> Drawn:
    """n runners, in turn on each of `ways`."""
    rng = np.random.default_rng([*seed, 0])
    which = np.arange(n) % len(ways)
    steepest = float(max(way.grade.max() for way in ways))
    duration_s = min(max(max(way.duration_s for way in ways), SHORTEST_RUN_S), LONGEST_RUN_S)
    ground = Ground("recorded", "the ground of the recordings", duration_s=duration_s, belt=belt,
                    ways=tuple(ways), which=which)
    usual = fit.usual_m_s if isinstance(fit, Fit) else 0.0
    speeds = (0.95 * usual, 1.15 * usual) if usual > 0.0 else ground.habitual_m_s
    # Hills too steep for the ceiling of most are walked by all of these: kept to what can be drawn.
    people = draw(n, rng, habitual_m_s=speeds, steepest=min(steepest, 0.06), belt=belt)
    known: dict[str, Floats] = {}
    if isinstance(fit, Fit):
        known = {key: _drawn(key, value, n, rng) for key in CONSTANTS
                 if isinstance(value := getattr(fit, key), Estimate)}
        people = _like(people, fit, known, np.array([way.ceiling_bpm for way in ways])[which], rng)
    learned = tuple(key for key in CONSTANTS if key in known)
    return Drawn(people, ground, learned, tuple(key for key in CONSTANTS if key not in known),
                 any(way.speed_known for way in ways), tuple(seed))


def _drawn(key: str, known: Estimate, n: int, rng: np.random.Generator) -> Floats:
    if key in TIMES_IN_LOG:
        sd = math.log(max(known.high, known.value) / max(known.low, 1e-3)) / (2.0 * NORMAL_95)
        return np.asarray(known.value * np.exp(rng.normal(0.0, sd, n)))
    sd = (known.high - known.low) / (2.0 * NORMAL_95)
    return np.asarray(known.value + rng.normal(0.0, 1.0, n) * sd)


def _like(
    people: Population, fit: Fit, known: dict[str, Floats], ceiling_bpm: Floats, rng: np.random.Generator
) -> Population:
    """`people` with what is known, at the recorded ceilings."""
    changes: dict[str, Floats] = {}
    for key, (low, high) in {"gain": (4.0, 90.0), "response_s": (8.0, 150.0), "on_s": (6.0, 60.0),
                             "off_s": (8.0, 90.0), "drift_bpm_per_min": (-0.2, 1.0)}.items():
        if key in known:
            changes[key] = np.clip(known[key], low, high)
    if "dead_s" in known:  # half of the strap's averaging is in it
        changes["dead_s"] = np.clip(known["dead_s"] - (people.strap_window_s - 1.0) / 2.0, 1.0, 30.0)
    people = replace(people, **changes)
    if not isinstance(fit.base_bpm, Estimate) or fit.usual_m_s <= 0.0:
        return people
    base = _drawn("base_bpm", fit.base_bpm, len(people), rng)
    run = ceiling_bpm + (people.run_bpm - people.ceiling_bpm)
    habit = fit.usual_m_s + (run - base) / people.gain
    habit = np.clip(habit, np.maximum(0.85 * fit.usual_m_s, people.slowest_jog_m_s + 0.1),
                    1.25 * max(fit.usual_m_s, 1.8))
    run = np.clip(base + people.gain * (habit - fit.usual_m_s), 90.0, 205.0)
    depth = people.run_bpm - people.rest_bpm
    return replace(people, ceiling_bpm=ceiling_bpm, habitual_m_s=habit, run_bpm=run,
                   rest_bpm=np.clip(run - depth, 45.0, np.minimum(95.0, run - 25.0)))
