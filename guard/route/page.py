"""A road as one HTML page that stands alone: no script, no network; light, dark, phone, paper."""

import numpy as np

from guard.arrays import runs
from guard.page.document import document, table, text
from guard.page.styles import style_of
from guard.route import words
from guard.route.forecast import Ability, Forecast
from guard.route.route import Route

# Of the drawing, in its units.
_WIDTH, _HEIGHT, _LEFT, _RIGHT, _TOP, _BOTTOM = 640, 250, 84, 12, 14, 44
_PLACES = 600  # of the profile: more than pixels show
_LEAST_SPAN_M = 20.0  # a level road shall not look like a range of mountains

_HATCH = ('<defs><pattern id="walk" width="5" height="5" patternUnits="userSpaceOnUse" '
          'patternTransform="rotate(45)"><rect class="walked" width="3" height="5"/></pattern></defs>')


def page(route: Route, found: Forecast, runner: Ability, source: str, units: str) -> str:
    """The whole document; `source` says where the runner's level speed is from."""
    heading = words.heading(route, units)
    paragraphs = [words.time_line(route, found, units), words.runner_line(runner, source, units)]
    rows = [list(map(text, words.row(number, climb, runner, units)))
            for number, climb in enumerate(found.climbs, 1)]
    walked = '<span class="key"></span> walked · ' if _walks(route, found) else ""
    remarks = words.remarks(route, found, runner)
    parts = [
        f"<h1>{text(heading)}</h1>",
        *(f"<p>{text(line)}</p>" for line in paragraphs if line),
        profile(route, found, units),
        f'<p class="soft">{walked}numbers: climbs</p>' if found.climbs else "",
        f"<h2>Climbs</h2>\n{table(words.TITLES, rows)}" if rows else "",
        *(f"<p>{text(remark[0].upper() + remark[1:])}.</p>" for remark in remarks),
        f'<p class="soft">{text(words.CAUTION)}</p>',
    ]
    return document(text(heading), style_of("route"), parts)


def profile(route: Route, found: Forecast, units: str) -> str:
    """The profile as SVG: altitude against distance, what is walked hatched."""
    low = float(route.altitude_m.min())
    span = max(float(route.altitude_m.max()) - low, _LEAST_SPAN_M)
    bottom = _HEIGHT - _BOTTOM

    def x(metres: float) -> float:
        return _LEFT + (_WIDTH - _LEFT - _RIGHT) * metres / route.length_m

    def y(altitude_m: float) -> float:
        return bottom - (bottom - _TOP - 14) * (altitude_m - low) / span

    def ground(begin_m: float, end_m: float) -> str:
        at = np.linspace(begin_m, end_m, max(2, round(_PLACES * (end_m - begin_m) / route.length_m)))
        heights = np.interp(at, route.edges_m, route.altitude_m)
        line = " ".join(f"{x(place):.1f},{y(height):.1f}" for place, height in zip(at, heights, strict=True))
        return f"{x(begin_m):.1f},{bottom} {line} {x(end_m):.1f},{bottom}"

    out = [f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="Profile of the road">', _HATCH,
           f'<polygon class="ground" points="{ground(0.0, route.length_m)}"/>']
    out += [f'<polygon fill="url(#walk)" points="{ground(*walk)}"/>' for walk in _walks(route, found)]
    for number, climb in enumerate(found.climbs, 1):
        height = float(np.interp(climb.end_m, route.edges_m, route.altitude_m))
        out.append(f'<text class="number" x="{x(climb.end_m):.1f}" y="{y(height) - 5:.1f}" '
                   f'text-anchor="middle">{number}</text>')
    for altitude in (low, low + span / 2, low + span):
        out.append(f'<text x="{_LEFT - 6}" y="{y(altitude) + 4:.1f}" text-anchor="end">'
                   f"{altitude:.0f} m</text>")
    out.append(f'<line class="axis" x1="{_LEFT}" x2="{_WIDTH - _RIGHT}" y1="{bottom}" y2="{bottom}"/>')
    for at_m, label in words.marks(route.length_m, units, 8):
        unit = "" if at_m else " mi" if units == "mile" else " km"
        out.append(f'<text x="{x(at_m):.1f}" y="{bottom + 19}" text-anchor="middle">{label}{unit}</text>')
    return "\n".join([*out, "</svg>"])


def _walks(route: Route, found: Forecast) -> list[tuple[float, float]]:
    begins, ends = (route.edges_m[places].tolist() for places in runs(found.walks))
    return list(zip(begins, ends, strict=True))
