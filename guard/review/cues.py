"""Each cue with what heart rate did after it; pure.

A cue is watched until one of another kind asks for something, the next part
begins, the runner pauses, the signal goes, or `WATCHED_S` have passed: what
happens later is no longer its doing. A repeat of the same cue does not end it.

A cue that says what it expects, with and without it, is judged by the level at
that time, if nothing more was asked until then: a repeat has its own expectation.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from enum import StrEnum

import numpy as np

from guard.arrays import Bools, Floats
from guard.events import PACE_CUES, SLOW_DOWN, Cue, CueGiven
from guard.reasons import reason
from guard.review.trace import Trace

WATCHED_S = 180.0  # about three time constants of a change of effort (57.6 s, Hunt et al. 2015)
TURN_BPM = 2.0  # a fall this large is a turn, not noise (SD of steady readings near 1.6 bpm)
GONE_S = 8.0  # without a level this long the watch ends
_ENDING = frozenset((*PACE_CUES, Cue.PART))


class Came(StrEnum):
    """Which of a cue's two expectations came about."""

    WITH = "with"  # nearer to what was expected with it
    WITHOUT = "without"
    EITHER = "either"  # the two lay too close together to tell
    LOWER = "lower"  # under both by more than noise
    HIGHER = "higher"


@dataclass(frozen=True)
class CueOutcome:
    """A cue and what followed; times in s after the cue, None where it did not happen or is not known.

    After `ease`, `walk` and `stop`: `turn_s` until the peak from which heart
    rate fell by `TURN_BPM` (0: it fell at once), `under_s` until it was at or
    under the ceiling after that peak (0: the peak was not over), `peak_bpm` and
    `fell_bpm` from there to the lowest. After `resume` and `pick_up`:
    `rose_bpm` to the highest, `over_s` until over the ceiling again. After
    `signal_lost`: `back_s` until a level was known again.
    `watched_s` is how long, `ended_by` what ended it. `came_bpm` is the level
    when what the cue expected was due, `came` which expectation that was.
    """

    given: CueGiven
    level_bpm: float | None
    ceiling_bpm: float | None
    watched_s: float = 0.0
    ended_by: str = ""
    turn_s: float | None = None
    under_s: float | None = None
    peak_bpm: float | None = None
    fell_bpm: float | None = None
    rose_bpm: float | None = None
    over_s: float | None = None
    back_s: float | None = None
    came_bpm: float | None = None
    came: Came | None = None

    @property
    def t_s(self) -> float:
        return self.given.t_s

    @property
    def cue(self) -> Cue:
        return self.given.cue

    @property
    def reason(self) -> str:
        """Why it was given, in words."""
        return reason(self.given)

    def as_dict(self) -> dict[str, object]:
        """JSON-ready: the cue, then what followed."""
        given = self.given
        followed = {item.name: getattr(self, item.name) for item in fields(self)[1:]}
        return {"t_s": given.t_s, "cue": given.cue.key, "reason": self.reason, "rule": given.rule,
                "numbers": given.numbers.as_dict(), "repeat": given.repeat,
                "advised_speed_m_s": given.advised_speed_m_s, **followed}


def outcomes(trace: Trace, cues: Sequence[CueGiven]) -> tuple[CueOutcome, ...]:
    """One outcome a cue, in order."""
    return tuple(_outcome(trace, given, cues[place + 1:]) for place, given in enumerate(cues))


