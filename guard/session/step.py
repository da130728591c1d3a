"""What a session tells whoever watches its steps: a tape for tuning, the trace of a review."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

from guard.events import Speed
from guard.signal.known import Known


class LimitsTold(NamedTuple):
    """The limits a lane is told, by the names of its `set_limits`; bpm, `floor_bpm` None: no floor."""

    ceiling_bpm: float
    floor_bpm: float | None
    free_run: bool
    quiet_ease: bool
    quiet_walk: bool


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the decision, told once it is taken. It stands for the `dt_s` seconds before `t_s`.

    `bpm` is what the decision was given (NaN: no believable reading), `known` what
    it was told of the signal beside it, `level_bpm`
    what it holds the heart rate to be (NaN: not known, or no signal). `speed` is
    the one in force, None where none is. `part` is the index of the plan's part,
    their number after the last, -1 without a plan. `counts` tells whether being
    over the ceiling means anything now, `said_s` when something else than its own
    cue (a part, the battery) was said since the step before, `warming` whether a plan's warm-up lasts
    (None: no plan says). `limit_bpm` is what it judged by: the ceiling, or the warm-up's
    ramp to it. `load` is a change of effort known to come, level m/s, and in how many seconds (NaN: none).
    """

    t_s: float
    dt_s: float
    bpm: float
    known: Known
    level_bpm: float
    speed: Speed | None
    held: bool
    counts: bool
    said_s: float | None
    part: int
    warming: bool | None
    limits: LimitsTold
    limit_bpm: float
    load: tuple[float, float] = (math.nan, math.nan)


Observer = Callable[[Step], None]
