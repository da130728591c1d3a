"""Many runners in a terminal: one line each."""

import textwrap
from collections.abc import Sequence

from rich.cells import cell_len, set_cell_size

from guard.roster import words
from guard.roster.roster import Line
from guard.screen.look import Look

LEAST_NAME, MOST_NAME = 8, 24  # cells of a name


def report(lines: Sequence[Line], units: str, width: int, look: Look) -> list[str]:
    """Lines of at most `width` cells (from 80 on); a longer name is cut."""
    cells = [tuple(map(look.text, words.cells(one, units))) for one in lines]
    heads = [look.text(head) for head in words.HEADS]
    if sum(_widths(heads[1:], cells)) + LEAST_NAME + len(heads) > width:  # no room: days ago, bare intervals
        heads = ["runner", "says", "last", "weeks", "over", "pace", "change"]
        cells = [(news, f"{one.idle_days} d", f"{one.with_runs}/{one.weeks}", over.replace(" ", ""),
                  pace.replace(" to ", "-"), change.replace(" to ", "/").replace(" ", ""))
                 for one, (news, _, _, over, pace, change) in zip(lines, cells, strict=True)]
    widths = _widths(heads[1:], cells)
    longest = max([cell_len(look.text(one.name)) for one in lines] + [len(heads[0])])
    room = max(min(width - sum(widths) - len(widths), longest, MOST_NAME), LEAST_NAME)
    table = [_row([heads[0], *heads[1:]], [room, *widths])]
    table += [_row([look.fit(one.name, room), *row], [room, *widths])
              for one, row in zip(lines, cells, strict=True)]
    return [*table, "", *textwrap.wrap(look.text(words.meaning(units)), width)]


def _widths(heads: Sequence[str], cells: Sequence[Sequence[str]]) -> list[int]:
    return [max(cell_len(row[place]) for row in [heads, *cells]) for place in range(len(heads))]


def _row(cells: Sequence[str], widths: Sequence[int]) -> str:
    return " ".join(set_cell_size(cell, wide) for cell, wide in zip(cells, widths, strict=True)).rstrip()
