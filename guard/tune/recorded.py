"""The view *as recorded*: how settings would have talked over heart rates that stay as they were.

Nothing the guard says can change a recorded heart rate, so time over the
ceiling is the same for every setting and is no figure here. What settings
differ in is how many crossings of the ceiling they would have warned of, how
early, how much they would have talked, and how often in vain. The runner would
have reacted, so that later crossings might never have come.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from guard.arrays import Floats, runs
from guard.events import PACE_CUES, SLOW_DOWN, Cue
from guard.tune.lanes import Heard
from guard.tune.tape import Tape

LASTS_S = 5.0  # over for less is the estimate's own wander
UNDER_S = 30.0  # under for so long before, or it is the same crossing
WARN_S = 60.0  # a warning longer ago is no warning of this crossing
PACE, _SLOW = (np.isin(np.arange(max(Cue) + 1), cues) for cues in (PACE_CUES, SLOW_DOWN))


@dataclass(frozen=True)
class Recorded:
    """One setting's figures over all tapes.

    `warned` of `crossings` had a slow-down cue in the minute before; `late` had
    the first one in the minute after, the rest none. `early_s` is the median of
    (crossing minus first warning), None without any. `in_vain_per_h` counts
    slow-down cues after which heart rate neither was nor came over the ceiling
    within a minute.
    """

    crossings: int
    warned: int
    late: int
    early_s: float | None
    cues_per_h: float
    in_vain_per_h: float

    @property
    def warned_share(self) -> float | None:
        return self.warned / self.crossings if self.crossings else None

    def as_dict(self) -> dict[str, object]:
        """JSON-ready."""
        return {
            "crossings": self.crossings, "warned": self.warned, "late": self.late,
            "early_s": None if self.early_s is None else round(self.early_s, 1),
            "cues_per_h": round(self.cues_per_h, 2), "in_vain_per_h": round(self.in_vain_per_h, 2),
        }


@dataclass(frozen=True)
class Over:
    """Spells over the ceiling of one tape: begins, ends (s), and the begins that are crossings."""

    begins: Floats
    ends: Floats
    crossings: Floats


def spells(tape: Tape, level_bpm: Floats, limit_bpm: Floats) -> Over:
    """When the level was over the ceiling in force, where that meant anything."""
    over = (np.round(level_bpm) > np.round(limit_bpm)) & tape.counts & ~tape.held
    firsts, afters = runs(over)
    begins = tape.t_s[firsts]
    ends = tape.t_s[np.minimum(afters, len(tape) - 1)]
    lasting = ends - begins >= LASTS_S
    before = np.concatenate([[-np.inf], ends[:-1]])
    return Over(begins, ends, begins[lasting & (begins - before >= UNDER_S)])


def over_min_per_h(over: Sequence[Over], hours: float) -> float:
    """Minutes over the ceiling in an hour: the same for every setting."""
    return sum(float((one.ends - one.begins).sum()) for one in over) / 60.0 / hours if hours else 0.0


def figures(heard: Heard, setting: int, over: Sequence[Over], hours: float) -> Recorded:
    """Of setting number `setting` in `heard` (sorted by setting and tape); `over` goes with its tapes,
    `hours` is their length."""
    first, last = np.searchsorted(heard.setting, [setting, setting + 1])
    tapes, t_s, cue = heard.tape[first:last], heard.t_s[first:last], heard.cue[first:last]
    edges = np.searchsorted(tapes, np.arange(len(over) + 1))
    vain = crossings = warned = late = 0
    early: list[Floats] = []
    for tape, one in enumerate(over):
        here = slice(edges[tape], edges[tape + 1])
        slow_s = t_s[here][_SLOW[cue[here]]]
        vain += int(np.count_nonzero(~_near(one, slow_s)))
        ahead = one.crossings - np.append(slow_s, np.inf)[np.searchsorted(slow_s, one.crossings - WARN_S)]
        crossings += len(ahead)
        warned += int(np.count_nonzero(ahead >= 0.0))
        late += int(np.count_nonzero((ahead < 0.0) & (ahead >= -WARN_S)))
        early.append(ahead[ahead >= 0.0])
    before = np.concatenate(early) if early else np.zeros(0)
    hours = max(hours, 1e-9)
    return Recorded(crossings, warned, late, float(np.median(before)) if len(before) else None,
                    int(np.count_nonzero(PACE[cue])) / hours, vain / hours)


def _near(over: Over, at_s: Floats) -> NDArray[np.bool_]:
    """Whether heart rate was over at these times or came over within a minute."""
    if not len(over.begins):
        return np.zeros(len(at_s), bool)
    next_one = np.searchsorted(over.ends, at_s, side="left")
    has = next_one < len(over.begins)
    begins = over.begins[np.minimum(next_one, len(over.begins) - 1)]
    return np.asarray(has & (begins <= at_s + WARN_S))
