"""Rows of a CSV file in the order of time, or the sentence that says why not.

Times that run back a little are disorder and are sorted; times that run back
far, or just where a column changes, are several recordings in one file.
"""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from guard.arrays import Floats
from guard.csv.table import Table
from guard.errors import InputError, quoted
from guard.log.records import LONGEST_SESSION_S

UNSORTED_S = 60.0  # times that run back further are another recording, not disorder


def in_order(
    table: Table, lines: Sequence[int], t_s: Floats, notes: list[str]
) -> tuple[list[int], float]:
    """The rows by time, and what was added to their times, which then begin at 0 (in place)."""
    steps = np.diff(t_s)
    back = np.flatnonzero(steps < 0)
    if len(back):
        descending = len(back) > 0.9 * len(steps)
        far = back[steps[back] < -UNSORTED_S]
        if not descending:
            told = _told_apart(table, lines, back) or _told_apart(table, lines, far)
            if told or len(far):
                row = int(far[0] if len(far) else back[0])
                raise InputError(f"{table.path}: the times run backward after line {lines[row]} "
                                 f"({t_s[row]:g} s, then {t_s[row + 1]:g} s)"
                                 + (told or ": choose one with --where COLUMN=VALUE, or sort the file"))
        notes.append("the times run from last to first: reversed" if descending
                     else f"the times were not in order ({len(back)} steps back): sorted")
    order = np.argsort(t_s, kind="stable")
    shift_s = -float(t_s[order[0]])
    t_s += shift_s
    if shift_s:
        notes.append(f"the session starts at 0 s: {shift_s:+.3f} s added to every time"
                     if abs(shift_s) < 60.0 else "the session starts at 0 s, at its first row")
    longest = float(t_s[order[-1]])
    if longest > LONGEST_SESSION_S:
        raise InputError(f"{table.path} spans {longest / 86400:.3g} days, which is more than one session: "
                         "check --time and its unit (--time-unit), or take a part with --where")
    return [int(row) for row in order], shift_s


def _told_apart(table: Table, lines: Sequence[int], back: NDArray[np.intp]) -> str:
    """Words on the column that changes just where the times run back; "" if there is none."""
    ends = {lines[row] for row in back}
    wanted = set(lines)
    rows = [(line, cells) for line, cells in table.rows() if line in wanted]
    for place, column in enumerate(table.columns):
        values = [(line, cells[place].strip() if place < len(cells) else "") for line, cells in rows]
        changes = {before for (before, a), (_, b) in pairwise(values) if a != b}
        if ends and changes == ends:
            names = list(dict.fromkeys(value for _, value in values if value))
            several = ", ".join(map(quoted, names[:12])) + (", ..." if len(names) > 12 else "")
            return (f" where the column {quoted(column)} changes: it holds several recordings; "
                    f"choose one with --where {quoted(f'{column}={names[0]}')} (values: {several})")
    return ""
