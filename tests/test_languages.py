"""Spoken languages: every phrase has words, none can be taken for its opposite, and the voice speaks them."""

from __future__ import annotations

import itertools
import re
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from guard.decide.wording import phrase_bank
from guard.settings import Settings
from guard.sound import voice
from guard.sound.languages.language import Language
from guard.sound.languages.spoken import LANGUAGES, language_of
from guard.sound.phrases import Phrases

BANK = [part for belt in (False, True) for units in ("km", "mile")
        for part in phrase_bank(Settings(speech="full", gain_bpm_per_m_s=30.0, belt=belt, units=units))]
ALL = pytest.mark.parametrize("language", LANGUAGES.values(), ids=list(LANGUAGES))
# Words that ask for more speed; none may stand in a phrase that asks for less.
FASTER = {"de": r"lauf|schneller|höher|hoch|los", "fr": r"cour|accélère|vite|reprends",
          "es": r"corr|rápid|sube|vuelve"}
SLOWER = re.compile(r"slow|walking pace|shorter")


@ALL
def test_every_phrase_of_the_bank_has_words(language: Language) -> None:
    missing = {part for part in BANK if language.say(part) is None}
    assert not missing, f"{language.name} lacks {sorted(missing)[:8]}: add them to its table"
    assert set(language.words) <= set(BANK), "a phrase that is never said"
    assert len({language.say(part) for part in set(BANK)}) == len(set(BANK)), "two phrases sound the same"


@ALL
def test_no_phrase_is_the_beginning_of_another_and_slowing_never_names_speed(language: Language) -> None:
    """Else a lost end, or one word caught in the noise, would turn the meaning round."""
    for one, other in itertools.permutations(language.words.values(), 2):
        assert not other.startswith(one), (one, other)
    for english, said in language.words.items():
        if SLOWER.search(english):
            assert not re.search(FASTER[language.code], said.lower()), said
        elif re.search(r"run again|resume|faster|belt up", english):
            assert re.search(FASTER[language.code], said.lower()), said


def test_numbers_are_left_to_the_voice() -> None:
    german = LANGUAGES["de"]
    assert german.say("heart rate one forty two") == "Puls 142" and german.say("room zero")
    assert german.say("set eight point two") == "stelle 8,2 ein" and german.say("about ten") == "etwa 10"
    assert german.say("heart rate of a horse") is None and german.say("unknown") is None


@pytest.mark.parametrize(("name", "code"), [
    ("gmw/de", "de"), ("roa/fr-ch", "fr"), ("roa/es-419", "es"), ("de_DE", "de"),
    ("com.apple.voice.compact.fr-FR.Name", "fr"), (r"HKEY\Voices\Tokens\TTS_MS_ES-ES_NAME_11.0", "es"),
    ("gmw/en-us", None), ("default", None), (r"HKEY\Voices\Tokens\TTS_MS_EN-US_NAME_11.0", None),
])
def test_the_voice_decides_the_language(name: str, code: str | None) -> None:
    assert language_of(name) is (LANGUAGES[code] if code else None)


@pytest.mark.parametrize(("wanted", "found"), [
    ("de", "…de-DE.one"), ("en-us", "TTS_MS_EN-US_TWO"), ("fr", "roa/fr"), ("roa/fr", "roa/fr"),
    ("zz", "default"),
])
def test_a_language_finds_a_voice_on_every_system(wanted: str, found: str) -> None:
    """Voices as the engines of macOS, Windows and Linux name them."""
    voices = [SimpleNamespace(id="…de-DE.one", languages=["de_DE"]),
              SimpleNamespace(id="TTS_MS_EN-US_TWO", languages=[]),
              SimpleNamespace(id="roa/fr", languages=["fr-fr"])]
    chosen: dict[str, Any] = {}
    engine = SimpleNamespace(getProperty=lambda name: voices, setProperty=chosen.__setitem__)
    told, note = voice._choose_voice(engine, wanted)
    assert told == found and chosen == ({} if note else {"voice": found})


@pytest.fixture
def speak(tmp_path: Path):
    def speaks(voice_name: str, bank: list[str], words: str = "") -> list[bytes]:
        own = tmp_path / "own" if words else None
        if own:
            own.mkdir(exist_ok=True)
            (own / "words.toml").write_text(words, encoding="utf-8")
        phrases = Phrases(bank, voice_name=voice_name, rate_wpm=185, cache_dir=tmp_path / "cache",
                          own_dir=own, on_note=pytest.fail)
        phrases.start()
        assert phrases.bank_done.wait(20)
        sounds = [phrases.pcm(text) for text in bank]
        phrases.close()
        assert all(sound is not None for sound in sounds)
        return [sound.tobytes() for sound in sounds if sound is not None]
    return speaks


def test_the_real_voice_speaks_the_table_and_own_words_go_first(speak: Any) -> None:
    pytest.importorskip("pyttsx3")
    phrase = "slow down please"
    (german,) = speak("de", [phrase])
    same = f'"{phrase}" = "{LANGUAGES["de"].words[phrase]}"\n'
    assert speak("de", [phrase], same) == [german]
    assert speak("de", [phrase], f'"{phrase}" = "{phrase}"\n') != [german]
    assert speak("en-us", [phrase]) != [german]
