"""Two lists of cues side by side: what is the same, earlier, later, added or gone.

A cue of one list answers a cue of the same kind in the other, no farther than
a window away. Of all ways to pair them the one with the most pairs is taken,
and of these the one with the least shift; what is given at the very same time
is the same cue in any case.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from guard.events import Cue, CueGiven
from guard.reasons import reason

WINDOW_S = 60.0  # cues further apart are two (ours)
SAME_S = 1.0  # one reading of most straps


class CueChange(StrEnum):
    """What became of a cue."""

    SAME = "same"
    EARLIER = "earlier"
    LATER = "later"
    ADDED = "added"
    GONE = "gone"


@dataclass(frozen=True, slots=True)
class Compared:
    """One cue before and after; `was` is None where it was added, `now` where it is gone."""

    change: CueChange
    was: CueGiven | None
    now: CueGiven | None

    @property
    def cue(self) -> Cue:
        return self.given.cue

    @property
    def t_s(self) -> float:
        """When it is given now, or was given."""
        return self.given.t_s

    @property
    def moved_s(self) -> float | None:
        """Seconds later (negative: earlier) than before; None where one of the two is missing."""
        return None if self.was is None or self.now is None else self.now.t_s - self.was.t_s

    @property
    def given(self) -> CueGiven:
        """As it is given now, or was given."""
        either = self.now or self.was
        assert either is not None
        return either

    def as_dict(self) -> dict[str, object]:
        """JSON-ready; times in s."""
        was, now, moved = self.was, self.now, self.moved_s
        return {
            "change": self.change.value, "cue": self.cue.key,
            "was_s": was and was.t_s, "now_s": now and now.t_s,
            "moved_s": None if moved is None else round(moved, 3),
            "was_reason": was and reason(was), "now_reason": now and reason(now),
        }


def compare(
    was: Sequence[CueGiven], now: Sequence[CueGiven], window_s: float = WINDOW_S
) -> list[Compared]:
    """Every cue of both lists once, in order of time."""
    found: list[Compared] = []
    for kind in sorted({given.cue for given in (*was, *now)}):
        found += _of_kind([given for given in was if given.cue is kind],
                          [given for given in now if given.cue is kind], window_s)
    return sorted(found, key=lambda one: (one.t_s, one.cue, one.change))


def counted(compared: Sequence[Compared]) -> dict[str, int]:
    """How many of each change, all five named."""
    counts = Counter(one.change for one in compared)
    return {change.value: counts[change] for change in CueChange}


def _of_kind(was: list[CueGiven], now: list[CueGiven], window_s: float) -> list[Compared]:
    at = {given.t_s: given for given in now}
    found = [_pair(given, at.pop(given.t_s)) for given in was if given.t_s in at]
    paired = {id(given) for one in found for given in (one.was, one.now)}
    rest, new = (sorted((given for given in side if id(given) not in paired), key=lambda given: given.t_s)
                 for side in (was, now))
    rest_s, new_s = (np.array([given.t_s for given in side]) for side in (rest, new))
    for place, answer in _answers(rest_s, new_s, window_s):
        found.append(_pair(rest[place], new[answer]))
        paired |= {id(rest[place]), id(new[answer])}
    return [*found, *(Compared(CueChange.GONE, given, None) for given in rest if id(given) not in paired),
            *(Compared(CueChange.ADDED, None, given) for given in new if id(given) not in paired)]


def _answers(
    was_s: NDArray[np.float64], now_s: NDArray[np.float64], window_s: float,
) -> list[tuple[int, int]]:
    """Which cue of the first list which of the second answers, by place; both in order of time.

    Only what lies within the window of each other is looked at, so that a day of cues takes little room.
    """
    first, last = np.searchsorted(now_s, was_s - window_s), np.searchsorted(now_s, was_s + window_s, "right")
    if (first == last).all():
        return []
    from scipy.sparse import coo_array, eye_array, hstack  # type: ignore[import-untyped]
    from scipy.sparse.csgraph import min_weight_full_bipartite_matching  # type: ignore[import-untyped]

    count = last - first
    places = np.repeat(np.arange(len(was_s)), count)
    answers = np.arange(len(places)) - np.repeat(np.cumsum(count) - last, count)
    shift_s = np.abs(was_s[places] - now_s[answers])
    # Of two ways with the same shift in all, squares prefer the one in which no pair crosses another.
    costs = coo_array((1.0 + shift_s + 1e-6 * shift_s**2, (places, answers)), (len(was_s), len(now_s)))
    unpaired = 2.0 * (1.0 + window_s) * len(was_s)  # more than all pairs cost
    pairs = min_weight_full_bipartite_matching(hstack([costs, unpaired * eye_array(len(was_s))]))
    return [(place, answer) for place, answer in zip(*pairs, strict=True) if answer < len(now_s)]


def _pair(was: CueGiven, now: CueGiven) -> Compared:
    shift = now.t_s - was.t_s
    if abs(shift) <= SAME_S:
        return Compared(CueChange.SAME, was, now)
    return Compared(CueChange.LATER if shift > 0 else CueChange.EARLIER, was, now)
