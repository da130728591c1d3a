"""Plans: their text, their limits, following them by time and by distance."""

from __future__ import annotations

import json
import math
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from guard.errors import GuardError, InputError
from guard.events import Cue, CueGiven, Reading, Speed
from guard.plan.drawing import draw
from guard.plan.examples import EXAMPLES
from guard.plan.plan import GRACE_RESPONSES, Cued, Kind, Part, Plan, Progress
from guard.plan.text import parse_plan
from guard.reasons import reason
from guard.screen.look import Look
from guard.session import Session
from guard.settings import Settings
from tests.support.documents import check_listed

SETTINGS = Settings(ceiling_bpm=139)


def plan_of(text: str, chosen: Settings = SETTINGS) -> Plan:
    return parse_plan(text, "my.toml", chosen)


def part(kind: str, more: str = "") -> str:
    return f'[[part]]\nkind = "{kind}"\n{more}\n'


# --- text ----------------------------------------------------------------------


@pytest.mark.parametrize("name", EXAMPLES)
def test_examples_are_plans(name):
    plan = plan_of(EXAMPLES[name])
    assert plan.parts[0].kind is Kind.WARM_UP and plan.parts[-1].kind is Kind.COOL_DOWN
    assert 30 * 60 <= plan.seconds <= 60 * 60


def test_lengths_and_limits_are_read():
    plan = plan_of(part("warm_up", "minutes = 10") + part("base", 'km = 5\npace_min_per_km = "7:00"')
                   + part("climb", "seconds = 90\nceiling_bpm = 150\nfloor_bpm = 120"))
    warm_up, base, climb = plan.parts
    assert (warm_up.seconds, warm_up.metres, warm_up.ramp_bpm) == (600, None, 8)
    assert (base.seconds, base.metres) == (5 * 7 * 60, 5000)
    assert (climb.seconds, climb.ceiling_bpm, climb.floor_bpm) == (90, 150, 120)
    assert [p.name for p in plan.parts] == ["warm-up", "easy", "climb"], "base, as it was called, is easy"


def test_a_mile_is_1609_344_m():  # international mile, exact by definition (1959)
    assert plan_of(part("base", "miles = 1\npace_min_per_mile = 10")).parts[0] == Part(
        Kind.EASY, "easy", 600.0, 1609.344)


def test_a_part_may_carry_grade_and_speed():
    plan = plan_of(part("climb", "minutes = 4\ngrade_percent = 6\nspeed_km_h = 7.2")
                   + part("base", "metres = 600\nspeed_mph = 5\ngrade_percent = -2")
                   + part("base", "minutes = 1"))
    up, down, rest = plan.parts
    assert (up.grade, up.speed_m_s, up.seconds) == (pytest.approx(0.06), pytest.approx(2.0), 240)
    # a speed makes the time that stands in for a distance: 5 mph are 2.2352 m/s by definition
    assert down.grade == pytest.approx(-0.02) and down.seconds == pytest.approx(600 / 2.2352)
    assert (rest.grade, rest.speed_m_s) == (None, None)
    assert Plan.from_dict(json.loads(json.dumps(plan.as_dict()))) == plan
    assert "grade" not in plan.as_dict()["parts"][2], "a log without them is written as before"


def test_grades_stand_under_the_picture():
    lines = draw(plan_of(EXAMPLES["belt-hills"]), 139, 79, Look())
    row = next(line for line in lines if line.startswith("  %"))
    assert row.split() == ["%", "0", *["3", "0"] * 4, "0"]
    assert not any(line.startswith("  %") for line in draw(plan_of(EXAMPLES["strides"]), 139, 79, Look()))


def test_repeats_are_written_out():
    plan = plan_of("[[part]]\nrepeat = 3\n[[part.part]]\nkind = 'fast'\nname = 'up'\nseconds = 20\n"
                   "[[part.part]]\nkind = 'base'\nminutes = 2\n")
    assert [p.name for p in plan.parts] == [
        "up 1 of 3", "easy 1 of 3", "up 2 of 3", "easy 2 of 3", "up 3 of 3", "easy 3 of 3"]


