"""What cues say: words, numbers, belt safety, and that every part can be rendered ahead."""

from __future__ import annotations

import dataclasses

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from guard.decide import wording
from guard.decide.core import RESTS_ON
from guard.decide.effects import CUE_OF
from guard.events import Cue, CueGiven, LinkState, Numbers, Snapshot, State
from guard.settings import Settings
from tests.support.reasons import FORESEEN

CUES = [cue for cue in Cue if cue is not Cue.NONE]

SNAPSHOT = Snapshot(
    t_s=600, state=State.STEADY, state_since_s=0, level_bpm=131.2, slope_bpm_per_min=0, ceiling_bpm=139,
    floor_bpm=None, room_bpm=7.8, foreseen_bpm=132, lead_s=20, chance_over=0, reading_age_s=0.5,
    contact=True, last_cue=None, cue_count=0, link_state=LinkState.CONNECTED, link_name="", link_detail="",
    battery_percent=None, at_or_under_s=600, over_s=0, no_signal_s=0, speed_m_s=None, grade=None,
    advised_speed_m_s=None, part="", part_left_s=None, muted=False, free_run=False,
    sound_backend="simpleaudio", own_ceiling_bpm=139, resume_bpm=None, active_s=600)


@pytest.mark.parametrize(("number", "words"), [
    (60, "sixty"), (88, "eighty eight"), (100, "one hundred"), (105, "one oh five"), (110, "one ten"),
    (115, "one fifteen"), (120, "one twenty"), (142, "one forty two"), (200, "two hundred"), (0, "zero")])
def test_heart_rates_are_said_as_runners_say_them(number: int, words: str) -> None:
    assert wording.number_words(number) == words


def test_every_heart_rate_has_words_of_its_own() -> None:
    assert len({wording.number_words(number) for number in range(1000)}) == 1000
    for wrong in (-1, 1000):
        with pytest.raises(ValueError, match="only 0 to 999"):
            wording.number_words(wrong)


@pytest.mark.parametrize("belt", [False, True])
@pytest.mark.parametrize("speech", ["tones", "short", "full"])
@pytest.mark.parametrize("cue", CUES)
@pytest.mark.parametrize("repeat", [0, 1, 7])
def test_every_cue_has_words_and_a_headline(cue: Cue, repeat: int, speech: str, belt: bool) -> None:
    chosen = Settings(belt=belt, speech=speech)
    cue_given = CueGiven(1.0, cue, "ease", FORESEEN, None, repeat)
    words = wording.phrase(cue_given, chosen)
    assert words == words.lower()
    assert not any(character.isdigit() for character in words)
    assert wording.headline(cue_given, chosen)[0].isupper()


def test_phrases_mistaken_for_their_opposite_are_never_said() -> None:
    for belt in (False, True):
        said = wording.phrase_bank(Settings(belt=belt, speech="full"))
        for hazard in ("run now", "walk on"):
            assert not any(hazard in part for part in said)
        assert not {"walk", "slow down", "ease off", "signal lost", "signal back"} & set(said)


@pytest.mark.parametrize("cue", [Cue.WALK, Cue.STOP, Cue.EASE])
@pytest.mark.parametrize("repeat", [0, 1, 2])
def test_on_a_treadmill_the_belt_comes_before_the_runner(cue: Cue, repeat: int) -> None:
    words = wording.phrase(CueGiven(1.0, cue, repeat=repeat), Settings(belt=True))
    assert "belt" in words
    for step in ("walk", "stop"):
        assert step not in words or words.index("belt") < words.index(step)


@pytest.mark.parametrize("belt", [False, True])
def test_stop_is_slow_to_a_walk_first(belt: bool) -> None:
    words = wording.phrase(CueGiven(1.0, Cue.STOP), Settings(belt=belt))
    assert 0 <= words.index("walk") < words.index("stop")


def test_a_repeated_walk_says_the_next_step() -> None:
    first, second = (wording.phrase(CueGiven(1.0, Cue.WALK, repeat=n), Settings()) for n in (0, 1))
    assert first == "walking pace now"
    assert second == "shorter, slower steps, or pause"


