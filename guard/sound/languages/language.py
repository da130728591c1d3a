"""A language as one table: the English phrase to the phrase spoken, and how numbers stand in it. Pure.

The voice chosen by the setting `voice` decides which one is spoken. Screens and pages stay
English; so do the keys of a runner's own phrases. What a table lacks is spoken in English.
"""

import functools
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from guard.decide.wording import number_words


@dataclass(frozen=True)
class Language:
    """`words` are whole phrases; `numbers` says by the word before a number how it is said, `{}` its place.

    The voice reads the figures of a number itself, with a decimal comma.
    """

    code: str
    name: str
    words: Mapping[str, str]
    numbers: Mapping[str, str]

    def say(self, part: str) -> str | None:
        """`part`, English as it stands in the bank of phrases, in this language; None where it has none."""
        if part in self.words:
            return self.words[part]
        for before, said in self.numbers.items():
            figures = _figures(part.removeprefix(f"{before} ")) if part.startswith(f"{before} ") else None
            if figures is not None:
                return said.format(figures)
        return None


def _figures(spoken: str) -> str | None:
    """ "one forty two" as "142", "eight point two" as "8,2"; None where it is no number."""
    whole, point, tenth = spoken.partition(" point ")
    numbers = _numbers()
    if whole not in numbers or (point and tenth not in numbers):
        return None
    return f"{numbers[whole]},{numbers[tenth]}" if point else str(numbers[whole])


@functools.cache
def _numbers() -> Mapping[str, int]:
    return {number_words(number): number for number in range(1000)}


def _read(path: Path) -> Language:
    table = tomllib.loads(path.read_text(encoding="utf-8"))
    return Language(path.stem, table["name"], table["words"], table["numbers"])


LANGUAGES = {path.stem: _read(path) for path in sorted(Path(__file__).parent.glob("*.toml"))}


def language_of(voice: str) -> Language | None:
    """The language of a voice by its id or locale; None for English and all without a table.

    >>> language_of("roa/es-419").name, language_of("com.apple.voice.compact.de-DE.Anna").name
    ('Spanish', 'German')
    """
    for code, language in LANGUAGES.items():
        if re.search(rf"(?<![a-z]){code}(?![a-z])", voice.lower()):
            return language
    return None
