"""Heart rate as a sum of columns, given the constants of the response.

In one stretch: bpm = base + drift + gain · lagged speed + start − pauses, where

* speed while running acts through one lag behind a dead time (first order with
  dead time: Hunt & Wang 2024, F1000Research 13:894) and is held over pauses;
* standing and walking lower heart rate with a fast constant of their own, and
  running again undoes it with another: small steps are slow (57.6 ± 23.6 s:
  Hunt, Fankhauser, Saengsuwan 2015, BioMed Eng OnLine 14), starts and stops
  are fast (20 to 40 s, Zakynthinaki 2015 data); a pause within a run also has
  the slow phase that recovery is known for (15 min, from memory);
* `start` is what is left of the state before the stretch;
* drift begins near the tenth minute (Wingo 2012) and is a line with a bend
  every ten minutes. It also takes up whatever else moves that slowly (heat,
  fatigue, a runner who slows because heart rate is high), so that only changes
  of speed faster than that speak for the gain.

All columns but the gain's belong to one stretch and enter linearly, so they
are solved for exactly and only the constants are searched (variable
projection: Golub & Pereyra 1973).
"""

import math
from dataclasses import dataclass, field, replace
from itertools import accumulate

import numpy as np
from numpy.typing import NDArray

from guard.arrays import Bools, Floats
from guard.response.series import RUN, Stretch

DRIFT_KNOT_S = 600.0  # a bend every ten minutes, as above
DRIFT_NEEDS_S = 300.0  # of readings, for a line of its own (ours)
MOST_KNOTS = 36  # six hours
NEAR_SWITCH_S = 45.0  # after a start or stop, where a plain lag is coarse (ours)
BEFORE, BEFORE_S = -1, 60.0  # code of what was before; seconds of it before the first run that count (ours)
SLOW_FALL_S = 900.0  # 15 min, from memory
WALK_COST = 0.5  # of running, net, per metre
LAST_S = 60  # of running before a pause: what it falls from (ours)
RIDGE = 1e-9  # of the diagonal, so that columns alike do no harm


@dataclass(frozen=True)
class Constants:
    """What is searched. Times in s, gain in bpm per m/s. Starting values are the population's."""

    gain: float = 24.2
    response_s: float = 57.6
    dead_s: float = 8.0
    on_s: float = 20.0
    start_dead_s: float = 3.0
    off_s: float = 30.0
    stop_dead_s: float = 8.0


TIMES_IN_LOG = ("response_s", "on_s", "off_s")
BOUNDS = {
    "gain": (-150.0, 250.0), "response_s": (5.0, 300.0), "dead_s": (0.0, 35.0),
    "on_s": (3.0, 150.0), "start_dead_s": (0.0, 35.0),
    "off_s": (3.0, 250.0), "stop_dead_s": (0.0, 35.0),
}


def to_vector(constants: Constants, free: tuple[str, ...]) -> Floats:
    """The free constants as the search sees them: time constants in logarithms."""
    values = [getattr(constants, key) for key in free]
    return np.array([np.log(value) if key in TIMES_IN_LOG else value
                     for key, value in zip(free, values, strict=True)])


def from_vector(vector: Floats, free: tuple[str, ...], rest: Constants) -> Constants:
    """The other way; constants not free keep the value they have in `rest`."""
    return replace(rest, **{key: float(np.exp(value) if key in TIMES_IN_LOG else value)
                            for key, value in zip(free, vector, strict=True)})