@pytest.mark.parametrize(("cue", "advised_km_h", "changes", "speed"), [
    (Cue.EASE, 8.2, {}, 8.2),
    (Cue.EASE, 8.27, {}, 8.2),  # never rounded up: that would cost room
    (Cue.RESUME, 8.29, {"belt_step_km_h": 0.5}, 8.0),
    (Cue.PICK_UP, 8.27, {}, 8.3),
    (Cue.EASE, 8.2 * 1.609344, {"units": "mile", "belt_step_km_h": 0.1609344}, 8.2),
    (Cue.EASE, 5.19 * 1.609344, {"units": "mile"}, 5.1),  # a belt that shows miles: tenths of a mph
    (Cue.PICK_UP, 5.19 * 1.609344, {"units": "mile"}, 5.2),
    (Cue.WALK, 8.2, {}, None),
    (Cue.EASE, float("nan"), {}, None),
    (Cue.EASE, 0.0, {}, None),
    (Cue.EASE, 1e9, {}, None),
])
def test_advised_speed_is_in_the_runners_unit_on_the_belts_step(
        cue: Cue, advised_km_h: float, changes: dict[str, object], speed: float | None) -> None:
    cue_given = CueGiven(1.0, cue, advised_speed_m_s=advised_km_h / 3.6)
    chosen = Settings(belt=True).replaced(changes)
    assert wording.speed_to_set(cue_given, chosen) == speed
    assert ("set " in wording.phrase(cue_given, chosen)) == (speed is not None)


@pytest.mark.parametrize(("numbers", "repeat", "words"), [
    (Numbers(foreseen_bpm=140.4, ceiling_bpm=139.0), 0, "slow down a little please"),
    (Numbers(foreseen_bpm=143.2, ceiling_bpm=139.0), 0, "slow down please"),
    (Numbers(foreseen_bpm=145.6, ceiling_bpm=139.0), 0, "slow down a lot please"),
    (Numbers(foreseen_bpm=140.0, ceiling_bpm=139.0), 1, "slow down a bit more please"),
    (Numbers(foreseen_bpm=150.0, ceiling_bpm=139.0), 3, "slow down a lot more please"),
    (Numbers(foreseen_bpm=139.0, ceiling_bpm=145.0, limit_bpm=139.0), 0, "slow down a little please"),
    (Numbers(without_bpm=147.0, with_bpm=138.0, level_bpm=137.0, ceiling_bpm=139.0), 0,
     "slow down a lot please"),
    (Numbers(level_bpm=150.0), 0, "slow down please"),
    (Numbers(), 0, "slow down please"),
])
def test_how_much_to_slow_is_a_word_of_size_where_no_speed_is_advised(
        numbers: Numbers, repeat: int, words: str) -> None:
    cue_given = CueGiven(1.0, Cue.EASE, "any rule", numbers, None, repeat)
    assert wording.phrase(cue_given, Settings()) == words
    on_belt = wording.phrase(cue_given, Settings(belt=True))
    assert on_belt == words.replace("slow down", "slow the belt")
    with_speed = dataclasses.replace(cue_given, advised_speed_m_s=2.3, repeat=0)
    assert wording.phrase(with_speed, Settings(belt=True)) == "slow the belt please, set eight point two"


# All figures a rule may rest on, each another, so that a wrong one taken for the right one shows.
FIGURES = {"level_bpm": 111.0, "ceiling_bpm": 222.0, "limit_bpm": 333.0, "room_bpm": 44.0,
           "foreseen_bpm": 555.0, "ahead_s": 20.0, "with_bpm": 121.0, "without_bpm": 122.0,
           "heading_bpm": 666.0, "stop_bpm": 177.0,
           "floor_bpm": 88.0, "age_s": 9.0, "fell_from_bpm": 199.0}
SIZES = {-3: "a little", 0: "a little", 1: "a little", 2: "", 6: "", 7: "a lot", 30: "a lot"}


CUED = {why.key: cue for why, cue in CUE_OF.items()}


def figures(rule: str, **changed: float) -> Numbers:
    """What the rule rests on."""
    return Numbers(**{name: {**FIGURES, **changed}[name] for name in RESTS_ON[rule]})


@pytest.mark.parametrize("rule", [rule for rule, cue in CUED.items() if cue is Cue.EASE])
@pytest.mark.parametrize("over_bpm", SIZES)
def test_every_rule_that_eases_yields_the_size_that_its_numbers_imply(rule: str, over_bpm: int) -> None:
    limit = "limit_bpm" if "limit_bpm" in RESTS_ON[rule] else "ceiling_bpm"
    assert {"foreseen_bpm", limit} <= set(RESTS_ON[rule]), "a size needs its two numbers"
    numbers = figures(rule, **{limit: 139.0, "foreseen_bpm": 139.0 + over_bpm})
    words = wording.phrase(CueGiven(1.0, Cue.EASE, rule, numbers), Settings())
    assert words == f"slow down {SIZES[over_bpm]} please".replace("  ", " ")


