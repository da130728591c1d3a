"""The months as one HTML page that stands alone: no script, no network, light, dark, phone and print.

The charts are SVG. Colours are CSS variables of the page, so that light, dark and
print each have their own; what a colour says a shape says too.
"""

import math
from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from html import escape
from itertools import groupby
from statistics import median

from guard.journal.links import Correlation
from guard.page.document import document, table, text
from guard.page.styles import style_of
from guard.progress import words
from guard.progress.progress import Months, PastSession, Point
from guard.progress.verdict import Told, Verdict
from guard.progress.weeks import Week, months_between
from guard.response.spans import Estimate
from guard.units import METRES, pace, pace_unit

_SHOWN_DAYS = 366  # a year
_SHOWN_WEEKS = 52  # a year


def page(months: Months, sessions: Sequence[PastSession], links: Sequence[Correlation], units: str) -> str:
    """The whole document; every word from outside is escaped."""
    last = sessions[-1].day if sessions else None
    known = [point for point in months.points if point.speed]
    shown = [point for point in known if (known[-1].day - point.day).days < _SHOWN_DAYS]
    parts = [
        f"<h1>{text(words.headline(months, units))}</h1>",
        _paragraphs([*words.today_sentences(months), words.interval_sentence(months, units),
                     words.heart_sentence(months)]),
        f'<p class="soft">{len(sessions)} runs to {text(words.day(last))}; speed at the ceiling of '
        f"{months.ceiling_bpm:g} bpm, as pace in {pace_unit(units)}</p>" if last else "",
        speed_chart(months, shown, units),
        '<p class="soft">A dot is a run with the error of that run (95 %), heat taken out, higher is faster; '
        "the line is what all runs say together.</p>" if shown else "",
        _paragraphs([words.year_sentence(months, units),
                     words.WHAT_A_PLATEAU_IS if months.verdict is Verdict.PLATEAU else ""]),
    ]
    if months.reality:
        parts += ["<h2>Look at these first</h2>", '<p class="soft">Last 12 weeks, and the 12 before.</p>',
                  _list(words.check_line(check) for check in months.reality)]
        if months.verdict is Verdict.PLATEAU:
            parts.append(_paragraphs([words.CHOICES, words.PROGRESS_CAUTION]))
    if months.sleep:
        usual = months.level.now if months.level else math.nan
        parts += ["<h2>Sleep</h2>",
                  _paragraphs([*(words.sleep_sentence(spell, usual) for spell in months.sleep[-3:]),
                               words.NEVER_A_CAUSE])]
    parts += ["<h2>Weeks</h2>", week_chart(months.weeks[-_SHOWN_WEEKS:]),
              f'<p class="soft">{WEEKS_KEY}</p>',
              _paragraphs([words.share_sentence(months), words.consistency_sentence(months),
                           *words.jump_sentences(months.jumps)])]
    parts += ["<h2>Monthly check</h2>", _paragraphs(words.check_sentences(months, units)),
              _check_table(months, units)]
    if found := words.link_sentences(links):
        parts += ["<h2>Journal beside the runs</h2>", _paragraphs(found)]
    if len(known) > len(shown):
        parts += ["<h2>All years</h2>",
                  '<p class="soft">The middle run of each month, with the middle half of its runs.</p>',
                  speed_chart(months, _by_month(known), units)]
    if months.history:
        parts += ["<h2>Month by month</h2>",
                  '<p class="soft">What the 12 weeks to each date said.</p>', _history(months)]
    parts += ["<h2>About the figures</h2>",
              _paragraphs([f"{len(known)} of {len(months.points)} runs tell the speed at the ceiling "
                           "by themselves.",
                           words.cost_sentence(months), words.WHAT_SPEED_IS, words.WHAT_COUNTS]),
              _list(words.refusal_sentences(months)),
              f"<details><summary>All runs of the last year</summary>{_runs(months, units)}</details>"]
    return document("Progress", style_of("progress"), parts)


