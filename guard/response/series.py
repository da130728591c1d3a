"""A recording cut into pieces in which speed is known, ready for fitting.

Times of a `Stretch` are s since it begins, on cells of 1 s; samples are means
of the readings of one second, so that a strap that sends often counts no more
than one that sends once.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from guard.arrays import Bools, Floats, runs
from guard.events import FASTEST_M_S, Action, Command, Doubt, Input, Reading, Speed
from guard.response.spans import RUN_M_S, WALK_M_S, held
from guard.session.speeds import OLD_S, Speeds
from guard.signal.trust import Trust

STAND, WALK, RUN = 0, 1, 2  # codes
HILL = 4.5  # level speed times (1 + 4.5 grade): slope and level terms of ACSM's running equation
STEEPEST_FITTED = 0.2  # grade; the cost of running is taken as a line only so far (ours)
BRIDGED_S = 30  # speed unknown for no longer than this is taken as unchanged
# What a reading itself disproves. Not what only contradicts: a fit may weigh that for itself.
DISPROVED = (Doubt.NO_CONTACT, Doubt.NO_PULSE, Doubt.RANGE, Doubt.REPEATED)
SILENT_S = 600  # without readings for longer, what follows is fitted on its own
SHORTEST_S = 120  # of a stretch (ours)
FEWEST_SAMPLES = 12  # readings of a stretch (ours)
MOST_STRETCHES = 40  # a bound on the time of a fit (ours)
SETTLING_S = 120.0  # what went before a stretch that begins running is not known


@dataclass(frozen=True)
class Stretch:
    """`gait`, `pace_m_s` and `level_m_s` hold one value a cell; `at_s` and `bpm` one a sample.

    `pace_m_s` is the speed over ground or belt, `level_m_s` the level running
    speed of equal effort, 0 where not running. `begin_s` is the stretch's place
    in its session; `steered` tells that the guard told this runner when to slow
    down, so that speed followed heart rate and not only the other way round.
    """

    begin_s: float
    gait: NDArray[np.int8]
    pace_m_s: Floats
    level_m_s: Floats
    at_s: Floats
    bpm: Floats
    steered: bool = False

    def samples_running(self) -> Bools:
        """Which samples were taken while running."""
        return np.asarray(self.gait[self.at_s.astype(np.int64)] == RUN)

    def switches(self) -> NDArray[np.int64]:
        """Cells at which a new gait begins, the first cell included."""
        return np.concatenate([[0], np.flatnonzero(np.diff(self.gait)) + 1])


def stretches(events: Iterable[Input], *, steered: bool = False) -> list[Stretch]:
    """The usable stretches of one session, in order; may be none.

    Readings that disprove themselves (no contact, 0 bpm, an old value again) are left
    out; times that run backward are, too.
    """
    times, beats, speeds, pauses = sorted_out(events)
    if not times or not speeds:
        return []
    seconds, mean_s, mean_bpm = by_second(np.array(times), np.array(beats))
    speed_m_s, grade = speed_by_second(speeds, pauses, int(seconds[-1]) + 1)
    known = _bridged(np.isfinite(speed_m_s)) & ~_silent(seconds)
    speed_m_s = held(speed_m_s, 0.0)
    level = speed_m_s * (1.0 + HILL * grade)
    found = []
    for begin, end in zip(*runs(known), strict=True):
        pace = speed_m_s[begin:end]
        gait = np.where(pace >= RUN_M_S, RUN, np.where(pace >= WALK_M_S, WALK, STAND)).astype(np.int8)
        first = begin + (SETTLING_S if gait[0] == RUN else 0.0)
        inside = (seconds >= first) & (seconds < end)
        if end - begin >= SHORTEST_S and inside.sum() >= FEWEST_SAMPLES:
            found.append(Stretch(float(begin), gait, pace, np.where(gait == RUN, level[begin:end], 0.0),
                                 mean_s[inside] - begin, mean_bpm[inside], steered))
    longest = sorted(found, key=lambda one: -len(one.at_s))[:MOST_STRETCHES]
    return sorted(longest, key=lambda one: one.begin_s)


def sorted_out(
    events: Iterable[Input],
) -> tuple[list[float], list[int], list[tuple[float, float, float, bool]], list[tuple[float, bool]]]:
    """Times and bpm of believable readings; speeds (t, m/s, grade, typed); pauses (t, begins)."""
    trust = Trust()
    times: list[float] = []
    beats: list[int] = []
    speeds: list[tuple[float, float, float, bool]] = []
    pauses: list[tuple[float, bool]] = []
    sources = Speeds()
    speed, grade, last_s = np.nan, 0.0, 0.0
    for event in events:
        if not last_s <= event.t_s < np.inf:
            continue
        last_s = event.t_s
        if isinstance(event, Reading):
            if trust.take(event.t_s, event).doubt not in DISPROVED:
                times.append(event.t_s)
                beats.append(event.bpm)
        elif isinstance(event, Speed):
            # Which of several sources holds, as in the session.
            sources.take(event)
            event = sources.known(event.t_s) or event
            if event.speed_m_s is not None:
                speed = event.speed_m_s if 0.0 <= event.speed_m_s <= FASTEST_M_S else np.nan
            if event.grade is not None:
                grade = event.grade if abs(event.grade) <= STEEPEST_FITTED else np.nan
            speeds.append((event.t_s, speed, grade, event.typed))
        elif isinstance(event, Command) and event.action in (Action.PAUSE, Action.CONTINUE):
            pauses.append((event.t_s, event.action is Action.PAUSE))
    return times, beats, speeds, pauses


def by_second(times: Floats, beats: NDArray[np.int64]) -> tuple[NDArray[np.int64], Floats, Floats]:
    """Seconds that have readings, the mean time and mean bpm in each."""
    whole = np.floor(times).astype(np.int64)
    seconds, which, count = np.unique(whole, return_inverse=True, return_counts=True)
    return seconds, np.bincount(which, times) / count, np.bincount(which, beats) / count


def speed_by_second(
    speeds: list[tuple[float, float, float, bool]], pauses: list[tuple[float, bool]], cells: int
) -> tuple[Floats, Floats]:
    """Speed and grade in the middle of each second; NaN where not known or paused."""
    middle = np.arange(cells) + 0.5
    table = np.array([(-np.inf, np.nan, 0.0, 1.0), *speeds], dtype=np.float64)
    at = np.searchsorted(table[:, 0], middle, side="right") - 1
    fresh = (table[at, 3] > 0) | (middle - table[at, 0] <= OLD_S)
    steps = np.array([(-np.inf, 0.0), *pauses], dtype=np.float64)
    paused = steps[np.searchsorted(steps[:, 0], middle, side="right") - 1, 1] > 0
    grade = table[at, 2]
    known = fresh & ~paused & np.isfinite(grade)
    return np.where(known, table[at, 1], np.nan), np.where(known, grade, 0.0)


def _bridged(known: Bools) -> Bools:
    """Short gaps between known seconds count as known."""
    places = np.flatnonzero(known)
    filled = known.copy()
    for one in np.flatnonzero((np.diff(places) > 1) & (np.diff(places) <= BRIDGED_S + 1)):
        filled[places[one]:places[one + 1]] = True
    return filled


def _silent(seconds: NDArray[np.int64]) -> Bools:
    """Seconds inside long gaps without readings."""
    silent = np.zeros(int(seconds[-1]) + 1, dtype=bool)
    bounds = np.concatenate([[-1], seconds])
    for one in np.flatnonzero(np.diff(bounds) > SILENT_S):
        silent[bounds[one] + SILENT_S // 2:bounds[one + 1] - SILENT_S // 2] = True
    return silent
