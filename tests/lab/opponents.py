"""The controllers that drive a crowd: the guard, a bare alarm, and one who knows the truth."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from guard.events import Cue, State
from guard.settings import Settings
from tests.lab.family import Crowd, Second

Array = NDArray[np.float64]
Codes = NDArray[np.int64]
ALARM_EVERY_S = 10.0
AIMS_UNDER_BPM = 1.5  # a knowing controller aims so far under: nobody can hold a speed exactly
RESUMES_UNDER_BPM = 8.0  # it resumes so far under the ceiling where no jog would do


class Controller(Protocol):
    """What drives a crowd; `walks` is who it takes to be walking (None: it has no opinion)."""

    advised_m_s: Array | None
    walks: NDArray[np.bool_] | None

    def step(self, now: Second) -> Codes:
        """Codes of `Cue`, one a runner."""
        ...


class BareAlarm:
    """Sounds every ten seconds while the reading is over the ceiling."""

    advised_m_s: Array | None = None
    walks: NDArray[np.bool_] | None = None

    def __init__(self, crowd: Crowd) -> None:
        self._ceiling = crowd.who["ceiling_bpm"]
        self._sounded = np.full(crowd.n, -np.inf)

    def step(self, now: Second) -> Codes:
        """Ease wherever it sounds; it judges at every reading."""
        sounds = (now.bpm > self._ceiling) & (now.t_s - self._sounded >= ALARM_EVERY_S)
        self._sounded = np.where(sounds, now.t_s, self._sounded)
        return np.where(sounds, int(Cue.EASE), 0)


class Knowing:
    """Told the true speed, the true speed at the ceiling and the true heart rate.

    Ease the moment the speed 1.5 bpm under the ceiling is passed, again once
    the longest reaction and the ease itself are over. Where even the slowest
    jog passes it, walk as late as reaction and dead time allow; resume when a
    jog would do again, or 8 bpm under the ceiling.
    """

    advised_m_s: Array | None = None
    walks: NDArray[np.bool_] | None = None

    def __init__(self, crowd: Crowd) -> None:
        who = crowd.who
        self._who = who
        self._every = np.maximum(
            12.0, who["react_s"] + who["react_more_s"] + 2.0 + 2.0 * (who["gradual_s"] - 1.0))
        self._ahead_s = who["react_s"] + 0.5 * who["react_more_s"] + 0.5 * who["dead_s"]
        self._said = np.full(crowd.n, -np.inf)
        self._bpm, self._slope = np.full(crowd.n, np.nan), np.zeros(crowd.n)

    def step(self, now: Second) -> Codes:
        """Cues from the truth alone."""
        moved = np.nan_to_num(now.true_bpm - self._bpm)
        self._slope += 0.2 * (moved - self._slope)
        self._bpm = now.true_bpm
        aim = self._who["ceiling_bpm"] - AIMS_UNDER_BPM
        soon = now.true_bpm + self._slope * self._ahead_s
        ready = (now.t_s - self._said >= self._every) & ~now.standing
        running = ~now.walking
        ease = running & now.can_jog & (now.speed_m_s > now.crowd.speed_for(aim - now.wander_bpm))
        walk = running & ~now.can_jog & (soon >= aim)
        resume = now.walking & (now.can_jog | (now.true_bpm <= aim - RESUMES_UNDER_BPM))
        cues = np.select([ready & walk, ready & ease, ready & resume],
                         [int(Cue.WALK), int(Cue.EASE), int(Cue.RESUME)], 0)
        # At the slowest jog another ease is only a sound.
        cues[(cues == Cue.EASE) & (now.speed_m_s <= self._who["slowest_jog_m_s"] + 0.02)] = 0
        self._said = np.where(cues > 0, now.t_s, self._said)
        return cues


class Guard:
    """`guard.decide.lanes.Lanes`, fed as a session feeds it: speed and grade only where known."""

    def __init__(self, crowd: Crowd, changes: Mapping[str, Any] | None = None, **more: Any) -> None:
        from guard.decide.lanes import Lanes

        who = crowd.who
        self._known = who["speed_known"] > 0
        settings = [Settings(**{"ceiling_bpm": float(np.rint(ceiling)), "belt": bool(belt), **(changes or {})})
                    for ceiling, belt in zip(who["ceiling_bpm"], who["belt"], strict=True)]
        self.lanes = Lanes(settings, crowd.n, **more)
        self.advised_m_s: Array | None = None
        self.walks: NDArray[np.bool_] | None = None

    def step(self, now: Second) -> Codes:
        """Cues of the lanes."""
        t_s = np.full(len(now.bpm), now.t_s)
        if self._known.any():
            cues = self.lanes.step(t_s, now.bpm, speed_m_s=np.where(self._known, now.speed_m_s, np.nan),
                                   grade=np.where(self._known, now.grade, np.nan))
            self.advised_m_s = np.where(self._known, self.lanes.advised_speed_m_s, np.nan)
        else:
            cues = self.lanes.step(t_s, now.bpm)
        self.walks = np.asarray(self.lanes.state) == int(State.WALKING)
        return np.asarray(cues)


def make(name: str, crowd: Crowd, changes: Mapping[str, Any] | None = None) -> Controller:
    """The controller called `name` for a crowd."""
    if name == "alarm":
        return BareAlarm(crowd)
    if name == "knowing":
        return Knowing(crowd)
    if name == "guard":
        return Guard(crowd, changes)
    from tests.lab import prototypes

    return prototypes.make(name, crowd)


NAMES = ("alarm", "knowing", "guard")
