"""What came of a crowd under a controller, runner by runner."""

from __future__ import annotations

from dataclasses import dataclass, field, fields

import numpy as np
from numpy.typing import NDArray

from guard.events import SLOW_DOWN, Cue
from guard.runner.strap import ReadingFault
from tests.lab.family import Crowd
from tests.lab.opponents import Controller

Array = NDArray[np.float64]
SOON_S = 60.0
FIRST_S = 600.0
STOPPED_S = 10.0  # walking or standing so long before running again counts as a restart
ALERT_S = 30.0  # so long after a walk began no opinion counts: a reaction, a heart's dead time


@dataclass
class Hour:
    """Arrays of n, seconds unless said; summed over the time lived."""

    over_s: Array
    over_bpm_s: Array
    over_first_s: Array  # of over_s: in the first ten minutes
    over_can_s: Array  # of over_s: while the slowest jog would have done
    can_s: Array  # the slowest jog settles under the ceiling on this ground
    walked_s: Array
    walked_can_s: Array
    taken_for_running_s: Array  # of walked_s
    judged_s: Array  # walked_s in which the controller's opinion counts
    cues: Array  # (n, codes)
    distance_m: Array
    restarts: Array
    needless: Array
    resumes: Array
    false_resumes: Array  # over the ceiling within 60 s
    blind_resumes: Array
    # lane, from "may run" to resume
    told_after_s: list[tuple[int, float]] = field(init=False, default_factory=list)
    hours: float = field(init=False, default=0.0)

    @classmethod
    def empty(cls, n: int) -> Hour:
        """Nothing lived yet."""
        names = [item.name for item in fields(cls) if item.init]
        return cls(**{name: np.zeros((n, len(Cue)) if name == "cues" else n) for name in names})


def live(crowd: Crowd, controller: Controller) -> Hour:
    """Drive a crowd to its end."""
    n, who = crowd.n, crowd.who
    ceiling = who["ceiling_bpm"]
    out = Hour.empty(n)
    cues = np.zeros(n, dtype=np.int64)
    lanes = np.arange(n)
    never = np.full(n, -np.inf)
    resumed_s, restarted_s, read_s, walk_s = never.copy(), never.copy(), never.copy(), never.copy()
    stopped_s, may_s = np.full(n, np.inf), np.full(n, np.inf)
    stale = np.maximum(3.0, 1.5 * who["every_s"])
    walking = np.zeros(n, bool)
    told = np.zeros(n, bool)
    for _ in range(crowd.steps):
        now = crowd.step(cues, controller.advised_m_s)
        t_s = now.t_s
        over = now.true_bpm - ceiling
        is_over = over > 0
        out.over_s += is_over
        out.over_bpm_s += np.maximum(over, 0.0)
        if t_s < FIRST_S:
            out.over_first_s += is_over
        out.can_s += now.can_jog
        out.over_can_s += is_over & now.can_jog
        read_s = np.where(np.isnan(now.bpm), read_s, t_s)
        begins = now.walking & ~walking
        if now.walking.any() or walking.any():
            out.walked_s += now.walking
            out.walked_can_s += now.walking & now.can_jog
            walk_s = np.where(begins, t_s, walk_s)
            told &= ~begins
            may = now.walking & ~told & np.isinf(may_s) & now.may_run
            may_s = np.where(may, t_s, may_s)
            ends = walking & ~now.walking
            for lane in np.flatnonzero(ends & np.isfinite(may_s) & ~told):
                out.told_after_s.append((int(lane), t_s - may_s[lane]))
            may_s = np.where(~now.walking, np.inf, may_s)
        walking = now.walking
        stopped = now.walking | now.standing
        restarts = ~stopped & (t_s - stopped_s >= STOPPED_S)
        stopped_s = np.where(stopped, np.minimum(stopped_s, t_s), np.inf)
        out.restarts += restarts
        restarted_s = np.where(restarts, t_s, restarted_s)
        again = is_over & (t_s - resumed_s <= SOON_S)
        out.false_resumes += again
        resumed_s = np.where(again, -np.inf, resumed_s)

        cues = controller.step(now)
        if controller.walks is not None:
            # Not while a walk is too new to show, nor while a resume is on its way to the legs.
            judged = now.walking & (t_s - walk_s > ALERT_S) & (now.pending != Cue.RESUME)
            out.judged_s += judged
            out.taken_for_running_s += judged & ~controller.walks
        given = cues > 0
        if not given.any():
            continue
        out.cues[lanes[given], cues[given]] += 1
        resume = (cues == Cue.RESUME) & now.walking
        if resume.any():
            out.resumes += resume
            out.blind_resumes += resume & ((now.fault == ReadingFault.SLIPPED) | (t_s - read_s >= stale))
            resumed_s = np.where(resume & ~is_over, t_s, resumed_s)
            first = resume & ~told
            for lane in np.flatnonzero(first):
                out.told_after_s.append((int(lane), t_s - may_s[lane] if np.isfinite(may_s[lane]) else 0.0))
            told |= first
        slow = np.isin(cues, SLOW_DOWN)
        vain = (slow & (t_s - restarted_s <= SOON_S) & ~is_over & ~stopped
                & (now.settles_bpm <= ceiling))
        out.needless += vain
        restarted_s = np.where(vain, -np.inf, restarted_s)
    for lane in np.flatnonzero(walking & np.isfinite(may_s) & ~told):
        out.told_after_s.append((int(lane), crowd.steps - may_s[lane]))
    out.distance_m = crowd.distance_m
    out.hours = crowd.steps / 3600.0
    return out