def test_fast_and_test_parts_are_left_to_the_runner_unless_they_name_a_ceiling():
    both = part("fast", "minutes = 1") + part("fast", "minutes = 1\nceiling_bpm = 160")
    free, limited = plan_of(both).parts
    assert not free.guarded and limited.guarded
    assert plan_of(part("test", "minutes = 5")).parts[0].cued is Cued.STOP_ONLY


WRONG = [
    ("", ["no parts", "[[part]]"]),
    ("part = 3", ["no parts"]),
    ("part = [3]", ["part 1", "[[part]]"]),
    ("kind = 'base'", ["unknown key kind"]),
    (part("bass", "minutes = 1"), ["part 1", "kind", "bass", "easy"]),
    ("[[part]]\nminutes = 1", ["part 1", "no kind"]),
    (part("base", "minuts = 3"), ["part 1", "minuts", "did you mean minutes?"]),
    (part("base"), ["part 1", "no length", "minutes"]),
    (part("base", "minutes = 0"), ["part 1", "minutes is 0"]),
    (part("base", "minutes = -5"), ["minutes is -5"]),
    (part("base", "minutes = true"), ["minutes is True"]),
    (part("base", "minutes = nan"), ["minutes is nan"]),
    (part("base", "minutes = inf"), ["minutes is inf"]),
    (part("base", 'minutes = "ten"'), ["minutes is ten"]),
    (part("base", "minutes = 0x" + "f" * 9000), ["minutes is a huge number"]),
    (part("base", "minutes = " + "9" * 9000), ["not TOML"]),
    (part("base", "minutes = 1\nseconds = 1"), ["both seconds and minutes"]),
    (part("base", "km = 1"), ["km alone", "pace_min_per_km"]),
    (part("base", 'km = 1\nminutes = 7\npace_min_per_km = "7:00"'), ["both a time and a pace"]),
    (part("base", 'minutes = 7\npace_min_per_km = "7:00"'), ["without a distance"]),
    (part("base", 'km = 1\npace_min_per_km = "7:61"'), ["pace_min_per_km is 7:61"]),
    (part("base", "km = 1\npace_min_per_km = nan"), ["pace_min_per_km is nan"]),
    (part("base", 'km = 490\npace_min_per_km = "39:59"'), ["lasts", "shorten"]),
    (part("base", "minutes = 9\ngrade_percent = 90"), ["grade_percent is 90", "-40 to 40 %"]),
    (part("base", "minutes = 9\ngrade = 0.04"), ["unknown key grade", "did you mean grade_percent?"]),
    (part("base", "minutes = 9\nspeed_km_h = 0"), ["speed_km_h is 0"]),
    (part("base", "minutes = 9\nspeed_km_h = 8\nspeed_mph = 5"), ["both speed_km_h and speed_mph"]),
    (part("base", 'km = 1\nspeed_km_h = 8\npace_min_per_km = "7:00"'), ["both a speed and pace_min_per_km"]),
    (part("base", "km = 490\nspeed_km_h = 1"), ["at that speed", "shorten"]),
    (part("base", "minutes = 9\nceiling_bpm = 300"), ["ceiling_bpm is 300", "220"]),
    (part("base", "minutes = 9\nfloor_bpm = 139"), ["floor_bpm 139", "ceiling 139"]),
    (part("base", "minutes = 9\ncues = 'none'"), ["cues is none", "stop_only"]),
    (part("base", 'minutes = 9\nname = "a\\u001b[31m"'), ["name is a?[31m"]),
    (part("base", 'minutes = 9\nname = ""'), ["name is"]),
    ("[[part]]\nrepeat = 0\n[[part.part]]\nkind='base'\nminutes=1", ["part 1", "repeat is 0"]),
    ("[[part]]\nrepeat = 2", ["part 1", "without parts"]),
    ("[[part]]\nrepeat = 2\npart = [1]", ["part 1", "without parts"]),
    ("[[part]]\nrepeat = 2\n[[part.part]]\nkind='base'\nminutes='x'", ["part 1.1", "minutes"]),
    ("[[part]]\nrepeat = 2\n[[part.part]]\nrepeat=2", ["part 1.1", "repeat inside a repeat"]),
    ("[[part]]\nrepeat = 500\n[[part.part]]\nkind='base'\nminutes=1\n[[part.part]]\nkind='base'\nminutes=1",
     ["more than 500"]),
    (part("base", "minutes = 2000") + part("base", "minutes = 2000"), ["48 h"]),
    ("a = " + "[" * 5000, ["nested"]),
    ("\x00", ["not TOML"]),
]


