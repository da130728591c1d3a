"""Does sound leave this machine, and is there a voice? What `guard check` asks here."""

import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np

from guard.decide.wording import GUARD_STOPPED, cue_phrases, headline, spoken
from guard.errors import Check, Trouble
from guard.events import CueGiven
from guard.settings import Settings
from guard.sound import tones
from guard.sound.backends import Backend, BellBackend, Cut, Failed, Sound, fallbacks
from guard.sound.health import keep_raw
from guard.sound.phrases import phrases_for
from guard.sound.player import why_off
from guard.sound.worker_backend import WorkerBackend

VOICE_WAIT_S = 30.0  # a small board with a cold disk needs many
SOUND_OUTPUT = "sound output"
NO_OUTPUT_FIX = ("connect or switch on a sound output (on Linux `aplay -l` lists them), or have a phone "
                 "play the cues: `guard run --page network`")
_LIBRARY_FIX = "for the quickest cues install it: pip install 'heart-rate-guard[sound]'"


class Found(NamedTuple):
    """The first way out that works, None without one; `failed` says why better ones do not."""

    backend: Backend | None
    failed: dict[str, str]


def find_output(settings: Settings, log: Path | None = None) -> Found:
    """Open each way out in turn, with 50 ms of silence, until one works; close it after use.

    Opens nothing where sound is turned off. What a library says in its own words goes to `log`.
    """
    failed: dict[str, str] = {}
    if why_off(settings):
        return Found(None, failed)
    for backend in (WorkerBackend(log), *fallbacks(log)):
        if isinstance(backend, BellBackend):
            continue
        try:
            backend.play(Sound(tones.silence(0.05)))
        except (Failed, Cut) as error:
            failed[backend.name] = str(error)
            if isinstance(error, Failed) and log is not None:
                keep_raw(log, backend.name, error)
            backend.close()
        else:
            return Found(backend, failed)
    return Found(None, failed)


def output_check(settings: Settings, found: Found) -> Check:
    """Whether a sound device was really opened, and by which way."""
    name = SOUND_OUTPUT
    if off := why_off(settings):
        return Check(name, True, off)
    if found.backend is None:
        why = next(iter(found.failed.values()), "no player was found")
        return Check(name, False, f"none works: {why}", NO_OUTPUT_FIX)
    if found.failed:
        first, why = next(iter(found.failed.items()))
        return Check(name, True, f"opened through {found.backend.name}; {first} failed: {why}", _LIBRARY_FIX)
    return Check(name, True, f"opened through {found.backend.name}")


def voice_check(settings: Settings, own_phrases: Path | None = None) -> Check:
    """Whether the speech engine really renders a phrase (into a folder of its own)."""
    name = "voice"
    if settings.speech == "tones":
        return Check(name, True, "tones only (setting speech)")
    bank = cue_phrases(settings)
    rendered, trouble = _rendered(settings, bank, own_phrases)
    if trouble is not None:
        return Check(name, False, trouble.what, trouble.fix)
    if rendered == len(bank):
        return Check(name, True, f"{len(bank)} phrases rendered, voice {settings.voice}")
    return Check(name, False, f"only {rendered} of {len(bank)} phrases could be rendered",
                 "check free disk space and memory, then try again")


def voice_trouble(settings: Settings) -> Trouble | None:
    """Why the voice of these settings does not speak here as asked; None when one phrase came of it."""
    return _rendered(settings, [GUARD_STOPPED], None)[1]


def _rendered(settings: Settings, bank: list[str], own_phrases: Path | None) -> tuple[int, Trouble | None]:
    """How many of the phrases the engine speaks, and the first thing wrong with it."""
    notes: list[Trouble] = []
    with tempfile.TemporaryDirectory(prefix="guard-check-", ignore_cleanup_errors=True) as folder:
        phrases = phrases_for(settings, bank, Path(folder), own_phrases, notes.append)
        phrases.start()
        phrases.bank_done.wait(VOICE_WAIT_S)
        rendered = sum(phrases.pcm(text) is not None for text in bank)
        phrases.close()
    return rendered, notes[0] if notes else None


def play_all(settings: Settings, backend: Backend, cache_dir: Path, own_phrases: Path | None = None
             ) -> Iterator[str]:
    """Play every cue as it will sound, one each step; yields its name just before."""
    phrases = None
    if settings.speech != "tones":
        bank = [*cue_phrases(settings), GUARD_STOPPED]
        phrases = phrases_for(settings, bank, cache_dir, own_phrases, lambda note: None)
        phrases.start()
        phrases.bank_done.wait(VOICE_WAIT_S)
    try:
        for cue in tones.PATTERNS:
            given = CueGiven(0.0, cue)
            yield f"{cue.words:<12} {headline(given, settings)}"
            words = phrases.pcm(*spoken(given, settings)) if phrases is not None else None
            sound = tones.with_speech(tones.tone(cue, settings.volume), words, settings.volume)
            backend.play(Sound(np.concatenate([sound, tones.silence(0.4)])))
        yield "all's well   the tick"
        backend.play(Sound(np.concatenate([tones.tick(settings.volume), tones.silence(0.4)])))
        yield "stopped      the guard itself has ended"
        words = phrases.pcm(GUARD_STOPPED) if phrases is not None else None
        backend.play(Sound(tones.with_speech(tones.stopped(settings.volume), words, settings.volume)))
    finally:
        if phrases is not None:
            phrases.close()
