"""A recording as the steps its session makes, worked out once for every setting.

When a session looks at its lane, and with what limits, follows from the inputs,
the plan and the ceiling alone. So one pass tells the steps, and hundreds of
settings can be played over them side by side, each deciding what a replay
would decide.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from guard.arrays import Bools, Floats
from guard.errors import InputError
from guard.log.recording import Recording
from guard.replay.replay import plan_of, played
from guard.session import Session
from guard.session.step import LimitsTold, Step
from guard.settings import Settings
from guard.signal.known import Known

# What a step is told beside the heart rate, by the names of `Lanes.step`; those of `Known` last.
TOLD = ("speed_m_s", "grade", "cadence_spm", "load_ahead_m_s", "load_in_s", *Known._fields)
# From a step on: what lanes are told, and whether a plan's warm-up lasts (None: no plan says).
TapeLimits = tuple[int, LimitsTold, bool | None]


@dataclass(frozen=True)
class Tape:
    """Arrays of one value a step. `bpm` is NaN where nothing believable came; `told`
    holds what else a lane is told, by the name `Lanes.step` has for it: speed, and what
    trust knows of the signal, which depends on no setting that is searched. `counts`
    tells whether being over the ceiling meant anything. `words`: step and time of what
    else was said. `settings` are those its limits were made with."""

    name: str
    settings: Settings
    t_s: Floats
    bpm: Floats
    held: Bools
    counts: Bools
    limits: tuple[TapeLimits, ...]
    told: Mapping[str, Floats] = field(default_factory=dict)
    words: tuple[tuple[int, float], ...] = ()

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
    t_s, bpm, held, *columns = np.array(noted.rows, dtype=np.float64).reshape(-1, 3 + len(TOLD)).T.copy()
    if not np.isfinite(bpm).any():
        raise InputError(f"{name} holds no usable heart rate: there is nothing to tune on")
    told = {key: column for key, column in zip(TOLD, columns, strict=True) if np.isfinite(column).any()}
    return Tape(name, settings, t_s, bpm, held > 0, np.array(noted.counts), tuple(noted.limits), told,
                tuple(noted.words))


@dataclass
class _Noted:
    """The steps of one session, as they come."""

    rows: list[tuple[float | bool | None, ...]] = field(default_factory=list)
    counts: list[bool] = field(default_factory=list)
    limits: list[TapeLimits] = field(default_factory=list)
    words: list[tuple[int, float]] = field(default_factory=list)

    def take(self, step: Step) -> None:
        """A row for the step, and its limits where they are new."""
        speed = step.speed
        told = (speed.speed_m_s, speed.grade, speed.cadence_spm) if speed else (None, None, None)
        self.rows.append((step.t_s, step.bpm, step.held, *told, *step.load, *step.known))
        self.counts.append(step.counts)
        if step.said_s is not None:
            self.words.append((len(self.counts) - 1, step.said_s))
        now = (step.limits, step.warming)
        if not self.limits or now != self.limits[-1][1:]:
            self.limits.append((len(self.counts) - 1, *now))
