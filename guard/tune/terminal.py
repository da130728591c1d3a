"""What `guard tune` shows: each view by itself with picture and table, then the recommendation."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from rich.table import Table
from rich.text import Text

from guard.response.fit import Refusal
from guard.screen.look import Look
from guard.screen.report import Console, console_and_look, framed, table
from guard.tune.choose import frontier
from guard.tune.document import figures, not_learned, reason
from guard.tune.recorded import LASTS_S, UNDER_S
from guard.tune.runners import PARAMETER_WORDS
from guard.tune.tune import Outcome, RecordedView, RespondView
from guard.units import KM_H_PER_M_S, per_m_s, speed_unit

PRESENT, RECOMMENDED = "P", "R"
LETTERS = "abcdef"
_ROWS, _WIDEST, _MARGIN = 14, 90, 8  # of the picture, in cells


def show(found: Outcome, kept: str | None, *, wanted_apply: bool) -> None:
    """Everything, in order, on stdout."""
    console, look = console_and_look()
    if found.interrupted:
        _say(console, look, "Interrupted: what was done by then is shown.")
    if found.recorded is not None:
        _show_recorded(console, look, found, found.recorded)
    if found.respond is not None:
        _show_respond(console, look, found, found.respond)
    _show_recommendation(console, look, found, kept, wanted_apply)


def _show_recorded(console: Console, look: Look, found: Outcome, view: RecordedView) -> None:
    _title(console, look, "As recorded")
    _say(console, look,
         f"Heart rate as it was, {view.hours:.1f} h. You would have reacted to other cues, so this cannot "
         f"say how a run would have gone: time over the ceiling stays {view.over_min_per_h:.1f} minutes an "
         "hour, whatever is set. It says which crossings would have been warned of, and how much would "
         "be said.")
    numbers = list(view.figures)
    costs = np.array([[one.cues_per_h, one.crossings - one.warned] for one in view.figures.values()])
    if not view.figures[0].crossings:
        _say(console, look, f"No crossing is counted (over for {LASTS_S:g} s or longer after {UNDER_S:g} s "
                            "under): only the number of cues differs.")
    named = _named(found, numbers, costs)
    shown = np.array([[one.cues_per_h, 100.0 * (one.warned_share or 0.0)] for one in view.figures.values()])
    if view.figures[0].crossings:
        _draw(console, look, shown, named, "cues an hour", "crossings warned of, %")
    grid = _grid(look, ("", "warned", "late", "ahead s", "cues/h", "in vain/h", "settings"))
    for letter, row in named:
        one = view.figures[numbers[row]]
        grid.add_row(letter, f"{one.warned} of {one.crossings}", str(one.late),
                     "" if one.early_s is None else f"{one.early_s:.0f}", f"{one.cues_per_h:.1f}",
                     f"{one.in_vain_per_h:.1f}", changes_text(found, found.sets[numbers[row]], look))
    console.print(grid)


def _show_respond(console: Console, look: Look, found: Outcome, view: RespondView) -> None:
    _title(console, look, "As you would respond")
    units = found.present.units
    runs, minutes = len(view.drawn.people), view.drawn.ground.duration_s / 60.0
    _say(console, look,
         f"Simulated: {runs} runs of {minutes:.0f} minutes a set, on the hills and halts of your recordings; "
         "the cues change the run. How cues are heeded is invented and the same for all.")
    if view.drawn.learned:
        _say(console, look, "Yours, learned from the recordings: "
             + ", ".join(PARAMETER_WORDS[key] for key in view.drawn.learned) + ".")
    if view.drawn.published:
        _say(console, look, "NOT yours, but from published groups of runners: "
             + ", ".join(PARAMETER_WORDS[key] for key in view.drawn.published) + ".")
        why = not_learned(view.fit)
        if why:
            more = "" if isinstance(view.fit, Refusal) or len(why) == 1 else " `guard learn` says the rest."
            _say(console, look, f"Because {why[0]}.{more}")
    costs = np.array([[float(view.lived.cues[row].mean()), float(view.lived.over_min[row].mean())]
                      for row in range(len(view.rows))])
    named = _named(found, view.rows, costs)
    _draw(console, look, costs, named, "cues an hour", "minutes over the ceiling an hour")
    grid = _grid(look, ("", "over min/h", "cues/h", speed_unit(units), "walking min/h", "settings"))
    for letter, row in named:
        one = figures(view.lived, row)
        speed = one["distance_km_per_h"] * per_m_s(units) / KM_H_PER_M_S
        grid.add_row(letter, f"{one['over_min_per_h']:.1f}", f"{one['cues_per_h']:.1f}", f"{speed:.2f}",
                     f"{one['walking_min_per_h']:.1f}",
                     changes_text(found, found.sets[view.rows[row]], look))
    console.print(grid)


def _show_recommendation(
    console: Console, look: Look, found: Outcome, kept: str | None, wanted_apply: bool
) -> None:
    _title(console, look, "Recommendation")
    if not found.recommended:
        _say(console, look, f"Keep your present settings: {reason(found)}.")
        if wanted_apply:
            _say(console, look, "Nothing was written.")
        return
    _say(console, look, f"Set {changes_text(found, found.recommended, look)}.")
    _say(console, look, f"Why: {reason(found)} (chosen on {found.parts[0].words}; "
         f"{found.respond.report_fit if found.respond else ''}).")
    _say(console, look, f"Kept in {kept}." if kept else "`--apply` keeps it in the settings file.")


def changes_text(found: Outcome, changes: dict[str, float], look: Look) -> str:
    """What differs from the present settings."""
    if not changes:
        return "present settings"
    arrow = "->" if look.ascii else "→"
    return ", ".join(f"{key} {getattr(found.present, key):g}{arrow}{value:g}"
                     for key, value in changes.items())


def _named(
    found: Outcome, numbers: Sequence[int], costs: NDArray[np.float64]
) -> list[tuple[str, int]]:
    """(letter, row): present, recommended, and some that nothing beats in both figures."""
    named = [(PRESENT, 0)]
    if found.recommended:
        named += [(RECOMMENDED, row) for row, number in enumerate(numbers)
                  if number and found.sets[number] == found.recommended]
    taken = {row for _, row in named}
    best = [row for row in frontier(costs, len(LETTERS)) if row not in taken]
    return named + list(zip(LETTERS, best, strict=False))


def _draw(
    console: Console, look: Look, points: NDArray[np.float64], named: Sequence[tuple[str, int]],
    x_words: str, y_words: str,
) -> None:
    """Every set as a dot, the named ones as their letters; no picture where all lie level."""
    legend = f"{y_words}; {look.sign('dot')} a set tried, letters as below"
    width = max(20, min(console.width, _WIDEST) - _MARGIN - 1)
    low, high = points.min(axis=0), points.max(axis=0)
    if f"{low[1]:.1f}" == f"{high[1]:.1f}":
        _say(console, look, f"{y_words[0].upper()}{y_words[1:]}: {low[1]:.1f} with every set; {x_words} "
                            f"{low[0]:.1f} to {high[0]:.1f}.")
        return
    span = np.where(high > low, high - low, 1.0)
    share = (points - low) / span
    columns = np.rint(share[:, 0] * (width - 1)).astype(int)
    rows = np.rint((1.0 - share[:, 1]) * (_ROWS - 1)).astype(int)
    cells = [[" "] * width for _ in range(_ROWS)]
    for column, row in zip(columns, rows, strict=True):
        cells[row][column] = look.sign("dot")
    for letter, row in reversed(named):
        cells[rows[row]][columns[row]] = letter
    console.print(Text(f"{'':{_MARGIN}}{legend}", style=look.style("quiet")))
    labels = {0: f"{high[1]:.1f}", _ROWS - 1: f"{low[1]:.1f}"}
    for line in framed(["".join(row) for row in cells], labels, _MARGIN, look)[:-1]:
        console.print(Text(line, no_wrap=True))
    left, right = f"{low[0]:.1f}", f"{high[0]:.1f}"
    console.print(Text(" " * _MARGIN + left + x_words.center(max(0, width - len(left) - len(right))) + right,
                       style=look.style("quiet"), no_wrap=True))


def _grid(look: Look, titles: Sequence[str]) -> Table:
    grid = table(look)
    for title in titles:
        last = title == "settings"
        grid.add_column(title, justify="left" if last or not title else "right", no_wrap=not last,
                        ratio=1 if last else None)
    return grid


def _title(console: Console, look: Look, words: str) -> None:
    console.print()
    console.print(Text(words, style=look.style("lead")))
    console.print(Text(look.sign("rule") * len(words)))


def _say(console: Console, look: Look, words: str) -> None:
    console.print(Text(look.text(words)))
