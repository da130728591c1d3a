"""What a plan knows of the road: the grade underfoot, and the effort that its next part brings. Pure.

A change of effort is told as a change of speed on the level that asks for the
same. Nothing is told of a next part that has its own room for it: one left to the
runner, with other cues, or under a higher ceiling.
"""

import math
from dataclasses import replace

from guard.cues import Cued
from guard.decide.advice import cost
from guard.events import Speed
from guard.plan.plan import Part, Place, Progress
from guard.signal.kit import SINGLE

Load = tuple[float, float]  # change of level speed, m/s; in how many seconds
NO_LOAD: Load = (math.nan, math.nan)
ROOM_BPM = 1.0  # a ceiling higher by more than this is room of its own


class Road:
    """Follows `progress`; without a plan, or with one that names no grade and no speed, it knows nothing."""

    def __init__(self, progress: Progress | None, *, belt: bool) -> None:
        self._progress = progress if progress and progress.knows_the_road else None
        self._belt = belt
        self._part = progress.part if progress else None

    def graded(self, speed: Speed | None) -> Speed | None:
        """The speed in force, with the grade of the plan's part where no device tells one."""
        here = None if self._progress is None or self._progress.place().done else self._progress.part.grade
        if here is None or speed is None or speed.speed_m_s is None or speed.grade is not None:
            return speed
        return replace(speed, grade=here)

    def load(self, speed: Speed | None, ceiling_bpm: float, *, held: bool) -> Load | None:
        """The change that comes (in 0 s: that came now), `NO_LOAD` where none does; None without a road.

        `speed` is the one in force, `ceiling_bpm` that of the session. Asked once a step.
        """
        progress, before = self._progress, self._part
        if progress is None or before is None:
            return None
        self._part = part = progress.part
        if held or progress.place().done:
            return NO_LOAD
        if part is not before:
            change, in_s = self._change_m_s(before, part, speed), 0.0
        elif (after := progress.next_part) is not None and not _has_room(progress, after, ceiling_bpm):
            change, in_s = self._change_m_s(part, after, speed), _left_s(progress.place(), speed)
        else:
            return NO_LOAD
        return (change, in_s) if change == change else NO_LOAD

    def _change_m_s(self, before: Part, after: Part, speed: Speed | None) -> float:
        """From one part to the other; NaN where too little is known."""
        now_m_s = speed.speed_m_s if speed and speed.speed_m_s is not None else before.speed_m_s
        if now_m_s is None or (after.speed_m_s is None and after.grade is None):
            return math.nan
        grade = speed.grade if speed and speed.grade is not None else before.grade or 0.0
        then_m_s = now_m_s if after.speed_m_s is None else after.speed_m_s
        then = grade if after.grade is None else after.grade
        return then_m_s * cost(SINGLE, then, self._belt) - now_m_s * cost(SINGLE, grade, self._belt)


def _has_room(progress: Progress, after: Part, ceiling_bpm: float) -> bool:
    then, now = after.limits(ceiling_bpm, 0.0, after.grace_s), progress.limits(ceiling_bpm)
    return then.cued is not Cued.ALL or then.ceiling_bpm > now.ceiling_bpm + ROOM_BPM


def _left_s(place: Place, speed: Speed | None) -> float:
    left_s = place.left_s
    if place.left_m is not None and not place.by_time and speed and speed.speed_m_s:
        left_s = place.left_m / speed.speed_m_s
    return max(left_s, 1e-3)
