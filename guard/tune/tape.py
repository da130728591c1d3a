"""A recording as the steps its session makes, worked out once for every setting.

When a session looks at its lane, and with what limits, follows from the inputs,
the plan and the ceiling alone. So one pass tells the steps, and hundreds of
settings can be played over them side by side, each deciding what a replay
would decide.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from guard.errors import InputError
from guard.events import Speed
from guard.log.recording import Recording
from guard.replay.replay import plan_of, played
from guard.session import Session
from guard.session.step import Step
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
    """Arrays of one value a step. `bpm` is NaN where nothing believable came; `alive`,
    `unguarded_s`, `interval_s`, `heard_bpm` and `locked` are what else was known of
    the signal (`decide.core.Known`): trust depends on no setting that is searched.
    `speed_m_s`, `grade` and `cadence_spm` are NaN where not told.
    `counts` tells whether being over the ceiling meant anything. `settings` are those
    its limits were made with."""

    name: str
    settings: Settings
    t_s: Floats
    bpm: Floats
    alive: Bools
    unguarded_s: Floats
    interval_s: Floats
    heard_bpm: Floats
    locked: Bools
    held: Bools
    counts: Bools
    speed_m_s: Floats
    grade: Floats
    cadence_spm: Floats
    limits: tuple[Limits, ...]

    def __len__(self) -> int:
        return len(self.t_s)

    @property
    def duration_s(self) -> float:
        return float(self.t_s[-1]) if len(self) else 0.0


def tape_of(name: str, recording: Recording, settings: Settings) -> Tape:
    """The steps of `recording` with the limits in `settings`.

    Raises UsageError when there is no ceiling, InputError when an input of the
    log cannot be taken or nothing was recorded.
    """
    noted = _Noted()
    try:
        played(recording, Session(settings, plan_of(recording), noted.take))
    except InputError as error:
        raise InputError(f"{name}: {error}") from None
    rows = np.array(noted.rows, dtype=np.float64).reshape(-1, 11)
    if not np.isfinite(rows[:, 1]).any():
        raise InputError(f"{name} holds no usable heart rate: there is nothing to tune on")
    (t_s, bpm, alive, unguarded_s, interval_s, heard_bpm, locked, held,
     speed_m_s, grade, cadence_spm) = rows.T.copy()
    return Tape(name, settings, t_s, bpm, alive > 0, unguarded_s, interval_s, heard_bpm, locked > 0,
                held > 0, np.array(noted.counts), speed_m_s, grade, cadence_spm, tuple(noted.limits))


@dataclass
class _Noted:
    """The steps of one session, as they come."""

    rows: list[tuple[float | bool | None, ...]] = field(default_factory=list)
    counts: list[bool] = field(default_factory=list)
    limits: list[Limits] = field(default_factory=list)

    def take(self, step: Step) -> None:
        """A row for the step, and its limits where they are new."""
        told = step.speed or Speed(step.t_s)
        self.rows.append((step.t_s, step.bpm, *step.known, step.held, told.speed_m_s, told.grade,
                          told.cadence_spm))
        self.counts.append(step.counts)
        warming = OWN_WARM_UP if step.warming is None else WARMING if step.warming else NOT_WARMING
        now = Limits(len(self.counts) - 1, step.ceiling_bpm, step.floor_bpm,
                     step.free_run, step.quiet_ease, step.quiet_walk, warming)
        if not self.limits or replace(now, at=self.limits[-1].at) != self.limits[-1]:
            self.limits.append(now)
