"""Time at or under and over the ceiling, by part; pure."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from guard.arrays import Floats
from guard.review.trace import Trace, began


@dataclass(frozen=True)
class PartFigures:
    """Totals of one part, in s and bpm; means are weighted by time.

    `ceiling_bpm` is (lowest, highest) in force during the part. Time without a
    signal, paused or left to the runner counts neither as under nor as over.
    `planned_s` of what counts, and `planned_over_s` of `over_s`, came in fast parts
    and right after them, as planned.
    `uncued_s` of what counts, and `uncued_over_s` of `over_s`, came while the runner
    had switched the pace cues off.
    `over_bpm_min` is the area over the ceiling: bpm over it times minutes.
    `mean_bpm`, `highest_bpm` and `distance_m` are None where nothing is known.
    """

    kind: str
    name: str
    begin_s: float
    end_s: float
    ceiling_bpm: tuple[float, float]
    at_or_under_s: float
    over_s: float
    over_bpm_min: float
    no_signal_s: float
    held_s: float
    unguarded_s: float
    mean_bpm: float | None
    highest_bpm: float | None
    distance_m: float | None
    planned_s: float
    planned_over_s: float
    uncued_s: float
    uncued_over_s: float

    @property
    def easy_over_s(self) -> float:
        """Time over that was not planned."""
        return max(self.over_s - self.planned_over_s, 0.0)

    @property
    def easy_share_under(self) -> float | None:
        """`share_under` of what was to be run easily; None where nothing was."""
        easy_s = self.at_or_under_s + self.over_s - self.planned_s
        return 1.0 - self.easy_over_s / easy_s if easy_s > 0.5 else None

    @property
    def duration_s(self) -> float:
        return self.end_s - self.begin_s

    @property
    def share_under(self) -> float | None:
        """Share (0 to 1) of the time that counts; None when none does."""
        counted_s = self.at_or_under_s + self.over_s
        return self.at_or_under_s / counted_s if counted_s > 0 else None


def by_part(trace: Trace) -> tuple[PartFigures, ...]:
    """Every stretch of one part, in order; a plan that was gone through once has each once."""
    if not len(trace.t_s):
        return ()
    edges = [0, *(np.flatnonzero(np.diff(trace.part)) + 1).tolist(), len(trace.t_s)]
    last_part = len(trace.parts) - 1
    return tuple(
        _figures(trace, slice(first, last), *trace.parts[min(int(trace.part[first]), last_part)])
        for first, last in pairwise(edges))


def whole(trace: Trace) -> PartFigures | None:
    """The same of the whole session; None for a session without a step."""
    if not len(trace.t_s):
        return None
    return _figures(trace, slice(0, len(trace.t_s)), "session", "whole session")


def _figures(trace: Trace, steps: slice, kind: str, name: str) -> PartFigures:
    dt_s, level, over = trace.dt_s[steps], trace.level_bpm[steps], trace.over_bpm[steps]
    held, silent = trace.held[steps], np.isnan(level)
    counted = ~held & ~silent & trace.counts[steps]
    too_high = counted & (np.nan_to_num(over) > 0.0)
    known = ~silent & (dt_s > 0)
    speed = trace.speed_m_s[steps]
    moved = np.isfinite(speed)
    ceiling = trace.ceiling_bpm[steps]
    # From the first step of a part to that of the next.
    begin_s = float(trace.t_s[steps.start])
    begin_s = begin_s if steps.start else began(begin_s)
    end_s = float(trace.t_s[min(steps.stop, len(trace.t_s) - 1)])
    return PartFigures(
        kind, name, begin_s, end_s,
        (float(ceiling.min()), float(ceiling.max())),
        at_or_under_s=_sum(dt_s[counted & ~too_high]),
        over_s=_sum(dt_s[too_high]),
        over_bpm_min=_sum(over[too_high] * dt_s[too_high]) / 60.0,
        no_signal_s=_sum(dt_s[~held & silent]),
        held_s=_sum(dt_s[held]),
        unguarded_s=_sum(dt_s[~held & ~silent & ~trace.counts[steps]]),
        mean_bpm=_sum(level[known] * dt_s[known]) / _sum(dt_s[known]) if known.any() else None,
        highest_bpm=float(level[~silent].max()) if not silent.all() else None,
        distance_m=_sum(speed[moved] * dt_s[moved]) if moved.any() else None,
        planned_s=_sum(dt_s[counted & trace.apart[steps]]),
        planned_over_s=_sum(dt_s[too_high & trace.apart[steps]]),
        uncued_s=_sum(dt_s[counted & trace.uncued[steps]]),
        uncued_over_s=_sum(dt_s[too_high & trace.uncued[steps]]),
    )


def _sum(values: Floats) -> float:
    return float(np.sum(values))
