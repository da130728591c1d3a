"""What every report in a terminal shares: its console, its tables, and pictures made of cells."""

import os
import shutil
from collections.abc import Iterable, Mapping, Sequence
from typing import NoReturn

from rich import box
from rich.console import Console as _Console
from rich.table import Table
from rich.text import Text

from guard.cues import CUE_NAMES, SEVERAL, Cue
from guard.events import Summary
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
    """Write `label` where it has room and touches no other."""
    end = at + len(label)
    if at >= 0 and end <= len(cells) and set(cells[max(at - 1, 0):end + 1]) == {" "}:
        cells[at:end] = label


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


def summary_rows(summary: Summary) -> list[tuple[str, str]]:
    """(fact, value) pairs of a session's summary."""
    over_s, under_s = float(summary["over_s"]), float(summary["at_or_under_s"])
    known_s = over_s + under_s
    share = f" ({100 * under_s / known_s:.0f} % of the time with a trusted heart rate)" if known_s else ""
    named = counted(summary["cues"])
    cues = f"{named} ({summary['cues_per_h']:.0f} pace cues an hour)" if named else "none"
    return [
        ("duration", clock(summary["duration_s"])),
        ("at or under the ceiling", clock(under_s) + share),
        ("over the ceiling", over(summary)),
        ("no signal", clock(summary["no_signal_s"])),
        ("cues", cues),
    ]


def counted(cues: Mapping[str, int]) -> str:
    """How many of each cue, by its name and in the order of the cues; empty for none."""
    known = [key for key in (*CUE_NAMES, *sorted(set(cues) - set(CUE_NAMES))) if cues.get(key)]
    return ", ".join(f"{CUE_NAMES.get(key, key)} {cues[key]}" for key in known)


def over(summary: Summary) -> str:
    """Time over the ceiling, and how far over that was."""
    return f"{clock(float(summary['over_s']))} ({summary['over_bpm_min']:.1f} bpm x min)"


def summary_lines(summary: Summary, beside: Sequence[tuple[str, str]] = ()) -> list[str]:
    """The same, and what is to stand beside it, as aligned plain lines."""
    rows = [*summary_rows(summary), *beside]
    width = max(len(fact) for fact, _ in rows)
    return [f"{fact:<{width}}  {value}" for fact, value in rows]
