"""The trace: the last minutes of heart rate, drawn against the ceiling.

Height is measured from the ceiling in force at each moment, so the ceiling is
one straight line even while it moves, and the gap to it is the room.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from rich.text import Text

from guard.screen.look import EIGHTHS, Look, styled

SPAN_S = 300.0
_LEAST_BPM_PER_ROW = 2.0


def columns(
    trace: Sequence[tuple[float, float]], ceilings: Sequence[float], now_s: float, width: int,
) -> list[float | None]:
    """Mean bpm over (+) or under (-) the ceiling in each of `width` columns; None without readings.

    Columns are fixed stretches of session time, so that the picture moves by
    whole columns and does not shimmer.
    """
    bin_s = SPAN_S / width
    last = max(math.floor(now_s / bin_s), width - 1)
    sums = [0.0] * width
    counts = [0] * width
    for (t_s, bpm), ceiling in zip(trace, ceilings, strict=False):
        column = math.floor(t_s / bin_s) - (last - width + 1)
        if 0 <= column < width:
            sums[column] += bpm - ceiling
            counts[column] += 1
    means = [total / count if count else None for total, count in zip(sums, counts, strict=True)]
    return _bridged(means, max(1, math.ceil(3.0 / bin_s)))


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


def picture(heights: Sequence[float | None], rows: int, look: Look) -> list[Text]:
    """`rows` lines (at least 2), the ceiling line between those over and those under it."""
    rows_over = max(1, round(rows / 4))
    rows_under = rows - rows_over
    known = [height for height in heights if height is not None]
    deepest = -min(known, default=0.0)
    unit = min(max(_LEAST_BPM_PER_ROW, deepest / max(1, rows_under)), 40.0 / max(1, rows_under))
    lines = []
    for row in range(rows):
        # Lower edge of this row, bpm from the ceiling.
        edge = (rows_over - 1 - row) * unit
        on_line = row == rows_over - 1
        lines.append(styled(_cell(height, edge, unit, look, on_line=on_line) for height in heights))
    return lines


def _cell(height: float | None, edge: float, unit: float, look: Look, *, on_line: bool) -> tuple[str, str]:
    part = 0.0 if height is None else (height - edge) / unit
    if part <= 0 or (on_line and part < 0.125):
        return (look.sign("line"), look.style("lead")) if on_line else (" ", "")
    side = "over" if edge >= 0 else "under"
    if side == "over":
        return look.sign("over"), look.style("over")
    if look.ascii:
        return (look.sign("under") if part >= 0.5 else look.sign("empty")), look.style("under")
    return EIGHTHS[min(8, max(1, round(part * 8)))], look.style("under")
