"""Ranges of the ceiling methods, one line each on a common axis, with the ceiling as an upright line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rich.text import Text

from guard.ceiling.methods import Method
from guard.screen.look import Look, styled

_STEPS_BPM = (5, 10, 20, 50)  # between numbers on the axis
_TICK_CELLS = 7  # least distance of two numbers on the axis
_NAME_CELLS = 32  # of a method's name, at most
LEAST_WIDTH = 50  # cells; a narrower chart tells nothing


@dataclass(frozen=True)
class Axis:
    """bpm from `low` to `high` over `width` cells."""

    low: float
    high: float
    width: int

    def cell(self, bpm: float) -> int:
        place = round((bpm - self.low) / (self.high - self.low) * (self.width - 1))
        return min(max(place, 0), self.width - 1)


def draw(rows: Sequence[Method], ceiling_bpm: float | None, width: int, look: Look) -> list[Text]:
    """Lines of at most `width` cells: name, value, range on the axis; then the axis and its key."""
    width = max(width, LEAST_WIDTH)
    name_cells = min(max((len(row.method) for row in rows), default=0), _NAME_CELLS, width // 2 - 6)
    margin = name_cells + 6
    values = [value for row in rows for value in (row.low_bpm, row.high_bpm)]
    values += [] if ceiling_bpm is None else [ceiling_bpm]
    axis = Axis(min(values) - 2, max(values) + 2, width - margin)
    lines = [_row(row, axis, ceiling_bpm, name_cells, look) for row in rows]
    lines += [Text(" " * margin) + one for one in _scale(axis, ceiling_bpm, look)]
    key = [f"{look.sign('value')} value"]
    if any(not row.counts for row in rows):
        key.append(f"{look.sign('shown_only')} shown, not counted")
    ranges = look.sign("begin") + look.sign("rule") + look.sign("end")
    key.append(f"{ranges} where two runners in three lie")
    lines.append(Text("  ".join(key), look.style("quiet"), overflow="ellipsis", no_wrap=True))
    return lines


def _row(row: Method, axis: Axis, ceiling_bpm: float | None, name_cells: int, look: Look) -> Text:
    cells = [(" ", "")] * axis.width
    begin, end = axis.cell(row.low_bpm), axis.cell(row.high_bpm)
    for cell in range(begin, end + 1):
        name = "begin" if cell == begin else "end" if cell == end else "rule"
        cells[cell] = (look.sign(name), look.style("under") if row.counts else look.style("quiet"))
    if ceiling_bpm is not None:
        cells[axis.cell(ceiling_bpm)] = (look.sign("wall"), look.style("lead"))
    value, style = ("value", "lead") if row.counts else ("shown_only", "quiet")
    cells[axis.cell(row.bpm)] = (look.sign(value), look.style(style))
    head = f"{look.fit(row.method, name_cells):<{name_cells}} {row.bpm:4.0f} "
    return Text(head, "" if row.counts else look.style("quiet"), no_wrap=True) + styled(cells)


def _scale(axis: Axis, ceiling_bpm: float | None, look: Look) -> list[Text]:
    """Numbers of the axis, and under them the ceiling's name at its place."""
    per_cell = (axis.high - axis.low) / (axis.width - 1)
    step = next((step for step in _STEPS_BPM if step / per_cell >= _TICK_CELLS), _STEPS_BPM[-1])
    numbers = [" "] * axis.width
    tick = int(axis.low // step + 1) * step
    while tick <= axis.high:
        start = axis.cell(tick) - 1
        if start >= 0 and start + len(str(tick)) <= axis.width:
            numbers[start:start + len(str(tick))] = str(tick)
        tick += step
    lines = [Text("".join(numbers).rstrip(), look.style("quiet"), no_wrap=True)]
    if ceiling_bpm is not None:
        words = f"ceiling {ceiling_bpm:.0f}"
        start = min(max(0, axis.cell(ceiling_bpm) - len(words) // 2), axis.width - len(words))
        lines.append(Text(" " * start + words, look.style("lead"), no_wrap=True))
    return lines
