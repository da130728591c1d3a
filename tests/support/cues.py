"""Which medium serves which cue; imports nothing of the tests, so that it also judges a copy of the tree."""

from __future__ import annotations

from collections.abc import Iterator

from guard.cues import CUES, Cue
from guard.decide.wording import WORDS, headline, phrase
from guard.events import CueGiven
from guard.log.records import from_line, from_record, to_line, to_record
from guard.pins.patterns import BUZZ, buzz
from guard.settings import Settings
from guard.sound.tones import PATTERNS, tone

MEDIA = {"words": WORDS, "tones": PATTERNS, "buzzer": BUZZ}


def unserved() -> Iterator[str]:
    """One line for each cue that a medium lacks, and for each that a medium has and nobody gives."""
    for name, table in MEDIA.items():
        for cue in set(CUES) ^ set(table):
            yield f"{name}: {cue.key}"
    for what in ("letter", "outline"):
        drawn = [getattr(cue.about, what) for cue in CUES]
        for cue in CUES:
            if drawn.count(getattr(cue.about, what)) != 1 or not getattr(cue.about, what):
                yield f"{what}: {cue.key}"


def check_all_served(cue: Cue) -> None:
    """The cue is spoken, shown, heard, felt, and comes back from the log."""
    given = CueGiven(1.0, cue, "any_rule")
    for settings in (Settings(), Settings(belt=True), Settings(speech="full")):
        assert phrase(given, settings), cue
        assert headline(given, settings)[0].isupper(), cue
    assert len(tone(cue)) > 1000, cue
    assert "#" in buzz(given, muted=False), cue
    assert bool(buzz(given, muted=True)) is not cue.about.mutable, cue
    assert from_record(from_line(to_line(to_record(given)))) == given, cue
