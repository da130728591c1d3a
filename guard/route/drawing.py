"""The profile of a road in a terminal: altitude against distance, walks and climbs under it. Pure text."""

import numpy as np

from guard.route.forecast import Forecast
from guard.route.route import Route
from guard.route.words import marks
from guard.screen.look import EIGHTHS, Look
from guard.screen.report import framed, levels, put
from guard.units import distance_unit

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
    rows = []
    for row in range(_ROWS - 1, -1, -1):
        fill = np.clip(eighths - 8 * row, 0, 8)
        cells = "".join(("#" if part >= 4 else " ") if look.ascii else EIGHTHS[part] for part in fill)
        rows.append(f" {cells}")
    *picture, corner = framed(rows, levels(low + span, low, _ROWS), _MARGIN - 1, look, "m")
    lines = [*picture, corner + look.sign("rule") * (columns + 1)]
    lines.append(_axis(route.length_m, columns, units))
    cells_at = np.clip(np.searchsorted(route.edges_m, middle, side="right") - 1, 0, len(found.walks) - 1)
    if found.walks.any():
        walked = "".join("w" if found.walks[cell] else " " for cell in cells_at)
        lines.append(f"walk   {walked.rstrip()}")
    if found.climbs:
        row_cells = [" "] * columns
        for number, climb in enumerate(found.climbs, 1):
            put(row_cells, int(climb.begin_m / route.length_m * columns), str(number))
        lines.append(f"climb  {''.join(row_cells).rstrip()}")
    return lines


def _axis(length_m: float, columns: int, units: str) -> str:
    cells = [" "] * (columns + 4)
    for at_m, label in marks(length_m, units, max(2, columns // 9)):
        put(cells, int(at_m / length_m * columns), label)
    return f"{distance_unit(units):>4}   {''.join(cells).rstrip()}"
