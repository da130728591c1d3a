"""The review as one HTML page that stands alone: no script, no network; light, dark, phone, paper.

Names and reasons come from files: each is stripped of what is no text and escaped (`text`).
"""

from collections.abc import Iterable

from guard.page.document import document, table, text
from guard.page.styles import style_of
from guard.review import words
from guard.review.figure import figure, shape
from guard.review.review import Review
from guard.screen.words import clock


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
