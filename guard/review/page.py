"""The review as one HTML page that stands alone: no script, no network; light, dark, phone, paper.

Names and reasons come from files: each is stripped of what is no text and escaped (`text`).

The picture: heart rate as a hill under the straight line of the ceiling. Shapes
are SVG stretched to the width of the page, words are HTML laid over them, so
that they stay as large as the reader's other text on any screen. Height is bpm
from the ceiling in force, so the ceiling is one line while it moves.
"""

from collections.abc import Callable, Iterable, Sequence
from html import escape

import numpy as np

from guard.errors import clean
from guard.events import Cue
from guard.page.document import document, table, text
from guard.page.styles import style_of
from guard.review import words
from guard.review.cues import CueOutcome
from guard.review.picture import end_s, heights, means, ramp, rows, stretches, ticks
from guard.review.review import Review
from guard.screen.words import clock
from guard.units import speed as speed_with_unit


def page(review: Review, title: str) -> str:
    """The whole document. `title` is the name of the log."""
    invented = ' <span class="tag">Invented: nobody ran this.</span>' if review.invented else ""
    parts = [
        f"<h1>{text(words.headline(review))}</h1>",
        f'<p class="soft">{text(words.heading(review))}; {text(title)}{invented}</p>',
        figure(review),
        "<h2>Figures</h2>", _facts(review),
        _parts(review), _cues(review),
        _list("Remarks", review.remarks),
        _list("Next time", [sentence] if (sentence := words.advice(review.advice, review.settings)) else []),
        "<h2>Before you conclude anything</h2>",
        *(f"<p>{text(caution)}</p>" for caution in words.cautions(review)),
    ]
    return document(text(words.heading(review)), style_of("review"), parts)


def _facts(review: Review) -> str:
    rows = "".join(f"<dt>{text(fact)}</dt><dd>{text(value)}</dd>" for fact, value in words.facts(review))
    return f"<dl>{rows}</dl>"


def _parts(review: Review) -> str:
    if len(review.parts) < 2:
        return ""
    rows = [list(map(text, cells)) for cells in words.part_rows(review)]
    spare = ["spare" if title in words.SPARE else "" for title in words.PART_TITLES]
    return f"<h2>Parts</h2>\n{table(words.PART_TITLES, rows, spare)}"


def _cues(review: Review) -> str:
    if not review.cues:
        return "<h2>Cues</h2>\n<p>None was given.</p>"
    heading = "Cues" if review.said else "Cues the guard would have given"
    items = []
    for number, cue in enumerate(review.cues, 1):
        after = words.followed(cue)
        items.append(
            f'<li id="cue-{number}">{shape(cue)}<span class="number">{number}</span>'
            f'<span class="at">{clock(cue.t_s)}</span><span><b>{text(words.cue_line(review, cue))}</b>'
            f"{text(cue.reason)}{f'<br>Then: {text(after)}' if after else ''}</span></li>")
    return f"<h2>{heading}</h2>\n<ol>{''.join(items)}</ol>"


def _list(heading: str, sentences: Iterable[str]) -> str:
    items = "".join(f"<p>{text(sentence)}</p>" for sentence in sentences)
    return f"<h2>{heading}</h2>\n{items}" if items else ""


WIDTH, HEIGHT, STRIP = 1000, 300, 60  # units of the drawings, not pixels
# Of the axis over and under the ceiling (ours).
LEAST_OVER_BPM, LEAST_UNDER_BPM, MOST_UNDER_BPM = 6.0, 30.0, 60.0
WIDE_MARK, NARROW_MARK = 22 / 690, 22 / 320  # a mark's share of the width, on a desk and on a phone
_LEAST_NAMED = 0.04  # of the width: a narrower part has no room for its name
_Scale = Callable[[float], float]
STEEP = 0.1  # grade that fills its strip, at least


def figure(review: Review) -> str:
    """The whole picture with its key; empty for a session too short to draw."""
    if len(review.trace.t_s) < 2:
        return ""
    columns = min(WIDTH, max(len(review.trace.t_s), 2))
    over = heights(review, columns)
    strips = [strip for strip in (_speed(review, columns), _grade(review, columns)) if strip]
    return "\n".join([
        '<figure role="group" aria-label="Heart rate against the ceiling">',
        _names(review), _rail(review), _plot(review, over), *strips, _times(review),
        f'<figcaption class="soft">{_key(review)}</figcaption></figure>'])


def shape(cue: CueOutcome) -> str:
    """The sign of a cue."""
    return f'<svg viewBox="0 0 16 16" aria-hidden="true"><path d="{cue.cue.about.outline}"/></svg>'


