"""Large letters and digits, drawn by ourselves for reading at some metres.

Each is a picture of 5 rows; a dot of it becomes a block 2 cells wide and 1 row
high (about square), times the scale. At half the size a dot is one cell wide and
half a row high, times the scale; that needs the half blocks of Unicode.
"""

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
