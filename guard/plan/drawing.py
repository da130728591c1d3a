"""A plan drawn as a step line: the limits, bpm, against time. Pure text."""

from __future__ import annotations

from guard.plan.plan import Part, Plan
from guard.screen.words import clock

_MARGIN = 5  # three digits of bpm, a space and the axis
_LEAST_SPAN_BPM = 7.0  # a row a beat: no plan looks steeper than it is felt

# what is drawn: (sign, ASCII twin)
_SIGNS = {
    "ceiling": ("▀", "="),
    "silent": ("░", ":"),  # in place of the ceiling where only stop and sensor cues are given
    "floor": ("▁", "_"),
    "other": ("·", "."),  # under the limit of every second part, so that they are told apart
    "axis": ("│", "|"),
    "rule": ("─", "-"),
    "corner": ("└", "+"),
}


def draw(
    plan: Plan, ceiling_bpm: float, width: int, height: int = 8, *, ascii_only: bool = False
) -> list[str]:
    """Lines of at most `width` cells: `height` rows of bpm, the time axis, grades if any, the key.

    `ceiling_bpm` is the ceiling of the settings, for parts without their own.
    Each column shows the limits at its middle; part numbers stand above, grades (%) under the times.
    """
    sign = {name: pair[1 if ascii_only else 0] for name, pair in _SIGNS.items()}
    columns = max(20, width - _MARGIN)
    middles = [(column + 0.5) / columns * plan.seconds for column in range(columns)]
    places = [_part_at(plan, t_s) for t_s in middles]
    limits = [part.limits(ceiling_bpm, into_s / part.seconds, into_s) for _, part, into_s in places]
    levels = [limit.ceiling_bpm for limit in limits]
    floors = [limit.floor_bpm for limit in limits if limit.floor_bpm is not None]
    low, high = min([*levels, *floors]), max(levels)
    if high - low < _LEAST_SPAN_BPM:
        low = high - _LEAST_SPAN_BPM

    def row_of(bpm: float) -> int:
        return round((high - bpm) / (high - low) * (height - 1))

    grid = [[" "] * columns for _ in range(height)]
    numbers, grades = [" "] * columns, [" "] * columns
    for column, ((index, _, _), limit) in enumerate(zip(places, limits, strict=True)):
        if index % 2:
            for row in range(row_of(limit.ceiling_bpm) + 1, height):
                grid[row][column] = sign["other"]
        if column == 0 or places[column - 1][0] != index:
            _write(numbers, column, str(index + 1))
            if (grade := places[column][1].grade) is not None:
                _write(grades, column, f"{100 * grade:g}")
        if limit.floor_bpm is not None:
            grid[row_of(limit.floor_bpm)][column] = sign["floor"]
        heard = limit.cued.value != "stop_only"
        grid[row_of(limit.ceiling_bpm)][column] = sign["ceiling" if heard else "silent"]
    labels = _axis_labels(high, low, height)
    return [
        " " * _MARGIN + "".join(numbers).rstrip(),
        *(f"{labels[row]:>3} {sign['axis']}{''.join(cells).rstrip()}" for row, cells in enumerate(grid)),
        " " * 4 + sign["corner"] + sign["rule"] * columns,
        " " * _MARGIN + _times(plan.seconds, columns),
        *([f"{'%':>3}  {''.join(grades).rstrip()}"] if "".join(grades).strip() else []),
        f"{sign['ceiling']} ceiling   {sign['silent']} only stop and sensor cues"
        + (f"   {sign['floor']} floor" if floors else "") + "   numbers, dots: parts",
    ]


def _write(row: list[str], column: int, label: str) -> None:
    """Put a label where it has room."""
    if column + len(label) <= len(row) and (column == 0 or row[column - 1] == " "):
        row[column:column + len(label)] = label


def _part_at(plan: Plan, t_s: float) -> tuple[int, Part, float]:
    """(index, part, seconds into it) at `t_s`, parts by distance at their expected time."""
    began_s = 0.0
    for index, part in enumerate(plan.parts):
        if t_s < began_s + part.seconds:
            return index, part, t_s - began_s
        began_s += part.seconds
    last = plan.parts[-1]
    return len(plan.parts) - 1, last, last.seconds


def _axis_labels(high: float, low: float, height: int) -> list[str]:
    shown = (0, (height - 1) // 2, height - 1)
    per_row = (high - low) / (height - 1)
    return [f"{high - per_row * row:.0f}" if row in shown else "" for row in range(height)]


def _times(seconds: float, columns: int) -> str:
    begin, middle, end = "0:00", clock(seconds / 2), clock(seconds)
    gap = columns - len(begin) - len(middle) - len(end)
    left = columns // 2 - len(begin) - len(middle) // 2
    return begin + " " * left + middle + " " * (gap - left) + end
