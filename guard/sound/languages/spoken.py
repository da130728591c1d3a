"""Which language a voice speaks. A new one is a table of its own and a row here."""

from __future__ import annotations

import re

from guard.sound.languages.french import FRENCH
from guard.sound.languages.german import GERMAN
from guard.sound.languages.language import Language
from guard.sound.languages.spanish import SPANISH

LANGUAGES = {one.code: one for one in (GERMAN, FRENCH, SPANISH)}


def language_of(voice: str) -> Language | None:
    """The language of a voice by its id or locale; None for English and all without a table.

    >>> language_of("roa/es-419").name, language_of("com.apple.voice.compact.de-DE.Anna").name
    ('Spanish', 'German')
    """
    for code, language in LANGUAGES.items():
        if re.search(rf"(?<![a-z]){code}(?![a-z])", voice.lower()):
            return language
    return None
