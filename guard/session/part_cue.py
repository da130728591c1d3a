"""The cue with which the next part of a plan begins. Pure."""

from guard.events import Cue, CueGiven, Numbers
from guard.plan.plan import Progress


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
    return CueGiven(t_s, Cue.PART, rule, numbers, part=part.name or part.kind.words)
