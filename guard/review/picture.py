"""What the pictures of a review are drawn from: heights over columns, rows of marks, ticks. Pure numbers."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from guard.arrays import Bools, Floats, runs
from guard.review.review import Review

# Between times on the axis.
_TICKS_S = (1, 2, 5, 10, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 43200)
MOST_ROWS = 6  # of marks under the picture
LEAST_RAMP_BPM = 0.5  # less is the ceiling itself


def end_s(review: Review) -> float:
    """Right end of the time axis, at least 1 s."""
    return max(float(review.trace.t_s[-1]), 1.0)


def heights(review: Review, width: int) -> list[float | None]:
    """Highest bpm over (+) or least under (-) the ceiling in each column; None without a signal."""
    over, columns = -review.trace.room_bpm, _columns(review, width)
    known = np.isfinite(over)
    highest = np.full(width, -np.inf)
    np.maximum.at(highest, columns[known], over[known])
    return _held(review, np.where(np.isfinite(highest), highest, np.nan))


def ramp(review: Review, width: int) -> list[float | None]:
    """In each column how far a warm-up's limit lies under the ceiling (negative bpm); None where it is it."""
    under = review.trace.limit_bpm - review.trace.ceiling_bpm
    return means(review, np.where(np.abs(under) >= LEAST_RAMP_BPM, under, np.nan), width)


def means(review: Review, values: Floats, width: int) -> list[float | None]:
    """Mean of a value that each step has in each column; None where it is not known."""
    columns, known = _columns(review, width), np.isfinite(values)
    count = np.bincount(columns[known], minlength=width)
    total = np.bincount(columns[known], values[known], minlength=width)
    return _held(review, np.where(count > 0, total / np.maximum(count, 1), np.nan))


def stretches(review: Review, which: Bools) -> list[tuple[float, float]]:
    """(begin, end) in s of the runs of steps that `which` picks."""
    trace = review.trace
    return [(float(trace.t_s[first] - trace.dt_s[first]), float(trace.t_s[last - 1]))
            for first, last in zip(*runs(which), strict=True)]


def rows(shares: Sequence[float], wide: float) -> list[int]:
    """A row for each mark at `shares` (0 to 1, rising) of the width, so that marks `wide` do not overlap."""
    ends: list[float] = []
    placed = []
    for share in shares:
        free = next((row for row, end in enumerate(ends) if share >= end), len(ends))
        if free == MOST_ROWS:
            free = int(np.argmin(ends))
        elif free == len(ends):
            ends.append(0.0)
        ends[free] = share + wide
        placed.append(free)
    return placed


def ticks(seconds: float, most: int = 6) -> list[float]:
    """Round times from 0 on, at most `most` of them."""
    step = next((step for step in _TICKS_S if seconds / step < most), 86_400)
    return [float(at) for at in range(0, int(seconds) + 1, step)]


def _columns(review: Review, width: int) -> NDArray[np.int64]:
    shares = review.trace.t_s / end_s(review)
    return np.minimum((shares * width).astype(np.int64), width - 1)


def _held(review: Review, values: Floats) -> list[float | None]:
    """Columns narrower than a step have the value of the step that ends next: it holds before its time."""
    width = len(values)
    filled = values.copy()
    wide = np.maximum(review.trace.dt_s / end_s(review) * width, 1.0)
    for column, reach in zip(_columns(review, width), wide, strict=True):
        if reach > 1.0 and np.isfinite(values[column]):
            before = filled[max(0, int(column - reach) + 1):column]
            before[np.isnan(before)] = values[column]
    return [float(value) if np.isfinite(value) else None for value in filled]