@dataclass
class Piece:
    """One stretch with what never changes during a search.

    `usual_m_s` is the speed at which `base` holds; `steps` tells that speeds
    vary enough for the gain's column, `own_steps` that what speed does here is
    taken off without being learned. `usable` marks samples the model covers,
    `kept` those of them not cut as gross errors.
    """

    stretch: Stretch
    usual_m_s: float
    steps: bool
    own_steps: bool = False
    kept: Bools = field(init=False)
    drifts: bool = field(init=False)
    near_switch: Bools = field(init=False)
    drift_share: Floats = field(init=False)
    usable: Bools = field(init=False)

    def __post_init__(self) -> None:
        s = self.stretch
        running = s.gait == RUN
        self.kept = np.ones(len(s.at_s), dtype=bool)
        self._edges = np.arange(len(s.gait) + 1, dtype=np.float64)
        self._run_cells = np.concatenate([[0], np.cumsum(running)])
        self._speeds: list[float] = (s.level_m_s[running] - self.usual_m_s).tolist()
        session_s = s.begin_s + s.at_s
        # Drift cannot be told from recovery where nobody runs.
        late = session_s[s.samples_running() & (session_s > DRIFT_KNOT_S)]
        self.drifts = bool(len(late)) and bool(np.ptp(late) >= DRIFT_NEEDS_S)
        begin, end = float(session_s[0]), float(session_s[-1])
        knots = [begin] if self.steps or self.own_steps else []
        knots += [knot for knot in np.arange(1, MOST_KNOTS) * DRIFT_KNOT_S
                  if begin < knot < end - DRIFT_NEEDS_S]
        bent = [np.maximum(session_s - knot, 0.0) / 60.0 for knot in knots]
        self._drift = np.stack(bent, axis=1) if self.drifts and bent else np.zeros((len(s.at_s), 0))
        # Mean slope after the first knot, bpm a minute, from the slopes' coefficients.
        after = max(begin, DRIFT_KNOT_S)
        self.drift_share = np.array([(end - max(knot, after)) / (end - after) for knot in knots]
                                    if self.drifts else [])
        begins = s.switches()
        self._switch_s, self._switch_gait = begins.astype(np.float64), s.gait[begins].copy()
        ran = np.flatnonzero(self._switch_gait == RUN)
        # Before the first step the heart is far calmer than in a pause: a depth of its own.
        self._switch_gait[:ran[0] if len(ran) else 0] = BEFORE
        if len(ran) and ran[0] > 0:
            self.kept = s.at_s >= self._switch_s[ran[0]] - BEFORE_S
        self.usable = self.kept.copy()
        self._pauses_within = bool(len(ran)) and bool(np.any(self._switch_gait[ran[0]:ran[-1]] != RUN))
        last = np.searchsorted(self._switch_s, s.at_s, side="right") - 1
        self.near_switch = (last > 0) & (s.at_s - self._switch_s[last] < NEAR_SWITCH_S)
        self._goals = self._pause_goals(begins)

    def _pause_goals(self, begins: NDArray[np.int64]) -> tuple[Floats, Floats]:
        """How deep each gait segment goes: before the first step, and in pauses.

        A pause goes as deep as the effort that is missing in it: walking costs
        half of running a metre (ACSM), standing nothing.
        """
        s = self.stretch
        before = (self._switch_gait == BEFORE).astype(np.float64)
        within = np.zeros(len(begins))
        ends = [*begins[1:], len(s.gait)]
        ran_m_s = 0.0
        for k, (begin, end) in enumerate(zip(begins, ends, strict=True)):
            if self._switch_gait[k] == RUN:
                ran_m_s = float(s.level_m_s[max(begin, end - LAST_S):end].mean())
            elif ran_m_s:
                within[k] = 1.0 - WALK_COST * float(s.pace_m_s[begin:end].mean()) / ran_m_s
                within[k] *= ran_m_s / (self.usual_m_s or ran_m_s)
        return before, within

    def lagged(self, c: Constants) -> Floats:
        """The gain's column, (samples,), m/s off the usual speed; 0 without steps."""
        return self._lagged(c) if self.steps else np.zeros(len(self.stretch.at_s))

    def _lagged(self, c: Constants) -> Floats:
        rate = -math.expm1(-1.0 / c.response_s)
        lags = accumulate(self._speeds, lambda now, goal: now + rate * (goal - now), initial=self._speeds[0])
        level = np.fromiter(lags, dtype=np.float64, count=len(self._speeds) + 1)[self._run_cells]
        return np.asarray(np.interp(self.stretch.at_s - c.dead_s, self._edges, level))

    def columns(self, c: Constants) -> Floats:
        """This stretch's own columns, (samples, k): base, drift, start, pauses."""
        at = self.stretch.at_s
        made = [np.ones(len(at)), *self._drift.T]
        if self.own_steps:
            made.append(self._lagged(c))
        if self.steps or self.own_steps:
            left = np.exp(-self._run_cells / c.response_s)
            made.append(np.interp(at - c.dead_s, self._edges, left))
        runs = self._switch_gait == RUN
        begin = np.maximum.accumulate(self._switch_s + np.where(runs, c.start_dead_s, c.stop_dead_s))
        fast = np.where(runs, c.on_s, c.off_s)
        before, within = self._goals
        made += [_tracked(at, begin, goal, fast) for goal in (before, within) if goal.any()]
        if self._pauses_within:
            made.append(_tracked(at, begin, within, np.where(runs, c.response_s, SLOW_FALL_S)))
        return np.stack(made, axis=1)

    def solved(self, c: Constants, gain: float | None) -> tuple[Floats, Floats, Floats]:
        """Residuals of the kept samples, coefficients of `columns`, the gain column's own rest.

        With `gain` None the first return is bpm with the own columns taken off.
        """
        own, lagged = self.columns(c)[self.kept], self.lagged(c)[self.kept]
        both = np.stack([self.stretch.bpm[self.kept], lagged], axis=1)
        solution = solve(own, both)
        rest = both - own @ solution
        if gain is None:
            return rest[:, 0], solution[:, 0], rest[:, 1]
        return rest[:, 0] - gain * rest[:, 1], solution[:, 0] - gain * solution[:, 1], rest[:, 1]

    def predicted(self, c: Constants, coefficients: Floats) -> Floats:
        """Heart rate of the kept samples with the columns' coefficients given."""
        return np.asarray((self.columns(c) @ coefficients + c.gain * self.lagged(c))[self.kept])


def _tracked(at_s: Floats, begin_s: Floats, goal: Floats, constants_s: Floats) -> Floats:
    """A lag, at `at_s`, whose goal and constant change at `begin_s`; settled at the first goal."""
    value = goal.copy()
    for k in range(1, len(goal)):
        keep = np.exp(-(begin_s[k] - begin_s[k - 1]) / constants_s[k - 1])
        value[k] = goal[k - 1] + (value[k - 1] - goal[k - 1]) * keep
    last = np.maximum(np.searchsorted(begin_s, at_s, side="right") - 1, 0)
    since = np.maximum(at_s - begin_s[last], 0.0)
    return np.asarray(goal[last] + (value[last] - goal[last]) * np.exp(-since / constants_s[last]))


def solve(columns: Floats, wanted: Floats) -> Floats:
    """Least-squares coefficients; columns that say the same share the work."""
    inner = columns.T @ columns
    ridge = RIDGE * (np.diag(np.diag(inner)) + np.eye(len(inner)))
    return np.asarray(np.linalg.solve(inner + ridge, columns.T @ wanted))
