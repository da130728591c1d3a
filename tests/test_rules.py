"""Each rule of the decision on a recording made for it, and the recordings themselves.

What is asserted of a rule must hold whatever the settings of the decision: it
is looked for in what the guard says on the recording, not in its numbers. What
exactly it says is in NAME.expected.json, made by the script with the recording.
"""

from __future__ import annotations

import dataclasses
import json
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from guard.decide.core import RESTS_ON
from guard.decide.wording import WALK_RUN, phrase, speed_to_set, speed_words
from guard.events import Action, Battery, Command, Cue, Mark, Reading, ReadingDoubted, Speed, State
from guard.log.log import read_log
from guard.reasons import REASONS, reason
from guard.replay.replay import replay, same_as_recorded
from guard.runner.rehearsal import one_runner
from guard.runner.simulate import run_bpm_at
from tests.support.recordings import (
    FOLDER,
    PACE,
    SLOW_DOWN,
    cues,
    first,
    readings,
    recording,
    replayed,
    rules_fired,
    scenes,
    script,
)

NAMES = list(scenes())
LARGEST_BYTES = 250_000
AGAIN = "the recordings are of another version: run `python recordings/make.py`"


# -- the files ---------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
def test_the_script_makes_both_files_byte_for_byte(name: str, tmp_path: Path) -> None:
    script().make(name, tmp_path)
    for ending in ("jsonl", "expected.json"):
        made, kept = ((folder / f"{name}.{ending}").read_bytes() for folder in (tmp_path, FOLDER))
        assert made == kept, AGAIN
        assert len(kept) < LARGEST_BYTES


@pytest.mark.parametrize("name", NAMES)
def test_a_replay_says_what_is_expected(name: str) -> None:
    expected = json.loads((FOLDER / f"{name}.expected.json").read_text(encoding="utf-8"))
    assert expected["states"]
    assert json.loads(json.dumps(replayed(name).as_dict())) == expected, AGAIN


@pytest.mark.parametrize("name", NAMES)
def test_a_recording_is_invented_whole_and_of_modest_length(name: str) -> None:
    kept = recording(name)
    assert "invented" in str(kept.header["source"])
    assert not kept.notes and not kept.interrupted
    assert kept.summary and 10 * 60 <= kept.summary["duration_s"] <= 25 * 60
    assert name in (FOLDER / "README.md").read_text(encoding="utf-8")


def test_a_changed_log_is_noticed(tmp_path: Path) -> None:
    """The comparison itself: a reading raised by 20 bpm for a minute gives other decisions."""
    name = "restart"
    expected = json.loads((FOLDER / f"{name}.expected.json").read_text(encoding="utf-8"))
    changed = []
    for line in (FOLDER / f"{name}.jsonl").read_text(encoding="utf-8").splitlines():
        record = json.loads(line)
        if record["type"] == "reading" and 260 <= record["t"] < 320:
            record["bpm"] += 20
        changed.append(json.dumps(record))
    log = tmp_path / "changed.jsonl"
    log.write_text("\n".join(changed) + "\n", encoding="utf-8")
    kept = read_log(log)
    assert replay(kept, kept.settings).as_dict()["cues"] != expected["cues"]


RARE = {"too_seldom", "step_lock", "by_feel", "unfelt"}  # of sensors that no scene has: tested with trust


def test_every_rule_fires_in_some_recording() -> None:
    fired = {rule for name in NAMES for _, rule in rules_fired(replayed(name).outputs)}
    assert set(RESTS_ON) - fired <= RARE


def test_every_cue_and_change_of_state_is_traced_to_one_rule() -> None:
    """So that the test above means something: what is said names its rule, and only that."""
    by_session = {Cue.PART, Cue.BATTERY_LOW}
    for name in NAMES:
        said = replayed(name)
        for given in said.cues:
            rules = rules_fired([given])
            assert len(rules) == (0 if given.cue in by_session else 1), given
        moves = [entered for entered in said.states if entered.state is not State.DONE]
        told = {(given.t_s, given.rule) for given in said.cues}
        for entered in moves:
            if (entered.t_s, entered.rule) not in told:
                assert len(rules_fired([entered])) == 1, entered


