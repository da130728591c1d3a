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

from guard.arrays import Floats
from guard.events import PACE_CUES, SLOW_DOWN, Cue
from guard.response.spans import runs
from guard.tune.lanes import Heard
from guard.tune.tape import Tape

LASTS_S = 5.0  # over for less is the estimate's own wander
UNDER_S = 30.0  # under for so long before, or it is the same crossing
WARN_S = 60.0  # a warning longer ago is no warning of this crossing
_PACE, _SLOW = (np.isin(np.arange(max(Cue) + 1), cues) for cues in (PACE_CUES, SLOW_DOWN))


@dataclass(frozen=True)
class Window:
    """The part of each tape that counts, s: (from, to) a tape."""

    spans: tuple[tuple[float, float], ...]

    @property
    def hours(self) -> float:
        return sum(end - begin for begin, end in self.spans) / 3600.0


@dataclass(frozen=True)
class Recorded:
    """One setting's figures over a window.

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


def over_min_per_h(over: Sequence[Over], window: Window) -> float:
    """Minutes over the ceiling in an hour of the window: the same for every setting."""
    total = sum(float(np.maximum(np.minimum(one.ends, end) - np.maximum(one.begins, begin), 0.0).sum())
                for one, (begin, end) in zip(over, window.spans, strict=True))
    return total / 60.0 / window.hours if window.hours else 0.0


def figures(heard: Heard, setting: int, over: Sequence[Over], window: Window) -> Recorded:
    """Of setting number `setting` in `heard` (sorted by setting and tape); `over` and `window` go
    with its tapes."""
    first, last = np.searchsorted(heard.setting, [setting, setting + 1])
    tapes, t_s, cue = heard.tape[first:last], heard.t_s[first:last], heard.cue[first:last]
    pace, slow = _PACE[cue], _SLOW[cue]
    edges = np.searchsorted(tapes, np.arange(len(over) + 1))
    cues = vain = crossings = warned = late = 0
    early: list[Floats] = []
    for tape, (one, (begin, end)) in enumerate(zip(over, window.spans, strict=True)):
        here = slice(edges[tape], edges[tape + 1])
        inside = (t_s[here] >= begin) & (t_s[here] < end)
        cues += int(np.count_nonzero(inside & pace[here]))
        vain += int(np.count_nonzero(~_near(one, t_s[here][inside & slow[here]])))
        slows = np.append(t_s[here][slow[here]], np.inf)
        asked = one.crossings[(one.crossings >= begin) & (one.crossings < end)]
        crossings += len(asked)
        ahead = asked - slows[np.searchsorted(slows, asked - WARN_S)]
        warned += int(np.count_nonzero(ahead >= 0.0))
        late += int(np.count_nonzero((ahead < 0.0) & (ahead >= -WARN_S)))
        early.append(ahead[ahead >= 0.0])
    before = np.concatenate(early) if early else np.zeros(0)
    hours = max(window.hours, 1e-9)
    return Recorded(crossings, warned, late, float(np.median(before)) if len(before) else None,
                    cues / hours, vain / hours)


def _near(over: Over, at_s: Floats) -> NDArray[np.bool_]:
    """Whether heart rate was over at these times or came over within a minute."""
    if not len(over.begins):
        return np.zeros(len(at_s), bool)
    next_one = np.searchsorted(over.ends, at_s, side="left")
    has = next_one < len(over.begins)
    begins = over.begins[np.minimum(next_one, len(over.begins) - 1)]
    return np.asarray(has & (begins <= at_s + WARN_S))
