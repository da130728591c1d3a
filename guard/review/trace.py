"""A session gone through again, step by step, as arrays: what every figure of a review is made from.

The readings are fed to a session with the recording's settings, so that the
level, the ceiling in force and the times over it are the ones the runner saw,
to the last digit. A value of a step holds for the `dt_s` seconds before its
`t_s`, as in the totals of the session.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from guard.arrays import Bools, Floats
from guard.events import Output, Summary
from guard.log.recording import Recording
from guard.plan.plan import Kind, Plan
from guard.replay.replay import played
from guard.session import Session
from guard.session.step import Step
from guard.settings import Settings

HARD = (Kind.FAST, Kind.TEST)  # run over the ceiling on purpose
LONGEST_STEP_S = 3.0  # two levels further apart than this are not joined


@dataclass(frozen=True)
class Trace:
    """One value a step in each array, times rising; NaN where not known.

    `level_bpm` is the trusted estimate, `ceiling_bpm` the ceiling in force,
    `part` the index of the part, `held` whether the runner paused, `counts`
    whether the ceiling means anything then (not in a part left to the runner).
    `limit_bpm` is what cues were judged by: the ceiling, or a warm-up's ramp to it.
    `uncued` picks where the runner had switched the pace cues off.
    `apart` picks what was run hard as planned: fast and test parts, and the time
    that the part after one gives heart rate to fall (its grace).
    """

    t_s: Floats
    dt_s: Floats
    level_bpm: Floats
    ceiling_bpm: Floats
    limit_bpm: Floats
    speed_m_s: Floats
    grade: Floats
    part: NDArray[np.int64]
    held: Bools
    counts: Bools
    apart: Bools
    uncued: Bools
    parts: tuple[tuple[str, str], ...]  # (kind, name)

    @property
    def room_bpm(self) -> Floats:
        """Ceiling minus level; negative over the ceiling."""
        return self.ceiling_bpm - self.level_bpm

    @property
    def over_bpm(self) -> Floats:
        """Beats over the ceiling as a display shows them, as in the session's own totals."""
        return np.round(self.level_bpm) - np.round(self.ceiling_bpm)

    def between(self, begin_s: float, end_s: float) -> slice:
        """The steps with `begin_s` <= t < `end_s`."""
        first, last = np.searchsorted(self.t_s, [begin_s, end_s], side="left")
        return slice(int(first), int(last))

    def level_at(self, t_s: float) -> float | None:
        """The level at the step nearest to `t_s`, None when none known is within `LONGEST_STEP_S`."""
        near = self.between(t_s - LONGEST_STEP_S, t_s + LONGEST_STEP_S + 1e-9)
        known = np.flatnonzero(np.isfinite(self.level_bpm[near]))
        if not len(known):
            return None
        nearest = known[np.argmin(np.abs(self.t_s[near][known] - t_s))]
        return float(self.level_bpm[near][nearest])


def trace_of(
    recording: Recording, settings: Settings, plan: Plan | None
) -> tuple[Trace, tuple[Output, ...], Summary]:
    """(trace, everything said on the way, totals) of the recording under `settings`.

    Raises UsageError where `settings` hold no ceiling, InputError where the log
    breaks off in the middle for a reason of its content.
    """
    steps = _Rows(settings, plan)
    session = Session(settings, plan, steps.take)
    outputs = tuple(played(recording, session))
    return steps.trace(), outputs, session.summary()


def began(first_s: float) -> float:
    """When a session began whose first step is at `first_s`: a little before that step."""
    return first_s if first_s > LONGEST_STEP_S else 0.0


@dataclass
class _Rows:
    """The steps of one session, as they come."""

    settings: Settings
    plan: Plan | None
    rows: list[tuple[float, ...]] = field(default_factory=list)

    def take(self, step: Step) -> None:
        """A row for the step; the runner's own speed only while not paused."""
        speed = None if step.held else step.speed
        began_s = began(self.rows[0][0] if self.rows else step.t_s)
        part = int(step.t_s - began_s >= self.settings.warm_up_s) if self.plan is None else step.part
        self.rows.append((
            step.t_s, step.dt_s, step.level_bpm, step.limits.ceiling_bpm, step.limit_bpm,
            np.nan if speed is None or speed.speed_m_s is None else speed.speed_m_s,
            np.nan if speed is None or speed.grade is None else speed.grade,
            part, step.held, step.counts, step.limits.free_run))

    def trace(self) -> Trace:
        table = np.array(self.rows, dtype=np.float64).reshape(-1, 11)
        if self.plan is not None:
            parts = [(part.kind.value, part.title) for part in self.plan.parts]
            parts.append(("after", "after the plan"))
        else:
            parts = [("warm_up", "warm-up"), ("run", "run")]
        t_s, dt_s, level, ceiling, limit, speed, grade, part, held, counts, uncued = table.T
        index = part.astype(np.int64)
        return Trace(t_s, dt_s, level, ceiling, limit, speed, grade, index, held > 0, counts > 0,
                     _apart(self.plan, t_s, dt_s, index), uncued > 0, tuple(parts))


def _apart(plan: Plan | None, t_s: Floats, dt_s: Floats, part: NDArray[np.int64]) -> Bools:
    """Fast and test parts, and the grace of the part after one."""
    apart = np.zeros(len(t_s), dtype=bool)
    for place, one in enumerate(plan.parts if plan else ()):
        steps = np.flatnonzero(part == place)
        if not len(steps):
            continue
        if one.kind in HARD:
            apart[steps] = True
        elif place and plan and plan.parts[place - 1].kind in HARD:
            apart[steps] = t_s[steps] - (t_s[steps[0]] - dt_s[steps[0]]) <= one.grace_s
    return apart