@pytest.mark.parametrize(("text", "words"), WRONG, ids=range(len(WRONG)))
def test_a_wrong_plan_is_one_clear_sentence(text, words):
    with pytest.raises(InputError) as caught:
        plan_of(text)
    message = str(caught.value)
    assert message.startswith("my.toml")
    assert all(word in message for word in words), message
    assert message.isprintable() and len(message) < 400


def test_a_ceiling_at_the_never_exceed_limit_is_refused():
    with pytest.raises(InputError, match="stop_bpm"):
        plan_of(part("base", "minutes = 9\nceiling_bpm = 170"), Settings(ceiling_bpm=139, stop_bpm=165))


VALUES = st.one_of(st.integers(), st.floats(), st.text(max_size=8), st.booleans(),
                   st.sampled_from(["base", "fast", "all", "7:30"]))
KEYS = st.sampled_from(["kind", "name", "minutes", "seconds", "km", "metres", "ceiling_bpm", "floor_bpm",
                        "ramp_bpm", "grace_s", "cues", "repeat", "part", "pace_min_per_km"])


@settings(max_examples=300, deadline=None)
@given(st.lists(st.dictionaries(KEYS, VALUES, max_size=6), max_size=4))
def test_any_table_gives_a_plan_or_a_clear_error(tables):
    import tomlkit

    text = "".join("[[part]]\n" + tomlkit.dumps(table) for table in tables)
    try:
        plan = plan_of(text)
    except InputError as error:
        assert str(error).isprintable()
    else:
        assert Plan.from_dict(json.loads(json.dumps(plan.as_dict()))) == plan


@settings(max_examples=300, deadline=None)
@given(st.text(max_size=200))
def test_any_text_gives_a_plan_or_a_clear_error(text):
    try:
        plan_of(text)
    except InputError as error:
        assert str(error).isprintable()


# --- the log's first line ------------------------------------------------------

PARTS = st.builds(
    Part, st.sampled_from(Kind), st.text(min_size=1, max_size=20), st.floats(1, 1e5),
    st.none() | st.floats(10, 5e5), st.none() | st.floats(70, 220), st.none() | st.floats(40, 210),
    st.floats(-60, 60), st.sampled_from(Cued), st.floats(0, 600))
PLANS = st.builds(Plan, st.text(max_size=20), st.lists(PARTS, min_size=1, max_size=8).map(tuple))


@given(PLANS)
def test_a_plan_survives_the_log(plan):
    assert Plan.from_dict(json.loads(json.dumps(plan.as_dict()))) == plan


@given(st.recursive(VALUES | st.none(), lambda inner: st.lists(inner, max_size=3) | st.dictionaries(
    st.sampled_from(["name", "parts", "kind", "seconds", "metres"]), inner, max_size=5), max_leaves=12))
def test_hostile_plans_in_a_log_are_refused(data):
    with pytest.raises(InputError):
        Plan.from_dict(data)


# --- following it --------------------------------------------------------------


@given(st.lists(PARTS, min_size=1, max_size=5), st.lists(st.floats(0, 5000), max_size=40))
def test_by_time_the_parts_end_at_the_sums_of_their_lengths(parts, steps):
    plan = Plan("invented", tuple(parts))
    progress = Progress(plan)
    progress.advance(0.0)
    t_s = 0.0
    for step in steps:
        t_s += step
        place = progress.advance(t_s)
        begins = [sum(p.seconds for p in parts[:index]) for index in range(len(parts) + 1)]
        slack = 1e-6 * max(1.0, t_s)
        if place.done:
            assert t_s >= begins[-1] - slack
        else:
            assert begins[place.index] - slack <= t_s <= begins[place.index + 1] + slack
            assert math.isclose(place.left_s, begins[place.index + 1] - t_s, abs_tol=slack * 10)


