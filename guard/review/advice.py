"""What one thing would have helped most, where the session tells; pure.

The time over the ceiling is given to causes that can be seen: climbs (grade
known), running again after a walk, the first minutes after the warm-up, the
last third with drift, or a few single stretches. The one that explains most is
said, and only when it explains at least half of it and a minute or more; a
session without a clear cause says nothing. What was run as planned (fast
parts), and while the runner had switched the pace cues off, is no cause of anything. The bounds are our own.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from guard.arrays import Bools, Floats, runs
from guard.events import Cue
from guard.review.cues import CueOutcome
from guard.review.drift import Drift
from guard.review.trace import Trace

LEAST_OVER_S = 60.0  # less is nothing to put right
LEAST_SHARE = 0.5  # of the time over, explained
MOST_SHARE_OVER = 0.02  # under this share of the counted time all went well
CLIMB = 0.02  # grade, smoothed
CLIMB_S = 30.0  # up so long before: the climb is the cause (ours)
SMOOTH_S = 15.0  # altitude jumps (ours)
AFTER_CLIMB_S = 60.0  # heart rate is still falling
RESTART_S = 90.0  # after running again (ours)
FEWEST_RESTARTS = 3  # before they are named (ours)
BEGINNING_S = 600.0  # ten minutes, in which heart rate still rises (ours)
LATE = 1.0 / 3.0  # the last third (ours)
APART_S = 60.0  # two stretches over nearer than this are one
STRETCHES_NAMED = 3  # at most
STRETCHES_SHARE = 0.7  # of the time over that those named must hold (ours)


class Cause(StrEnum):
    """What the time over came from, in the order of being asked."""

    CLIMBS = "climbs"
    RESTARTS = "restarts"
    EARLY = "early"
    LATE = "late"
    STRETCHES = "stretches"


@dataclass(frozen=True, slots=True)
class MainCause:
    """`over_s` of `of_over_s` seconds over come from `cause`.

    `count` of `of_count` climbs, restarts or stretches were over (early: in the
    first `count` minutes), `at_s` when the stretches began, `excess_bpm` the mean over the
    ceiling meanwhile, `drift_bpm` the drift where the late third is the cause.
    """

    cause: Cause
    over_s: float
    of_over_s: float
    excess_bpm: float
    count: int = 0
    of_count: int = 0
    at_s: tuple[float, ...] = ()
    drift_bpm: float | None = None


def advice(trace: Trace, cues: Sequence[CueOutcome], drift: Drift, warm_up_s: float, *, said: bool
           ) -> MainCause | None:
    """The one thing, or None where nothing is to be said; `said`: the runner heard the cues."""
    if len(trace.t_s) < 2:
        return None
    counted = ~trace.held & trace.counts & np.isfinite(trace.level_bpm) & ~trace.apart & ~trace.uncued
    over = counted & (np.round(np.nan_to_num(trace.room_bpm, nan=0.0)) < 0.0)  # whole beats, as all else
    total_s = _seconds(trace, over)
    if total_s < max(LEAST_OVER_S, MOST_SHARE_OVER * _seconds(trace, counted)):
        return None
    ways: list[Callable[[], MainCause | None]] = [
        lambda: _climbs(trace, over, total_s),
        lambda: _restarts(trace, over, total_s, cues) if said else None,
        lambda: _early(trace, over, total_s, warm_up_s),
        lambda: _late(trace, over, total_s, drift),
    ]
    found = [one for way in ways if (one := way()) is not None and one.over_s >= LEAST_SHARE * total_s]
    clear = [one for one in found if one.over_s >= LEAST_OVER_S]
    return max(clear, key=lambda one: one.over_s) if clear else _stretches(trace, over, total_s)


def _climbs(trace: Trace, over: Bools, total_s: float) -> MainCause | None:
    if not np.isfinite(trace.grade).any():
        return None
    grade = np.nan_to_num(trace.grade)
    steep = [trace.between(trace.t_s[first], trace.t_s[last - 1] + AFTER_CLIMB_S)
             for first, last in zip(*runs(_smooth(trace, grade) >= CLIMB), strict=True)
             if trace.t_s[last - 1] - trace.t_s[first] >= CLIMB_S]
    count = sum(bool(over[span].any()) for span in steep)
    return _given(trace, Cause.CLIMBS, _within(over, steep), total_s, count, len(steep)) if count else None


def _within(over: Bools, spans: Sequence[slice]) -> Bools:
    """`over` in these spans only."""
    mine = np.zeros(len(over), dtype=bool)
    for span in spans:
        mine[span] = over[span]
    return mine


def _smooth(trace: Trace, values: Floats) -> Floats:
    """Mean over `SMOOTH_S` up to each step."""
    first = np.searchsorted(trace.t_s, trace.t_s - SMOOTH_S, side="right")
    sums = np.concatenate([[0.0], np.cumsum(values * trace.dt_s)])
    times = np.concatenate([[0.0], np.cumsum(trace.dt_s)])
    here = np.arange(1, len(values) + 1)
    return np.asarray((sums[here] - sums[first]) / np.maximum(times[here] - times[first], 1e-9))


def _restarts(trace: Trace, over: Bools, total_s: float, cues: Sequence[CueOutcome]) -> MainCause | None:
    begun = [cue.t_s for cue in cues if cue.cue is Cue.RESUME and not cue.given.repeat]
    spans = []
    for t_s in begun:
        # only what was under when running began again, and went over soon
        soon = over[trace.between(t_s, t_s + RESTART_S)]
        if soon.any() and not soon[0]:
            spans.append(trace.between(t_s, t_s + 2 * RESTART_S))
    if len(begun) < FEWEST_RESTARTS or 2 * len(spans) < len(begun):
        return None
    return _given(trace, Cause.RESTARTS, _within(over, spans), total_s, len(spans), len(begun))


def _early(trace: Trace, over: Bools, total_s: float, warm_up_s: float) -> MainCause | None:
    begin_s = float(trace.t_s[0]) + warm_up_s
    if trace.t_s[-1] - begin_s < 3 * BEGINNING_S:
        return None
    mine = _within(over, [trace.between(float(trace.t_s[0]), begin_s + BEGINNING_S)])
    return _given(trace, Cause.EARLY, mine, total_s, count=round((warm_up_s + BEGINNING_S) / 60.0))


def _late(trace: Trace, over: Bools, total_s: float, drift: Drift) -> MainCause | None:
    if drift.bpm is None or drift.error_bpm is None or drift.bpm <= drift.error_bpm:
        return None
    length_s = trace.t_s[-1] - trace.t_s[0]
    mine = trace.t_s >= trace.t_s[-1] - LATE * length_s
    return _given(trace, Cause.LATE, over & mine, total_s, drift_bpm=drift.bpm)


def _stretches(trace: Trace, over: Bools, total_s: float) -> MainCause | None:
    joined: list[slice] = []
    for first, last in zip(*runs(over), strict=True):
        if joined and trace.t_s[first] - trace.t_s[joined[-1].stop - 1] < APART_S:
            first = joined.pop().start
        joined.append(slice(first, last))
    longest = sorted(joined, key=lambda span: -_seconds(trace, _within(over, [span])))
    for count in range(1, min(len(longest), STRETCHES_NAMED) + 1):
        mine = _within(over, longest[:count])
        if _seconds(trace, mine) >= STRETCHES_SHARE * total_s:
            begins = tuple(sorted(float(trace.t_s[span.start]) for span in longest[:count]))
            return _given(trace, Cause.STRETCHES, mine, total_s, count, len(joined), begins)
    return None


def _given(
    trace: Trace, cause: Cause, mine: Bools, total_s: float, count: int = 0, of_count: int = 0,
    at_s: tuple[float, ...] = (), drift_bpm: float | None = None,
) -> MainCause | None:
    over_s = _seconds(trace, mine)
    if not over_s:
        return None
    excess_bpm = float(np.sum(-trace.room_bpm[mine] * trace.dt_s[mine])) / over_s
    return MainCause(cause, over_s, total_s, excess_bpm, count, of_count, at_s, drift_bpm)


def _seconds(trace: Trace, which: Bools) -> float:
    return float(np.sum(trace.dt_s[which]))
