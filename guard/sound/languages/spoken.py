"""Which language a voice speaks. A new one is a table of its own, `CODE.toml`, in this folder."""

import re
import tomllib
from pathlib import Path

from guard.sound.languages.language import Language


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
