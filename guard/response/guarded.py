"""A guarded run as the pooled fit sees it: heart rate and speed by the second, and its eases. Pure."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from guard.arrays import Bools, Floats, runs
from guard.events import Cue, CueGiven, Input, Output, State, StateChanged
from guard.response.series import HILL, by_second, sorted_out, speed_by_second
from guard.response.spans import RUN_M_S, held, lagged

BIN_S = 6  # heart rate moves little in it (ours)
# 40 min, so that a fit stays quick; and 4 min, which still tell something (ours).
LONGEST_BINS, FEWEST_BINS = 400, 40
BEGINS_S = 180  # the rise from rest is over
SETTLES_S = 120  # after walking, standing or a pause
BRIDGED_S = 30  # a gap no longer than this is drawn straight (ours)
EFFORT_LAG_S = 45.0  # of efforts that nobody told
CREEPS_BACK_S = 400.0  # who eased comes back so slowly (ours)
UNSEEN_S = 12  # an ease so late before the end of a stretch shows nothing
ERRORS_DRAWN = 6  # of the speed, to see what they do (ours)
SCALE_OF_MAD = 1.4826  # of a normal distribution: standard deviation over median absolute deviation
LONGEST_LOG_S = 6 * 3600  # a longer one is no run


@dataclass(frozen=True)
class Guarded:
    """One run, a value a second. `bpm` and `level_m_s` (level running speed of equal effort) are NaN
    where unknown; `settled` tells where he runs and has for a while; `ease_s` when an ease was said."""

    bpm: Floats
    level_m_s: Floats
    settled: Bools
    ease_s: Floats


def guarded(inputs: Iterable[Input], outputs: Iterable[Output]) -> Guarded | None:
    """The run of one log; None without readings."""
    inputs = list(inputs)
    times, beats, speeds, pauses = sorted_out(inputs)
    if not times:
        return None
    seconds, _, mean_bpm = by_second(np.array(times), np.array(beats))
    inside = seconds < LONGEST_LOG_S
    cells = int(seconds[inside][-1]) + 1 if inside.any() else 0
    if cells < BEGINS_S:
        return None
    bpm = np.full(cells, np.nan)
    bpm[seconds[inside]] = mean_bpm[inside]
    speed, grade = np.full(cells, np.nan), np.zeros(cells)
    if speeds:
        speed, grade = speed_by_second(speeds, pauses, cells)
    said = list(outputs)
    away = (speed < RUN_M_S) | _walking(said, pauses, cells)
    recent = np.convolve(away, np.ones(SETTLES_S))[:cells] > 0.5
    ease_s = [one.t_s for one in said if isinstance(one, CueGiven) and one.cue is Cue.EASE]
    return Guarded(bpm, speed * (1.0 + HILL * grade), ~recent, np.array(ease_s, dtype=np.float64))


def _walking(said: Sequence[Output], pauses: Sequence[tuple[float, bool]], cells: int) -> Bools:
    """Seconds in which he was taken for walking, or had paused."""
    away = np.zeros(cells, dtype=bool)
    since: float | None = None
    changes = [(one.t_s, one.state in (State.WALKING, State.HELD)) for one in said
               if isinstance(one, StateChanged) and one.state is not State.NO_SIGNAL]
    for some in (changes, pauses):
        for t_s, begins in [*some, (float(cells), False)]:
            if begins and since is None:
                since = t_s
            elif not begins and since is not None:
                away[int(since):max(int(t_s), int(since))] = True
                since = None
    return away


@dataclass
class Bout:
    """A stretch of a run without a break: `first` second, `bpm` in bins (n,), and what may move it.

    `level_m_s` is the whole run's, a value a second; `error_m_s` the SD of its own
    errors from one second to the next.
    """

    run: int
    first: int
    bpm: Floats
    level_m_s: Floats
    ease_s: Floats
    error_m_s: float
    _seen: dict[tuple[float, float], Floats] = field(default_factory=dict, repr=False)

    def base(self) -> Floats:
        """(n, 3): level, what is left of an earlier effort, drift."""
        at = BIN_S * np.arange(len(self.bpm))
        return np.stack([np.ones(len(at)), 1.0 - np.exp(-at / EFFORT_LAG_S), at / 1000.0], axis=1)

    def by_speed(self, response_s: float, dead_s: float) -> Floats:
        """(n, 1): the level speed as the heart has seen it."""
        if (response_s, dead_s) not in self._seen:
            at = self.first + np.arange(len(self.bpm) * BIN_S) - dead_s
            seen = np.interp(at, np.arange(len(self.level_m_s)), lagged(self.level_m_s, response_s))
            self._seen[response_s, dead_s] = seen.reshape(-1, BIN_S).mean(axis=1)[:, None]
        return self._seen[response_s, dead_s]

    def by_error(self, response_s: float) -> Floats:
        """(n, ERRORS_DRAWN): what the errors of speed alone would look like, drawn anew."""
        rng, before = np.random.default_rng(1), 300
        drawn = self.error_m_s * rng.standard_normal((ERRORS_DRAWN, len(self.bpm) * BIN_S + before))
        return np.stack([lagged(one, response_s)[before:].reshape(-1, BIN_S).mean(axis=1) for one in drawn],
                        axis=1)

    def by_ease(self, response_s: float, dead_s: float) -> Floats:
        """(n, eases): a fall of one beat for each, from which the runner creeps back."""
        at = self.first + BIN_S * (np.arange(len(self.bpm)) + 0.5)
        since = np.maximum(at[:, None] - self.ease_s[None, :] - dead_s, 0.0)
        gone = np.exp(-since / CREEPS_BACK_S) - np.exp(-since / response_s)
        return np.asarray(-gone / (1.0 - response_s / CREEPS_BACK_S))


def bouts(several: Sequence[Guarded], *, with_speed: bool) -> list[Bout]:
    """The usable stretches of all runs; `with_speed`: only where speed is known."""
    found = []
    for number, one in enumerate(several):
        bpm = _bridged(one.bpm)
        usable = one.settled & np.isfinite(bpm) & (np.arange(len(bpm)) >= BEGINS_S)
        level = np.zeros(len(bpm))
        if with_speed:
            known = _bridged(one.level_m_s)
            usable &= np.isfinite(known)
            ran = np.where(known >= RUN_M_S, known, np.nan)
            # Over a walk the last running speed is held, as the heart's slow answer is.
            level = held(ran, float(ran[np.isfinite(ran)][0]) if np.isfinite(ran).any() else 0.0)
        for begin, end in zip(*runs(usable), strict=True):
            for first in range(int(begin), int(end), LONGEST_BINS * BIN_S):
                last = first + min((int(end) - first) // BIN_S, LONGEST_BINS) * BIN_S
                if last - first < FEWEST_BINS * BIN_S:
                    continue
                eased = one.ease_s[(one.ease_s >= first) & (one.ease_s < last - UNSEEN_S)]
                found.append(Bout(number, first, bpm[first:last].reshape(-1, BIN_S).mean(axis=1), level,
                                   eased, _error(level[first:last])))
    return found


def _error(level_m_s: Floats) -> float:
    """SD of errors that differ from second to second: second differences have six times their variance."""
    return SCALE_OF_MAD * float(np.median(np.abs(np.diff(level_m_s, 2)))) / math.sqrt(6.0)


def _bridged(values: Floats) -> Floats:
    """Gaps of up to `BRIDGED_S` filled by a line."""
    places = np.flatnonzero(np.isfinite(values))
    if len(places) < 2:
        return np.full(len(values), np.nan)
    filled = np.interp(np.arange(len(values)), places, values[places], left=np.nan, right=np.nan)
    for one in np.flatnonzero(np.diff(places) > BRIDGED_S):
        filled[places[one] + 1:places[one + 1]] = np.nan
    return np.asarray(filled)
