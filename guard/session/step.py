"""What a session tells whoever watches its steps: the trace of a review, the figures of tuning."""

from collections.abc import Callable
from dataclasses import dataclass

from guard.events import Speed


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the decision, told once it is taken. It stands for the `dt_s` seconds before `t_s`.

    `level_bpm` is what the decision holds the heart rate to be (NaN: not known,
    or no signal). `speed` is the one in force, None where none is. `part` is the
    index of the plan's part, their number after the last, -1 without a plan.
    `counts` tells whether being over the ceiling means anything now. `limit_bpm`
    is what the decision judged by: the ceiling, or the warm-up's ramp to it.
    """

    t_s: float
    dt_s: float
    level_bpm: float
    speed: Speed | None
    held: bool
    counts: bool
    part: int
    ceiling_bpm: float
    limit_bpm: float
    free_run: bool


Observer = Callable[[Step], None]
