"""The large figure as lines of a terminal: word and number side by side, the number's name beside it.

Number and word are drawn in large letters, the name at half their size (as
text where the terminal has no half blocks). Where it is narrow the name gives
way to text first, then the word to half its size; a number without a word or
name beside it is never shown.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from textwrap import wrap

from rich.text import Text

from guard.screen import letters
from guard.screen.figure import Figure
from guard.screen.look import Look

_SHORT = {"NO SIGNAL": "NO HR"}  # where the word does not fit at any size


@dataclass(frozen=True, slots=True)
class _Block:
    """Lines of one width, with a style."""

    lines: list[str]
    style: str

    @property
    def width(self) -> int:
        return max(map(len, self.lines), default=0)


def lines(shown: Figure, width: int, scale: int, look: Look) -> list[Text]:
    """`5 * scale` lines (or fewer at a smaller scale) of at most `width` cells; [] where nothing fits."""
    for size in range(scale, 0, -1):
        for blocks in _arrangements(shown, width, size, look):
            if sum(block.width for block in blocks) + 3 * size * (len(blocks) - 1) <= width:
                return _joined(blocks, letters.ROWS * size, " " * (3 * size))
    return []


def _arrangements(shown: Figure, width: int, size: int, look: Look) -> Iterator[list[_Block]]:
    """The blocks to try at this size, the best first."""
    gap = 3 * size
    word = _Block(letters.rows(shown.word, size, look.sign("under")) if shown.word else [], "")
    if not shown.number:
        for words in (shown.word, _SHORT.get(shown.word, shown.word)):
            yield [_Block(letters.rows(words, size, look.sign("under")), "")]
            if not look.ascii:
                yield [_Block(letters.half_rows(words, size), "lead")]
        return
    kind = "over" if shown.over else "under"
    number = _Block(letters.rows(shown.number, size, look.sign(kind)), look.style(kind))
    names = [[shown.name]] if look.ascii else [letters.half_rows(shown.name, k) for k in range(size, 0, -1)]
    if shown.word:
        yield from ([word, number, block] for name in names for block in
                    _beside(name, shown.detail, width - word.width - number.width - 2 * gap, size))
    room = width - number.width - gap
    beside = [*names, []]  # at last the name in full alone
    if shown.word:
        halves = [] if look.ascii else [letters.half_rows(shown.word, k) for k in range(size, 0, -1)]
        beside = [*halves, [shown.word]]
    yield from ([number, block] for above in beside for block in _beside(above, shown.detail, room, size))
    yield from ([number, block] for block in _beside([shown.word], shown.name, room, size))
    if shown.word:
        yield from _arrangements(Figure(shown.word), width, size, look)


def _beside(above: list[str], detail: str, room: int, size: int) -> Iterator[_Block]:
    """What stands beside the number: a word or name, the detail under it; nothing where it does not fit."""
    left = letters.ROWS * size - len(above)
    text = wrap(detail, room) if room >= max(map(len, detail.split())) else [" " * 1000]
    block = _Block([*above, *text], "lead")
    if len(text) <= left and block.width <= room:
        yield block


def _joined(blocks: list[_Block], height: int, gap: str) -> list[Text]:
    rows = []
    for row in range(height):
        line = Text(no_wrap=True)
        for place, block in enumerate(blocks):
            cells = block.lines[row] if row < len(block.lines) else ""
            last = place == len(blocks) - 1
            line.append(cells if last else f"{cells:<{block.width}}", block.style)
            if not last:
                line.append(gap)
        rows.append(line)
    return rows
