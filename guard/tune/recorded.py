"""The view *as recorded*: what settings would have said over heart rates that stay as they were.

Each recording is replayed under each set. Nothing the guard says can change a
recorded heart rate, so time over the ceiling is the same for every setting and
is no figure here. What settings differ in is how many crossings of the ceiling
they would have warned of, how early, how much they would have talked, and how
often in vain. The runner would have reacted, so that later crossings might
never have come.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from guard.arrays import Bools, Floats
from guard.events import PACE_CUES, SLOW_DOWN, CueGiven
from guard.replay.replay import plan_of, played, replay
from guard.response.spans import runs
from guard.session import Session
from guard.session.step import Step
from guard.tune.choose import Changes
from guard.tune.source import LoggedRun, TunedRecording
from guard.workers.pool import Cancelled

LASTS_S = 5.0  # over for less is the estimate's own wander
UNDER_S = 30.0  # under for so long before, or it is the same crossing
WARN_S = 60.0  # a warning longer ago is no warning of this crossing


@dataclass(frozen=True)
class Over:
    """Spells over the ceiling of one recording: begins, ends (s), and the begins that are crossings."""

    begins: Floats
    ends: Floats
    crossings: Floats


@dataclass(frozen=True)
class Heard:
    """One recording under one set; `early_s` are the times from the first warning to the crossing."""

    crossings: int
    early_s: tuple[float, ...]
    late: int
    cues: int
    in_vain: int


@dataclass(frozen=True)
class Recorded:
    """One set's figures over all recordings.

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


@dataclass(frozen=True)
class RecordedView:
    """Figures of each set that is shown, by its number."""

    hours: float
    over_min_per_h: float
    figures: Mapping[int, Recorded]


def hear(
    piece: tuple[TunedRecording | LoggedRun, Sequence[Changes]], stop: Callable[[], bool],
) -> tuple[float, float, list[Heard]]:
    """Length (s) and time over (s) of one recording, and what each of the sets would have said."""
    source, sets = piece
    one = source.read()
    steps: list[Step] = []
    played(one.recording, Session(one.settings, plan_of(one.recording), steps.append))
    t_s, level, ceiling = np.array([(step.t_s, step.level_bpm, step.ceiling_bpm) for step in steps]).T
    over = spells(t_s, level, ceiling, np.array([step.counts and not step.held for step in steps]))
    found = []
    for changes in sets:
        if stop():
            raise Cancelled
        found.append(heard(replay(one.recording, one.settings.replaced(changes)).cues, over))
    return float(t_s[-1]) + 1.0, float((over.ends - over.begins).sum()), found


def spells(t_s: Floats, level_bpm: Floats, ceiling_bpm: Floats, counts: Bools) -> Over:
    """When the level was over the ceiling in force, where that meant anything."""
    firsts, afters = runs((np.round(level_bpm) > np.round(ceiling_bpm)) & counts)
    begins = t_s[firsts]
    ends = t_s[np.minimum(afters, len(t_s) - 1)]
    lasting = ends - begins >= LASTS_S
    before = np.concatenate([[-np.inf], ends[:-1]])
    return Over(begins, ends, begins[lasting & (begins - before >= UNDER_S)])


def heard(cues: Sequence[CueGiven], over: Over) -> Heard:
    """What `cues` (in order of time) would have been worth to a heart rate that was over then."""
    slow_s = np.array([one.t_s for one in cues if one.cue in SLOW_DOWN])
    ahead = over.crossings - np.append(slow_s, np.inf)[np.searchsorted(slow_s, over.crossings - WARN_S)]
    late = int(np.count_nonzero((ahead < 0.0) & (ahead >= -WARN_S)))
    soon = np.append(over.begins, np.inf)[np.searchsorted(over.ends, slow_s)] <= slow_s + WARN_S
    return Heard(len(ahead), tuple(ahead[ahead >= 0.0].tolist()), late,
                 sum(one.cue in PACE_CUES for one in cues), int(np.count_nonzero(~soon)))


def recorded_view(
    numbers: Sequence[int], read: Sequence[tuple[float, float, Sequence[Heard]]]
) -> RecordedView:
    """The view from what `hear` found of every recording; `numbers` are those of the sets."""
    hours = sum(length_s for length_s, _, _ in read) / 3600.0
    over_min = sum(over_s for _, over_s, _ in read) / 60.0
    sets = zip(*(found for _, _, found in read), strict=True)
    return RecordedView(hours, over_min / hours, {
        number: _figures(some, hours) for number, some in zip(numbers, sets, strict=True)})


def _figures(some: Sequence[Heard], hours: float) -> Recorded:
    early = [early_s for one in some for early_s in one.early_s]
    return Recorded(
        sum(one.crossings for one in some), len(early), sum(one.late for one in some),
        float(np.median(early)) if early else None,
        sum(one.cues for one in some) / hours, sum(one.in_vain for one in some) / hours)
