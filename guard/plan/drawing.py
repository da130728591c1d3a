"""A plan drawn as a step line: the limits, bpm, against time. Pure text."""

from guard.plan.plan import Part, Plan
from guard.screen.look import Look
from guard.screen.report import framed, from_to, levels, put

_MARGIN = 5  # three digits of bpm, a space and the axis
_LEAST_SPAN_BPM = 7.0  # a row a beat: no plan looks steeper than it is felt


def draw(
    plan: Plan, ceiling_bpm: float, width: int, look: Look, height: int = 8,
) -> list[str]:
    """Lines of at most `width` cells: `height` rows of bpm, the time axis, grades if any, the key.

    `ceiling_bpm` is the ceiling of the settings, for parts without their own.
    Each column shows the limits at its middle; part numbers stand above, grades (%) under the times.
    """
    columns = max(20, width - _MARGIN)
    middles = [(column + 0.5) / columns * plan.seconds for column in range(columns)]
    places = [_part_at(plan, t_s) for t_s in middles]
    limits = [part.limits(ceiling_bpm, into_s / part.seconds, into_s) for _, part, into_s in places]
    ceilings = [limit.ceiling_bpm for limit in limits]
    floors = [limit.floor_bpm for limit in limits if limit.floor_bpm is not None]
    low, high = min([*ceilings, *floors]), max(ceilings)
    if high - low < _LEAST_SPAN_BPM:
        low = high - _LEAST_SPAN_BPM

    def row_of(bpm: float) -> int:
        return round((high - bpm) / (high - low) * (height - 1))

    grid = [[" "] * columns for _ in range(height)]
    numbers, grades = [" "] * columns, [" "] * columns
    for column, ((index, _, _), limit) in enumerate(zip(places, limits, strict=True)):
        if index % 2:
            for row in range(row_of(limit.ceiling_bpm) + 1, height):
                grid[row][column] = look.sign("other")  # so that parts are told apart
        if column == 0 or places[column - 1][0] != index:
            put(numbers, column, str(index + 1))
            if (grade := places[column][1].grade) is not None:
                put(grades, column, f"{100 * grade:g}")
        if limit.floor_bpm is not None:
            grid[row_of(limit.floor_bpm)][column] = look.sign("floor")
        heard = limit.cued.value != "stop_only"
        grid[row_of(limit.ceiling_bpm)][column] = look.sign("limit" if heard else "silent")
    rows = ["".join(cells) for cells in grid]
    *picture, corner = framed(rows, levels(high, low, height), _MARGIN, look)
    return [
        " " * _MARGIN + "".join(numbers).rstrip(),
        *picture,
        corner + look.sign("rule") * columns,
        " " * _MARGIN + from_to(plan.seconds, columns),
        *([f"{'%':>3}  {''.join(grades).rstrip()}"] if "".join(grades).strip() else []),
        f"{look.sign('limit')} ceiling   {look.sign('silent')} only stop and sensor cues"
        + (f"   {look.sign('floor')} floor" if floors else "") + "   numbers, dots: parts",
    ]


def _part_at(plan: Plan, t_s: float) -> tuple[int, Part, float]:
    """(index, part, seconds into it) at `t_s`, parts by distance at their expected time."""
    began_s = 0.0
    for index, part in enumerate(plan.parts):
        if t_s < began_s + part.seconds:
            return index, part, t_s - began_s
        began_s += part.seconds
    last = plan.parts[-1]
    return len(plan.parts) - 1, last, last.seconds
