"""The controllers that drive a crowd: the guard, a bare alarm, and one who knows the truth."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from importlib import import_module
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from guard.errors import UsageError
from guard.events import Cue, Reading, State
from guard.runner.strap import ReadingFault
from guard.settings import Settings
from guard.signal.trust import Trust
from tests.lab.family import Crowd, Second

Array = NDArray[np.float64]
Codes = NDArray[np.int64]
ALARM_EVERY_S = 10.0
AIMS_UNDER_BPM = 1.5  # a knowing controller aims so far under: nobody can hold a speed exactly
GAIN_ERROR = 0.1  # SD of a learned gain, share of the true one (ours)
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
    """`guard.decide.lanes.Lanes`, fed as a session feeds it: speed and grade only where known.

    `told` false keeps speed, grade and learned gain from it; `taught` gives it
    a learned gain wherever the speed is known.
    """

    def __init__(self, crowd: Crowd, changes: Mapping[str, Any] | None = None, *, told: bool = True,
                 taught: bool = False, **more: Any) -> None:
        who = crowd.who
        known = (who["speed_known"] > 0) & told
        own = [{"ceiling_bpm": float(ceiling), "belt": bool(belt)}
               for ceiling, belt in zip(who["ceiling_bpm"], who["belt"], strict=True)]
        gains = who.get("learned_gain", np.full(crowd.n, np.nan))
        if taught:
            luck = np.random.default_rng(11).standard_normal(crowd.n)
            gains = np.where(np.isfinite(gains), gains, who["gain"] * (1.0 + GAIN_ERROR * luck))
        for values, gain, knows in zip(own, gains, known, strict=True):
            if knows and np.isfinite(gain):
                values["gain_bpm_per_m_s"] = float(np.clip(gain, 3.0, 120.0))
        settings = [Settings(**{**values, **(changes or {})}) for values in own]
        self.feed = Feed(settings, who["faults"] > 0, **more)
        self._known = known if known.any() else None
        self.advised_m_s: Array | None = None
        self.walks: NDArray[np.bool_] | None = None

    def step(self, now: Second) -> Codes:
        """Cues of the lanes."""
        known = self._known
        if known is None:
            cues = self.feed.step(now.t_s, now.bpm, now.fault)
        else:
            cues = self.feed.step(
                now.t_s, now.bpm, now.fault, speed_m_s=np.where(known, now.speed_m_s, np.nan),
                grade=np.where(known, now.grade, np.nan))
            self.advised_m_s = np.where(known, self.feed.lanes.advised_speed_m_s, np.nan)
        self.walks = np.asarray(self.feed.lanes.state) == int(State.WALKING)
        return cues


class Feed:
    """Lanes behind `Trust`, as a session feeds them. Only straps that may be at fault need judging."""

    def __init__(
        self, settings: Sequence[Settings], faulty: NDArray[np.bool_] | None = None, **more: Any
    ) -> None:
        from guard.decide.lanes import Lanes

        self.lanes = Lanes(settings, len(settings), **more)
        lanes = [] if faulty is None else np.flatnonzero(faulty).tolist()
        self._judged = [(lane, Trust()) for lane in lanes]

    def step(self, t_s: float, bpm: Array, fault: NDArray[Any], **known: Array) -> Codes:
        """Cues of the lanes for the readings of this second."""
        trusted, alive = bpm, ~np.isnan(bpm)
        if self._judged:
            trusted = bpm.copy()
            for lane, trust in self._judged:
                value = bpm[lane]
                if value == value:
                    # Only a sensor that repeats itself sends no beats; no two living ones are alike.
                    ripple = 0.004 * (int(t_s) % 5 - 2)
                    beats = () if fault[lane] == ReadingFault.FROZEN else (60.0 / value + ripple,)
                    said = trust.take(t_s, Reading(t_s, int(value), None, beats))
                    trusted[lane], alive[lane] = said.bpm, said.alive
        return np.asarray(self.lanes.step(np.full(len(bpm), t_s), trusted, alive=alive, **known))


def make(name: str, crowd: Crowd, changes: Mapping[str, Any] | None = None) -> Controller:
    """The controller called `name` for a crowd; "module:factory" is one from elsewhere. Raises UsageError."""
    if name == "alarm":
        return BareAlarm(crowd)
    if name == "knowing":
        return Knowing(crowd)
    if name in VARIANTS:
        return Guard(crowd, changes, **VARIANTS[name])
    if ":" in name:
        module, factory = name.split(":", 1)
        made: Controller = getattr(import_module(module), factory)(crowd)
        return made
    raise UsageError(f"no controller is called {name!r}: choose from {', '.join(NAMES)}")


VARIANTS: dict[str, dict[str, bool]] = {"guard": {}, "untold": {"told": False}, "taught": {"taught": True}}
NAMES = ("alarm", "knowing", *VARIANTS)
