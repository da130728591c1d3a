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

from guard.screen.figure import Figure
from guard.screen.look import Look

_SHORT = {"NO SIGNAL": "NO HR"}  # where the word does not fit at any size
ROWS = 5  # of half cells
_HALVES = {"..": " ", "#.": "▀", ".#": "▄", "##": "█"}

_PICTURES = {
    "0": "###/#.#/#.#/#.#/###", "1": ".#./##./.#./.#./###", "2": "###/..#/###/#../###",
    "3": "###/..#/.##/..#/###", "4": "#.#/#.#/###/..#/..#", "5": "###/#../###/..#/###",
    "6": "###/#../###/#.#/###", "7": "###/..#/..#/.#./.#.", "8": "###/#.#/###/#.#/###",
    "9": "###/#.#/###/..#/###", "+": ".../.#./###/.#./...", "-": ".../.../###/.../...",
    "?": "###/..#/.##/.../.#.", " ": "../../../../..", ".": "././././#",
    "/": "..#/..#/.#./#../#..", "A": "###/#.#/###/#.#/#.#", "B": "##./#.#/##./#.#/##.",
    "D": "##./#.#/#.#/#.#/##.", "E": "###/#../##./#../###",
    "F": "###/#../##./#../#..", "G": "####/#.../#.##/#..#/####",
    "H": "#.#/#.#/###/#.#/#.#", "I": "#/#/#/#/#",
    "K": "#.#/#.#/##./#.#/#.#", "L": "#../#../#../#../###", "M": "#...#/##.##/#.#.#/#...#/#...#",
    "N": "#..#/##.#/#.##/#..#/#..#", "O": "###/#.#/#.#/#.#/###", "P": "###/#.#/###/#../#..",
    "R": "##./#.#/##./#.#/#.#", "S": "###/#../###/..#/###", "T": "###/.#./.#./.#./.#.",
    "U": "#.#/#.#/#.#/#.#/###", "V": "#.#/#.#/#.#/#.#/.#.", "W": "#...#/#...#/#.#.#/##.##/#...#",
    "Y": "#.#/#.#/.#./.#./.#.",
}


def width(words: str, scale: int) -> int:
    """Cells that `words` takes at this scale."""
    dots = [len(_PICTURES[sign].split("/")[0]) for sign in words]
    return (sum(dots) + max(0, len(dots) - 1)) * 2 * scale


def rows(words: str, scale: int, fill: str) -> list[str]:
    """`ROWS * scale` lines of equal length.

    Raises KeyError for a letter that has no picture.
    """
    lines = []
    for row in range(ROWS):
        dots = ".".join(_PICTURES[sign].split("/")[row] for sign in words)
        lines += ["".join((fill if dot == "#" else " ") * (2 * scale) for dot in dots)] * scale
    return lines


def half_rows(words: str, scale: int) -> list[str]:
    """The same at half the size: `ROWS * scale / 2` lines, rounded up. Raises KeyError as `rows` does."""
    dots = []
    for row in range(ROWS):
        line = ".".join(_PICTURES[sign].split("/")[row] for sign in words)
        dots += ["".join(dot * scale for dot in line)] * scale
    if len(dots) % 2:
        dots.append("." * len(dots[0]))
    return ["".join(_HALVES[upper + lower] for upper, lower in zip(top, foot, strict=True))
            for top, foot in zip(dots[::2], dots[1::2], strict=True)]


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
                return _joined(blocks, ROWS * size, " " * (3 * size))
    return []


def _arrangements(shown: Figure, width: int, size: int, look: Look) -> Iterator[list[_Block]]:
    """The blocks to try at this size, the best first."""
    gap = 3 * size
    word = _Block(rows(shown.word, size, look.sign("under")) if shown.word else [], "")
    if not shown.number:
        for words in (shown.word, _SHORT.get(shown.word, shown.word)):
            yield [_Block(rows(words, size, look.sign("under")), "")]
            if not look.ascii:
                yield [_Block(half_rows(words, size), "lead")]
        return
    kind = "over" if shown.over else "under"
    number = _Block(rows(shown.number, size, look.sign(kind)), look.style(kind))
    names = [[shown.name]] if look.ascii else [half_rows(shown.name, k) for k in range(size, 0, -1)]
    if shown.word:
        yield from ([word, number, block] for name in names for block in
                    _beside(name, shown.detail, width - word.width - number.width - 2 * gap, size))
    room = width - number.width - gap
    beside = [*names, []]  # at last the name in full alone
    if shown.word:
        halves = [] if look.ascii else [half_rows(shown.word, k) for k in range(size, 0, -1)]
        beside = [*halves, [shown.word]]
    yield from ([number, block] for above in beside for block in _beside(above, shown.detail, room, size))
    yield from ([number, block] for block in _beside([shown.word], shown.name, room, size))
    if shown.word:
        yield from _arrangements(Figure(shown.word), width, size, look)


def _beside(above: list[str], detail: str, room: int, size: int) -> Iterator[_Block]:
    """What stands beside the number: a word or name, the detail under it; nothing where it does not fit."""
    left = ROWS * size - len(above)
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
