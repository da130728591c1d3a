"""Whether the guard gains by knowing a belt's hill programme: the next grade and when it comes.

    python -m tests.lab.programme_trial              # development kinds and seeds
    python -m tests.lab.programme_trial --report     # the kinds that development did not look at

Every runner holds his speed on a belt that climbs by 2 to 8 % for 1 to 5 minutes, level
between. The same guard with and without the programme, under three sorts of belt: one
that tells nothing, one that tells speed and grade, and that with a learned gain (10 %
off). Nothing was tuned; figures are sums over all runners.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from guard.decide.advice import cost as one_cost
from guard.events import PACE_CUES, State
from guard.signal.kit_arrays import ARRAYS
from tests.lab.family import Crowd, Second
from tests.lab.kinds import DEVELOPMENT, HELD_OUT, Kind
from tests.lab.measures import Hour, live
from tests.lab.opponents import Codes, Guard

Array = NDArray[np.float64]
costs: Any = one_cost  # typed as one lane
FOR_DEVELOPMENT = (
    "middle", "quick heart", "slow heart", "small easer", "deaf spells", "hills, effort held",
    "jogs level, not uphill", "hilly loop")
NEVER = 10**9
ROAD = {"slope": (0.02, 0.08), "up_s": (60, 300), "level_s": (90, 360)}
BELTS = {  # speed and grade known, gain learned
    "tells nothing": (0.0, False), "tells speed and grade": (1.0, False), "and gain learned": (1.0, True)}


def chosen(*, report: bool) -> tuple[Kind, ...]:
    """The kinds: those of development, or all that development did not use."""
    dev = [kind for kind in DEVELOPMENT if kind.name in FOR_DEVELOPMENT]
    return tuple([*HELD_OUT, *(kind for kind in DEVELOPMENT if kind not in dev)] if report else dev)


def figures(hour: Hour) -> Mapping[str, float]:
    """An hour's means."""
    asking = hour.cues[:, [int(cue) for cue in PACE_CUES]].sum(axis=1)
    return {"over": float(hour.over_s.mean()) / 60.0, "area": float(hour.over_bpm_s.mean()) / 60.0,
            "cues": float(asking.mean()), "distance": float(hour.distance_m.mean()) / 1000.0,
            "walked_can": float(hour.walked_can_s.sum() / hour.can_s.sum())}


class OnProgramme(Guard):
    """The guard with a belt; with `knows` the next grade and its time too, as a plan tells them."""

    def __init__(self, crowd: Crowd, *, knows: bool, taught: bool) -> None:
        super().__init__(crowd, taught=taught)
        self.knows, self.grade = knows, crowd._grade.astype(float)
        self.lanes = np.arange(crowd.n)
        turns = np.vstack([np.zeros((1, crowd.n), bool), np.diff(self.grade, axis=0) != 0])
        self.next = np.full(self.grade.shape, NEVER)
        for t in range(len(turns) - 1, -1, -1):
            later = self.next[t + 1] if t + 1 < len(turns) else np.full(crowd.n, NEVER)
            self.next[t] = np.where(turns[t], t, later)

    def step(self, now: Second) -> Codes:
        """See `Guard`."""
        t = int(now.t_s)
        told: dict[str, Array] = {}
        if self._known is not None:
            told = {"speed_m_s": now.speed_m_s, "grade": now.grade}
        if self.knows:
            at = self.next[t]
            belt = np.ones(1, bool)
            here = np.where(at == t, self.grade[max(t - 1, 0)], self.grade[t])
            then = self.grade[np.where(at < NEVER, at, 0), self.lanes]
            change = now.speed_m_s * (costs(ARRAYS, then, belt) - costs(ARRAYS, here, belt))
            comes = (at < NEVER) & ~now.walking & ~now.standing
            told |= {"load_ahead_m_s": np.where(comes, change, np.nan),
                     "load_in_s": np.where(comes, at - t, np.nan)}
        cues = self.feed.step(now.t_s, now.bpm, now.fault, **told)
        if self._known is not None:
            self.advised_m_s = np.where(self._known, self.feed.lanes.advised_speed_m_s, np.nan)
        self.walks = np.asarray(self.feed.lanes.state) == int(State.WALKING)
        return cues


def main(argv: Sequence[str] | None = None) -> int:
    """Print it."""
    parser = argparse.ArgumentParser(prog="python -m tests.lab.programme_trial",
                                     description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--report", action="store_true", help="kinds and seeds of the report")
    parser.add_argument("--runners", type=int, default=10, metavar="N", help="of a kind (10)")
    args = parser.parse_args(argv)
    for belt, (known, taught) in BELTS.items():
        kinds = [Kind(kind.name, kind.family, kind.meaning,
                      {**kind.changes, "belt": 1.0, "speed_known": known, "effort": 0.0}, "climbs", ROAD)
                 for kind in chosen(report=args.report)]
        without, with_it = (
            figures(live(crowd, OnProgramme(crowd, knows=knows, taught=taught)))
            for knows in (False, True)
            for crowd in (Crowd(kinds, args.runners, "report" if args.report else "dev"),))
        print(f"belt {belt:22s}" + "".join(
            f"  {what} {without[what]:.3f} -> {value:.3f} ({value / without[what]:.3f})"
            for what, value in with_it.items()))
    return 0


if __name__ == "__main__":
    sys.exit(main())
