"""What the months allow to say, however often one looks. Pure.

Whoever looks every week for a year looks forty times: at 99 % a look, one
unchanged year in four would be told of a change some day. So a change is
claimed only when little doubt is left (`evidence.py`), steps on one day and
nothing at all among the other accounts. Where something happened and a step is
still an account of it, it is asked about, until the runner answers or the runs
do. A plateau is a claim too: within `PLATEAU_SHARE` at two looks running, and
no change the likelier account. The
limits were chosen by simulation (`python -m tests.lab.months`).
"""

from dataclasses import dataclass
from enum import StrEnum

from guard.progress.least_squares import student
from guard.progress.level import KNOT_DAYS, Level, SpeedChange

CLAIM_DOUBT = 0.034  # more doubt, and no change is claimed
ASK_NOTHING, ASK_STEP = 0.1, 0.02  # less chance that nothing happened, more that a step did: it is asked
PLATEAU_DOUBT = 0.5  # less, and a change is the likelier account
# Standard errors; as a share of the speed; days between the two looks.
PLATEAU_SURE, PLATEAU_SHARE, PLATEAU_LOOK_DAYS = 2.05, 0.04, 7


class Verdict(StrEnum):
    """What the runs allow to say."""

    GAIN = "gain"
    LOSS = "loss"
    PLATEAU = "plateau"
    ASKED = "one day's step"
    UNKNOWN = "can't tell yet"


@dataclass(frozen=True, slots=True)
class Told:
    """A verdict on a change with its 99 % interval (shares)."""

    verdict: Verdict
    share: float
    low: float
    high: float
    change: SpeedChange


def told(change: SpeedChange, level: Level, earlier: SpeedChange | None = None) -> Told:
    """What to say of a change; `earlier` the same a week ago, for a plateau."""
    half = student(2.5758, change.free) * change.sd
    verdict = Verdict.UNKNOWN
    if level.unwritten:
        pass
    elif change.doubt.all < CLAIM_DOUBT:
        verdict = Verdict.GAIN if change.share > 0 else Verdict.LOSS
    elif change.doubt.nothing < ASK_NOTHING and change.doubt.step > ASK_STEP:
        verdict = Verdict.ASKED
    elif earlier is not None and change.doubt.all > PLATEAU_DOUBT and within(change) and within(earlier):
        verdict = Verdict.PLATEAU
    return Told(verdict, change.share, change.share - half, change.share + half, change)


def within(change: SpeedChange) -> bool:
    """Whether the change is small beyond doubt."""
    half = student(PLATEAU_SURE, change.free) * change.sd
    return change.days >= KNOT_DAYS and max(change.share + half, half - change.share) < PLATEAU_SHARE