def test_every_rule_that_foresees_a_heart_rate_can_be_spoken_with_it() -> None:
    for rule, cue in CUED.items():
        if "foreseen_bpm" in RESTS_ON[rule]:
            given = CueGiven(1.0, cue, rule, figures(rule, foreseen_bpm=143.0))
            assert "heading for one forty three" in wording.phrase(given, Settings(speech="full")), rule


def test_advised_speed_is_spoken_and_shown() -> None:
    cue_given = CueGiven(1.0, Cue.EASE, advised_speed_m_s=2.3)
    assert wording.phrase(cue_given, Settings(belt=True)).endswith("set eight point two")
    assert wording.headline(cue_given, Settings(belt=True)).endswith("8.2 km/h")
    assert "set" not in wording.phrase(cue_given, Settings())  # nothing to set on the road


@pytest.mark.parametrize(("cue", "rule", "numbers", "last"), [
    (Cue.EASE, "ease", FORESEEN, "heading for one forty three"),
    (Cue.WALK, "too_steep", Numbers(heading_bpm=151.0, ceiling_bpm=139.0), "heading for one fifty one"),
    (Cue.WALK, "no_jog_would_do", FORESEEN, "walk run today, heading for one forty three"),
    (Cue.STOP, "stop", Numbers(level_bpm=172.0, stop_bpm=170.0), "heart rate one seventy two"),
    (Cue.WALK, "walk_slower", Numbers(level_bpm=144.0, ceiling_bpm=139.0), "heart rate one forty four"),
    (Cue.SIGNAL_LOST, "unlikely_recovery", Numbers(level_bpm=61.0), "keep it easy by feel"),
    (Cue.BATTERY_LOW, "battery_low", Numbers(percent=12.0, low_percent=15.0), "sensor battery is low"),
    (Cue.EASE, "", Numbers(), "please"),
])
def test_full_speech_adds_the_number_behind_the_cue(cue: Cue, rule: str, numbers: Numbers, last: str) -> None:
    assert wording.phrase(CueGiven(1.0, cue, rule, numbers), Settings(speech="full")).endswith(last)


@pytest.mark.parametrize(("cue", "line"), [
    (Cue.WALK, "Walk: walking pace now"), (Cue.SIGNAL_LOST, "Sensor lost, keep it easy by feel"),
    (Cue.STOP, "Stop: slow to a walk, then stop"), (Cue.NONE, "")])
def test_a_headline_names_the_cue_once(cue: Cue, line: str) -> None:
    assert wording.headline(CueGiven(1.0, cue), Settings()) == line


def test_status_says_heart_rate_and_room() -> None:
    said = wording.status_parts(SNAPSHOT, Settings())
    assert said == ("heart rate one thirty one", "room eight")
    over = dataclasses.replace(SNAPSHOT, level_bpm=143.0, room_bpm=-4.0)
    assert wording.status_parts(over, Settings())[-1] == "over by four"


@pytest.mark.parametrize("changes", [{"level_bpm": None, "room_bpm": None}, {"state": State.NO_SIGNAL}])
def test_status_without_a_trusted_reading_names_no_number(changes: dict[str, object]) -> None:
    said = wording.status_parts(dataclasses.replace(SNAPSHOT, **changes), Settings())
    assert said == ("no heart rate signal",)


@settings(max_examples=300, deadline=None)
@given(cue=st.sampled_from(CUES), repeat=st.integers(-1, 9), speed_km_h=st.none() | st.floats(2, 19.9),
       bpm=st.integers(60, 210), belt=st.booleans(), units=st.sampled_from(["km", "mile"]),
       speech=st.sampled_from(["short", "full"]))
def test_every_cue_is_made_of_parts_of_the_bank(
        cue: Cue, repeat: int, speed_km_h: float | None, bpm: int, belt: bool, units: str, speech: str
) -> None:
    chosen = Settings(belt=belt, units=units, speech=speech, gain_bpm_per_m_s=30.0)
    advised = None if speed_km_h is None else speed_km_h / 3.6 * (1.609344 if units == "mile" else 1)
    numbers = Numbers(foreseen_bpm=float(bpm), ahead_s=20.0, ceiling_bpm=139.0)
    said = wording.spoken(CueGiven(1.0, cue, "ease", numbers, advised, repeat), chosen)
    assert set(said) <= set(wording.phrase_bank(chosen)) or (advised or 9) * 3.6 > 20