def distance_plan() -> Plan:
    return plan_of(part("base", "km = 1\nminutes = 8") + part("base", "minutes = 5"))


def test_by_distance_where_it_is_known():
    progress = Progress(distance_plan())
    for second in range(301):
        place = progress.advance(float(second), 3.0 * second)
    assert place.index == 0 and place.left_m == pytest.approx(100) and not place.by_time
    assert progress.advance(340.0, 1020.0).index == 1


def test_by_time_where_no_speed_is_known():
    progress = Progress(distance_plan())
    assert progress.advance(0.0).index == 0
    assert progress.advance(479.0).by_time
    assert progress.advance(481.0).index == 1


def test_a_speed_that_comes_and_goes_costs_accuracy_not_the_plan():
    progress = Progress(distance_plan())
    progress.advance(0.0, 0.0)
    assert progress.advance(100.0, 500.0).share == pytest.approx(0.5)
    assert progress.advance(100.0 + 120.0, None).share == pytest.approx(0.75)  # 120 of 480 s
    assert progress.advance(230.0, 900.0).by_time  # metres unknown at one end
    assert progress.advance(300.0, 1300.0).index == 1


def test_a_long_gap_crosses_several_parts():
    progress = Progress(plan_of("[[part]]\nrepeat = 10\n[[part.part]]\nkind='base'\nseconds=60"))
    progress.advance(0.0)
    place = progress.advance(330.0)
    assert place.index == 5 and place.left_s == pytest.approx(30)


def test_many_small_steps_end_a_part_on_time():
    progress = Progress(plan_of(part("base", "minutes = 1") + part("base", "minutes = 1")))
    places = [progress.advance(step * 0.1) for step in range(700)]
    assert [place.index for place in places[599:601]] == [0, 1]


def test_held_stands_still_and_skip_goes_on():
    progress = Progress(plan_of(part("base", "minutes = 1") + part("base", "minutes = 1")))
    progress.advance(0.0)
    progress.advance(30.0)
    assert progress.advance(500.0, held=True).left_s == pytest.approx(30)
    assert progress.advance(510.0).left_s == pytest.approx(20)
    assert progress.skip().index == 1
    assert progress.skip().done
    assert progress.advance(9e9).done


# --- limits --------------------------------------------------------------------


def test_a_warm_up_ramps_to_the_ceiling_in_force():
    warm_up = plan_of(part("warm_up", "minutes = 10")).parts[0]
    assert [warm_up.limits(139, share, 200).ceiling_bpm for share in (0, 0.5, 1)] == [131, 135, 139]
    assert warm_up.limits(150, 0.5, 200).ceiling_bpm == 146  # the runner moved the ceiling


def test_quiet_rules_say_what_may_be_cued():
    told = {}
    for cued in Cued:
        limits = Part(Kind.EASY, "", 60, cued=cued).limits(139, 0, 0)
        told[cued] = {cue for cue in Cue if cue.let_out(limits.cued)}
    assert told[Cued.ALL] == set(Cue) - {Cue.NONE}
    assert told[Cued.ALL] - told[Cued.WALK_AND_STOP] == {Cue.EASE, Cue.PICK_UP}
    assert told[Cued.WALK_AND_STOP] - told[Cued.STOP_ONLY] == {Cue.WALK, Cue.RESUME}
    assert {Cue.STOP, Cue.SIGNAL_LOST} <= told[Cued.STOP_ONLY]


