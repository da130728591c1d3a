"""A recording as the steps its session makes, worked out once for every setting.

When a session looks at its lane, and with what limits, follows from the inputs,
the plan and the ceiling alone. So one pass tells the steps, and hundreds of
settings can be played over them side by side, each deciding what a replay
would decide.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from guard.decide.lane import Lane
from guard.errors import InputError
from guard.events import Cue, Output
from guard.log.recording import Recording
from guard.plan.plan import Plan
from guard.replay.replay import plan_of, played
from guard.session import Session
from guard.settings import Settings

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

OWN_WARM_UP, NOT_WARMING, WARMING = -1, 0, 1


@dataclass(frozen=True)
class Limits:
    """From step `at` on; `warming` is `OWN_WARM_UP` where no plan says."""

    at: int
    ceiling_bpm: float
    floor_bpm: float | None
    free_run: bool
    quiet_ease: bool
    quiet_walk: bool
    warming: int


@dataclass(frozen=True)
class Tape:
    """Arrays of one value a step. `bpm` is NaN where nothing believable came,
    `cadence_spm` where it was not known; `counts` tells whether being over the
    ceiling meant anything. `settings` are those its limits were made with."""

    name: str
    settings: Settings
    t_s: Floats
    bpm: Floats
    cadence_spm: Floats
    held: Bools
    counts: Bools
    limits: tuple[Limits, ...]

    def __len__(self) -> int:
        return len(self.t_s)

    @property
    def has_cadence(self) -> bool:
        return bool(np.isfinite(self.cadence_spm).any())

    @property
    def duration_s(self) -> float:
        return float(self.t_s[-1]) if len(self) else 0.0


def tape_of(name: str, recording: Recording, settings: Settings) -> Tape:
    """The steps of `recording` with the limits in `settings`.

    Raises UsageError when there is no ceiling, InputError when an input of the
    log cannot be taken or nothing was recorded.
    """
    session = _Taped(settings, plan_of(recording))
    try:
        played(recording, session)
    except InputError as error:
        raise InputError(f"{name}: {error}") from None
    rows = np.array(session.lane.rows, dtype=np.float64).reshape(-1, 4)
    if not np.isfinite(rows[:, 1]).any():
        raise InputError(f"{name} holds no usable heart rate: there is nothing to tune on")
    return Tape(name, settings, rows[:, 0].copy(), rows[:, 1].copy(), rows[:, 2].copy(),
                rows[:, 3] > 0, np.array(session.counts), tuple(session.limits))


class _NotingLane(Lane):
    """A lane that notes what it is told and decides nothing."""

    def __init__(self, settings: Settings) -> None:
        super().__init__(settings)
        self.rows: list[tuple[float, float, float, bool]] = []

    def step(
        self, t_s: float, bpm: float, *, speed_m_s: float | None = None, grade: float | None = None,
        cadence_spm: float | None = None, held: bool = False,
    ) -> Cue:
        self.rows.append((t_s, bpm, np.nan if cadence_spm is None else cadence_spm, held))
        return Cue.NONE


class _Taped(Session):
    """A session with such a lane; notes the limits it sets before each step."""

    def __init__(self, settings: Settings, plan: Plan | None) -> None:
        super().__init__(settings, plan)
        self._lane = self.lane = _NotingLane(settings)
        self.limits: list[Limits] = []
        self.counts: list[bool] = []

    def _step(self, t_s: float, bpm: float) -> list[Output]:
        outputs = super()._step(t_s, bpm)
        self.counts.append(self._counts())
        col = self.lane.columns
        floor = col.floor_bpm
        warming = OWN_WARM_UP
        if self.plan is not None:
            warming = WARMING if col.warm_up_s == np.inf else NOT_WARMING
        now = Limits(len(self.counts) - 1, col.ceiling_bpm, None if floor != floor else floor,
                     col.free_run, col.quiet_ease, col.quiet_walk, warming)
        if not self.limits or replace(now, at=self.limits[-1].at) != self.limits[-1]:
            self.limits.append(now)
        return outputs
