"""Spoken languages: every phrase has words, none can be taken for its opposite, and the voice speaks them."""

from __future__ import annotations

import itertools
import os
import re
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.signal import resample_poly

from guard.decide.wording import phrase_bank
from guard.settings import Settings
from guard.sound import tones, voice
from guard.sound.elsewhere import HEARD_AGAIN, PAGE_LOST, SERVICE_SILENT
from guard.sound.languages.language import LANGUAGES, Language, language_of
from guard.sound.phrases import Phrases
from tests.support.listening import mixed
from tests.support.tones_detector import pink_noise

BANK = [part for belt in (False, True) for units in ("km", "mile")
        for part in phrase_bank(Settings(speech="full", gain_bpm_per_m_s=30.0, belt=belt, units=units))]
BANK += [SERVICE_SILENT, HEARD_AGAIN, PAGE_LOST]
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


NOISE_LEVEL = 0.02  # about that of pink noise 10 dB under the voice, in a mix at half loudness


# Opposites, near misses and small talk, as in tests/support/listening.py.
DISTRACTORS = {
    "de": ("lauf jetzt los", "schneller laufen bitte", "bitte Tempo machen", "biege links ab",
           "trink etwas Wasser", "der Sensor ist gefunden", "vielen Dank"),
    "fr": ("cours maintenant", "accélère s'il te plaît", "va plus vite", "tourne à gauche",
           "bois un peu d'eau", "le capteur est trouvé", "merci beaucoup"),
    "es": ("corre ahora", "más rápido por favor", "acelera un poco", "gira a la izquierda",
           "bebe un poco de agua", "el sensor está encontrado", "muchas gracias"),
}


@pytest.mark.slow
@ALL
@pytest.mark.parametrize("db", [None, 10.0], ids=["clean", "10 dB"])
def test_phrases_are_understood_by_an_independent_listener(
        language: Language, db: float | None, speak: Any) -> None:
    """A multilingual speech recogniser that knows nothing of the guard chooses the likeliest phrase.

    It needs `pip install faster-whisper` and, in the folder GUARD_LISTENER, a model in its form.
    """
    whisper = pytest.importorskip("faster_whisper")
    folder = os.environ.get("GUARD_LISTENER") or pytest.skip("GUARD_LISTENER names no model: untested here")
    choices = [*language.words.values(), *DISTRACTORS[language.code]]
    listener = Recogniser(whisper, folder, language.code, choices)
    if db is not None:
        listener.get_used_to(NOISE_LEVEL * pink_noise(3 * tones.RATE_HZ, seed=1000))
    wrong = {}
    for number, (english, sound) in enumerate(zip(language.words, speak(language.code, list(language.words)),
                                                  strict=True)):
        pcm = np.frombuffer(sound, dtype=np.int16)
        heard = pcm / 32_768 if db is None else mixed(tones.silence(0.1), pcm, "pink", db, number)[0]
        if (got := listener.likeliest(heard)) != language.words[english]:
            wrong[english] = got
    print(f"\n{language.name}, {'clean' if db is None else f'{db:g} dB'}: "
          f"{len(language.words) - len(wrong)} of {len(language.words)} understood; for another: {wrong}")
    hazards = {english: got for english, got in wrong.items()
               if SLOWER.search(english) and re.search(FASTER[language.code], got.lower())}
    assert not hazards and len(wrong) <= (0.1 if db is None else 0.25) * len(language.words)


class Recogniser:
    """Says which of `phrases` a sound at 22,050 Hz most likely is: by mean log probability of tokens.

    Its model of language finds some phrases likely before it has heard a word ("all is well", "speed up
    please"), so in noise each counts by what it gains over that noise alone (`get_used_to`).
    """

    def __init__(self, whisper: Any, folder: str, code: str, phrases: list[str]) -> None:
        self._model = whisper.WhisperModel(folder, device="cpu", compute_type="int8", cpu_threads=1)
        tokens = whisper.tokenizer.Tokenizer(self._model.hf_tokenizer, True, task="transcribe", language=code)
        self._start = [*tokens.sot_sequence, tokens.no_timestamps]
        self._tokens = {phrase: tokens.encode(f" {phrase[0].upper()}{phrase[1:]}.") for phrase in phrases}
        self._unheard = dict.fromkeys(phrases, 0.0)

    def get_used_to(self, noise: Any) -> None:
        """Learn what each phrase is worth in noise in which none is said."""
        self._unheard = self._scores(noise)

    def likeliest(self, sound: Any) -> str:
        """The phrase that is heard."""
        scores = self._scores(sound)
        return max(scores, key=lambda phrase: scores[phrase] - self._unheard[phrase])

    def _scores(self, sound: Any) -> dict[str, float]:
        heard = resample_poly(sound, 16_000, tones.RATE_HZ).astype(np.float32)
        features = self._model.feature_extractor(heard)[:, :3000]
        encoded = self._model.encode(np.pad(features, ((0, 0), (0, 3000 - features.shape[-1]))))
        scores = {}
        for phrase, tokens in self._tokens.items():
            found = self._model.model.align(encoded, self._start, [tokens], 3000)[0]
            scores[phrase] = float(np.log(np.maximum(found.text_token_probs, 1e-9)).mean())
        return scores
