"""What the runner puts in place of the guard's phrases: recordings, and words for the voice.

Both lie in the folder `phrases` beside the settings file. A recording is a WAV
file named by the words it replaces (`slow-down-please.wav`). Words stand in
`words.toml`, for another wording or language of the same meaning:

    "slow down please" = "easy now"

What is shown on screen stays as it is.
"""

import difflib
import re
import tomllib
from collections.abc import Callable, Collection
from pathlib import Path

from guard.errors import Trouble, printable

WORDS_FILE = "words.toml"
MOST_CHARACTERS = 120  # some seconds of speech (ours)
LARGEST_WORDS_BYTES = 1 << 18  # bytes of words.toml


class OwnPhrases:
    """The runner's folder of phrases; `note` is told what in it cannot be used."""

    def __init__(self, folder: Path | None, note: Callable[[Trouble], None]) -> None:
        self._folder = folder
        self._note = note
        self._words: dict[str, str] = {}

    def read(self, known: Collection[str]) -> None:
        """Read `words.toml`; `known` are the phrases that may be replaced."""
        path = self._folder / WORDS_FILE if self._folder is not None else None
        if path is None or not path.exists():
            return
        try:
            content = tomllib.loads(_text(path))
        except (OSError, ValueError, RecursionError) as error:
            self._note(Trouble(f"{path} cannot be read ({printable(error)[:200]})",
                               "correct or remove it; the guard's own words are spoken"))
            return
        for phrase, words in content.items():
            if phrase not in known:
                near = difflib.get_close_matches(phrase, list(known), n=1, cutoff=0.0)
                never = f"{path} has words for {printable(phrase)[:60]!r}, which the guard never says"
                self._note(Trouble(never, f"did you mean {near[0]!r}?") if near
                           else Trouble(f"{path} fits no phrase of the guard"))
            elif not _speakable(words):
                self._note(Trouble(f"{path} has no usable words for {phrase!r}",
                                   f"write up to {MOST_CHARACTERS} plain characters in quotes"))
            else:
                self._words[phrase] = words

    def words(self, part: str, otherwise: str | None = None) -> str:
        """What the voice says for `part`: the runner's words, else `otherwise`, else the part itself."""
        return self._words.get(part, otherwise or part)

    def recording(self, part: str) -> Path | None:
        """The runner's WAV file for `part`, None without one."""
        path = self._folder / f"{slug(part)}.wav" if self._folder is not None else None
        return path if path is not None and path.exists() else None


def _text(path: Path) -> str:
    with path.open("rb") as file:
        data = file.read(LARGEST_WORDS_BYTES + 1)
    if len(data) > LARGEST_WORDS_BYTES:
        raise ValueError("far too large")
    return data.decode("utf-8")


def slug(part: str) -> str:
    """File name of a part among the runner's own phrases: words and hyphens."""
    return re.sub(r"[^a-z0-9]+", "-", part.lower()).strip("-")


def _speakable(words: object) -> bool:
    return (isinstance(words, str) and words.isprintable() and len(words) <= MOST_CHARACTERS
            and any(character.isalnum() for character in words))
