"""Many runners as one HTML page that stands alone: a line and a small picture each."""

from collections.abc import Sequence
from datetime import date

from guard.errors import number_of
from guard.page.document import document, table, text
from guard.page.styles import style_of
from guard.progress import words as months
from guard.roster import words
from guard.roster.folders import FoundRunners
from guard.roster.roster import PICTURE_DAYS, Line, Standing

WIDE, HIGH, EDGE = 180, 40, 4  # of a small picture, in its units


def page(lines: Sequence[Line], found: FoundRunners, units: str, today: date) -> str:
    """The whole document; every word from outside is escaped."""
    parts = [
        f"<h1>{number_of(len(lines), 'runner')} on {months.day(today)}</h1>",
        '<p class="soft">Worst news first.</p>',
        table([*words.HEADS, "the year to the last run"], (_row(one, units) for one in lines), ["name"]),
        f'<p class="soft">{text(words.meaning(units))} Picture: a dot is a run, higher is faster; the line '
        "is what all runs say together.</p>",
    ]
    for head, why in (("Read in part", found.in_part), ("Left out", found.left_out)):
        if why:
            items = "".join(f"<li>{text(name)}: {text(reason)}</li>" for name, reason in why.items())
            parts += [f"<h2>{head}</h2>", f"<ul>{items}</ul>"]
    return document("Runners", style_of("roster"), [*parts, f'<p class="soft">{text(words.CONSENT)}</p>'])


def _row(line: Line, units: str) -> list[str]:
    cells = map(text, (line.name, *words.cells(line, units)))
    return [*cells, _picture(line.standing, words.sentence(line, units))]


def _picture(of: Standing, title: str) -> str:
    """Speed at the ceiling over the year to the last run; all dots are one path, so that pages stay small."""
    if not of.points:
        return ""
    speeds = [speed for _, speed in (*of.points, *of.curve)]
    low, high = min(speeds), max(speeds)
    room = max(high - low, 0.1)
    middle = 0.5 * (low + high)

    def at(day: int, speed: float) -> str:
        x = WIDE - EDGE - (WIDE - 2 * EDGE) * (of.last - day) / PICTURE_DAYS
        return f"{x:.0f} {HIGH / 2 - (HIGH - 2 * EDGE) * (speed - middle) / room:.0f}"

    dots = "".join(f"M{at(*point)}h0" for point in of.points)
    curve = [at(*place) for place in of.curve if of.last - place[0] < PICTURE_DAYS]
    trend = f'<polyline class="trend" points="{" ".join(curve)}"/>' if len(curve) > 1 else ""
    return (f'<svg viewBox="0 0 {WIDE} {HIGH}" role="img"><title>{text(title)}</title>'
            f'<path class="run" d="{dots}"/>{trend}</svg>')
