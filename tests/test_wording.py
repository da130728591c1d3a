"""What cues say: words, numbers, belt safety, and that every part can be rendered ahead."""

from __future__ import annotations

import dataclasses

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from guard.decide import wording
from guard.decide.table import TABLE, Row
from guard.events import Cue, CueGiven, LinkState, Snapshot, State
from guard.settings import Settings

CUES = [cue for cue in Cue if cue is not Cue.NONE]

SNAPSHOT = Snapshot(
    t_s=600, state=State.STEADY, state_since_s=0, level_bpm=131.2, slope_bpm_per_min=0, ceiling_bpm=139,
    floor_bpm=None, room_bpm=7.8, foreseen_bpm=132, lead_s=20, chance_over=0, reading_age_s=0.5,
    contact=True, last_cue=None, cue_count=0, link_state=LinkState.CONNECTED, link_name="", link_detail="",
    battery_percent=None, at_or_under_s=600, over_s=0, no_signal_s=0, speed_m_s=None, grade=None,
    advised_speed_m_s=None, part="", part_left_s=None, muted=False, free_run=False,
    sound_backend="simpleaudio")


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
    cue_given = CueGiven(1.0, cue, "foreseen 143 in 20 s, ceiling 139", None, repeat)
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
    words = wording.phrase(CueGiven(1.0, cue, "", None, repeat), Settings(belt=True))
    assert "belt" in words
    for step in ("walk", "stop"):
        assert step not in words or words.index("belt") < words.index(step)


@pytest.mark.parametrize("belt", [False, True])
def test_stop_is_slow_to_a_walk_first(belt: bool) -> None:
    words = wording.phrase(CueGiven(1.0, Cue.STOP, ""), Settings(belt=belt))
    assert 0 <= words.index("walk") < words.index("stop")


def test_a_repeated_walk_says_the_next_step() -> None:
    first, second = (wording.phrase(CueGiven(1.0, Cue.WALK, "", None, n), Settings()) for n in (0, 1))
    assert first == "walking pace now"
    assert second == "shorter, slower steps, or pause"


@pytest.mark.parametrize(("cue", "advised_km_h", "changes", "speed"), [
    (Cue.EASE, 8.2, {}, 8.2),
    (Cue.EASE, 8.27, {}, 8.2),  # never rounded up: that would cost room
    (Cue.RESUME, 8.29, {"belt_step_km_h": 0.5}, 8.0),
    (Cue.PICK_UP, 8.27, {}, 8.3),
    (Cue.EASE, 8.2 * 1.609344, {"units": "mile", "belt_step_km_h": 0.1609344}, 8.2),
    (Cue.WALK, 8.2, {}, None),
    (Cue.EASE, float("nan"), {}, None),
    (Cue.EASE, 0.0, {}, None),
    (Cue.EASE, 1e9, {}, None),
])
def test_advised_speed_is_in_the_runners_unit_on_the_belts_step(
        cue: Cue, advised_km_h: float, changes: dict[str, object], speed: float | None) -> None:
    cue_given = CueGiven(1.0, cue, "", advised_km_h / 3.6)
    chosen = Settings(belt=True).replaced(changes)
    assert wording.speed_to_set(cue_given, chosen) == speed
    assert ("set " in wording.phrase(cue_given, chosen)) == (speed is not None)


@pytest.mark.parametrize(("reason", "repeat", "words"), [
    ("foreseen 140 in 20 s, ceiling 139", 0, "slow down a little please"),
    ("foreseen 143 in 20 s, ceiling 139", 0, "slow down please"),
    ("foreseen 146 in 20 s, ceiling 139", 0, "slow down a lot please"),
    ("still foreseen 140 in 20 s, ceiling 139", 1, "slow down a bit more please"),
    ("still foreseen 150 in 20 s, ceiling 139", 3, "slow down a lot more please"),
    ("foreseen 139 in 20 s, the warm-up's limit 139", 0, "slow down a little please"),
    ("no numbers here", 0, "slow down please"),
])
def test_how_much_to_slow_is_a_word_of_size_where_no_speed_is_advised(
        reason: str, repeat: int, words: str) -> None:
    cue_given = CueGiven(1.0, Cue.EASE, reason, None, repeat)
    assert wording.phrase(cue_given, Settings()) == words
    on_belt = wording.phrase(cue_given, Settings(belt=True))
    assert on_belt == words.replace("slow down", "slow the belt")
    with_speed = dataclasses.replace(cue_given, advised_speed_m_s=2.3, repeat=0)
    assert wording.phrase(with_speed, Settings(belt=True)) == "slow the belt please, set eight point two"


# All numbers a reason may hold, each another, so that a wrong one taken for the right one shows.
NUMBERS = {"level": 111, "ceiling": 222, "limit": 333, "room": 44, "foreseen": 555, "lead": 20,
           "heading": 666, "stop": 177, "floor": 88, "age": 9, "slip_from": 199}
