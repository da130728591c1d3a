"""Every phrase is understood in noise by a recogniser that knows nothing of the guard.

The sound is the guard's own: tone, gap and the words of its real voice. The
full measure: `.venv/bin/python -m pytest -m slow -n 0 -s tests/test_understood.py`.
"""

from __future__ import annotations

import re
from collections import Counter

import pytest

from guard.decide import wording
from guard.events import Cue, CueGiven, Numbers
from guard.settings import Settings
from guard.sound import tones
from guard.sound.elsewhere import HEARD_AGAIN, PAGE_LOST, SERVICE_SILENT
from guard.sound.phrases import Phrases
from guard.sound.tones import Pcm
from tests.support.listening import DISTRACTORS, NOISES, Listener, mixed

RUNNING = re.compile(r"\b(run|running|faster|go|speed|belt up|walk on)\b")
SLOWING = (Cue.EASE, Cue.WALK, Cue.STOP)
NUMBERS = (
    "heart rate one forty two", "heart rate one oh five", "heading for one forty three", "room eight",
    "over by four", "set eight point two", "about nine")
OTHERS = (wording.ALL_IS_WELL, wording.NO_SIGNAL, wording.PAUSED, wording.WALK_RUN,
          wording.NOT_RECORDING, wording.RECORDING_AGAIN, SERVICE_SILENT, HEARD_AGAIN, PAGE_LOST)


def spoken() -> dict[str, Cue]:
    """Every fixed phrase of the guard, and numbers of each kind, with the cue whose tone comes before."""
    said: dict[str, Cue] = {}
    for belt in (False, True):
        for cue in tones.PATTERNS:
            for repeat in (0, 1, 2):
                for foreseen_bpm in (139.0, 143.0, 149.0):
                    numbers = Numbers(foreseen_bpm=foreseen_bpm, ahead_s=20.0, ceiling_bpm=139.0)
                    given = CueGiven(1.0, cue, "ease", numbers, None, repeat)
                    said[wording.phrase(given, Settings(belt=belt))] = cue
        lost = CueGiven(1.0, Cue.SIGNAL_LOST, wording.BY_FEEL_RULE)
        said[wording.phrase(lost, Settings(belt=belt))] = Cue.SIGNAL_LOST
    said[wording.phrase(CueGiven(1.0, Cue.PART, wording.PLAN_DONE_RULE), Settings())] = Cue.PART
    return {**said, **dict.fromkeys((wording.GUARD_STOPPED, *OTHERS, *NUMBERS), Cue.NONE)}


SAID = spoken()


@pytest.fixture(scope="module")
def voice(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Pcm]:
    """Every phrase by the real voice at the settings' own voice and speed."""
    defaults = Settings()
    phrases = Phrases(SAID, voice_name=defaults.voice, rate_wpm=defaults.speech_rate_wpm,
                      cache_dir=tmp_path_factory.mktemp("cache"), own_dir=None, on_note=pytest.fail)
    phrases.start()
    assert phrases.bank_done.wait(30)
    sounds = {text: phrases.pcm(text) for text in SAID}
    phrases.close()
    assert all(sound is not None for sound in sounds.values())
    return sounds  # type: ignore[return-value]


@pytest.fixture(scope="module")
def listener() -> Listener:
    return Listener(SAID)


def heard(listener: Listener, voice: dict[str, Pcm], text: str, noise: str, db: float, seed: int) -> str:
    cue = SAID[text]
    if cue is not Cue.NONE:
        tone = tones.tone(cue)
    else:
        tone = tones.stopped() if text == wording.GUARD_STOPPED else tones.silence(0.1)
    return listener.understood(*mixed(tone, voice[text], noise, db, seed))


def test_the_phrases_measured_are_all_that_are_said() -> None:
    fixed = {*wording.cue_phrases(Settings()), *wording.cue_phrases(Settings(belt=True))}
    assert fixed <= set(SAID)
    kinds = {re.sub(r" (zero|one|two|three|four|five|six|seven|eight|nine|ten|[a-z]+teen|eleven|twelve|"
                    r"[a-z]+ty|oh|hundred|point)\b.*", "", text) for text in NUMBERS}
    bank = wording.phrase_bank(Settings(speech="full", gain_bpm_per_m_s=30.0))
    assert {text for text in bank if not any(text.startswith(kind) for kind in kinds)} <= set(SAID)


def test_no_phrase_is_the_beginning_of_another() -> None:
    """Else a lost end would change the meaning ("belt down to walking pace", "… , then stop")."""
    for text in SAID:
        assert not [other for other in SAID if other != text and other.startswith(text)], text


def test_phrases_are_understood_10_db_over_noise(listener: Listener, voice: dict[str, Pcm]) -> None:
    got = {text: heard(listener, voice, text, list(NOISES)[number % 2], 10.0, number)
           for number, text in enumerate(SAID)}
    wrong = {text: answer for text, answer in got.items() if answer != text}
    assert len(wrong) <= 0.05 * len(SAID), wrong
    assert not [text for text in wrong if SAID[text] in SLOWING and RUNNING.search(wrong[text])]


def test_the_listener_can_say_no(listener: Listener, voice: dict[str, Pcm]) -> None:
    """Noise alone and words played backwards are none of the guard's phrases."""
    backwards = voice["slow down please"][::-1]
    assert listener.understood(*mixed(tones.silence(0.1), backwards, "pink", 20.0, 1)) != "slow down please"
    assert listener.understood(0.05 * NOISES["pink"](40_000, 3)) not in SAID


@pytest.mark.slow
@pytest.mark.parametrize("noise", NOISES)
@pytest.mark.parametrize(("db", "least"), [(10.0, 0.95), (5.0, 0.85)])
def test_phrases_are_understood_over_many_noises(
        listener: Listener, voice: dict[str, Pcm], noise: str, db: float, least: float) -> None:
    trials = 25
    right, hazards = 0, []
    for text, cue in SAID.items():
        got = Counter(heard(listener, voice, text, noise, db, 1_000 + seed) for seed in range(trials))
        right += got[text]
        hazards += [(text, answer) for answer in got
                    if cue in SLOWING and answer != text and RUNNING.search(answer)]
        if got[text] < trials:
            print(f"    {got[text]:3}/{trials} {text}: {dict(got - Counter({text: trials}))}")
    share = right / (trials * len(SAID))
    print(f"{noise} noise, {db:g} dB: {100 * share:.1f} % of {trials * len(SAID)} understood "
          f"({len(SAID)} phrases, {len(DISTRACTORS)} distractors); slowing heard as running: {hazards}")
    assert share >= least
    assert db < 10 or not hazards
