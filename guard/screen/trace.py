"""The trace: the last minutes of heart rate, drawn against the ceiling.

Height is measured from the ceiling in force at each moment, so the ceiling is
one straight line even while it moves, and the gap to it is the room.
"""

import math
from collections.abc import Iterable, Sequence

from rich.text import Text

from guard.screen.look import EIGHTHS, Look, styled

SPAN_S = 300.0  # five minutes: a cue and what it did
_LEAST_BPM_PER_ROW = 2.0  # so that noise does not fill the picture (ours)
_SHALLOWEST_BPM, _DEEPEST_BPM = 16.0, 30.0  # of the part under the ceiling; what lies deeper is a low bar


def columns(
    trace: Sequence[tuple[float, float]], ceilings: Sequence[float], now_s: float, width: int,
) -> list[float | None]:
    """Mean bpm over (+) or under (-) the ceiling in each of `width` columns; None without readings.

    Columns are fixed stretches of session time, so that the picture moves by
    whole columns and does not shimmer.
    """
    bin_s = SPAN_S / width
    first = max(math.floor(now_s / bin_s) - width + 1, 0)
    found = means(((math.floor(t_s / bin_s) - first, bpm - ceiling)
                   for (t_s, bpm), ceiling in zip(trace, ceilings, strict=False)), width)
    return _bridged(found, max(1, math.ceil(3.0 / bin_s)))


def means(values: Iterable[tuple[int, float]], width: int) -> list[float | None]:
    """Of (column, value) pairs the mean in each of `width` columns; None where there is no value."""
    sums, counts = [0.0] * width, [0] * width
    for column, value in values:
        if 0 <= column < width:
            sums[column] += value
            counts[column] += 1
    return [total / count if count else None for total, count in zip(sums, counts, strict=True)]


def _bridged(means: list[float | None], reach: int) -> list[float | None]:
    """Fill gaps of at most `reach` columns, which are only readings spaced wider than columns."""
    filled = list(means)
    previous: int | None = None
    for column, mean in enumerate(means):
        if mean is None:
            continue
        if previous is not None and column - previous - 1 <= reach:
            filled[previous + 1:column] = [mean] * (column - previous - 1)
        previous = column
    return filled


def picture(
    heights: Sequence[float | None], rows: int, look: Look, limits: Sequence[float | None] = (),
) -> list[Text]:
    """`rows` lines (at least 2), the ceiling line between those over and those under it.

    `limits` are bpm under the ceiling (negative) of a lower limit, drawn where there is one.
    """
    rows_over = max(1, round(rows / 4))
    rows_under = max(1, rows - rows_over)
    deepest = -min((height for height in heights if height is not None), default=0.0)
    depth = min(max(1.25 * deepest, _SHALLOWEST_BPM), _DEEPEST_BPM)
    unit = max(_LEAST_BPM_PER_ROW, depth / rows_under)
    levels = [_level(height, unit, 8 * rows_under) for height in heights]
    ramp = {column: _level(limit, unit, 8 * rows_under) for column, limit in enumerate(limits)
            if limit is not None and -unit * rows_under < limit < 0}
    mark = (look.sign("rule"), look.style("lead"))
    blank, line = (" ", ""), (look.sign("line"), look.style("lead"))
    over = (look.sign("over"), look.style("over"))
    under = [blank, *((_eighth(part, look), look.style("under")) for part in range(1, 9))]
    lines = []
    for row in range(rows):
        base = 8 * (rows - 1 - row)
        if row >= rows_over:
            lines.append(styled([
                mark if base < ramp.get(column, 0) <= base + 8 else under[min(max(level - base, 0), 8)]
                for column, level in enumerate(levels)]))
        else:
            rest = line if row == rows_over - 1 else blank
            lines.append(styled([over if level > base else rest for level in levels]))
    return lines


def _level(height: float | None, unit: float, ceiling: int) -> int:
    """Eighths of a row above the bottom; anything known shows, anything over passes the ceiling."""
    if height is None:
        return 0
    eighths = 8.0 * height / unit
    return ceiling + math.ceil(eighths) if eighths > 0 else min(max(ceiling + round(eighths), 1), ceiling)


def _eighth(part: int, look: Look) -> str:
    return EIGHTHS[part] if not look.ascii else look.sign("under" if part >= 4 else "empty")