def test_tighter_limits_begin_with_a_grace_of_one_and_a_half_time_constants():
    # 1 - exp(-1.5) = 0.777: what a first-order response has done by then; tau 57.6 s
    # (Hunt, Fankhauser, Saengsuwan 2015). From 20 bpm over, 4.5 remain.
    assert 1 - math.exp(-GRACE_RESPONSES) == pytest.approx(0.777, abs=5e-4)
    plan = plan_of(part("warm_up", "minutes = 5") + part("base", "minutes = 9") + part("fast", "minutes = 1")
                   + part("base", "minutes = 9") + part("base", "minutes = 9\nceiling_bpm = 130")
                   + part("base", "minutes = 9\nceiling_bpm = 145") + part("climb", "minutes=9\ngrace_s = 7"))
    calm = GRACE_RESPONSES * SETTINGS.response_s
    assert [p.grace_s for p in plan.parts] == [SETTINGS.warm_up_quiet_s, 0, 0, calm, calm, 0, 7]
    assert not Cue.EASE.let_out(plan.parts[3].limits(139, 0.0, calm - 1).cued)
    assert Cue.EASE.let_out(plan.parts[3].limits(139, 0.2, calm).cued)


# --- in a session --------------------------------------------------------------


def session_cues(plan: Plan, bpm_at, until_s: int, speed_m_s: float | None = None,
                 speed_until_s: float = math.inf) -> list[CueGiven]:
    session = Session(SETTINGS, plan)
    given: list[CueGiven] = []
    for second in range(1, until_s):
        if speed_m_s is not None and second < speed_until_s:
            session.feed(Speed(float(second), speed_m_s))
        outputs = session.feed(Reading(float(second), round(bpm_at(second)), True, (60 / bpm_at(second),)))
        given += [output for output in outputs if isinstance(output, CueGiven)]
    return given


def test_leaving_a_fast_part_gives_no_burst_of_cues():
    plan = plan_of(part("warm_up", "minutes = 5") + part("base", "minutes = 2")
                   + part("fast", "minutes = 2") + part("base", "minutes = 5"))

    def bpm_at(t_s: float) -> float:  # first-order, tau 57.6 s, to 165 in the fast part and back to 132
        if t_s < 420:
            return 100 + 32 * (1 - math.exp(-t_s / 57.6))
        if t_s < 540:
            return 165 - 33 * math.exp(-(t_s - 420) / 57.6)
        peak = 165 - 33 * math.exp(-120 / 57.6)
        return 132 + (peak - 132) * math.exp(-(t_s - 540) / 57.6)

    given = session_cues(plan, bpm_at, 800)
    parts = [cue for cue in given if cue.cue is Cue.PART]
    assert [round(cue.t_s) for cue in parts] == [300, 420, 540]
    assert len(given) - len(parts) <= 2 and not any(cue.cue is Cue.WALK for cue in given)


def test_a_plan_by_distance_goes_on_by_time_when_the_speed_is_lost_and_says_so():
    plan = plan_of(part("warm_up", "minutes = 3") + part("base", "km = 0.9\nminutes = 5")
                   + part("base", "km = 9\nminutes = 80"))
    with_speed = session_cues(plan, lambda t: 118 + t % 3, 700, speed_m_s=2.5)
    assert [round(cue.t_s, -1) for cue in with_speed] == [180, 180 + 360]
    without = session_cues(plan, lambda t: 118 + t % 3, 700)
    assert [round(cue.t_s) for cue in without] == [180, 480]
    assert "by time" in reason(without[0]) and "by time" not in reason(with_speed[0])
    lost = session_cues(plan, lambda t: 118 + t % 3, 700, speed_m_s=2.5, speed_until_s=300)
    assert 480 < lost[1].t_s < 540  # 1/3 by distance in 120 s, the rest by time in 200 s


# --- the command ---------------------------------------------------------------


def test_drawing_keeps_to_its_width_and_to_ascii():
    for name, text in EXAMPLES.items():
        plan = plan_of(text, Settings(ceiling_bpm=139, floor_bpm=115))
        for width in (30, 79, 119):
            lines = draw(plan, 139, width, Look(ascii=True))
            assert all(len(line) <= max(width, 75) for line in lines), name
            assert all(len(line) <= width for line in lines[:-1]), name
            assert "".join(lines).isascii()
    assert any(line.startswith("139") and "=" in line for line in lines)


