"""The charts of the progress page as SVG: text in, text out, no script, nothing fetched.

Colours are CSS variables of the page, so that light, dark and print each have
their own; what a colour says a shape says too.
"""

import math
from collections.abc import Sequence
from datetime import date, timedelta
from html import escape

from guard.progress import words
from guard.progress.progress import Months, Point
from guard.progress.weeks import Week
from guard.units import METRES, pace, pace_unit

CHART_WIDTH, LEFT, RIGHT, TOP, BOTTOM = 600, 58, 12, 20, 40  # of the drawing, in its units
SPEED_HEIGHT, WEEK_HEIGHT = 300, 210  # likewise
_STEPS_S = (5, 10, 15, 20, 30, 60, 120)  # between pace labels
_MOST_LABELS = 6  # of the pace axis

_MIDDLE = 'text-anchor="middle"'

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
        month = date(self.begin.year + (self.begin.month == 12), self.begin.month % 12 + 1, 1)
        every = max(1, round(self.days / 30.4 / 12))
        number = 0
        while month <= self.end:
            if number % every == 0:
                x = self.x(month)
                name = f"{month:%b}" if every < 12 else f"{month:%Y}"
                rare = ' class="rare"' if number // every % 2 else ""
                out.append(f'<line class="tick" x1="{x:.1f}" x2="{x:.1f}" y1="{bottom}" y2="{bottom + 4}"/>')
                if x < CHART_WIDTH - 24:
                    out.append(f'<text{rare} x="{x:.1f}" y="{bottom + 19}" {_MIDDLE}>{name}</text>')
            number += 1
            month = date(month.year + (month.month == 12), month.month % 12 + 1, 1)
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


def share_note() -> str:
    """The key under the week chart."""
    return ('<span class="key under-key"></span> at or under the ceiling '
            '<span class="key over-key"></span> over it '
            "· ↑ sudden jump in volume")


def _open(title: str, height: int) -> str:
    return (f'<svg viewBox="0 0 {CHART_WIDTH} {height}" role="img" aria-label="{escape(title)}">'
            f"<title>{escape(title)}</title>")