# -- restart -----------------------------------------------------------------


def restarts(name: str) -> list[float]:
    """When the runner of the scene ran on after standing, s."""
    return [begin + length for begin, length in scenes()[name].course.course.stands_s]


def test_restart_a_harmless_climb_after_a_light_slows_nobody_down() -> None:
    name = "restart"
    ceiling = recording(name).settings.ceiling_bpm
    assert ceiling and max(reading.bpm for reading in readings(name)) < ceiling
    climbs = []
    for again_s in restarts(name):
        lowest = min(reading.bpm for reading in readings(name, again_s - 5, again_s + 20))
        highest = max(reading.bpm for reading in readings(name, again_s, again_s + 60))
        climbs.append(highest - lowest)
        assert not cues(name, SLOW_DOWN, again_s, again_s + 60)
    assert len(climbs) >= 5 and sum(climb >= 12 for climb in climbs) >= 3


def test_restart_a_pause_holds_until_the_runner_goes_on() -> None:
    name = "restart"
    times = {command.action: command.t_s for command in commands(name)}
    pause_s, on_s = times[Action.PAUSE], times[Action.CONTINUE]
    held = [entered for entered in replayed(name).states if pause_s <= entered.t_s <= on_s]
    assert [entered.state for entered in held] == [State.HELD, State.STEADY]
    assert (held[0].t_s, held[1].t_s) == (pause_s, on_s)
    assert not cues(name, Cue, pause_s, on_s)


# -- no signal is not low ------------------------------------------------------


def slips() -> list[tuple[float, float]]:
    """When the electrode of the slipped strap was off the skin, s."""
    name = "slipped-strap"
    spells = []
    for fault in scenes()[name].faults:
        begin_s = fault.begin_s + (first(name, fault.after) if fault.after else 0.0)
        spells.append((begin_s, begin_s + fault.lasts_s))
    return spells


def test_slipped_strap_is_never_taken_for_recovery() -> None:
    name = "slipped-strap"
    spells = slips()
    assert len(spells) == 2
    for begin_s, end_s in spells:
        deep = min(reading.bpm for reading in readings(name, begin_s, end_s))
        before = max(reading.bpm for reading in readings(name, begin_s - 20, begin_s))
        assert before - deep > 40
        assert not cues(name, (Cue.RESUME, Cue.PICK_UP), begin_s, end_s)
    # It first slipped while the runner walked: he runs on only when the strap sits again and it is time.
    assert all(given.t_s > spells[0][1] for given in cues(name, (Cue.RESUME,)))


@pytest.mark.parametrize("strictness", [0.0, 1.0])
def test_slipped_strap_is_no_recovery_however_early_the_walk_was_said(strictness: float) -> None:
    """A fall is explained by the seconds since it began, not since the word."""
    kept = recording("slipped-strap")
    again = replay(kept, dataclasses.replace(kept.settings, strictness=strictness))
    said_s = [given.t_s for given in again.cues if given.cue in (Cue.RESUME, Cue.PICK_UP)]
    assert not [t_s for t_s in said_s for begin_s, end_s in slips() if begin_s <= t_s < end_s]


def test_lost_strap_is_shown_said_and_never_resumed_on() -> None:
    name = "lost-strap"
    settings = recording(name).settings
    times = [reading.t_s for reading in readings(name)]
    gaps = [(last_s, back_s) for last_s, back_s in pairwise(times) if back_s - last_s > 2]
    assert len(gaps) == 3
    for last_s, back_s in gaps:
        said = cues(name, (Cue.SIGNAL_LOST,), last_s, back_s)
        if back_s - last_s < settings.lost_s:
            assert not said  # shown, not said
        else:
            assert said[0].t_s - last_s == pytest.approx(settings.lost_s, abs=0.6)
            assert cues(name, (Cue.SIGNAL_BACK,), back_s, back_s + 10)
        shown = [entered.t_s - last_s for entered in replayed(name).states
                 if entered.state is State.NO_SIGNAL and last_s <= entered.t_s < back_s]
        assert shown == [pytest.approx(settings.stale_s, abs=0.6)]
        assert not cues(name, PACE, last_s + settings.stale_s, back_s)
    walked_s = first(name, Cue.WALK)
    assert any(last_s < walked_s + 60 < back_s for last_s, back_s in gaps), "one is during the walk"