def _outcome(trace: Trace, given: CueGiven, later: Sequence[CueGiven]) -> CueOutcome:
    here = int(np.searchsorted(trace.t_s, given.t_s))
    found = CueOutcome(given, trace.level_at(given.t_s), None)
    if here == len(trace.t_s):
        return found
    found = replace(found, ceiling_bpm=float(trace.ceiling_bpm[here]))
    if given.cue is Cue.SIGNAL_LOST:
        back_s = _first(trace.t_s[here:] - given.t_s, np.isfinite(trace.level_bpm[here:]))
        return replace(found, back_s=None if back_s is None else round(back_s, 3))
    if given.cue not in PACE_CUES:
        return found
    end_s, ended_by = _watch(trace, given, later, here)
    found = replace(found, watched_s=round(end_s - given.t_s, 3), ended_by=ended_by)
    span = trace.between(given.t_s, end_s + 1e-6)
    steps = np.flatnonzero(np.isfinite(trace.level_bpm[span])) + span.start
    if not len(steps):
        return found
    level, over = trace.level_bpm[steps], trace.room_bpm[steps] < 0
    times = trace.t_s[steps] - given.t_s
    if (came_bpm := _came_bpm(trace, given, later, found.watched_s)) is not None:
        found = replace(found, came_bpm=came_bpm, came=_came(given, came_bpm))
    if given.cue not in SLOW_DOWN:
        return replace(found, rose_bpm=float(level.max() - level[0]), over_s=_first(times, over))
    peak = _turn(level)
    top = int(np.argmax(level)) if peak is None else peak
    return replace(
        found, turn_s=None if peak is None else float(times[peak]),
        under_s=_first(times[top:], ~over[top:]) if over[top] else 0.0,
        peak_bpm=float(level[top]), fell_bpm=float(level[top] - level[top:].min()))


def _came_bpm(
    trace: Trace, given: CueGiven, later: Sequence[CueGiven], watched_s: float
) -> float | None:
    """The level when the cue's expectation was due; None where that cannot be judged."""
    expected = given.numbers
    if expected.ahead_s is None or expected.with_bpm is None or expected.without_bpm is None:
        return None
    due_s = given.t_s + expected.ahead_s
    if watched_s < expected.ahead_s or any(
            given.t_s < other.t_s < due_s and other.cue in PACE_CUES for other in later):
        return None
    return trace.level_at(due_s)


def _came(given: CueGiven, level_bpm: float) -> Came:
    """Which expectation the level bears out; half-way between the two decides."""
    with_bpm, without_bpm = given.numbers.with_bpm, given.numbers.without_bpm
    assert with_bpm is not None and without_bpm is not None
    if level_bpm < min(with_bpm, without_bpm) - TURN_BPM:
        return Came.LOWER
    if level_bpm > max(with_bpm, without_bpm) + TURN_BPM:
        return Came.HIGHER
    if abs(with_bpm - without_bpm) < TURN_BPM:
        return Came.EITHER
    nearer = abs(level_bpm - with_bpm) <= abs(level_bpm - without_bpm)
    return Came.WITH if nearer else Came.WITHOUT


def _watch(trace: Trace, given: CueGiven, later: Sequence[CueGiven], here: int) -> tuple[float, str]:
    """(when the watch ends in session time, what ends it)."""
    ends = [(given.t_s + WATCHED_S, "time"), (float(trace.t_s[-1]), "end")]
    ends += [(other.t_s, other.cue.key) for other in later
             if other.cue in _ENDING and other.cue is not given.cue][:1]
    span = trace.between(given.t_s, given.t_s + WATCHED_S)
    held = np.flatnonzero(trace.held[span])
    if len(held):
        ends.append((float(trace.t_s[span][held[0]]), "pause"))
    gone_s = 0.0
    for step in range(here, span.stop):
        gone_s = gone_s + float(trace.dt_s[step]) if np.isnan(trace.level_bpm[step]) else 0.0
        if gone_s >= GONE_S:
            ends.append((float(trace.t_s[step]) - gone_s, "no_signal"))
            break
    end_s, cause = min(ends)
    return max(end_s, given.t_s), cause


def _turn(level: Floats) -> int | None:
    """Place of the first peak from which the level fell by TURN_BPM; of equal ones the last."""
    peaks = np.maximum.accumulate(level)
    fallen = np.flatnonzero(level <= peaks - TURN_BPM)
    if not len(fallen):
        return None
    return int(fallen[0] - np.argmax(level[fallen[0]::-1]))


def _first(times: Floats, which: Bools) -> float | None:
    """The first of the times that `which` picks; None where it picks none."""
    return float(times[which.argmax()]) if which.any() else None
