"""A way out on other machines (pages in browsers): what they should have at hand, rendered like the rest.

What they say by themselves when they do not hear the guard, and when they do
again, is rendered here too: at that moment nobody could.
"""

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import Protocol

from guard.cues import CUES, Cue
from guard.decide.wording import ALL_IS_WELL, cue_phrases
from guard.settings import Settings
from guard.sound import tones
from guard.sound.backends import Backend, Sound
from guard.sound.phrases import Phrases
from guard.sound.tones import Pcm

# Chosen as all spoken words are: at 5 and 10 dB over noise a recogniser understood it 48 times of 48,
# "guard not heard" 34 times.
SERVICE_SILENT = "no word from the guard"
HEARD_AGAIN = "guard connected again"
# What the guard says by its own output when a page that was to say the cues does not (24 of 24 each).
PAGE_LOST = "page lost, listen here"


class Elsewhere(Backend, Protocol):
    """Plays the same sounds elsewhere: beside the guard's own way out (`begin`), or as the first (`play`)."""

    on_change: Callable[[], None]  # called when it becomes a way out, or is none any more

    def begin(self, sound: Sound) -> int:
        """Play it now; returns at once."""
        ...

    def keep(self, pcm: Pcm) -> str:
        """A tone or words to have at hand."""
        ...

    def keep_own(self, key: str, sound: Sound) -> None:
        """What is played there without the guard: `not_heard`, `heard_again`, `test`."""
        ...


def prepare(elsewhere: Elsewhere, phrases: Phrases | None, settings: Settings) -> None:
    """Hand over every tone, and words as they are rendered; returns at once."""
    volume = settings.volume
    for cue in CUES:
        elsewhere.keep(tones.tone(cue, volume))
    elsewhere.keep(tones.tick(volume))
    # What a lost link and its return mean to the runner is the same, whichever link it is.
    own = (("not_heard", tones.stopped(volume), SERVICE_SILENT),
           ("heard_again", tones.tone(Cue.SIGNAL_BACK, volume), HEARD_AGAIN),
           ("test", tones.tone(Cue.PART, volume), ALL_IS_WELL))
    for key, tone, _ in own:
        elsewhere.keep_own(key, Sound(tone))
    if phrases is None:
        return

    def own_words(key: str, tone: Pcm, text: str) -> None:
        if (words := phrases.pcm(text)) is not None:
            elsewhere.keep_own(key, tones_and(tone, words, volume))

    def cue_words(text: str) -> None:
        if (words := phrases.pcm(text)) is not None:
            elsewhere.keep(tones.scaled(words, volume))

    for key, tone, text in own:
        phrases.want(text, then=partial(own_words, key, tone, text))
    for belt in (settings.belt, not settings.belt):  # a treadmill may be connected at any time
        for text in cue_phrases(replace(settings, belt=belt)):
            phrases.want(text, then=partial(cue_words, text))


def tones_and(tone: Pcm, words: Pcm | None, volume: float, rings: int = 0) -> Sound:
    """A tone, and where there are words, those after it."""
    return Sound(tones.with_speech(tone, words, volume), rings,
                 words=None if words is None else tones.scaled(words, volume))