def test_lost_strap_goes_back_to_the_state_before() -> None:
    states = [entered.state for entered in replayed("lost-strap").states]
    for before, during, after in zip(states, states[1:], states[2:], strict=False):
        if during is State.NO_SIGNAL:
            assert after is before
    assert State.WALKING in [a for a, b in pairwise(states) if b is State.NO_SIGNAL]


def test_bad_electrode_is_kept_from_the_decision() -> None:
    """Spikes, a frozen value, no contact, gaps: on a run that stays well under nothing is cued for them."""
    name = "bad-electrode"
    kept = recording(name)
    ceiling = kept.settings.ceiling_bpm
    assert ceiling
    wild = [reading for reading in readings(name) if reading.bpm > ceiling]
    assert len(wild) >= 5
    assert not cues(name, PACE)
    doubted = {output.t_s for output in kept.outputs if isinstance(output, ReadingDoubted)}
    assert {reading.t_s for reading in wild} <= doubted
    no_contact = [reading for reading in readings(name) if reading.contact is False]
    assert len(no_contact) >= 10 and {reading.t_s for reading in no_contact} <= doubted


# -- too easy to win -----------------------------------------------------------


def test_walk_run_is_no_loop_of_cues() -> None:
    """A runner whose slowest jog is over the ceiling walks and runs by turns."""
    name = "walk-run"
    today = [t_s for t_s, rule in rules_fired(replayed(name).outputs) if rule == "no_jog_would_do"]
    assert today, "walk-run is said"
    turns = [given.cue for given in cues(name, (Cue.WALK, Cue.RESUME), today[0]) if not given.repeat]
    assert len(turns) >= 3
    assert all(one is not other for one, other in pairwise(turns)), "walk and resume by turns"
    assert len(cues(name, (Cue.EASE,), today[0])) <= len(turns) / 2
    (said,) = cues(name, (Cue.WALK,), today[0], today[0] + 0.001)
    assert WALK_RUN in phrase(said, recording(name).settings.replaced({"speech": "full"}))


def test_few_words_say_the_next_step_when_a_walk_does_not_show() -> None:
    name = "few-words"
    settings = recording(name).settings
    walks = cues(name, (Cue.WALK,))
    assert walks[0].repeat == 0 and walks[1].repeat == 1
    assert phrase(walks[0], settings) != phrase(walks[1], settings)
    assert all(later.t_s - earlier.t_s >= settings.spacing_s for earlier, later in pairwise(walks))
    assert not cues(name, (Cue.EASE,), walks[0].t_s, walks[1].t_s), "who walks is not told to ease"


def test_steep_hill_a_resume_that_was_not_heard_is_said_again_ever_more_rarely() -> None:
    said = cues("steep-hill", (Cue.RESUME,))
    assert [given.repeat for given in said] == list(range(len(said))) and 2 <= len(said) <= 3
    waits_s = [later.t_s - earlier.t_s for earlier, later in pairwise(said)]
    assert 20 <= waits_s[0] <= 120 and waits_s == sorted(waits_s)


# -- how much --------------------------------------------------------------------


def speed_at(name: str, t_s: float) -> Speed:
    """The newest speed at `t_s`."""
    return [event for event in recording(name).inputs if isinstance(event, Speed) and event.t_s <= t_s][-1]


def test_speed_to_set_goes_with_every_cue_that_can_have_one() -> None:
    name = "speed-to-set"
    settings = recording(name).settings
    said = cues(name, (Cue.EASE, Cue.RESUME, Cue.PICK_UP))
    assert {given.cue for given in said} == {Cue.EASE, Cue.RESUME, Cue.PICK_UP}
    for given in said:
        now, advised = speed_at(name, given.t_s).speed_m_s, given.advised_speed_m_s
        assert advised is not None and now is not None
        steps = advised * 3.6 / settings.belt_step_km_h
        assert steps == pytest.approx(round(steps), abs=1e-6), "a speed the belt can be set to"
        if given.cue is Cue.EASE:
            assert advised < now
        elif given.cue is Cue.PICK_UP:
            assert advised > now
        to_set = speed_to_set(given, settings)
        assert to_set is not None and speed_words(to_set) in phrase(given, settings)


