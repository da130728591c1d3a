"""What the months allow to say, however often one looks. Pure.

Whoever looks every week for a year looks forty times: at 99 % a look, one
unchanged year in four would be told of a change some day. So a change is
claimed beyond `CLAIM` standard errors only, and only if no single day explains
it. A plateau is a claim too: within `PLATEAU_SHARE` at two looks running.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from guard.progress.level import KNOT_DAYS, Change, Level

CLAIM, CLAIM_LEFT, PLATEAU_SURE = 3.4, 2.6, 2.33
PLATEAU_SHARE = 0.04
PLATEAU_LOOKS_DAYS = 7
STEP_ASKED = 0.5


class Verdict(StrEnum):
    """What the runs allow to say."""

    GAIN = "gain"
    LOSS = "loss"
    PLATEAU = "plateau"
    ASKED = "one day's step"
    UNKNOWN = "can't tell yet"


def student(z: float, free: float) -> float:
    """The point of Student's t as far out as `z` is of the normal distribution."""
    from scipy.special import ndtr, stdtrit  # type: ignore[import-untyped]

    return float(stdtrit(free, ndtr(z)))


@dataclass(frozen=True, slots=True)
class Told:
    """A verdict on a change with its 99 % interval (shares)."""

    verdict: Verdict
    share: float
    low: float
    high: float
    change: Change


def told(change: Change, level: Level, earlier: Change | None = None) -> Told:
    """What to say of a change; `earlier` the same a week ago, for a plateau."""
    half = student(2.5758, change.free) * change.sd
    verdict = Verdict.UNKNOWN
    if abs(change.share) > student(CLAIM, change.free) * change.sd and not level.unwritten:
        if change.left > student(CLAIM_LEFT, change.free):
            verdict = Verdict.GAIN if change.share > 0 else Verdict.LOSS
        else:
            verdict = Verdict.ASKED
    elif level.step is not None and level.step.chance >= STEP_ASKED:
        verdict = Verdict.ASKED
    elif earlier is not None and within(change) and within(earlier):
        verdict = Verdict.PLATEAU
    return Told(verdict, change.share, change.share - half, change.share + half, change)


def within(change: Change) -> bool:
    """Whether the change is small beyond doubt."""
    if change.days < KNOT_DAYS:
        return False
    half = student(PLATEAU_SURE, change.free) * change.sd
    return math.isfinite(half) and max(change.share + half, half - change.share) < PLATEAU_SHARE
