"""The months in a terminal: a chart of speed at the ceiling, the weeks, and the sentences between."""

import textwrap
from collections.abc import Callable, Iterable, Sequence
from datetime import date
from itertools import dropwhile, pairwise

from guard.progress import words
from guard.progress.progress import Months
from guard.progress.verdict import Verdict
from guard.progress.weeks import Week, months_between
from guard.screen.look import Look
from guard.screen.report import framed, put
from guard.units import pace, pace_unit

CHART_ROWS = 11  # of the picture
_SHOWN_DAYS = 366  # a year
_SHOWN_WEEKS = 12  # as many as fit a screen
_KEPT = "\N{NO-BREAK SPACE}"
_MARGIN = 7  # a pace and the axis


def report(months: Months, units: str, width: int, look: Look) -> list[str]:
    """Lines of at most `width` cells (at least 40)."""
    width = max(width, 40)
    lines: list[str] = []

    def say(sentences: str | Iterable[str], indent: str = "") -> None:
        for sentence in [sentences] if isinstance(sentences, str) else sentences:
            if sentence:
                whole = look.text(sentence).replace(" %", _KEPT + "%")  # never parted from its number
                lines.extend(line.replace(_KEPT, " ") for line in textwrap.wrap(
                    whole, width, initial_indent=indent, subsequent_indent=indent + "  "))

    def head(title: str) -> None:
        lines.extend(["", look.text(title).upper()])

    say(words.today_sentences(months))
    say(words.headline(months, units))
    say([words.interval_sentence(months, units), words.heart_sentence(months)])
    if months.reality:
        head("look at these first (last 12 weeks, and the 12 before)")
        say((words.check_line(check) for check in months.reality), "  ")
        if months.verdict is Verdict.PLATEAU:
            say([words.CHOICES, words.PROGRESS_CAUTION])
    if months.known:
        head(f"speed at the ceiling of {months.ceiling_bpm:g} bpm, {pace_unit(units)}")
        lines.extend(speed_chart(months, units, width, look))
    say(words.year_sentence(months, units))
    head("weeks")
    lines.extend(week_chart(months.weeks[-_SHOWN_WEEKS:], width, look))
    say([words.share_sentence(months), words.consistency_sentence(months)])
    say(words.jump_sentences(months.jumps))
    say(words.refusal_sentences(months))
    lines.append("")
    say("checks, sleep, journal, every run and what the figures mean: guard progress --html FILE")
    return lines


def speed_chart(months: Months, units: str, width: int, look: Look) -> list[str]:
    """Dots for runs, the line of the last twelve weeks, months along the bottom."""
    known = [(point.day, point.speed.value) for point in months.known if point.speed]
    end = known[-1][0]
    known = [(day, speed) for day, speed in known if (end - day).days < _SHOWN_DAYS]
    begin = known[0][0]
    columns = width - _MARGIN
    days = max((end - begin).days, 27)
    low, high = _span([speed for _, speed in known])

    def column(day: date) -> int:
        return min(max(round((day - begin).days / days * (columns - 1)), 0), columns - 1)

    def row(speed: float) -> int:
        return min(max(round((high - speed) / (high - low) * (CHART_ROWS - 1)), 0), CHART_ROWS - 1)

    grid = [[" "] * columns for _ in range(CHART_ROWS)]
    for spell in months.sleep:
        if spell.ends >= begin and spell.begins <= end:
            for place in range(column(spell.begins), column(spell.ends) + 1):
                grid[CHART_ROWS - 1][place] = look.sign("spell")
    for (day, speed), (later, next_speed) in pairwise(months.curve):
        first, last = column(day), column(later)
        for place in range(first, last + 1):
            if later > begin:
                share = (place - first) / max(last - first, 1)
                grid[row(speed + share * (next_speed - speed))][place] = look.sign("trend")
    for day, speed in known:
        grid[row(speed)][column(day)] = look.sign("run")
    shown = {place: pace(high - (high - low) * place / (CHART_ROWS - 1), units)
             for place in (0, CHART_ROWS // 2, CHART_ROWS - 1)}
    key = f"{look.sign('run')} a run   {look.sign('trend')} line through them"
    if any(spell.ends >= begin for spell in months.sleep):
        key += f"   {look.sign('spell')} short sleep"
    *picture, corner = framed(["".join(cells) for cells in grid], shown, _MARGIN, look)
    return [
        *picture,
        corner + look.sign("rule") * columns,
        " " * _MARGIN + _month_labels(begin, end, column, columns),
        " " * _MARGIN + look.fit(key, columns),
    ]


def _span(speeds: Sequence[float]) -> tuple[float, float]:
    low, high = min(speeds), max(speeds)
    middle, half = 0.5 * (low + high), max(0.5 * (high - low), 0.1)
    return middle - half, middle + half


def _month_labels(begin: date, end: date, column: Callable[[date], int], columns: int) -> str:
    cells = [" "] * columns
    for month in months_between(begin, end):
        put(cells, column(month), f"{month:%b}" if month.month != 1 else f"{month:%b %Y}")
    return "".join(cells).rstrip()


def week_chart(some: Sequence[Week], width: int, look: Look) -> list[str]:
    """One line a week: hours as a bar, the time over the ceiling in another texture, the share."""
    if not any(week.runs for week in some):
        return [f"no run in the last {len(some)} weeks"] if some else []
    some = list(dropwhile(lambda week: not week.runs, some))
    room = max(width - 40, 6)
    most = max(max(week.hours for week in some), 0.1)
    lines = [f"{'week of':<12} {'runs':>4} {'hours':>5}  {'':{room}} at or under"]
    for week in some:
        cells = round(room * week.hours / most)
        over = 0 if week.share is None else round(cells * (1.0 - week.share))
        bar = look.sign("hours") * (cells - over) + look.sign("hours_over") * over
        share = "" if week.share is None else f"{100 * week.share:3.0f} %"
        note = " jump" if week.jump is not None else ""
        lines.append(f"{words.day(week.begins):<12} {week.runs:>4} {week.hours:5.1f}  {bar:<{room}} "
                     f"{share}{note}".rstrip())
    lines.append(f"{look.sign('hours')} at or under the ceiling   {look.sign('hours_over')} over it")
    return lines