def _share(review: Review, t_s: float) -> float:
    return min(max(t_s / end_s(review), 0.0), 1.0)


def _names(review: Review) -> str:
    if len(review.parts) < 2:
        return ""
    spans = []
    for part in review.parts:
        begin, end = _share(review, part.begin_s), _share(review, part.end_s)
        name = escape(clean(part.name)) if end - begin >= _LEAST_NAMED else ""
        spans.append(f'<span style="left:{100 * begin:.2f}%;width:{100 * (end - begin):.2f}%" '
                     f'title="{escape(clean(part.name))}">{name}</span>')
    return f'<div class="names">{"".join(spans)}</div>'


def _rail(review: Review) -> str:
    # The beginning of a part is drawn already.
    cues = [(number, cue) for number, cue in enumerate(review.cues, 1) if cue.cue is not Cue.PART]
    shares = [_share(review, cue.t_s) for _, cue in cues]
    wide, narrow = rows(shares, WIDE_MARK), rows(shares, NARROW_MARK)
    marks = []
    for (number, cue), share, wide_row, narrow_row in zip(cues, shares, wide, narrow, strict=True):
        said = escape(clean(words.cue_line(review, cue)))
        side = "begin" if share < 1 / 3 else "end" if share > 2 / 3 else "middle"
        after = words.followed(cue)
        tip = (f'<span class="tip"><b>{clock(cue.t_s)} {said}</b><br>{escape(clean(cue.reason))}'
               + (f"<br>Then: {escape(after)}" if after else "") + "</span>")
        marks.append(
            f'<a class="mark {side}" href="#cue-{number}" aria-label="{clock(cue.t_s)} {said}" '
            f'style="left:{100 * share:.2f}%;--wide:{wide_row};--narrow:{narrow_row}">'
            f"{shape(cue)}{number}{tip}</a>")
    counts = f"--wide-rows:{max(wide, default=-1) + 1};--narrow-rows:{max(narrow, default=-1) + 1}"
    return f'<div class="rail" style="{counts}">{"".join(marks)}</div>'


