"""The cue that begins a part of the plan."""

from __future__ import annotations

from guard.events import Cue, CueGiven, Numbers
from guard.plan.plan import Progress


def part_cue(t_s: float, progress: Progress, session_ceiling_bpm: float) -> CueGiven:
    """The cue for the part that `progress` has just entered, or for the plan's end."""
    place, part = progress.place(), progress.part
    if place.done:
        return CueGiven(t_s, Cue.PART, "plan_done")
    ceiling_bpm = progress.limits(session_ceiling_bpm).ceiling_bpm
    by_time = part.metres is None or place.by_time
    numbers = Numbers(
        ceiling_bpm=round(ceiling_bpm, 2) if progress.counts else None,
        length_s=round(part.seconds, 2) if by_time else None,
        length_m=None if part.metres is None else round(part.metres, 2))
    rule = "next_part" if progress.counts else "next_part_unguarded"
    return CueGiven(t_s, Cue.PART, rule, numbers, part=part.name or part.kind.words)
