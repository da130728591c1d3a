"""Two lists of cues side by side: what is the same, earlier, later, added or gone.

A cue of one list answers a cue of the same kind in the other, no farther than
a window away and never crossing another pair. Of all ways to pair them the one
with the most pairs is taken, and of these the one with the least shift.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from guard.events import Cue, CueGiven
from guard.reasons import reason

WINDOW_S = 60.0  # cues further apart are two (ours)
SAME_S = 1.0  # one reading of most straps
MOST_AT_ONCE = 400  # of a day without a pause between cues; a cut there costs a pair at most


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
    was, now = (sorted(side, key=lambda given: given.t_s) for side in (was, now))
    found: list[Compared] = []
    # What is given at the very same time is the same cue, whatever else could be paired with it.
    at = {given.t_s: given for given in now}
    left_was = []
    for given in was:
        twin = at.pop(given.t_s, None)
        if twin is None:
            left_was.append(given)
        else:
            found.append(_pair(given, twin))
    taken = {id(one.now) for one in found}
    left_now = [given for given in now if id(given) not in taken]
    for first, second in _apart(left_was, left_now, window_s):
        found += _aligned(first, second, window_s)
    return found


def _apart(
    was: list[CueGiven], now: list[CueGiven], window_s: float
) -> list[tuple[list[CueGiven], list[CueGiven]]]:
    """Both lists cut where nothing on one side can answer anything on the other."""
    groups: list[tuple[list[CueGiven], list[CueGiven]]] = []
    last_s = -float("inf")
    both = sorted([(given.t_s, 0, given) for given in was] + [(given.t_s, 1, given) for given in now],
                  key=lambda item: item[:2])
    for t_s, side, given in both:
        if t_s - last_s > window_s or len(groups[-1][0]) + len(groups[-1][1]) >= MOST_AT_ONCE:
            groups.append(([], []))
        groups[-1][side].append(given)
        last_s = t_s
    return groups


def _aligned(was: list[CueGiven], now: list[CueGiven], window_s: float) -> list[Compared]:
    """The pairing with most pairs, then least shift; rows over `was`, columns over `now`."""
    columns = len(now) + 1
    best = [[(0, 0.0)] * columns for _ in range(len(was) + 1)]
    for i in range(len(was) - 1, -1, -1):
        row, below = best[i], best[i + 1]
        for j in range(len(now) - 1, -1, -1):
            row[j] = max(below[j], row[j + 1])
            shift = abs(now[j].t_s - was[i].t_s)
            if shift <= window_s:
                pairs, cost = below[j + 1]
                row[j] = max(row[j], (pairs + 1, cost - shift))
    found: list[Compared] = []
    i = j = 0
    while i < len(was) and j < len(now):
        if best[i][j] == best[i + 1][j]:
            found.append(Compared(CueChange.GONE, was[i], None))
            i += 1
        elif best[i][j] == best[i][j + 1]:
            found.append(Compared(CueChange.ADDED, None, now[j]))
            j += 1
        else:
            found.append(_pair(was[i], now[j]))
            i, j = i + 1, j + 1
    found += [Compared(CueChange.GONE, given, None) for given in was[i:]]
    return found + [Compared(CueChange.ADDED, None, given) for given in now[j:]]


def _pair(was: CueGiven, now: CueGiven) -> Compared:
    shift = now.t_s - was.t_s
    if abs(shift) <= SAME_S:
        return Compared(CueChange.SAME, was, now)
    return Compared(CueChange.LATER if shift > 0 else CueChange.EARLIER, was, now)