def test_the_picture_uses_its_height_and_tells_parts_apart():
    lines = draw(plan_of(EXAMPLES["strides"], Settings(ceiling_bpm=139)), 139, 79, Look())
    drawn = lines[1:9]
    assert drawn[0].startswith("139") and drawn[-1].startswith("131"), "the ramp fills it from foot to top"
    assert all("▀" in line or "░" in line for line in drawn)
    below = drawn[-1][5:].ljust(74)
    strides = re.findall("·+| +", below[15:])  # every second part has dots under its limit
    assert len(strides) >= 8 and {one[0] for one in strides} == {"·", " "}


def test_n_in_the_talk_test_goes_where_its_text_says():
    text = EXAMPLES["talk-test"]
    assert "then n, which goes over to the cool-down" in text.replace("\n# ", " ")
    plan = plan_of(text)
    for at_s in (11 * 60, 18 * 60 + 45):  # in the first stage; saying it aloud in the third
        progress = Progress(plan)
        progress.advance(at_s)
        assert progress.part.kind is Kind.TEST
        progress.skip()
        assert progress.part.kind is Kind.COOL_DOWN and progress.place().into_s == 0.0
    assert Plan.from_dict(json.loads(json.dumps(plan.as_dict()))) == plan
    others = plan_of(EXAMPLES["steady-check"])
    assert all(part.skips == 1 for part in others.parts) and "skips" not in str(others.as_dict())
    with pytest.raises(InputError, match="skip is all, but must be one of part, repeat"):
        plan_of(text.replace('skip = "repeat"\n', 'skip = "all"\n'))


def guard(*words: str, home: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", "guard", *words], capture_output=True, text=True, timeout=60,
                          stdin=subprocess.DEVNULL, check=False,
                          env={"HOME": str(home), "PATH": "/usr/bin:/bin", "PYTHONIOENCODING": "utf-8"})


def test_make_check_json(tmp_path):
    file = tmp_path / "mine.toml"
    made = guard("plan", "--make", "strides", "-o", str(file), home=tmp_path)
    assert made.returncode == 0 and tomllib.loads(file.read_text())["name"] == "easy run with strides"
    again = guard("plan", "--make", "strides", "-o", str(file), home=tmp_path)
    assert again.returncode == 2 and "stays as it is" in again.stderr
    drawn = guard("plan", str(file), "--ceiling", "139", home=tmp_path)
    assert drawn.returncode == 0 and "stride 6 of 6" in drawn.stdout and "139 │" in drawn.stdout
    answer = guard("plan", str(file), "--json", "--ceiling", "139", home=tmp_path)
    document = json.loads(answer.stdout)
    check_listed("guard/commands/README.md", "plan", document)
    assert document["format"] == 1 and Plan.from_dict(document["plan"]) == plan_of(file.read_text())
    assert document["duration_s"] == 49 * 60


@pytest.mark.parametrize(("words", "code", "said"), [
    ((), 2, "which plan"),
    (("nowhere.toml",), 3, "no plan"),
    (("--make", "marathon"), 2, "easy-hour"),
    (("-o", "x"), 2, "--make"),
    (("a\x00b",), 3, "not a file name"),
    (("/dev/zero",), 3, "a pipe or a device"),
])
def test_wrong_use_is_one_clear_sentence(words, code, said, capsys, monkeypatch, tmp_path):
    from guard.cli import main

    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    assert main(["plan", *words]) == code
    error = capsys.readouterr().err
    assert said in error and error.count("\n") == 1


def test_markup_in_a_name_is_text(capsys, monkeypatch, tmp_path):
    from guard.cli import main

    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    file = tmp_path / "p.toml"
    file.write_text(part("base", 'minutes = 9\nname = "[red]x[/red] [/]"'))
    assert main(["plan", str(file), "--ceiling", "139"]) == 0
    assert "[red]x[/red] [/]" in capsys.readouterr().out


def test_a_file_that_is_not_text_is_named(tmp_path):
    from guard.plan.file import read_plan

    file = tmp_path / "p.toml"
    file.write_bytes(b"name = 'a'\n\xff\xfe")
    with pytest.raises(GuardError, match=r"p\.toml is not UTF-8 text \(line 2\)"):
        read_plan(str(file), SETTINGS)
