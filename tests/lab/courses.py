"""The courses of `tests.lab.ground`, lived through the same measures as the kinds.

The runners, seeds and luck are those of the guarding benchmark that came
before, so that figures can be compared over time.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from operator import itemgetter
from typing import Any

import numpy as np
from numpy.typing import NDArray

from guard.errors import UsageError
from guard.events import PACE_CUES
from guard.runner.behaviour import REACTION_S, RESUME_SHARE
from guard.runner.population import Population, draw
from guard.runner.simulate import Runners
from guard.runner.simulate import Second as Lived
from guard.runner.strap import USUAL_FAULTS
from tests.lab.family import SOON_S, Second
from tests.lab.ground import COURSES, LabCourse
from tests.lab.measures import Hour, live
from tests.lab.opponents import GAIN_ERROR, make
from tests.lab.remembered import hour
from tests.lab.report import Figures, figures
from tests.lab.second_heart import HEARTS
from tests.lab.settling import settling_speed_m_s

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
SEEDS = {"dev": 20_001, "report": 77_003}
KNOWN = ("belt", "learned")  # courses whose speed the guard is told


class OnCourse:
    """Runners of one course, with the face of `tests.lab.family.Crowd`."""

    def __init__(self, course: LabCourse, n: int, seed_set: str, model: str) -> None:
        seed = [SEEDS[seed_set], list(COURSES).index(course.name)]
        runners = draw(n, np.random.default_rng([*seed, 0]), habitual_m_s=course.habitual_m_s,
                       steepest=course.steepest, belt=course.belt)
        self._world = Runners(runners, course, [*seed, 1], heart=HEARTS[model],
                              listener=course.listener, faults=USUAL_FAULTS)
        self.n, self.steps, self._runners, self._model = n, self._world.steps, runners, model
        luck = np.random.default_rng([*seed, 2])
        gains = runners.gain * (1.0 + GAIN_ERROR * luck.standard_normal(n))
        known = float(course.kind in KNOWN)
        self.who: dict[str, Array] = {
            "ceiling_bpm": runners.ceiling_bpm, "slowest_jog_m_s": runners.slowest_jog_m_s,
            "dead_s": runners.dead_s, "react_s": np.full(n, REACTION_S[0]),
            "react_more_s": np.full(n, REACTION_S[1] - REACTION_S[0]), "gradual_s": np.ones(n),
            "every_s": np.ones(n), "faults": np.ones(n),
            "speed_known": np.full(n, known), "belt": np.full(n, float(course.belt)), "gain": runners.gain,
            "learned_gain": gains if course.learned_gain else np.full(n, np.nan)}
        self._now: Lived | None = None

    @property
    def distance_m(self) -> Array:
        """So far."""
        return self._world.distance_m

    def step(self, cues: NDArray[Any], advised_m_s: Array | None = None) -> Second:
        """Live one second."""
        now = self._world.step(cues, advised_m_s)
        self._now = now
        pending = self._world.behaviour._pending
        here: Any = self
        return _Second(now.t_s, now.bpm, now.fault, now.true_bpm, now.speed_m_s, now.grade, now.walking,
                       now.standing, np.zeros(self.n), pending, here, self._runners,
                       self.speed_for(self._runners.ceiling_bpm))

    def speed_for(self, bpm: Array) -> Array:
        """The running speed on this ground that settles at `bpm`."""
        assert self._now is not None
        return settling_speed_m_s(self._runners, self._now, bpm, belt=self._world.course.belt)

    def lasts_a_minute(self) -> Mask:
        """Whether one who ran again now would still be under the ceiling in a minute, nearly."""
        now, heart, who = self._now, self._world._heart, self._runners
        assert now is not None
        pace = np.maximum(RESUME_SHARE * self._world.behaviour.pace_m_s, who.slowest_jog_m_s)
        share = np.asarray(self._world.course.at(now.t_s, self.distance_m).pace_share)
        # How far over the speed at the ceiling, in bpm, by the runner's own gain.
        speed = np.maximum(pace * share, who.slowest_jog_m_s)
        leads = who.ceiling_bpm + who.gain * (speed - self.speed_for(who.ceiling_bpm))
        left_s = SOON_S - who.dead_s
        level = now.true_bpm + heart._depth
        later = leads - (leads - level) * np.exp(-left_s / who.response_s)
        return np.asarray(later - heart._depth * np.exp(-left_s / who.on_s) <= who.ceiling_bpm)


@dataclass(frozen=True)
class _Second(Second):
    """As `Second`, with the truth taken from the course."""

    who: Population
    ceiling_speed_m_s: Array

    @cached_property
    def can_jog(self) -> Mask:
        """See `Second`."""
        return np.asarray(self.who.slowest_jog_m_s <= self.ceiling_speed_m_s)

    @cached_property
    def settles_bpm(self) -> Array:
        """Over or under the ceiling as the effort settles; how far is not told."""
        return np.asarray(self.who.ceiling_bpm + (self.speed_m_s - self.ceiling_speed_m_s))


def run(
    names: Sequence[str] | None, controllers: Sequence[str], n: int, seed_set: str, model: str,
    changes: Mapping[str, Any] | None = None,
) -> dict[str, dict[str, Figures]]:
    """Figures by controller and course. Raises UsageError for a course there is none of."""
    table: dict[str, dict[str, Figures]] = {}
    for name in names or COURSES:
        if name not in COURSES:
            raise UsageError(f"no course is called {name!r}: choose from {', '.join(COURSES)}")
        course = COURSES[name]
        hours: dict[str, Hour] = {}
        for controller in dict.fromkeys(("alarm", "knowing", *controllers)):
            def lived(controller: str = controller, course: LabCourse = course) -> Hour:
                crowd: Any = OnCourse(course, n, seed_set, model)
                return live(crowd, make(controller, crowd, changes))

            hours[controller] = hour(controller, (name, course.duration_s, n, seed_set, model), lived)
        slopes = course.kind == "hills"
        for controller, one in hours.items():
            table.setdefault(controller, {})[name] = figures(
                one, slice(0, n), hours["alarm"], untold_slopes=slopes)
    return table


# The note's figures: means over the courses whose speed is not known, of the landed guard's.
ASKED = {"over_min": 0.7, "over_can_min": 0.35, "over_bpm_min": 0.55, "pace_cues": 1.1, "distance_km": 0.99}
MOST = {"walked_while_can": 0.12, "taken_for_running": 0.10}
WORST = {"over_min": 1.1, "pace_cues": 1.3, "distance_km": 0.98}


def pace_cues(figure: Figures) -> float:
    """Cues about pace an hour."""
    return float(sum(figure["cues"].get(cue.key, 0.0) for cue in PACE_CUES))


def against_landed(name: str, table: Mapping[str, Mapping[str, Figures]]) -> tuple[str, list[str]]:
    """Means and worst course against the landed guard, where its figures are known; targets missed."""
    if "landed" not in table:
        return "", []
    lines = [f"{name}, against the landed guard" + " " * 10 + "".join(f"{what:>14s}" for what in ASKED)]
    ratios: dict[str, list[float]] = {what: [] for what in ASKED}
    for course, old in table["landed"].items():
        new = table[name][course]
        row = []
        for what in ASKED:
            count = pace_cues if what == "pace_cues" else itemgetter(what)
            over, under = count(new), count(old)
            row.append(over / under if under > 0 else float("nan"))
            if COURSES[course].kind not in KNOWN:
                ratios[what].append(row[-1])
        lines.append(f"  {course:38s}" + "".join(f"{value:14.3f}" for value in row))
    if not ratios["over_min"]:
        return "\n".join(lines), []
    missed = []
    means = {what: float(np.nanmean(values)) for what, values in ratios.items()}
    lines.append(f"  {'mean, speed not known':38s}" + "".join(f"{means[what]:14.3f}" for what in ASKED))
    lines.append(f"  {'asked':38s}" + "".join(
        f"{('>= ' if what == 'distance_km' else '<= ') + format(limit, '.2f'):>14s}"
        for what, limit in ASKED.items()))
    for what, limit in WORST.items():
        worst = min(ratios[what]) if what == "distance_km" else max(ratios[what])
        met = worst >= limit if what == "distance_km" else worst <= limit
        lines.append(f"  worst course, {what}: {worst:.3f}, asked {limit} {'met' if met else 'NOT MET'}")
        if not met:
            missed.append(f"worst course, {what} {worst:.3f} of the landed guard's (asked {limit})")
    for what, limit in ASKED.items():
        if means[what] < limit if what == "distance_km" else means[what] > limit:
            missed.append(f"courses, {what} {means[what]:.3f} of the landed guard's (asked {limit})")
    able = [course for course in table["landed"] if COURSES[course].kind not in KNOWN]
    for label, key in (("walked while he can jog", "walked_while_can"),
                       ("walking taken for running", "taken_for_running")):
        lines.append(f"  {label}: " + ", ".join(
            f"{who} {100 * float(np.mean([table[who][course][key] or 0.0 for course in able])):.1f} %"
            for who in ("landed", name)))
        if (share := float(np.mean([table[name][course][key] or 0.0 for course in able]))) > MOST[key]:
            missed.append(f"courses, {label} {100 * share:.1f} % (asked {100 * MOST[key]:.0f})")
    return "\n".join(lines), missed


