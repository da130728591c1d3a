"""Rendering every phrase before the very first session, so that none is missing in it.

Later, after a change of voice or wording, phrases are rendered in the
background of a session, the most needed first.
"""

from collections.abc import Callable
from pathlib import Path

from guard.decide.wording import phrase_bank
from guard.settings import Settings
from guard.sound.phrases import phrases_for
from guard.sound.player import why_off

LONGEST_START_S = 30.0  # a slow board has the phrases of all cues by then; numbers follow in the background
_LOOK_S = 0.1  # between two looks at how far it is


def is_first_start(settings: Settings, cache_dir: Path) -> bool:
    """Whether a voice is wanted and no phrase was ever rendered here."""
    if settings.speech == "tones" or why_off(settings):
        return False
    try:
        return not any((cache_dir / "phrases").glob("*.wav"))
    except OSError:
        return False


def render(settings: Settings, cache_dir: Path, own_phrases: Path | None,
           on_share: Callable[[float], bool], limit_s: float = LONGEST_START_S) -> None:
    """Render the bank into `cache_dir`; `on_share(0 to 1)` is told how far it is and ends it by False.

    What the voice has to complain about is told by the session, which starts it again.
    """
    phrases = phrases_for(settings, phrase_bank(settings), cache_dir, own_phrases, lambda note: None)
    phrases.start()
    try:
        for _ in range(round(limit_s / _LOOK_S)):
            if phrases.bank_done.wait(_LOOK_S) or not on_share(phrases.done_share):
                break
        on_share(phrases.done_share)
    finally:
        phrases.close()
