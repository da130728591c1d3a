"""What each pace cue does if it is heeded, and every reason to give one."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum

from guard.cues import Cue


@dataclass(frozen=True, slots=True)
class Effect:
    """What a cue does if it is heeded: the fall of the target it asks for (below 0 a rise), bpm."""

    fall_bpm: float


# An ease takes 7 to 18 % of the speed (ours), 7 bpm at 12.5 % of 2.4 m/s and 24 bpm/(m/s) (Hunt 2015). Less
# is expected, for some are not heard: simulated, 5 keeps who eases little from being told to walk.
# Running again is not expected but watched for.
EFFECTS: Mapping[Cue, Effect] = {
    Cue.EASE: Effect(5.0), Cue.WALK: Effect(25.0), Cue.RESUME: Effect(0.0), Cue.PICK_UP: Effect(-5.0)}


class Why(IntEnum):
    """What was said or noticed, and why; `key` is its stable name."""

    NOTHING = 0
    EASE = 1
    EASE_AGAIN = 2
    WARM_UP_EASE = 3
    EASED_IN_VAIN = 4
    NO_JOG_WOULD_DO = 5
    WALK_SLOWER = 6
    RESUME = 7
    RESUME_MISSED = 8
    PICK_UP = 9
    CALM = 10
    RUNS_AGAIN = 11
    WALKS_ON = 12
    WARM_UP_OVER = 13
    FREE_RUN = 14

    @property
    def key(self) -> str:
        return self.name.lower()


CUE_OF: Mapping[Why, Cue] = {
    Why.EASE: Cue.EASE, Why.EASE_AGAIN: Cue.EASE, Why.WARM_UP_EASE: Cue.EASE,
    Why.EASED_IN_VAIN: Cue.WALK, Why.NO_JOG_WOULD_DO: Cue.WALK, Why.WALK_SLOWER: Cue.WALK,
    Why.RESUME: Cue.RESUME, Why.RESUME_MISSED: Cue.RESUME, Why.PICK_UP: Cue.PICK_UP}
REPEATS = (Why.EASE_AGAIN, Why.WALK_SLOWER, Why.RESUME_MISSED)