def _plot(review: Review, over: Sequence[float | None]) -> str:
    known = [height for height in over if height is not None]
    high = max(LEAST_OVER_BPM, max(known, default=0.0) + 2.0)
    low = min(max(LEAST_UNDER_BPM, -min(known, default=0.0) + 2.0), MOST_UNDER_BPM)

    def y(bpm: float) -> float:
        return HEIGHT * (high - min(max(bpm, -low), high)) / (high + low)

    step = WIDTH / len(over)
    shapes = [f'<rect class="silent" x="{WIDTH * _share(review, begin):.1f}" y="0" height="{HEIGHT}" '
              f'width="{max(WIDTH * (_share(review, end) - _share(review, begin)), 1.5):.1f}"/>'
              for begin, end in stretches(review, np.isnan(review.trace.level_bpm) | review.trace.held)]
    levels = [bpm for bpm in range(-10 * int(low // 10), int(high) + 1, 10) if bpm]
    shapes += [f'<line class="level" x1="0" x2="{WIDTH}" y1="{y(bpm):.1f}" y2="{y(bpm):.1f}"/>'
               for bpm in levels]
    shapes += [f'<path class="{name}" d="{path}"/>' for name, path in (
        ("under", _hill([None if one is None else min(one, 0.0) for one in over], step, HEIGHT, y)),
        ("over", _hill([None if one is None or one <= 0 else one for one in over], step, y(0.0), y))) if path]
    if line := _steps(ramp(review, len(over)), step, y):  # the limit by which a warm-up's cues were judged
        shapes.append(f'<path class="ramp" d="{line}"/>')
    shapes += [_upright("seam", review, part.begin_s) for part in review.parts[1:]]
    shapes += [_upright("cue", review, cue.t_s) for cue in review.cues if cue.cue is not Cue.PART]
    shapes.append(f'<line class="ceiling" x1="0" x2="{WIDTH}" y1="{y(0):.1f}" y2="{y(0):.1f}"/>')
    ceiling_bpm = _only_ceiling(review)
    labels = [_label(y(bpm) / HEIGHT, f"{bpm:+d}" if ceiling_bpm is None else f"{ceiling_bpm + bpm:.0f}")
              for bpm in levels if bpm % 20 == 0 or bpm > 0]
    limit = "0" if ceiling_bpm is None else f"{ceiling_bpm:.0f}"
    labels.append(_label(y(0) / HEIGHT, limit, "label limit"))
    return (f'<div class="plot"><svg viewBox="0 0 {WIDTH} {HEIGHT}" preserveAspectRatio="none" role="img" '
            f'aria-label="{escape(words.headline(review))}">{"".join(shapes)}</svg>{"".join(labels)}</div>')


def _steps(values: Sequence[float | None], step: float, y: _Scale) -> str:
    """An open line over the columns that have a value."""
    path, joined = [], False
    for place, value in enumerate(values):
        if value is not None:
            start = "V" if joined else f"M{place * step:.1f} "
            path.append(f"{start}{y(value):.1f}H{(place + 1) * step:.1f}")
        joined = value is not None
    return "".join(path)


def _only_ceiling(review: Review) -> float | None:
    """The ceiling of the session, None where it changed."""
    low, high = review.whole.ceiling_bpm if review.whole else (0.0, 1.0)
    return low if round(low) == round(high) else None


def _label(share: float, text: str, name: str = "label") -> str:
    return f'<span class="{name}" style="top:{100 * share:.1f}%">{escape(text)}</span>'


def _upright(name: str, review: Review, t_s: float) -> str:
    x = WIDTH * _share(review, t_s)
    return f'<line class="{name}" x1="{x:.1f}" x2="{x:.1f}" y1="0" y2="{HEIGHT}"/>'


def _hill(values: Sequence[float | None], step: float, foot: float, y: _Scale) -> str:
    """Closed outlines over `foot`, one for each run of known values; every value is as wide as its column."""
    path, begin = [], None
    for place, value in enumerate([*values, None]):
        if value is not None and begin is None:
            begin = place
            path.append(f"M{place * step:.1f} {foot:.1f}")
        if value is not None:
            path.append(f"V{y(value):.1f}H{(place + 1) * step:.1f}")
        elif begin is not None:
            path.append(f"V{foot:.1f}Z")
            begin = None
    return "".join(path)


def _speed(review: Review, columns: int) -> str:
    speeds = means(review, review.trace.speed_m_s, columns)
    known = [speed for speed in speeds if speed is not None]
    if not known:
        return ""
    most, step = max(max(known), 0.5) * 1.1, WIDTH / columns
    path = _steps(speeds, step, lambda speed: STRIP * (1 - speed / most))
    return _strip(f'<path class="speed" d="{path}"/>',
                  f"speed, to {speed_with_unit(max(known), review.settings.units)}")


def _grade(review: Review, columns: int) -> str:
    grades = means(review, review.trace.grade, columns)
    if not any(grade is not None and abs(grade) >= 0.005 for grade in grades):
        return ""
    known = [grade for grade in grades if grade is not None]
    most = max(STEEP, max(abs(grade) for grade in known))
    both = min(known) < -0.005
    zero = STRIP / 2 if both else STRIP

    def y(grade: float) -> float:
        return zero * (1 - grade / most)

    path = _hill(grades, WIDTH / columns, zero, y)
    steepest = max(known, key=abs)
    line = f'<line class="zero" x1="0" x2="{WIDTH}" y1="{zero}" y2="{zero}"/>'
    return _strip(f'<path class="up" d="{path}"/>{line}', f"grade, to {100 * steepest:+.0f} %")


def _strip(shapes: str, label: str) -> str:
    return (f'<div class="strip"><div class="label">{escape(label)}</div>'
            f'<svg viewBox="0 0 {WIDTH} {STRIP}" preserveAspectRatio="none" role="img" '
            f'aria-label="{escape(label)}">{shapes}</svg></div>')


def _times(review: Review) -> str:
    last_s = end_s(review)
    spans = []
    for number, at in enumerate(at for at in ticks(last_s, 8) if at / last_s <= 0.85):
        rare = " class=rare" if number % 2 else ""
        spans.append(f'<span{rare} style="left:{100 * at / last_s:.2f}%">{clock(at)}</span>')
    return f'<div class="times">{"".join(spans)}<span>{clock(last_s)}</span></div>'


def _key(review: Review) -> str:
    ceiling_bpm = _only_ceiling(review)
    items = ["the line is the ceiling" + ("" if ceiling_bpm is None else f", {ceiling_bpm:.0f} bpm"),
             '<span class="key u"></span> heart rate under it', '<span class="key o"></span> over it']
    if any(ramp(review, WIDTH)):
        items.append("the dashed line is the warm-up limit, by which its cues were judged")
    if np.isnan(review.trace.level_bpm).any() or review.trace.held.any():
        items.append('<span class="key s"></span> no signal, or paused')
    if ceiling_bpm is None:
        items.append("heights are bpm from the ceiling of the moment")
    if review.cues:
        items.append("numbered signs are cues: point at one, or tap it to come to its line below")
    return "; ".join(items) + "."