SIZES = {-3: "a little", 0: "a little", 1: "a little", 2: "", 6: "", 7: "a lot", 30: "a lot"}


@pytest.mark.parametrize("row", [row for row in TABLE if row.cue is Cue.EASE], ids=lambda row: row.name)
@pytest.mark.parametrize("over_bpm", SIZES)
def test_every_reason_to_ease_yields_the_size_that_its_numbers_imply(row: Row, over_bpm: int) -> None:
    ahead = "foreseen" if "{foreseen}" in row.reason else "level"
    limit = "ceiling" if "{ceiling}" in row.reason else "limit"
    assert f"{{{ahead}}}" in row.reason and f"{{{limit}}}" in row.reason, "a size needs its two numbers"
    numbers = {**NUMBERS, limit: 139, ahead: 139 + over_bpm}
    reason = row.reason.format(**{key: f"{value:.0f}" for key, value in numbers.items()})
    words = wording.phrase(CueGiven(1.0, Cue.EASE, reason), Settings())
    assert words == f"slow down {SIZES[over_bpm]} please".replace("  ", " ")


def test_every_reason_that_foresees_a_heart_rate_can_be_spoken_with_it() -> None:
    for row in TABLE:
        if "{foreseen}" in row.reason and row.cue is not Cue.NONE:
            reason = row.reason.format(**{**NUMBERS, "foreseen": 143, "level": 141, "ceiling": 139})
            said = wording.phrase(CueGiven(1.0, row.cue, reason), Settings(speech="full"))
            assert "heading for one forty three" in said, row.name


def test_advised_speed_is_spoken_and_shown() -> None:
    cue_given = CueGiven(1.0, Cue.EASE, "", 2.3)
    assert wording.phrase(cue_given, Settings(belt=True)).endswith("set eight point two")
    assert wording.headline(cue_given, Settings(belt=True)).endswith("8.2 km/h")
    assert "set" not in wording.phrase(cue_given, Settings())  # nothing to set on the road


@pytest.mark.parametrize(("reason", "last"), [
    ("foreseen 143 in 20 s, ceiling 139", "heading for one forty three"),
    ("climbing toward 151, easing would not bring it under 139", "heading for one fifty one"),
    ("172 bpm is over your never-exceed limit of 170", "heart rate one seventy two"),
    ("no fall as in walking yet: 144, ceiling 139", "heart rate one forty four"),
    ("no numbers here", "please"),
])
def test_full_speech_adds_the_number_behind_the_cue(reason: str, last: str) -> None:
    assert wording.phrase(CueGiven(1.0, Cue.EASE, reason), Settings(speech="full")).endswith(last)


@pytest.mark.parametrize(("cue", "line"), [
    (Cue.WALK, "Walk: walking pace now"), (Cue.SIGNAL_LOST, "Sensor lost, keep it easy by feel"),
    (Cue.STOP, "Stop: slow to a walk, then stop"), (Cue.NONE, "")])
def test_a_headline_names_the_cue_once(cue: Cue, line: str) -> None:
    assert wording.headline(CueGiven(1.0, cue, ""), Settings()) == line


def test_status_says_heart_rate_and_room() -> None:
    said = wording.status_phrase(SNAPSHOT, Settings())
    assert said == "heart rate one thirty one, room eight"
    over = dataclasses.replace(SNAPSHOT, level_bpm=143.0, room_bpm=-4.0)
    assert wording.status_phrase(over, Settings()).endswith("over by four")


@pytest.mark.parametrize("changes", [{"level_bpm": None, "room_bpm": None}, {"state": State.NO_SIGNAL}])
def test_status_without_a_trusted_reading_names_no_number(changes: dict[str, object]) -> None:
    said = wording.status_phrase(dataclasses.replace(SNAPSHOT, **changes), Settings())
    assert said == "no heart rate signal"


@settings(max_examples=300, deadline=None)
@given(cue=st.sampled_from(CUES), repeat=st.integers(-1, 9), speed_km_h=st.none() | st.floats(2, 19.9),
       bpm=st.integers(60, 210), belt=st.booleans(), units=st.sampled_from(["km", "mile"]),
       speech=st.sampled_from(["short", "full"]))
def test_every_cue_is_made_of_parts_of_the_bank(
        cue: Cue, repeat: int, speed_km_h: float | None, bpm: int, belt: bool, units: str, speech: str
) -> None:
    chosen = Settings(belt=belt, units=units, speech=speech, gain_bpm_per_m_s=30.0)
    advised = None if speed_km_h is None else speed_km_h / 3.6 * (1.609344 if units == "mile" else 1)
    said = wording.phrase(CueGiven(1.0, cue, f"foreseen {bpm} in 20 s, ceiling 139", advised, repeat), chosen)
    for part in sorted(wording.phrase_bank(chosen), key=len, reverse=True):
        said = said.replace(part, "")
    assert set(said) <= {",", " "} or (advised or 9) * 3.6 > 20
