"""Where a recording itself was paused: its source wrote no rows, or few, for far longer than usual.

A lost sensor leaves rows without a heart rate at the usual pace; a pause leaves
gaps between the rows. It becomes what a runner's pause is in a log, so that no
replay takes it for a lost sensor.
"""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from guard.arrays import Floats
from guard.events import Action, Command, Reading

# Ours, from five outdoor runs (trackeR `runs`), whose pauses leave rows 4 to 18 s apart instead of 1.
FAR_LONGER, LEAST_GAP_S = 3.0, 3.0  # of the usual gap between rows, and seconds
SHORTEST_PAUSE_S = 8.0  # a shorter one is no pause: not even a lost sensor is told by then
ENDS_BEFORE_S = 0.5  # so long before the next row the pause has ended
SELDOM_S = 10.0  # between readings: the longest that a session guards by


def pauses(t_s: Floats, readings: Sequence[Reading]) -> list[tuple[float, float]]:
    """Begin and end of each pause, s, from the times of all rows and the readings in them."""
    gaps = np.diff(t_s)
    if not len(gaps):
        return []
    usual_s = float(np.median(gaps))
    longest_s = max(FAR_LONGER * usual_s, LEAST_GAP_S)
    read = {reading.t_s for reading in readings}
    found: list[tuple[float, float]] = []
    for (begin_s, end_s), gap_s in zip(pairwise(t_s.tolist()), gaps.tolist(), strict=True):
        if gap_s <= longest_s:
            continue
        goes_on = bool(found) and found[-1][1] == begin_s and round(begin_s, 3) not in read
        found[len(found) - goes_on:] = [(found[-1][0] if goes_on else begin_s, end_s)]
    return [(begin_s + usual_s, end_s - ENDS_BEFORE_S)
            for begin_s, end_s in found if end_s - begin_s >= SHORTEST_PAUSE_S]


def commands(found: Sequence[tuple[float, float]]) -> list[Command]:
    """The pauses as a runner would have commanded them."""
    return [Command(round(at_s, 3), action) for begin_s, end_s in found
            for at_s, action in ((begin_s, Action.PAUSE), (end_s, Action.CONTINUE))]


def said(found: Sequence[tuple[float, float]], readings: Sequence[Reading]) -> list[str]:
    """Notes: the pauses, and readings that come too rarely to guard by."""
    notes = []
    if found:
        total_s = sum(end_s - begin_s for begin_s, end_s in found)
        times = "once" if len(found) == 1 else f"{len(found)} times"
        notes.append(f"the recording was paused {times}, {total_s:.0f} s in all: taken as your own pauses")
    gaps = [after.t_s - before.t_s for before, after in pairwise(readings)]
    if gaps and (usual_s := float(np.median(gaps))) > SELDOM_S:
        notes.append(f"a reading every {usual_s:.0f} s: too rarely to guard by, "
                     f"{SELDOM_S:.0f} s at most would do")
    return notes
