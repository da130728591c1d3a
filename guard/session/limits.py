"""Limits that fit together, whatever a command or a part of the plan has moved. Pure."""

FLOOR_UNDER_BPM = 3.0  # a floor nearer to the ceiling leaves nothing to run in: there is none
STOP_OVER_BPM = 1.0  # the ceiling stays so far under the never-exceed limit: slow down comes before stop


def in_force(
    ceiling_bpm: float, floor_bpm: float | None, stop_bpm: float | None
) -> tuple[float, float | None]:
    """Ceiling and floor in bpm; None: there is no floor, or no never-exceed limit."""
    if stop_bpm is not None:
        ceiling_bpm = min(ceiling_bpm, stop_bpm - STOP_OVER_BPM)
    if floor_bpm is not None and floor_bpm > ceiling_bpm - FLOOR_UNDER_BPM:
        floor_bpm = None
    return ceiling_bpm, floor_bpm
