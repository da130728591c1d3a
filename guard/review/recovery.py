"""How far heart rate fell in the minute after running stopped; pure.

This is the fall after a stop or a walk in the middle of a training run. It is
another event than the first minute after a maximal test, and what is published
for that test (Cole et al. 1999, N Engl J Med 341) says nothing about it: here
it depends on how hard the minute before was and on what was done instead of
running. In one open set of graded running tests short stops brought 17.2 +- 8.0
bpm in 60 s, a full stop after hard running 62 and 72 bpm in another.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from guard.arrays import Bools
from guard.events import Cue, CueGiven
from guard.response.spans import RUN_M_S, WALK_M_S
from guard.review.cues import TURN_BPM
from guard.review.trace import Trace

RECOVERY_S = 60.0  # the first minute, as heart-rate recovery is told (common practice)
_MOSTLY = 0.9  # of the minute before running, and of the minute after not


@dataclass(frozen=True)
class Recovery:
    """`fell_bpm` in the 60 s from `t_s` on; negative where heart rate rose though running stopped.

    `kind`: `stop` or `walk` where speed is known, `pause` where the runner
    paused the guard, `walk_cue` where only a cue to walk tells of it (whether
    the runner walked is then not known, and nothing is told where heart rate did not fall).
    """

    t_s: float
    kind: str
    from_bpm: float
    after_bpm: float

    @property
    def fell_bpm(self) -> float:
        return self.from_bpm - self.after_bpm


def recoveries(trace: Trace, cues: Sequence[CueGiven], doubted_s: Collection[float] = ()
               ) -> tuple[Recovery, ...]:
    """Every such minute of the session, in order, none inside another.

    None where a reading was missing or doubted (`doubted_s`, their times) from the minute before to
    the minute after: a strap that slips looks like a fall.
    """
    found: list[Recovery] = []
    for t_s, kind in sorted([*_by_speed(trace), *_pauses(trace), *_walk_cues(trace, cues)]):
        if found and t_s < found[-1].t_s + RECOVERY_S:
            continue
        if not _is_sound(trace, t_s, doubted_s):
            continue
        before, after = trace.level_at(t_s), trace.level_at(t_s + RECOVERY_S)
        if before is None or after is None or (kind == "walk_cue" and before - after < TURN_BPM):
            continue
        found.append(Recovery(t_s, kind, before, after))
    return tuple(found)


def _is_sound(trace: Trace, t_s: float, doubted_s: Collection[float]) -> bool:
    """Whether heart rate was known and nothing doubted all about the minute from `t_s` on."""
    begin_s, end_s = t_s - RECOVERY_S, t_s + 2.0 * RECOVERY_S
    if any(begin_s <= one < end_s for one in doubted_s):
        return False
    minute = trace.between(t_s, t_s + RECOVERY_S)
    return bool(np.isfinite(trace.level_bpm[minute]).all())


def _by_speed(trace: Trace) -> list[tuple[float, str]]:
    speed = trace.speed_m_s
    running = np.nan_to_num(speed) >= RUN_M_S
    slow = np.isfinite(speed) & ~running
    found = []
    for step in np.flatnonzero(slow[1:] & running[:-1]) + 1:
        t_s = float(trace.t_s[step])
        before, after = trace.between(t_s - RECOVERY_S, t_s), trace.between(t_s, t_s + RECOVERY_S)
        if (_share(trace, running, before) >= _MOSTLY and _share(trace, slow, after) >= _MOSTLY
                and trace.t_s[-1] >= t_s + RECOVERY_S - 1.0):
            mean_m_s = float(np.nanmean(speed[after]))
            found.append((t_s, "stop" if mean_m_s < WALK_M_S else "walk"))
    return found


def _share(trace: Trace, what: Bools, span: slice) -> float:
    """Share of the span of SPAN_S seconds in which `what` is true."""
    return float(np.sum(trace.dt_s[span][what[span]])) / RECOVERY_S


def _pauses(trace: Trace) -> list[tuple[float, str]]:
    begins = np.flatnonzero(trace.held[1:] & ~trace.held[:-1]) + 1
    return [(float(trace.t_s[step]), "pause") for step in begins
            if trace.held[trace.between(trace.t_s[step], trace.t_s[step] + RECOVERY_S)].all()]


def _walk_cues(trace: Trace, cues: Sequence[CueGiven]) -> list[tuple[float, str]]:
    found = []
    for place, given in enumerate(cues):
        if given.cue is not Cue.WALK or given.repeat:
            continue
        soon = [other.cue for other in cues[place + 1:] if other.t_s < given.t_s + RECOVERY_S]
        span = trace.between(given.t_s, given.t_s + RECOVERY_S)
        if Cue.RESUME not in soon and np.isnan(trace.speed_m_s[span]).all() and not trace.held[span].any():
            found.append((given.t_s, "walk_cue"))
    return found
