"""The profile of a road in a terminal: altitude against distance, walks and climbs under it. Pure text."""

from __future__ import annotations

import numpy as np

from guard.route.forecast import Forecast
from guard.route.route import Route
from guard.route.words import marks
from guard.screen.look import EIGHTHS, Look

_ROWS = 7  # of the picture
_MARGIN = 7  # four digits of metres, a space, the axis, a space
_LEAST_SPAN_M = 20.0  # a level road shall not look like a range of mountains


def draw(route: Route, found: Forecast, width: int, units: str, look: Look) -> list[str]:
    """Lines of at most `width` cells."""
    columns = max(20, width - _MARGIN)
    ends = route.length_m * np.arange(columns + 1) / columns
    middle = 0.5 * (ends[:-1] + ends[1:])
    height = np.interp(middle, route.edges_m, route.altitude_m)
    low = float(height.min())
    span = max(float(height.max()) - low, _LEAST_SPAN_M)
    eighths = np.rint((height - low) / span * (8 * _ROWS - 1)).astype(int) + 1
    bar, floor, corner = ("|", "-", "+") if look.ascii else ("│", "─", "└")
    lines = []
    for row in range(_ROWS - 1, -1, -1):
        fill = np.clip(eighths - 8 * row, 0, 8)
        label = f"{low + span * row / (_ROWS - 1):.0f}" if row in (0, _ROWS // 2, _ROWS - 1) else ""
        cells = "".join(("#" if part >= 4 else " ") if look.ascii else EIGHTHS[part] for part in fill)
        lines.append(f"{label:>4} {bar} {cells.rstrip()}".rstrip())
    lines.append(f"{'m':>4} {corner}{floor * (columns + 1)}")
    lines.append(_axis(route.length_m, columns, units))
    cells_at = np.clip(np.searchsorted(route.edges_m, middle, side="right") - 1, 0, len(found.walks) - 1)
    if found.walks.any():
        walked = "".join("w" if found.walks[cell] else " " for cell in cells_at)
        lines.append(f"walk   {walked.rstrip()}")
    if found.climbs:
        row_cells = [" "] * columns
        for number, climb in enumerate(found.climbs, 1):
            at, label = int(climb.begin_m / route.length_m * columns), str(number)
            if at + len(label) <= columns and (at == 0 or row_cells[at - 1] == " "):
                row_cells[at:at + len(label)] = label
        lines.append(f"climb  {''.join(row_cells).rstrip()}")
    return lines


def _axis(length_m: float, columns: int, units: str) -> str:
    cells = [" "] * (columns + 4)
    last = 0
    for at_m, label in marks(length_m, units, max(2, columns // 9)):
        at = int(at_m / length_m * columns)
        if at >= last and at + len(label) <= len(cells):
            cells[at:at + len(label)] = label
            last = at + len(label) + 1
    return f"{'mi' if units == 'mile' else 'km':>4}   {''.join(cells).rstrip()}"