def _by_month(known: Sequence[Point]) -> list[Point]:
    """Each month as one point, quartiles in place of an error."""
    found = []
    for (year, month), some in groupby(known, key=lambda point: (point.day.year, point.day.month)):
        values = sorted(point.speed.value for point in some if point.speed)
        low, high = values[len(values) // 4], values[(3 * len(values)) // 4]
        middle = Estimate(median(values), min(low, median(values)), max(high, median(values)))
        found.append(Point(date(year, month, 15), "", middle, ""))
    return found


def _paragraphs(sentences: Iterable[str]) -> str:
    return "\n".join(f"<p>{text(sentence)}</p>" for sentence in sentences if sentence)


def _list(sentences: Iterable[str]) -> str:
    items = "".join(f"<li>{text(sentence)}</li>" for sentence in sentences)
    return f"<ul>{items}</ul>" if items else ""


def _table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """The last column holds words, the others figures."""
    return table(list(map(text, heads)), (list(map(text, cells)) for cells in rows),
                 [*[""] * (len(heads) - 1), "words"])


def _history(months: Months) -> str:
    def cells(told: Told) -> list[str]:
        return [words.percent(told.share), f"{words.percent(told.low)} to {words.percent(told.high)}"]

    return _table(["12 weeks to", "runs", "change", "99 % interval", "so"],
                  [[words.day(day), str(told.change.runs), *cells(told), words.HEADLINES[told.verdict]]
                   for day, told in months.history])


def _check_table(months: Months, units: str) -> str:
    if not months.checks:
        return ""
    return _table(["date", "bpm", f"pace, {pace_unit(units)}", "stretch"],
                  [[words.day(day), f"{part.bpm:.0f}",
                    pace(part.speed_m_s, units) if part.speed_m_s else "not logged", part.name]
                   for day, parts in months.checks[-6:] for part in parts])


def _runs(months: Months, units: str) -> str:
    newest = months.points[-1].day if months.points else None
    recent = [point for point in months.points if newest and (newest - point.day).days < _SHOWN_DAYS]
    head = ["date", f"pace, {pace_unit(units)}", "error", "°C", "speed from", "note"]
    return _table(head,
                  [[words.day(point.day), *_figures(point, point.speed, units), point.source,
                    words.refused(point.refusal)[0] if point.refusal else ""]
                   for point in reversed(recent)])


def _figures(point: Point, speed: Estimate | None, units: str) -> list[str]:
    warm = "" if point.temperature_c is None else f"{point.temperature_c:.0f}"
    if speed is None:
        return ["", "", warm]
    half = median([speed.high - speed.value, speed.value - speed.low]) / speed.value
    return [pace(speed.value, units), f"± {words.percent(half, signed=False)}", warm]


CHART_WIDTH, LEFT, RIGHT, TOP, BOTTOM = 600, 58, 12, 20, 40  # of the drawing, in its units
SPEED_HEIGHT, WEEK_HEIGHT = 300, 210  # likewise
_STEPS_S = (5, 10, 15, 20, 30, 60, 120)  # between pace labels
_MOST_LABELS = 6  # of the pace axis

_MIDDLE = 'text-anchor="middle"'

WEEKS_KEY = ('<span class="key under-key"></span> at or under the ceiling '
             '<span class="key over-key"></span> over it · ↑ sudden jump in volume')

HATCH = ('<defs><pattern id="hatch" width="5" height="5" patternUnits="userSpaceOnUse" '
         'patternTransform="rotate(45)"><rect class="over-ground" width="5" height="5"/>'
         '<rect class="over-line" width="2" height="5"/></pattern></defs>')


class _Frame:
    """Where a day and a value go."""

    def __init__(self, begin: date, end: date, low: float, high: float, height: int) -> None:
        self.begin, self.end = begin, end
        self.days = max((end - begin).days, 27)
        self.low, self.high, self.height = low, high, height

    def x(self, day: date | float) -> float:
        days = day if isinstance(day, (int, float)) else (day - self.begin).days
        return LEFT + (CHART_WIDTH - LEFT - RIGHT) * days / self.days

    def y(self, value: float) -> float:
        return TOP + (self.height - TOP - BOTTOM) * (self.high - value) / (self.high - self.low)

    def months(self) -> list[str]:
        """Ticks and names along the bottom; every second one is left out on a phone."""
        out = []
        bottom = self.height - BOTTOM
        every = max(1, round(self.days / 30.4 / 12))
        for number, month in enumerate(months_between(self.begin, self.end)):
            if number % every == 0:
                x = self.x(month)
                name = f"{month:%b}" if every < 12 else f"{month:%Y}"
                rare = ' class="rare"' if number // every % 2 else ""
                out.append(f'<line class="tick" x1="{x:.1f}" x2="{x:.1f}" y1="{bottom}" y2="{bottom + 4}"/>')
                if x < CHART_WIDTH - 24:
                    out.append(f'<text{rare} x="{x:.1f}" y="{bottom + 19}" {_MIDDLE}>{name}</text>')
        out.append(f'<line class="axis" x1="{LEFT}" x2="{CHART_WIDTH - RIGHT}" y1="{bottom}" y2="{bottom}"/>')
        return out


def speed_chart(months: Months, points: Sequence[Point], units: str) -> str:
    """Speed at the ceiling of each run with its own error, the line through them, short sleep."""
    known = [(point.day, point.speed) for point in points if point.speed]
    if not known:
        return ""
    speeds = [speed.value for _, speed in known]
    low, high = min(speeds), max(speeds)
    room = max(0.12 * (high - low), 0.06)
    frame = _Frame(known[0][0], known[-1][0], low - room, high + room, SPEED_HEIGHT)
    bottom = SPEED_HEIGHT - BOTTOM
    out = [_open("Speed at the ceiling by run", SPEED_HEIGHT)]
    for spell in months.sleep:
        if spell.ends >= frame.begin and spell.begins <= frame.end:
            left, right = frame.x(max(spell.begins, frame.begin)), frame.x(min(spell.ends, frame.end))
            out.append(f'<rect class="spell" x="{left:.1f}" width="{max(right - left, 2):.1f}" y="{TOP}" '
                       f'height="{bottom - TOP}"/><text x="{(left + right) / 2:.1f}" y="{bottom - 6}" '
                       f'{_MIDDLE}>short sleep</text>')
    out += [_level(frame.y(tick), pace(tick, units))
            for tick in _pace_ticks(frame.low, frame.high, units)]
    out += frame.months()
    for day, speed in known:
        x, top, under = frame.x(day), frame.y(min(speed.high, frame.high)), frame.y(max(speed.low, frame.low))
        label = f"{words.day(day)}: {pace(speed.value, units)} {pace_unit(units)}"
        out.append(f'<line class="error" x1="{x:.1f}" x2="{x:.1f}" y1="{top:.1f}" y2="{under:.1f}"/>'
                   f'<circle class="run" cx="{x:.1f}" cy="{frame.y(speed.value):.1f}" r="3">'
                   f"<title>{escape(label)}</title></circle>")
    curve = [(day, speed) for day, speed in months.curve if frame.begin <= day <= frame.end]
    if len(curve) > 1:
        places = " ".join(f"{frame.x(day):.1f},{frame.y(speed):.1f}" for day, speed in curve)
        out.append(f'<polyline class="trend" points="{places}"/>')
    return "\n".join([*out, "</svg>"])


def _level(y: float, label: str) -> str:
    return (f'<line class="grid" x1="{LEFT}" x2="{CHART_WIDTH - RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>'
            f'<text x="{LEFT - 6}" y="{y + 5:.1f}" text-anchor="end">{label}</text>')


def _pace_ticks(low: float, high: float, units: str) -> list[float]:
    """Speeds whose pace is a round number of seconds."""
    metres = METRES[units]
    quick, slow = metres / high, metres / low
    step = next((step for step in _STEPS_S if (slow - quick) / step <= _MOST_LABELS), 300)
    first = math.ceil(quick / step) * step
    return [metres / seconds for seconds in range(first, int(slow) + 1, step)]


def week_chart(some: Sequence[Week]) -> str:
    """Hours a week as bars; what was over the ceiling is hatched, on top."""
    if not some:
        return ""
    most = max(max(week.hours for week in some) * 1.1, 0.5)
    ends = some[-1].begins + timedelta(days=7)
    frame = _Frame(some[0].begins, ends, 0.0, most, WEEK_HEIGHT)
    out = [_open("Hours of running a week", WEEK_HEIGHT), HATCH]
    step = next(step for step in (0.5, 1, 2, 5, 10, 20, 50, 100) if most / step <= 5)
    value = 0.0
    while value <= most:
        out.append(_level(frame.y(value), f"{value:g} h"))
        value += step
    for week in some:
        left = frame.x(week.begins) + 1
        wide = max(frame.x(week.begins + timedelta(days=7)) - left - 1, 1.0)
        over = week.hours * (1.0 - week.share) if week.share is not None else 0.0
        share = "" if week.share is None else f", {100 * week.share:.0f} % at or under the ceiling"
        top, middle = frame.y(week.hours), frame.y(week.hours - over)
        out.append(f'<g><title>Week of {words.day(week.begins)}: {week.hours:.1f} h{share}</title>'
                   f'<rect class="under" x="{left:.1f}" width="{wide:.1f}" y="{middle:.1f}" '
                   f'height="{frame.y(0) - middle:.1f}"/>'
                   f'<rect fill="url(#hatch)" x="{left:.1f}" width="{wide:.1f}" y="{top:.1f}" '
                   f'height="{middle - top:.1f}"/></g>')
        if week.jump is not None:
            out.append(f'<text x="{left + wide / 2:.1f}" y="{top - 4:.1f}" {_MIDDLE}>↑</text>')
    return "\n".join([*out, *frame.months(), "</svg>"])


def _open(title: str, height: int) -> str:
    return (f'<svg viewBox="0 0 {CHART_WIDTH} {height}" role="img" aria-label="{escape(title)}">'
            f"<title>{escape(title)}</title>")
