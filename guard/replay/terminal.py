"""What `guard replay` shows: the session as it would go, and beside it as it went."""

from collections.abc import Sequence

from rich.markup import escape
from rich.table import Table
from rich.text import Text

from guard.cues import SEVERAL
from guard.decide.wording import headline
from guard.events import CueGiven, Reading, ReadingDoubted, StateChanged
from guard.log.recording import Recording
from guard.reasons import reason
from guard.replay.compare import SAME_S, Compared, CueChange, counted
from guard.replay.replay import Replay
from guard.screen.look import Look
from guard.screen.report import Console, cue_key, cue_row, from_to, summary_lines, table
from guard.screen.trace import means, picture
from guard.screen.words import STATES, clock

LABEL = 6  # cells before the picture
_ROWS = 6  # of the picture
_WIDEST = 160  # cells; a wider picture shows no more
MARKS = {CueChange.ADDED: "+", CueChange.GONE: "-", CueChange.EARLIER: "<", CueChange.LATER: ">"}
_HOW = {CueChange.SAME: "same", CueChange.ADDED: "added", CueChange.GONE: "gone"}


def show_heading(console: Console, recording: Recording, result: Replay) -> None:
    settings, made_with = result.settings, recording.settings.as_dict()
    changed = [f"{key} {value}" for key, value in settings.as_dict().items()
               if key not in ("ceiling_bpm", "units") and value != made_with[key]]
    console.print(", ".join([f"ceiling {settings.ceiling_bpm:g} bpm", f"{clock(recording.end_s)} recorded",
                             *changed]), markup=False)


def show_session(console: Console, look: Look, result: Replay) -> None:
    """Every state and cue with its reason."""
    grid = _grid(look, ("time", "state", "cue", "why"))
    for t_s, state, cue, why in _rows(result):
        grid.add_row(clock(t_s), escape(state), escape(cue), escape(look.text(why)))
    console.print(grid)


def show_totals(result: Replay) -> None:
    doubts = sum(isinstance(output, ReadingDoubted) for output in result.outputs)
    beside = [("readings set aside", str(doubts))] if doubts else []
    print(*summary_lines(result.summary, beside), sep="\n")


def show_comparison(
    console: Console, look: Look, recording: Recording, result: Replay,
    compared: Sequence[Compared], against: str,
) -> None:
    """Picture, then each cue with its twin, then the count."""
    width = min(console.width, _WIDEST) - LABEL
    for line in drawing(recording, result, compared, max(width, 20), look):
        console.print(line)
    grid = _grid(look, (against, "replayed", "", "cue", "why"))
    for one in compared:
        grid.add_row(
            clock(one.was.t_s) if one.was else "", clock(one.now.t_s) if one.now else "", how(one),
            escape(one.cue.words),
            escape(look.text(reason(one.given))))
    console.print(grid)
    counts = counted(compared)
    console.print(f"beside what was cued: {', '.join(f'{count} {word}' for word, count in counts.items())}\n"
                  f"(same: within {SAME_S:g} s). The heart rate is the recorded one: had other cues been "
                  "given, the runner would have run otherwise.", markup=False)


def how(one: Compared) -> str:
    """The change in words.

    >>> how(Compared(CueChange.LATER, CueGiven(10.0, Cue.EASE), CueGiven(14.0, Cue.EASE)))
    '4 s later'
    """
    moved = one.moved_s
    return f"{abs(moved or 0.0):.0f} s {one.change}" if one.change in (
        CueChange.EARLIER, CueChange.LATER) else _HOW[one.change]


def drawing(
    recording: Recording, result: Replay, compared: Sequence[Compared], width: int, look: Look
) -> list[Text]:
    """Heart rate against the ceiling, and under it the cues then and now on one time axis."""
    end_s = max(recording.end_s, max((one.t_s for one in compared), default=0.0), 1.0)

    def column(t_s: float) -> int:
        return min(int(t_s / end_s * width), width - 1)

    doubted = {output.t_s for output in result.outputs if isinstance(output, ReadingDoubted)}
    ceiling = result.settings.ceiling_bpm or 0.0
    heights = means(((column(event.t_s), event.bpm - ceiling) for event in recording.inputs
                     if isinstance(event, Reading) and event.bpm and event.t_s not in doubted), width)
    lines = [Text(" " * LABEL, no_wrap=True).append_text(line) for line in picture(heights, _ROWS, look)]
    styles = {one: "" if one.change is CueChange.SAME else look.style("lead") for one in compared}
    then = [(column(one.was.t_s), one.cue, styles[one]) for one in compared if one.was]
    now = [(column(one.now.t_s), one.cue, styles[one]) for one in compared if one.now]
    for label, cues in (("then", then), ("now", now)):
        lines.append(Text(f"{label:<{LABEL}}", no_wrap=True).append_text(cue_row(cues, width)))
    marks = [" "] * width
    for one in compared:
        if one.change is not CueChange.SAME:
            marks[column(one.t_s)] = MARKS[one.change]
    lines.append(Text(" " * LABEL + "".join(marks), no_wrap=True))
    lines.append(Text(" " * LABEL + from_to(end_s, width, middle=False), no_wrap=True))
    key = cue_key(one.cue for one in compared)
    lines.append(Text(f"{key}; {SEVERAL} several; under them < earlier, > later, + added, - gone",
                      style=look.style("quiet")))
    return lines


def _grid(look: Look, titles: Sequence[str]) -> Table:
    grid = table(look)
    for title in titles:
        times = title in ("time", "then", "before", "replayed")
        grid.add_column(title, justify="right" if times else "left", no_wrap=times,
                        ratio=1 if title == "why" else None)
    return grid


def _rows(result: Replay) -> list[tuple[float, str, str, str]]:
    """(time in s, state, cue, reason); a cue joins the change of state it came with."""
    rows: list[tuple[float, str, str, str]] = []
    before: StateChanged | None = None
    for output in result.outputs:
        if isinstance(output, StateChanged):
            rows.append((output.t_s, STATES[output.state], "", reason(output)))
            before = output
        elif isinstance(output, CueGiven):
            state = ""
            if before is not None and (before.t_s, before.rule) == (output.t_s, output.rule):
                state = rows.pop()[1]
            rows.append((output.t_s, state, headline(output, result.settings), reason(output)))
            before = None
    return rows
