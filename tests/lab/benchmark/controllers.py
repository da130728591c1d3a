"""The guard and its opponents, all driven the same way.

    cues = controller.step(t_s, bpm, truth=second)

`t_s` and `bpm` (NaN where nothing came) are what a strap gives; `truth` is for
the controllers that are allowed to know. Cues are codes of `Cue`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from guard.decide.lanes import Lanes
from guard.events import Cue
from guard.runner.courses import Course
from guard.runner.population import Population
from guard.runner.simulate import Second
from guard.settings import Settings
from guard.signal.trust import FROZEN_RR_S

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

ALARM_EVERY_S = 10.0
KNOWING_EVERY_S = 12.0  # longest reaction and a little: else it would cue a runner already easing
KNOWING_MARGIN_BPM = 8.0  # resuming where only walk and run is possible
GAIN_ERROR = 0.1  # SD of a learned gain, share of the true one (ours)


class Controller(Protocol):
    """What the benchmark drives; the two speeds are None where it gives none."""

    advised_speed_m_s: Array | None
    imposed_speed_m_s: Array | None

    def step(self, t_s: Array, bpm: Array, *, truth: Second) -> Codes:
        """Codes of `Cue`, one a runner."""
        ...


class Guard:
    """`guard.decide.lanes.Lanes` fed as a session feeds it.

    A value that stands still without the RR intervals that came before is
    dropped, as `guard.signal.trust` does. Speed and grade are passed
    only on courses whose belt is known.
    """

    imposed_speed_m_s: Array | None = None

    def __init__(
        self, runners: Population, course: Course, changes: Mapping[str, Any], rng: np.random.Generator
    ) -> None:
        known = course.kind in ("belt", "learned")
        self._knows_speed = known
        # On every course the same number of draws, so that courses do not disturb one another.
        gains = runners.gain * (1.0 + GAIN_ERROR * rng.standard_normal(len(runners)))
        lanes = []
        for ceiling, gain in zip(runners.ceiling_bpm, gains, strict=True):
            values: dict[str, Any] = {"ceiling_bpm": float(ceiling), "belt": course.belt}
            if course.learned_gain:
                values["gain_bpm_per_m_s"] = float(np.clip(gain, 3.0, 120.0))
            lanes.append(Settings(**{**values, **changes}))
        self.lanes = Lanes(lanes, len(lanes))
        self.advised_speed_m_s: Array | None = None
        self._last = np.full(len(lanes), np.nan)
        self._still_since_s = np.zeros(len(lanes))

    def step(self, t_s: Array, bpm: Array, *, truth: Second) -> Codes:
        """Cues of the lanes; of the truth only the belt's speed is looked at."""
        moved = truth.has_rr | (bpm != self._last)
        self._still_since_s = np.where(moved, t_s, self._still_since_s)
        self._last = bpm
        bpm = np.where(t_s - self._still_since_s >= FROZEN_RR_S, np.nan, bpm)
        if not self._knows_speed:
            return self.lanes.step(t_s, bpm)
        cues = self.lanes.step(t_s, bpm, speed_m_s=truth.speed_m_s, grade=truth.grade)
        self.advised_speed_m_s = self.lanes.advised_speed_m_s
        return cues


class BareAlarm:
    """Sounds every ten seconds while the reading is over the ceiling.

    With `delay_s` the reading must have been over for so long first (Görges
    2009: 14 s and 19 s remove half and two thirds of ignored alarms).
    """

    advised_speed_m_s: Array | None = None
    imposed_speed_m_s: Array | None = None

    def __init__(self, runners: Population, delay_s: float = 0.0) -> None:
        self._ceiling = runners.ceiling_bpm
        self._delay_s = delay_s
        self._over_since = np.full(len(runners), np.inf)
        self._sounded = np.full(len(runners), -np.inf)

    def step(self, t_s: Array, bpm: Array, *, truth: Second) -> Codes:
        """EASE wherever the alarm sounds; a missing reading keeps the last judgement."""
        over = np.where(np.isnan(bpm), np.isfinite(self._over_since), bpm > self._ceiling)
        self._over_since = np.where(over, np.minimum(self._over_since, t_s), np.inf)
        sounds = (
            over & ~np.isnan(bpm)
            & (t_s - self._over_since >= self._delay_s) & (t_s - self._sounded >= ALARM_EVERY_S))
        self._sounded = np.where(sounds, t_s, self._sounded)
        return np.where(sounds, int(Cue.EASE), 0)


