"""The frame of every report page: one file, no script, no network; light, dark, phone and paper."""

from collections.abc import Iterable, Sequence
from html import escape
from itertools import zip_longest

from guard.errors import clean


def document(title: str, style: str, parts: Iterable[str]) -> str:
    """The whole page; `title` and `parts` are HTML already, what came from outside in it as `text`."""
    body = "\n".join(part for part in parts if part)
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; '
        'style-src \'unsafe-inline\'">\n'
        f"<title>{title}</title>\n<style>{style}</style></head>\n<body>\n{body}\n</body></html>\n")


def text(words: str) -> str:
    """Words from anywhere, safe in HTML; a per-cent sign is never parted from its number."""
    return escape(clean(words)).replace(" %", "&nbsp;%")


def table(heads: Sequence[str], rows: Iterable[Sequence[str]], classes: Sequence[str] = ()) -> str:
    """A table that scrolls by itself; cells are HTML already, `classes` those of the first columns."""
    def row(cells: Sequence[str], tag: str) -> str:
        return "".join(f"<{tag}{name and f' class={name}'}>{cell}</{tag}>"
                       for cell, name in zip_longest(cells, classes, fillvalue=""))

    return (f'<div class="wide"><table><thead><tr>{row(heads, "th")}</tr></thead><tbody>'
            + "".join(f"<tr>{row(cells, 'td')}</tr>\n" for cells in rows) + "</tbody></table></div>")
