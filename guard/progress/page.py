"""The months as one HTML page that stands alone: no script, no network, light, dark, phone and print."""

import math
from collections.abc import Iterable, Sequence
from datetime import date
from itertools import groupby
from statistics import median

from guard.journal.links import Correlation
from guard.page.document import document, table, text
from guard.page.styles import style_of
from guard.progress import svg, words
from guard.progress.progress import Months, PastSession, Point
from guard.progress.verdict import Told, Verdict
from guard.response.spans import Estimate
from guard.units import pace, pace_unit

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
        svg.speed_chart(months, shown, units),
        '<p class="soft">A dot is a run with the error of that run (95 %), heat taken out, higher is faster; '
        "the line is what all runs say together.</p>" if shown else "",
        _paragraphs([words.year_sentence(months, units),
                     words.plateau_sentence() if months.verdict is Verdict.PLATEAU else ""]),
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
    parts += ["<h2>Weeks</h2>", svg.week_chart(months.weeks[-_SHOWN_WEEKS:]),
              f'<p class="soft">{svg.share_note()}</p>',
              _paragraphs([words.share_sentence(months), words.consistency_sentence(months),
                           *words.jump_sentences(months.jumps)])]
    parts += ["<h2>Monthly check</h2>", _paragraphs(words.check_sentences(months, units)),
              _check_table(months, units)]
    if found := words.link_sentences(links):
        parts += ["<h2>Journal beside the runs</h2>", _paragraphs(found)]
    if len(known) > len(shown):
        parts += ["<h2>All years</h2>",
                  '<p class="soft">The middle run of each month, with the middle half of its runs.</p>',
                  svg.speed_chart(months, _by_month(known), units)]
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
