"""What `guard ceiling` shows on a terminal: sources, ranges on one axis, the suggestion, cautions."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date

from rich.padding import Padding
from rich.text import Text

from guard.ceiling.advice import (
    NEVER_EXCEED,
    WHEN_AGAIN,
    CeilingSuggestion,
    agreement,
    cautions,
    due_again,
    narrowing,
)
from guard.ceiling.chart import draw
from guard.ceiling.methods import Method, Runner
from guard.screen.cautions import FOR_EVERY_RUN
from guard.screen.report import console_and_look

_WIDEST = 110  # cells; longer lines are hard to read


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
    due = due_again(since)
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
