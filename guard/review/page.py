"""The review as one HTML page that stands alone: no script, no network; light, dark, phone, paper.

Names and reasons come from files: each is stripped of what is no text (`clean`)
and escaped.
"""

from collections.abc import Iterable
from html import escape

from guard.page.document import document
from guard.page.styles import style_of
from guard.review import words
from guard.review.figure import figure, shape
from guard.review.review import Review
from guard.screen.look import clean
from guard.screen.words import clock


def page(review: Review, title: str) -> str:
    """The whole document. `title` is the name of the log."""
    invented = ' <span class="tag">Invented: nobody ran this.</span>' if review.invented else ""
    parts = [
        f"<h1>{_text(words.headline(review))}</h1>",
        f'<p class="soft">{_text(words.heading(review))}; {_text(title)}{invented}</p>',
        figure(review),
        "<h2>Figures</h2>", _facts(review),
        _parts(review), _cues(review),
        _list("Remarks", review.remarks),
        _list("Next time", [sentence] if (sentence := words.advice(review.advice, review.settings)) else []),
        "<h2>Before you conclude anything</h2>",
        *(f"<p>{_text(text)}</p>" for text in words.cautions(review)),
    ]
    return document(_text(words.heading(review)), style_of("review"), parts)


def _text(words_: str) -> str:
    return escape(clean(words_))


def _facts(review: Review) -> str:
    rows = "".join(f"<dt>{_text(fact)}</dt><dd>{_text(value)}</dd>" for fact, value in words.facts(review))
    return f"<dl>{rows}</dl>"


def _parts(review: Review) -> str:
    if len(review.parts) < 2:
        return ""

    def row(cells: Iterable[str], tag: str) -> str:
        inner = "".join(
            f"<{tag}{' class=spare' if title in words.SPARE else ''}>{_text(cell)}</{tag}>"
            for title, cell in zip(words.PART_TITLES, cells, strict=True))
        return f"<tr>{inner}</tr>"

    rows = "".join(row(cells, "td") for cells in words.part_rows(review))
    return (f'<h2>Parts</h2>\n<div class="scroll"><table><thead>{row(words.PART_TITLES, "th")}</thead>'
            f"<tbody>{rows}</tbody></table></div>")


def _cues(review: Review) -> str:
    if not review.cues:
        return "<h2>Cues</h2>\n<p>None was given.</p>"
    heading = "Cues" if review.said else "Cues the guard would have given"
    items = []
    for number, cue in enumerate(review.cues, 1):
        after = words.followed(cue)
        items.append(
            f'<li id="cue-{number}">{shape(cue)}<span class="number">{number}</span>'
            f'<span class="at">{clock(cue.t_s)}</span><span><b>{_text(words.cue_line(review, cue))}</b>'
            f"{_text(cue.reason)}{f'<br>Then: {_text(after)}' if after else ''}</span></li>")
    return f"<h2>{heading}</h2>\n<ol>{''.join(items)}</ol>"


def _list(heading: str, texts: Iterable[str]) -> str:
    items = "".join(f"<p>{_text(text)}</p>" for text in texts)
    return f"<h2>{heading}</h2>\n{items}" if items else ""
