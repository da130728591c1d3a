"""What every report in a terminal shares: its console, its tables, and pictures made of cells."""

import os
import shutil
from collections.abc import Iterable, Mapping, Sequence
from typing import NoReturn

from rich import box
from rich.console import Console as _Console
from rich.table import Table
from rich.text import Text

from guard.cues import SEVERAL, Cue
from guard.screen.look import Look, fitting_look, styled
from guard.screen.words import clock


class Console(_Console):
    """Rich's console, but for a reader that goes away (`guard settings | head -1`).

    Rich ends the program with exit code 1 then; that the reader had enough is no error,
    and `guard.cli` treats it as such.
    """

    def on_broken_pipe(self) -> NoReturn:
        raise BrokenPipeError


def console_and_look() -> tuple[Console, Look]:
    """A console on stdout and what it can show."""
    console = Console(highlight=False, emoji=False)
    return console, fitting_look(console.encoding, os.environ, legacy_windows=console.legacy_windows)


def columns(widest: int) -> int:
    """Cells of a line of text on this terminal, at most `widest`."""
    return min(shutil.get_terminal_size((80, 24)).columns - 1, widest)


def table(look: Look, padding: tuple[int, ...] = (0, 1)) -> Table:
    """A table without columns yet; `padding` as rich has it."""
    return Table(box=box.ASCII if look.ascii else box.SIMPLE_HEAD, pad_edge=False, padding=padding)  # type: ignore[arg-type]


def put(cells: list[str], at: int, label: str) -> None:
    """Write `label` where it has room and touches none before it."""
    if at >= 0 and at + len(label) <= len(cells) and set(cells[max(at - 1, 0):at + len(label)]) == {" "}:
        cells[at:at + len(label)] = label


def levels(high: float, low: float, rows: int) -> dict[int, str]:
    """Whole numbers for the top, the middle and the bottom row of a picture."""
    return {row: f"{high - (high - low) * row / (rows - 1):.0f}" for row in (0, (rows - 1) // 2, rows - 1)}


def framed(
    rows: Sequence[str], labels: Mapping[int, str], margin: int, look: Look, unit: str = "",
) -> list[str]:
    """Rows of a picture beside an upright axis, with its `labels` by row; last the level axis' begin."""
    wide = margin - 2
    return [*(f"{labels.get(place, ''):>{wide}} {look.sign('axis')}{cells}".rstrip()
              for place, cells in enumerate(rows)),
            f"{unit:>{wide}} {look.sign('corner')}"]


def from_to(seconds: float, width: int, *, middle: bool = True) -> str:
    """A time axis: its begin, its middle and its end."""
    begin, half, end = clock(0), clock(seconds / 2) if middle else "", clock(seconds)
    axis = begin + " " * (width // 2 - len(half) // 2 - len(begin)) + half
    return axis + end.rjust(width - len(axis))


def cue_row(cues: Iterable[tuple[int, Cue, str]], width: int, blank: str = "") -> Text:
    """Cues at their columns as letters, in a style each, `blank` that between them; several as one sign."""
    cells = [(" ", blank)] * width
    for at, cue, style in cues:
        letter = cue.about.letter
        cells[at] = (letter if cells[at][0] in (" ", letter) else SEVERAL, style)
    return styled(cells)


def cue_key(cues: Iterable[Cue]) -> str:
    """What the letters of these cues mean."""
    return ", ".join(f"{cue.about.letter} {cue.words}" for cue in sorted(set(cues)))
