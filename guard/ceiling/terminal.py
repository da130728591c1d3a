"""What `guard ceiling` shows on a terminal: sources, ranges on one axis, the suggestion, cautions."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date

from rich.padding import Padding
from rich.text import Text

from guard.ceiling.advice import (
    AGAIN_AFTER,
    NEVER_EXCEED,
    WHEN_AGAIN,
    CeilingSuggestion,
    agreement,
    cautions,
    narrowing,
)
from guard.ceiling.methods import Method, Runner
from guard.screen.cautions import FOR_EVERY_RUN
from guard.screen.look import Look, styled
from guard.screen.report import console_and_look, put

_WIDEST = 110  # cells; longer lines are hard to read
_STEPS_BPM = (5, 10, 20, 50)  # between numbers on the axis
_TICK_CELLS = 7  # least distance of two numbers on the axis
_NAME_CELLS = 32  # of a method's name, at most
LEAST_WIDTH = 50  # cells; a narrower chart tells nothing


def show(
    runner: Runner, rows: Sequence[Method], suggestion: CeilingSuggestion, *,
    notes: Sequence[str], kept: str | None, since: date, today: date, stop_bpm: float | None,
    cautions_read: bool,
) -> None:
    """Print it all; `since` is the day of the newest answers, `kept` the settings file if applied.

    `stop_bpm` is the never-exceed limit of the settings; `cautions_read` leaves out those of every run.
    """
    console, look = console_and_look()
    width = min(console.width, _WIDEST)

    def say(words: str, indent: int = 0, style: str = "") -> None:
        console.print(Padding(Text(look.text(words), style), (0, 0, 0, indent)), width=width)

    _background(runner, rows, say, since=since, today=today, stop_bpm=stop_bpm,
                cautions_read=cautions_read)
    if rows:
        for drawn in draw(rows, suggestion.bpm, width, look):
            console.print(drawn, width=width)
        say("")
    if suggestion.bpm is None:
        say(suggestion.reason[0].upper() + suggestion.reason[1:] + ".", style="bold")
    else:
        say(f"Suggested ceiling: {suggestion.bpm} bpm", style="bold")
        say(f"{suggestion.reason}.", 2)
    words = agreement(rows)
    if words and suggestion.bpm is not None:
        say(f"{words}.", 2)
    if kept:
        say(f"ceiling_bpm is now {suggestion.bpm}, kept in {kept}", 2)
    elif suggestion.bpm is not None:
        say(f"keep it: guard ceiling --apply; try it once: guard run --ceiling {suggestion.bpm}", 2)
    for note in notes:
        say(f"note: {note}", 2)
    for caution in cautions(runner, suggestion):
        say(caution)


def _background(
    runner: Runner, rows: Sequence[Method], say: Callable[..., None], *,
    since: date, today: date, stop_bpm: float | None, cautions_read: bool,
) -> None:
    """What is behind the figures comes first, so that the answer is what remains in sight."""
    if rows:
        say("Where each comes from", style="bold")
        for row in rows:
            say(f"{row.method} ({row.source}): {row.note}.", 2)
    more = narrowing(runner)
    if more:
        say("What would narrow it", style="bold")
        for line in more:
            say(line, 2)
    say("When again", style="bold")
    due = since + AGAIN_AFTER
    if today > due:
        say(f"These answers are of {since}: it is time to work it out again.", 2)
    else:
        say(f"By {due} at the latest.", 2)
    say(WHEN_AGAIN, 2)
    say("Never-exceed limit", style="bold")
    if stop_bpm is None:
        say("You have set none.", 2)
        say(NEVER_EXCEED, 2)
    else:
        say(f"Yours is {stop_bpm:g} bpm: over it the guard says stop, whatever the plan.", 2)
    if not cautions_read:
        say("Before you run with any ceiling", style="bold")
        for caution in FOR_EVERY_RUN:
            say(caution, 2)
    say("")


@dataclass(frozen=True)
class Axis:
    """bpm from `low` to `high` over `width` cells."""

    low: float
    high: float
    width: int

    def cell(self, bpm: float) -> int:
        place = round((bpm - self.low) / (self.high - self.low) * (self.width - 1))
        return min(max(place, 0), self.width - 1)


def draw(rows: Sequence[Method], ceiling_bpm: float | None, width: int, look: Look) -> list[Text]:
    """Lines of at most `width` cells: name, value, range on the axis; then the axis and its key."""
    width = max(width, LEAST_WIDTH)
    name_cells = min(max((len(row.method) for row in rows), default=0), _NAME_CELLS, width // 2 - 6)
    margin = name_cells + 6
    values = [value for row in rows for value in (row.low_bpm, row.high_bpm)]
    values += [] if ceiling_bpm is None else [ceiling_bpm]
    axis = Axis(min(values) - 2, max(values) + 2, width - margin)
    lines = [_row(row, axis, ceiling_bpm, name_cells, look) for row in rows]
    lines += [Text(" " * margin) + one for one in _scale(axis, ceiling_bpm, look)]
    key = [f"{look.sign('value')} value"]
    if any(not row.counts for row in rows):
        key.append(f"{look.sign('shown_only')} shown, not counted")
    ranges = look.sign("begin") + look.sign("rule") + look.sign("end")
    key.append(f"{ranges} where two runners in three lie")
    lines.append(Text("  ".join(key), look.style("quiet"), overflow="ellipsis", no_wrap=True))
    return lines


def _row(row: Method, axis: Axis, ceiling_bpm: float | None, name_cells: int, look: Look) -> Text:
    cells = [(" ", "")] * axis.width
    begin, end = axis.cell(row.low_bpm), axis.cell(row.high_bpm)
    for cell in range(begin, end + 1):
        name = "begin" if cell == begin else "end" if cell == end else "rule"
        cells[cell] = (look.sign(name), look.style("under") if row.counts else look.style("quiet"))
    if ceiling_bpm is not None:
        cells[axis.cell(ceiling_bpm)] = (look.sign("wall"), look.style("lead"))
    value, style = ("value", "lead") if row.counts else ("shown_only", "quiet")
    cells[axis.cell(row.bpm)] = (look.sign(value), look.style(style))
    head = f"{look.fit(row.method, name_cells):<{name_cells}} {row.bpm:4.0f} "
    return Text(head, "" if row.counts else look.style("quiet"), no_wrap=True) + styled(cells)


def _scale(axis: Axis, ceiling_bpm: float | None, look: Look) -> list[Text]:
    """Numbers of the axis, and under them the ceiling's name at its place."""
    per_cell = (axis.high - axis.low) / (axis.width - 1)
    step = next((step for step in _STEPS_BPM if step / per_cell >= _TICK_CELLS), _STEPS_BPM[-1])
    numbers = [" "] * axis.width
    tick = int(axis.low // step + 1) * step
    while tick <= axis.high:
        put(numbers, axis.cell(tick) - 1, str(tick))
        tick += step
    lines = [Text("".join(numbers).rstrip(), look.style("quiet"), no_wrap=True)]
    if ceiling_bpm is not None:
        words = f"ceiling {ceiling_bpm:.0f}"
        start = min(max(0, axis.cell(ceiling_bpm) - len(words) // 2), axis.width - len(words))
        lines.append(Text(" " * start + words, look.style("lead"), no_wrap=True))
    return lines