def test_speed_to_set_from_a_steady_run_settles_between_floor_and_ceiling() -> None:
    """What the invented runner's heart settles at on the level, when he sets what he is first told."""
    name = "speed-to-set"
    settings = recording(name).settings
    told = cues(name, (Cue.PICK_UP,))[0]
    assert speed_at(name, told.t_s).grade == 0.0 and told.advised_speed_m_s
    runner = one_runner(scenes()[name].course.runner)
    (settles,) = run_bpm_at(runner, np.array([told.advised_speed_m_s]))
    assert settings.floor_bpm and settings.ceiling_bpm
    assert settings.floor_bpm < settles < settings.ceiling_bpm + 1


# -- the runner in charge ----------------------------------------------------------


def commands(name: str) -> list[Command]:
    """What the runner asked for."""
    return [event for event in recording(name).inputs if isinstance(event, Command)]


def test_own_way_a_new_ceiling_holds_from_then_on() -> None:
    name = "own-way"
    (down, up) = (one for one in commands(name) if one.action is Action.CEILING)
    before = [reading.bpm for reading in readings(name, down.t_s - 20, down.t_s)]
    ceiling = recording(name).settings.ceiling_bpm
    assert ceiling and float(down.value or 0) < min(before) and max(before) < ceiling
    assert not cues(name, SLOW_DOWN, 0, down.t_s)
    eased = cues(name, (Cue.EASE, Cue.WALK), down.t_s, down.t_s + 60)
    assert eased and eased[0].numbers.ceiling_bpm == down.value
    after = cues(name, SLOW_DOWN, up.t_s)
    assert all(given.numbers.ceiling_bpm != down.value for given in after)


def test_own_way_a_part_is_skipped_at_once() -> None:
    name = "own-way"
    (skip,) = (one for one in commands(name) if one.action is Action.SKIP_PART)
    said = cues(name, (Cue.PART,), skip.t_s)
    assert said[0].t_s == skip.t_s and "second half" in reason(said[0])


def test_own_way_a_free_run_is_not_scolded_but_still_stopped() -> None:
    name = "own-way"
    on, off = (one for one in commands(name) if one.action is Action.FREE_RUN)
    assert (on.value, off.value) == (1.0, 0.0)
    assert cues(name, (Cue.WALK,), on.t_s - 10, on.t_s), "it was asked for while told to walk"
    during = cues(name, Cue, on.t_s, off.t_s)
    assert {given.cue for given in during} == {Cue.STOP}
    limit = recording(name).settings.stop_bpm
    assert limit and max(reading.bpm for reading in readings(name, on.t_s, off.t_s)) > limit
    assert not {State.EASING, State.WALKING} & {
        entered.state for entered in replayed(name).states if on.t_s < entered.t_s < off.t_s}


def test_own_way_every_wish_is_in_the_log() -> None:
    scene = scenes()["own-way"]
    asked = [*scene.events, *(command for _, command in scene.answers)]
    wishes = {(one.action, one.value) for one in asked if isinstance(one, Command)}
    assert wishes <= {(command.action, command.value) for command in commands("own-way")}
    assert [one.value for one in recording("own-way").inputs if isinstance(one, Mark)] == ["bridge"]


# -- how many words ----------------------------------------------------------------


def test_few_words_hold_back_easing() -> None:
    """Nobody hears in this recording, so a replay with more words is what would have been."""
    kept = recording("few-words")
    alone = {"walking": False}
    tight = replay(kept, kept.settings.replaced(alone)).cues
    loose = replay(kept, kept.settings.replaced({**alone, "words": 1.0})).cues
    count = [sum(given.cue is Cue.EASE for given in said) for said in (tight, loose)]
    assert 0 < count[0] < count[1] / 2


