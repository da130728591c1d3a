"""How things look: a colour-blind-safe palette, signs with an ASCII twin, safe text.

Colour only ever repeats what a word or a shape already says.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import groupby

from rich.cells import cell_len, set_cell_size
from rich.text import Text

from guard.errors import clean

# Okabe & Ito (2008), "Color Universal Design: how to make figures and presentations
# that are friendly to colorblind people". Blue and vermillion, the fills, keep a contrast
# of at least 3 to 1 (WCAG 2.2, 1.4.11) on black and on white; the purple is for an arrow.
BLUE = "#0072B2"
VERMILLION = "#D55E00"
REDDISH_PURPLE = "#CC79A7"

_COLOURED = {
    "under": BLUE,
    "over": VERMILLION,
    "foreseen": f"bold {REDDISH_PURPLE}",
    "lead": "bold",
    "quiet": "dim",
    "flag": "reverse bold",
}
_PLAIN = {"under": "", "over": "bold", "foreseen": "bold", "lead": "bold", "quiet": "dim",
          "flag": "reverse bold"}

_SIGNS = {
    # under: fill below the ceiling; over: fill above it; wall: the ceiling
    "under": ("█", "#"),
    "over": ("▓", "X"),
    "wall": ("┃", "|"),
    "empty": ("·", "."),
    "arrow": ("▶", ">"),
    "arrow_back": ("◀", "<"),
    "shaft": ("─", "-"),
    "line": ("▁", "_"),
    "rule": ("─", "-"),
    "dot": ("·", "-"),
    "ellipsis": ("…", "~"),
    "axis": ("│", "|"), "corner": ("└", "+"),
    # of plans: the ceiling; where only stop and sensor cues are given; every second part
    "limit": ("▀", "="), "silent": ("░", ":"), "floor": ("▁", "_"), "other": ("·", "."),
    # of the months: a run, the line through them, a spell of short sleep; weeks at or under, and over
    "run": ("•", "o"), "trend": ("─", "="), "spell": ("░", ":"),
    "hours": ("█", "#"), "hours_over": ("▒", "x"),
    # of the ceiling's methods
    "begin": ("├", "["), "end": ("┤", "]"), "value": ("●", "o"), "shown_only": ("○", "x"),
}
EIGHTHS = " ▁▂▃▄▅▆▇█"


@dataclass(frozen=True, slots=True)
class Look:
    """What the terminal can show: `ascii` for no other signs, `colour` for hues."""

    ascii: bool = False
    colour: bool = True

    def sign(self, name: str) -> str:
        """The sign called `name`, one cell wide."""
        return _SIGNS[name][1 if self.ascii else 0]

    def style(self, name: str) -> str:
        """The rich style called `name`; no hue in it when colour is off."""
        return (_COLOURED if self.colour else _PLAIN)[name]

    def text(self, words: str) -> str:
        """`words` without control characters, and in ASCII where asked for."""
        words = clean(words)
        return words.encode("ascii", "replace").decode() if self.ascii else words

    def fit(self, words: str, width: int) -> str:
        """`words` cut to `width` cells, with a sign where something was cut."""
        words = self.text(words)
        if cell_len(words) <= width:
            return words
        return set_cell_size(words, max(0, width - 1)).rstrip() + self.sign("ellipsis") if width > 0 else ""


def styled(cells: Iterable[tuple[str, str]]) -> Text:
    """One line from (sign, style) cells; neighbours of one style share a span, which renders faster."""
    line = Text(no_wrap=True)
    for style, run in groupby(cells, key=lambda cell: cell[1]):
        line.append("".join(sign for sign, _ in run), style)
    return line


def fitting_look(encoding: str, environment: Mapping[str, str], *, legacy_windows: bool = False) -> Look:
    """The look for a terminal with this encoding and environment.

    ASCII for an encoding other than UTF-8 and for the kernel's console
    (TERM=linux), whose fonts lack the finer blocks; no hues where NO_COLOR is
    set and not empty (no-color.org).
    """
    unicode_ok = encoding.lower().replace("-", "").replace("_", "") in ("utf8", "utf8sig")
    kernel_console = environment.get("TERM", "") in ("linux", "vt100", "vt102", "vt220", "dumb")
    return Look(
        ascii=not unicode_ok or kernel_console or legacy_windows,
        colour=not environment.get("NO_COLOR"),
    )