class Knowing:
    """Told the true speed and the true speed at the ceiling.

    Says ease the moment it is passed, again after 12 s if it still is. Where
    even the slowest jog passes it, easing cannot help: says walk when the true
    heart rate reaches the ceiling. Resumes likewise: the moment the slowest jog
    is under the speed at the ceiling again, or (walk and run) once the true
    heart rate is 8 bpm under the ceiling. With `under_bpm` it keeps the runner
    so far under the ceiling: what more caution can gain, and what it costs.
    """

    advised_speed_m_s: Array | None = None
    imposed_speed_m_s: Array | None = None

    def __init__(self, runners: Population, under_bpm: float = 0.0) -> None:
        self._ceiling = runners.ceiling_bpm - under_bpm
        self._said = np.full(len(runners), -np.inf)

    def step(self, t_s: Array, bpm: Array, *, truth: Second) -> Codes:
        """Cues from the truth alone."""
        fastest = truth.settling_speed_m_s(self._ceiling)
        jogs = truth.slowest_jog_m_s <= fastest
        ready = (t_s - self._said >= KNOWING_EVERY_S) & ~truth.standing
        running = ~truth.walking
        ease = running & jogs & (truth.speed_m_s > fastest)
        walk = running & ~jogs & (truth.true_bpm >= self._ceiling)
        resume = truth.walking & (jogs | (truth.true_bpm <= self._ceiling - KNOWING_MARGIN_BPM))
        cues = np.select([ready & walk, ready & ease, ready & resume],
                         [int(Cue.WALK), int(Cue.EASE), int(Cue.RESUME)], 0)
        self._said = np.where(cues > 0, t_s, self._said)
        return cues


class SpeedFollower:
    """A hand-tuned PI controller that sets the speed itself: an upper reference.

    It cues nobody and nobody can ignore it; no guard may drive a belt. Never
    faster than the runner's habitual speed; speeds under a jog are walked.
    """

    advised_speed_m_s: Array | None = None
    gain = 0.08  # m/s a bpm
    gain_per_s = 0.0015
    under_bpm = 4.0

    def __init__(self, runners: Population) -> None:
        self._who = runners
        self._sum = 0.85 * runners.habitual_m_s
        self._last = runners.rest_bpm.copy()
        self.imposed_speed_m_s: Array | None = self._sum.copy()

    def step(self, t_s: Array, bpm: Array, *, truth: Second) -> Codes:
        """No cues; the speed for the next second is left in `imposed_speed_m_s`."""
        self._last = np.where(np.isnan(bpm), self._last, 0.7 * self._last + 0.3 * bpm)
        error = np.clip(self._who.ceiling_bpm - self.under_bpm - self._last, -15.0, 15.0)
        top = self._who.habitual_m_s
        self._sum = np.clip(self._sum + self.gain_per_s * error, 1.2, top)
        self.imposed_speed_m_s = np.clip(self._sum + self.gain * error, 1.2, top)
        return np.zeros(len(self._sum), dtype=np.int64)


UNDER_BPM = {"knowing": 0.0, "careful3": 3.0, "careful6": 6.0, "careful12": 12.0}
NAMES: dict[str, str] = {
    "guard": "the guard",
    "bare": "bare alarm, every 10 s",
    "bare14": "alarm after 14 s",
    "bare19": "alarm after 19 s",
    "knowing": "knows the true speeds",
    "careful3": "knows, keeps 3 bpm under",
    "careful6": "knows, keeps 6 bpm under",
    "careful12": "knows, keeps 12 bpm under",
    "follower": "sets the speed (PI)",
}


def make(
    name: str, runners: Population, course: Course, changes: Mapping[str, Any], rng: np.random.Generator
) -> Controller:
    """The controller called `name` (a key of `NAMES`) for these runners."""
    if name == "guard":
        return Guard(runners, course, changes, rng)
    if name in UNDER_BPM:
        return Knowing(runners, UNDER_BPM[name])
    if name == "follower":
        return SpeedFollower(runners)
    return BareAlarm(runners, {"bare": 0.0, "bare14": 14.0, "bare19": 19.0}[name])
