"""Small rules of a session: limits that fit together, the cue of a plan's part, the low battery. Pure."""

from guard.events import Battery, Cue, CueGiven, Numbers
from guard.plan.plan import Progress

FLOOR_UNDER_BPM = 3.0  # a floor nearer to the ceiling leaves nothing to run in: there is none
STOP_OVER_BPM = 1.0  # the ceiling stays so far under the never-exceed limit: slow down comes before stop


class LowBattery:
    """`percent` as last told, None until then; low at or under `low_percent` (0: never said)."""

    def __init__(self, low_percent: int) -> None:
        self._low_percent, self._said = low_percent, False
        self.percent: int | None = None

    def take(self, event: Battery) -> list[CueGiven]:
        """The cue that follows, if any."""
        self.percent = event.percent
        if event.percent > self._low_percent or self._said or self._low_percent == 0:
            return []
        self._said = True
        numbers = Numbers(percent=float(event.percent), low_percent=float(self._low_percent))
        return [CueGiven(event.t_s, Cue.BATTERY_LOW, "battery_low", numbers)]


def in_force(
    ceiling_bpm: float, floor_bpm: float | None, stop_bpm: float | None
) -> tuple[float, float | None]:
    """Ceiling and floor in bpm; None: there is no floor, or no never-exceed limit."""
    if stop_bpm is not None:
        ceiling_bpm = min(ceiling_bpm, stop_bpm - STOP_OVER_BPM)
    if floor_bpm is not None and floor_bpm > ceiling_bpm - FLOOR_UNDER_BPM:
        floor_bpm = None
    return ceiling_bpm, floor_bpm


def part_cue(t_s: float, progress: Progress, ceiling_bpm: float) -> CueGiven:
    """Of the part that `progress` has come to; `ceiling_bpm` is that of the session."""
    place = progress.place()
    if place.done:
        return CueGiven(t_s, Cue.PART, "plan_done")
    part, guarded = progress.part, progress.counts
    by_time = part.metres is None or place.by_time
    numbers = Numbers(
        ceiling_bpm=round(progress.limits(ceiling_bpm).ceiling_bpm, 2) if guarded else None,
        length_s=round(part.seconds, 2) if by_time else None,
        length_m=None if part.metres is None else round(part.metres, 2))
    rule = "next_part" if guarded else "next_part_unguarded"
    return CueGiven(t_s, Cue.PART, rule, numbers, part=part.title)