def test_few_words_never_hold_back_walk_or_sensor_cues() -> None:
    name = "few-words"
    spent_s = cues(name, (Cue.EASE,))[-1].t_s
    assert cues(name, (Cue.WALK,), spent_s)
    (fault,) = scenes()[name].faults
    assert cues(name, (Cue.SIGNAL_LOST,), fault.begin_s, fault.begin_s + 9)
    assert cues(name, (Cue.SIGNAL_BACK,), fault.begin_s + fault.lasts_s, fault.begin_s + fault.lasts_s + 10)
    strict = recording(name).settings.replaced({"stop_bpm": 141.0})
    stops = [given.t_s for given in replay(recording(name), strict).cues if given.cue is Cue.STOP]
    assert len(stops) > 12 and min(b - a for a, b in pairwise(stops)) >= 10


# -- parts, belt, hill and heat --------------------------------------------------------


def test_fast_parts_bring_no_burst_of_cues() -> None:
    name = "fast-parts"
    ceiling = recording(name).settings.ceiling_bpm or 0.0
    changes = cues(name, (Cue.PART,))
    strides = [given for given in changes if "stride" in given.part]
    assert len(strides) == 4
    for begin, after in pairwise(changes):
        pace = cues(name, PACE, begin.t_s, after.t_s)
        if begin in strides:
            left = [reading.bpm for reading in readings(name, after.t_s - 5, after.t_s)]
            assert min(left) > ceiling, "the stride ends over the ceiling"
            assert not pace
        assert len([given for given in pace if given.t_s <= begin.t_s + 60]) <= 1


def test_hill_loop_walks_the_hill_and_runs_on() -> None:
    walked = [given.cue for given in cues("hill-loop", (Cue.WALK, Cue.RESUME)) if not given.repeat]
    assert walked[:2] == [Cue.WALK, Cue.RESUME]


def test_garage_treadmill_says_the_speed_to_set() -> None:
    eases = cues("garage-treadmill", (Cue.EASE,))
    warm = [given for given in eases if given.rule != "warm_up_ease"]
    assert warm and all(given.advised_speed_m_s for given in warm)
    assert not any(given.advised_speed_m_s for given in eases if given not in warm), "none in the warm-up"


def test_hot_afternoon_says_loss_and_low_battery_once() -> None:
    name = "hot-afternoon"
    assert len(cues(name, (Cue.SIGNAL_LOST,))) == len(cues(name, (Cue.SIGNAL_BACK,))) == 2  # dry at first
    low_s = [event.t_s for event in recording(name).inputs
             if isinstance(event, Battery) and event.percent <= 15]
    assert [given.t_s for given in cues(name, (Cue.BATTERY_LOW,))] == low_s[:1]


# -- of all ------------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
def test_cues_are_spaced_and_each_has_its_reason(name: str) -> None:
    settings = recording(name).settings
    pace = [given for given in cues(name, PACE) if given.cue is not Cue.STOP]
    for earlier, later in pairwise(pace):
        assert later.t_s - earlier.t_s >= settings.spacing_s
    assert all(given.rule in REASONS and reason(given) for given in replayed(name).cues)


@pytest.mark.parametrize("name", NAMES)
def test_no_resume_is_cued_on_old_readings(name: str) -> None:
    trusted = trusted_times(name)
    for given in cues(name, (Cue.RESUME,)):
        newest = max(t_s for t_s in trusted if t_s <= given.t_s)
        assert given.t_s - newest < 3


def trusted_times(name: str) -> list[float]:
    """Times of the readings that were believed."""
    doubted = {output.t_s for output in recording(name).outputs if isinstance(output, ReadingDoubted)}
    return [event.t_s for event in recording(name).inputs
            if isinstance(event, Reading) and event.t_s not in doubted]


@pytest.mark.parametrize("name", ["lost-strap", "own-way", "fast-parts"])
def test_the_log_verifies_itself(name: str) -> None:
    comparison = same_as_recorded(recording(name))
    assert comparison.same and comparison.compared > 3, comparison.differences
