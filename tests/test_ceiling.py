"""Ceiling methods against handbook examples; the command, its questions and what it remembers."""

from __future__ import annotations

import io
import json
import stat
import sys
import tomllib
from datetime import date, timedelta

import numpy as np
import pytest
from rich.style import Style

from guard.ceiling import advice
from guard.ceiling import questions as ceiling_questions
from guard.ceiling import results as ceilings
from guard.ceiling.field_tests import field_test
from guard.ceiling.lactate import LactateStep, thresholds
from guard.ceiling.methods import (
    BANDS,
    SAFETY,
    FieldTest,
    Laboratory,
    Runner,
    TalkTest,
    methods,
    of_reserve,
    predicted_maximum,
    shares,
)
from guard.ceiling.terminal import draw
from guard.cli import main
from guard.clock import wall_now
from guard.errors import InputError, UsageError
from guard.journal import journal
from guard.screen.look import Look
from guard.settings import file as settings_file
from tests.support.ceiling import changed, marked, record
from tests.support.documents import check_listed


def by_name(runner: Runner) -> dict[str, float]:
    return {row.method: row.bpm for row in methods(runner)}


# --- formulas ------------------------------------------------------------------


@pytest.mark.parametrize(("maximum", "resting", "share", "bpm"), [
    (200, 60, 0.6, 144),  # Karvonen 1957, as worked in handbooks
    (220 - 40, 60, 0.7, 144),
    (220 - 40, 50, 0.75, 147.5),
    (220 - 20, 75, 0.6, 150),
    (220 - 27, 70, 0.7, 156.1)])
def test_handbook_examples_of_heart_rate_reserve(maximum, resting, share, bpm):
    """Worked examples of Karvonen's formula in exercise handbooks; maximum by 220 - age where one is used."""
    assert of_reserve(share, resting, maximum) == pytest.approx(bpm)


@pytest.mark.parametrize(("age", "fox", "tanaka", "gellish", "nes"), [
    (20, 200, 194, 193, 198.2), (40, 180, 180, 179, 185.4), (60, 160, 166, 165, 172.6)])
def test_maximum_by_age(age, fox, tanaka, gellish, nes):
    """220 - age (Fox 1971), 208 - 0.7 age (Tanaka 2001), 207 - 0.7 age (Gellish 2007, from memory),
    211 - 0.64 age (Nes 2013)."""
    rows = predicted_maximum(age)
    assert [bpm for _, bpm, _, _ in rows] == pytest.approx([fox, tanaka, gellish, nes])
    assert [spread for _, _, spread, _ in rows] == [11.0, 10.8, 10.8, 10.8]  # SD 10 to 12; SEE 10.8


def test_bands_are_those_of_acsm():
    """ACSM's Guidelines: light 30-39 % of reserve and 57-63 % of maximum, moderate 40-59 and 64-76,
    vigorous 60-89 and 77-95."""
    assert BANDS == {"light": ((30, 39), (57, 63)), "moderate": ((40, 59), (64, 76)),
                     "vigorous": ((60, 89), (77, 95))}
    assert shares("moderate") == (0.59, 0.76)
    assert shares("59") == pytest.approx((0.59, 0.76)) and shares("89%") == pytest.approx((0.89, 0.95))
    for wrong in ("hard", "20", "95", "nan", ""):
        with pytest.raises(UsageError, match="--band"):
            shares(wrong)


def test_180_less_age_is_shown_and_never_counts():
    """A rule of thumb without a published source (common practice), the same for whoever asks."""
    (row,) = [row for row in methods(Runner(age=40)) if row.kind == "age"]
    assert row.bpm == 140 and row.source == "common practice" and not row.counts
    only_age = Runner(**WELL, age=40)
    assert advice.suggest(only_age, [row]).bpm is None, "it decides nothing by itself"


def test_each_method_needs_its_figures():
    assert methods(Runner()) == []
    assert set(by_name(Runner(age=40))) == {"180 - age", *(f"76 % of ({name})" for name in (
        "220 - age", "208 - 0.7 age", "207 - 0.7 age", "211 - 0.64 age"))}
    assert by_name(Runner(resting_bpm=50)) == {}
    assert by_name(Runner(resting_bpm=60, maximum_bpm=200, band="60")) == {
        "60 % of reserve": 144.0, "77 % of measured maximum": pytest.approx(153.3, abs=0.1)}


def test_errors_are_those_of_the_maximum_behind_them():
    for row in methods(Runner(age=40, resting_bpm=60)):
        share = {"reserve": 0.59, "maximum": 0.76}.get(row.kind, 1.0)
        assert row.high_bpm - row.bpm == pytest.approx(share * 10.8, abs=0.21)
        assert row.bpm - row.low_bpm == pytest.approx(row.high_bpm - row.bpm, abs=0.11)
    measured = methods(Runner(resting_bpm=60, maximum_bpm=190))
    assert all(row.high_bpm - row.bpm == 5 for row in measured)  # day to day 5 +- 2 bpm, Lamberts 2004


@pytest.mark.parametrize(("runner", "says"), [
    (Runner(age=7), "--age 7"), (Runner(age=130), "--age 130"), (Runner(resting_bpm=15), "--resting"),
    (Runner(maximum_bpm=250), "--maximum"), (Runner(resting_bpm=110, maximum_bpm=105), "40 bpm over rest"),
    (Runner(maximum_bpm=160, talk=TalkTest(165)), "--talk-test 165 lies over"),
    (Runner(talk=TalkTest(20)), "--talk-test 20"),
    (Runner(maximum_bpm=150, field=FieldTest(160, 1)), "--field-test 160 lies over")])
def test_figures_that_cannot_be_are_named(runner, says):
    from guard.ceiling.methods import refuse_nonsense

    with pytest.raises(UsageError) as error:
        refuse_nonsense(runner)
    assert says in str(error.value)


# --- lactate -------------------------------------------------------------------

# Published worked example: demo data and results of the R package lactater (F. M. Mattioni), fit "3rd degree
# polynomial", baseline included.
EXAMPLE = [LactateStep(*row) for row in zip(
    (50, 75, 100, 125, 150, 175, 191), (114, 134, 154, 170, 182, 193, 198),
    (0.98, 1.23, 1.88, 2.80, 4.21, 6.66, 8.64), strict=True)]
EXAMPLE_REST = LactateStep(0, 96, 0.93)
PUBLISHED = {
    "fixed 2.0 mmol": (105.4, 153), "fixed 2.5 mmol": (118.5, 160), "fixed 3.0 mmol": (129.0, 167),
    "fixed 3.5 mmol": (137.0, 171), "fixed 4.0 mmol": (145.0, 176), "baseline + 0.5 mmol": (82.5, 139),
    "baseline + 1.0 mmol": (103.6, 152), "baseline + 1.5 mmol": (116.7, 159), "log-log": (83.4, 140),
    "D-max": (132, 168), "modified D-max": (140, 173)}


def test_lactate_thresholds_of_the_worked_example():
    found = thresholds(EXAMPLE, EXAMPLE_REST)
    assert [one.method for one in found] == list(PUBLISHED)
    for one in found:
        intensity, bpm = PUBLISHED[one.method]
        # That library's log-log takes the logarithm of lactate alone, ours of both axes (Beaver 1985).
        both_axes = one.method == "log-log"
        assert one.intensity == pytest.approx(intensity, rel=0.025 if both_axes else 0.01), one.method
        assert one.bpm == pytest.approx(bpm, abs=1.5 if both_axes else 1.0), one.method


def test_d_max_is_where_the_curve_is_farthest_from_its_chord():
    """y = x^3 from 0 to 3 has the slope of its chord, 9, at sqrt(3)."""
    steps = [LactateStep(x + 10, 100 + 20 * x, x ** 3 + 1) for x in (0, 0.5, 1, 1.5, 2, 2.5, 3)]
    found = {one.method: one for one in thresholds(steps)}
    assert found["D-max"].intensity == pytest.approx(10 + 3 ** 0.5, abs=1e-6)
    assert found["D-max"].bpm == pytest.approx(100 + 20 * 3 ** 0.5, abs=1e-6)
    # The first rise of more than 0.4 is from x = 0.5: chord slope (27 - 0.125) / 2.5 = 10.75 = 3 x^2.
    assert found["modified D-max"].intensity == pytest.approx(10 + (10.75 / 3) ** 0.5, abs=1e-6)


def test_two_straight_lines_break_where_they_break():
    """Lactate flat, then by a power of intensity: with both axes in logarithms two lines that meet at 12."""
    steps = [LactateStep(x, 100 + 5 * x, 1.0 if x <= 12 else (x / 12) ** 4) for x in range(8, 19)]
    found = {one.method: one for one in thresholds(steps)}
    assert found["log-log"].intensity == pytest.approx(12, abs=0.05)


def test_what_a_test_does_not_reach_is_not_made_up():
    steps = [LactateStep(8 + x, 130 + 8 * x, mmol) for x, mmol in enumerate((1.2, 1.1, 1.4, 1.9, 2.7))]
    found = {one.method: one.bpm for one in thresholds(steps)}
    assert found["fixed 4.0 mmol"] is None and found["fixed 3.0 mmol"] is None
    assert found["fixed 2.0 mmol"] == pytest.approx(130 + 8 * 3.1, abs=2)
    rows = methods(Runner(lactate=tuple(thresholds(steps))))
    assert "lactate, fixed 4.0 mmol" not in {row.method for row in rows}


@pytest.mark.parametrize(("change", "says"), [
    (lambda s: s[:3], "too few"), (lambda s: [], "too few"), (lambda s: s * 6, "too many"),
    (lambda s: s[::-1], "does not rise"), (lambda s: [s[0], *s], "does not rise"),
    (lambda s: [*s[:4], LactateStep(150, 150, 4.2), *s[5:]], "heart rate falls from step 4 to step 5"),
    (lambda s: [*s[:4], LactateStep(150, 182, 1.2), *s[5:]], "lactate falls from step 4 to step 5"),
    (lambda s: [*s[:6], LactateStep(191, 198, 86.4)], "mmol/L"),
    (lambda s: [*s[:6], LactateStep(191, 19, 8.6)], "30 to 230"),
    (lambda s: [*s[:6], LactateStep(float("nan"), 198, 8.6)], "no number"),
    (lambda s: [LactateStep(one.intensity, one.bpm, 1.0) for one in s], "hardly rises")])
def test_lactate_nonsense_is_refused(change, says):
    with pytest.raises(InputError, match=says):
        thresholds(change(EXAMPLE))


# --- the suggestion ------------------------------------------------------------


WELL = dict.fromkeys(SAFETY, False)


def suggestion(**known: object) -> advice.CeilingSuggestion:
    runner = Runner(**{**WELL, **known})  # type: ignore[arg-type]
    return advice.suggest(runner, methods(runner))


def test_formulas_alone_give_the_lower():
    assert suggestion(age=40).bpm == 136  # 136.8, the middle of the shares of a maximum by age
    found = suggestion(age=40, resting_bpm=55)  # 131.9 and 136.8
    assert found.bpm == 131 and "lower of two" in found.reason
    assert suggestion(resting_bpm=60, maximum_bpm=190).bpm == 136  # 136.7 and 144.4


def test_what_was_measured_goes_first_but_not_far_over_formulas():
    assert suggestion(age=40, talk=TalkTest(148)).bpm == 143  # 5 off: it errs to too hard
    high = suggestion(age=40, talk=TalkTest(175))
    assert high.bpm == 146 and "held to 10 over" in high.reason
    both = suggestion(age=40, talk=TalkTest(148), field=FieldTest(138.6, 2.0))
    assert both.bpm == 138 and "lowest of what was measured" in both.reason
    assert suggestion(talk=TalkTest(148)).bpm == 143


def test_a_laboratory_says_its_thresholds():
    """Easy running stays under the first; the second is shown, not counted."""
    rows = {row.method: row for row in methods(Runner(laboratory=Laboratory(141, 165)))}
    assert rows["first threshold, laboratory"].counts and not rows["second threshold, laboratory"].counts
    assert suggestion(laboratory=Laboratory(141, 165)).bpm == 141
    assert suggestion(age=40, laboratory=Laboratory(None, 165)).bpm == 136


def test_no_number_before_the_safety_questions_are_answered():
    for missing in SAFETY:
        found = suggestion(age=40, talk=TalkTest(140), **{missing: None})
        assert found.bpm is None and found.reason.endswith(f"If none is: guard ceiling --no-{missing}")
    nothing_said = suggestion(age=40, **dict.fromkeys(SAFETY, None))
    assert nothing_said.bpm is None and nothing_said.reason.endswith("guard ceiling --healthy")


def test_what_lies_over_a_measured_maximum_is_not_usable():
    rows = {row.method: row for row in methods(Runner(age=40, maximum_bpm=138, talk=TalkTest(120)))}
    assert not rows["180 - age"].counts and "not usable" in rows["180 - age"].note
    steps = tuple(thresholds(EXAMPLE, EXAMPLE_REST))
    late = {row.method: row for row in methods(Runner(maximum_bpm=150, lactate=steps))}
    assert not late["lactate, fixed 2.0 mmol"].counts and late["lactate, log-log"].counts


def test_a_maximum_far_under_every_formula_is_remarked_on():
    """At 40 the formulas give 179 to 185.4; 150 is 29 under the lowest of them."""
    found = advice.cautions(Runner(age=40, maximum_bpm=150), suggestion(age=40))
    assert any("29 under the lowest formula" in one for one in found)
    assert not any("lowest formula" in one for one in advice.cautions(Runner(age=40, maximum_bpm=175),
                                                                      suggestion(age=40)))


def test_a_drifting_half_hour_and_late_lactate_marks_are_shown_not_counted():
    runner = Runner(**WELL, field=FieldTest(150, 6.1), lactate=tuple(thresholds(EXAMPLE, EXAMPLE_REST)))
    rows = {row.method: row for row in methods(runner)}
    assert not rows["half an hour while able to talk"].counts
    assert {name for name, row in rows.items() if row.counts} == {
        "lactate, fixed 2.0 mmol", "lactate, baseline + 0.5 mmol", "lactate, baseline + 1.0 mmol",
        "lactate, log-log"}
    assert advice.suggest(runner, list(rows.values())).bpm == 139  # baseline + 0.5


@pytest.mark.parametrize("known", [
    {"medicine": True}, {"pregnant": True}, {"symptoms": True}, {"recovering": True}, {"age": 15},
    {"age": 85}])
def test_who_must_not_rely_on_it_gets_no_number(known):
    runner = Runner(**{**WELL, "age": 40, "talk": TalkTest(140), **known})
    found = advice.suggest(runner, methods(runner))
    assert found.bpm is None and "licensed professional" in found.reason
    assert "Do not rely" in advice.cautions(runner, found)[0]


def test_agreement_and_what_would_narrow_it():
    close = Runner(age=40, resting_bpm=61)
    assert "2 kinds of method agree closely" in advice.agreement(methods(close))
    assert "disagree" in advice.agreement(methods(Runner(age=40, talk=TalkTest(170))))
    assert advice.agreement([]) == "" and "nothing to compare" in advice.agreement(methods(Runner(
        talk=TalkTest(150))))
    assert len(advice.narrowing(Runner())) == 6
    whole = Runner(40, 55, 185, talk=TalkTest(150), field=FieldTest(140, 1),
                   lactate=tuple(thresholds(EXAMPLE)))
    assert advice.narrowing(whole) == []
    assert "pound" not in advice.NEVER_EXCEED and "None is set until you set one" in advice.NEVER_EXCEED


# --- the drawing ---------------------------------------------------------------


@pytest.mark.parametrize("look", [Look(), Look(ascii=True, colour=False)])
@pytest.mark.parametrize("width", [50, 80, 120])
def test_ranges_share_one_axis_with_the_ceiling_marked(look, width):
    rows = methods(Runner(age=40, resting_bpm=55, lactate=tuple(thresholds(EXAMPLE))))
    lines = [line.plain for line in draw(rows, 139, width, look)]
    assert all(len(line) <= width for line in lines[:-1])
    wall, value = ("|", "ox") if look.ascii else ("┃", "●○")
    body = lines[:len(rows)]
    place = next(line.rindex(wall) for line in body if wall in line)
    assert all(line[place] in wall + value for line in body)  # one upright line through all
    spots = [max(line.rindex(sign) for sign in value if sign in line) for line in body]
    order = sorted(range(len(rows)), key=lambda one: rows[one].bpm)
    assert [spots[one] for one in order] == sorted(spots)
    assert "ceiling 139" in lines[-2]
    if look.ascii:
        assert "".join(lines).isascii()


def test_no_ladder_of_colours_is_drawn():
    """By styles, not escape codes: rich keeps those of the first colour system that a style was drawn in."""
    lines = draw(methods(Runner(age=40, resting_bpm=55)), 139, 80, Look())
    styles = [style if isinstance(style, Style) else Style.parse(style)
              for line in lines for style in (line.style, *(span.style for span in line.spans))]
    assert len({style.color.name for style in styles if style.color}) == 1


# --- tests read from recordings ------------------------------------------------

@pytest.fixture
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("GUARD_HOME", str(tmp_path))
    monkeypatch.setenv("COLUMNS", "100")
    return tmp_path


def guard(*words: str) -> int:
    try:
        return main(["ceiling", *words])
    except SystemExit as end:
        return int(end.code or 0)


def document(capsys: pytest.CaptureFixture[str], *words: str) -> dict:
    assert guard(*words, "--json") == 0
    found = json.loads(capsys.readouterr().out)
    check_listed("guard/ceiling/README.md", "ceiling", found)
    return found


def stair(t_s: float) -> float:
    """An invented runner: 110 in the warm-up, then 120, 130, … a stage of 180 s."""
    return 110.0 if t_s < 600 else 120.0 + 10 * min(5, (t_s - 600) // 180)


@pytest.fixture(scope="module")
def logs(tmp_path_factory):
    """One log for each invented test; the sessions are real, and take a while."""
    folder = tmp_path_factory.mktemp("logs")

    def half_hour(t_s: float) -> float:
        return 110 if t_s < 600 else 138 if t_s < 1800 else 141

    field = record(folder / "field.jsonl", half_hour, 2406, plan_name="field-test")
    return {
        "talk": record(folder / "talk.jsonl", stair, 1690, plan_name="talk-test"),
        "plain": record(folder / "plain.jsonl", stair, 1200, plan_name=None),
        "field": field,
        "hot": changed(field, folder / "hot.jsonl", lambda t_s, bpm: bpm + 6 if t_s >= 1800 else bpm),
        "holes": changed(field, folder / "holes.jsonl",
                         lambda t_s, bpm: None if 1500 <= t_s < 2100 else bpm),
    }


@pytest.mark.parametrize(("mark_s", "bpm", "stages"), [
    (1310.0, 140, 3),  # while saying it aloud at the end of stage 4: three stages were comfortable
    (1325.0, 140, 3),  # 5 s into stage 5: meant are the words just said
    (1400.0, 150, 4)])
def test_the_talk_test_reads_stages_and_the_mark(home, capsys, logs, mark_s, bpm, stages):
    log = marked(logs["talk"], home / "talk.jsonl", mark_s)
    (row,) = document(capsys, "--talk-test", str(log))["methods"]
    assert row["bpm"] == pytest.approx(bpm - 5, abs=0.2)
    assert f"{stages} of 6 stages comfortable" in row["note"]
    assert "Foster 2008" in row["note"] + row["source"]


def test_stages_that_were_left_out_are_none(home, capsys, logs):
    """Key n goes past the rest of the stages to the cool-down: its ten minutes are no stage."""
    whole = marked(logs["talk"], home / "whole.jsonl", 1278.0).read_text()
    lines = [json.loads(line) for line in whole.splitlines()]
    kept = [line for line in lines if line.get("cue") != "part" or line["t"] < 1280.0]
    last = next(line for line in lines if line.get("cue") == "part" and line["t"] > 1280.0)
    kept.insert(-1, {**last, "t": 1280.0, "part": "cool-down"})
    log = home / "left.jsonl"
    log.write_text("\n".join(json.dumps(line) for line in sorted(kept, key=lambda line: line.get("t", 0.0))))
    (row,) = document(capsys, "--talk-test", str(log))["methods"]
    assert row["bpm"] == pytest.approx(140 - 5, abs=0.2) and "3 of 4 stages comfortable" in row["note"]


def test_a_talk_test_without_mark_or_stages(home, capsys, logs):
    row = document(capsys, "--talk-test", str(logs["talk"]))["methods"][0]
    assert row["bpm"] == pytest.approx(165, abs=0.2)
    plain = marked(logs["plain"], home / "plain.jsonl", 1100.0)
    row = document(capsys, "--talk-test", str(plain))["methods"][0]
    assert row["bpm"] == pytest.approx(135, abs=0.2)  # 1,010 to 1,070 s: the third step of the stair, 140
    assert guard("--talk-test", str(logs["plain"])) == 3
    assert "press m when speech stops" in capsys.readouterr().err
    early = marked(logs["talk"], home / "early.jsonl", 700.0)
    assert guard("--talk-test", str(early)) == 3
    assert "start the next test slower" in capsys.readouterr().err


def test_the_half_hour_gives_mean_and_drift(home, capsys, logs):
    """Of the 18 minutes from 1,320 s on eight have 138 and one 141, then nine have 141: means 138.3 and 141,
    drift 1.9 %; with 147 it is 5.8 %."""
    (row,) = document(capsys, "--field-test", str(logs["field"]))["methods"]
    assert row["bpm"] == pytest.approx(139.7, abs=0.1) and "+1.9 %" in row["note"]
    assert "speed not known" in row["note"]
    (row,) = document(capsys, "--field-test", str(logs["hot"]))["methods"]
    assert "+5.8 %" in row["note"] and "not counted" in row["note"]
    between = marked(logs["plain"], home / "marks.jsonl", 60.0, 1100.0)
    assert guard("--field-test", str(between)) == 3
    assert "lasts 17 min: it has to last half an hour" in capsys.readouterr().err


def test_a_fading_pace_hides_no_drift():
    """Heart rate even, pace 4 % slower in the second half: 0.1 m/s of 2.5, 2.8 bpm (28 bpm per m/s)."""
    times = np.arange(600.0, 2400.0)
    even = np.full(1800, 140.0)
    steady = field_test(times, even, (600.0, 2400.0), [(0.0, 2.5)])
    assert steady.drift_percent == 0.0 and steady.fade_percent == 0.0
    fading = field_test(times, even, (600.0, 2400.0), [(0.0, 2.5), (1860.0, 2.4)])
    assert fading.fade_percent == pytest.approx(4.0) and fading.drift_percent == pytest.approx(2.0, abs=0.01)
    with pytest.raises(InputError, match="hold one pace"):
        field_test(times, even, (600.0, 2400.0), [(0.0, 2.5), (1860.0, 2.2)])
    assert field_test(times, even, (600.0, 2400.0), [(2000.0, 2.5)]).fade_percent is None


def test_half_hours_that_cannot_tell_are_refused(home, capsys, logs):
    for name, says in (("plain", "no test part"), ("holes", "have readings")):
        assert guard("--field-test", str(logs[name])) == 3
        assert says in capsys.readouterr().err


# --- the command ---------------------------------------------------------------


def test_json_is_as_designed(home, capsys):
    found = document(capsys, "--age", "40", "--resting", "55", "--healthy")
    assert set(found) == {"format", "methods", "suggestion", "cautions"} and found["format"] == 1
    fields = {"method", "bpm", "low_bpm", "high_bpm", "source", "note"}
    assert all(set(row) == fields for row in found["methods"])
    assert found["suggestion"]["bpm"] == 131 and len(found["methods"]) == 6
    assert len(set(found["cautions"])) == len(found["cautions"]) and sum(
        "chest pain" in one for one in found["cautions"]) == 1, "said once"
    assert all(row["low_bpm"] < row["bpm"] < row["high_bpm"] for row in found["methods"])


def test_answers_are_remembered_with_their_date_and_can_be_taken_away(home, capsys):
    document(capsys, "--age", "40", "--talk-test", "150")
    path = ceilings.ceiling_path()
    assert stat.S_IMODE(path.stat().st_mode) == 0o600 and ceilings.results()[-1].day == wall_now().date()
    assert len(document(capsys, "--resting", "55")["methods"]) == 7
    assert len(ceilings.results()) == 1  # one a day
    assert len(document(capsys, "--talk-test", "none")["methods"]) == 6
    assert guard("--forget") == 0 and not path.exists()
    assert guard("--json") == 2


def test_years_pass_and_tests_grow_old(home, capsys):
    old = wall_now().date() - timedelta(days=800)
    ceilings.remember(ceilings.Result(old, {
        "age": 40.0, "age_on": old.isoformat(), "talk": {"bpm": 150.0, "on": old.isoformat()}}))
    assert guard() == 0
    text = capsys.readouterr().out
    assert "age is taken as 42" in text and "over a year old" in text and "time to work it out again" in text
    assert "talk test (" not in text


def test_damaged_memories_are_kept_and_said(home, capsys):
    path = ceilings.ceiling_path(make=True)
    path.write_bytes(b"junk\n\xff\n" + json.dumps({"format": 1, "date": "2026-03-02", "document": {},
                                                   "answers": {"age": []}}).encode() + b"\n")
    assert guard() == 3 and "--forget" in capsys.readouterr().err
    ceilings.remember(ceilings.Result(date(2026, 3, 4), {"age": 40}))
    assert path.read_bytes().startswith(b"junk\n\xff\n") and len(ceilings.results()) == 2


def test_resting_heart_rate_comes_from_the_journal(home, capsys):
    today = wall_now().date()
    for back, bpm in enumerate((50, 52, 60)):
        journal.amend(today - timedelta(back), {"resting_bpm": bpm})
    rows = document(capsys, "--age", "40")["methods"]
    assert any("rest 52" in row["note"] for row in rows)


def test_apply_keeps_comments_and_is_refused_without_a_suggestion(home, capsys):
    path = settings_file.settings_path(make=True)
    path.write_text("# mine\nwords = 0.3 # fewer\n")
    assert guard("--age", "40", "--apply") == 2 and "--healthy" in capsys.readouterr().err
    assert guard("--age", "40", "--healthy", "--apply") == 0
    text = path.read_text()
    assert "# mine" in text and "# fewer" in text and settings_file.load()["ceiling_bpm"] == 136
    for flag in ("--medicine", "--recovering"):
        assert guard(flag, "--apply") == 2
        error = capsys.readouterr().err
        assert "licensed professional" in error and "--no-medicine" in error
    assert path.read_text() == text
    path.write_text("stop_bpm = 130\n")
    assert guard("--no-medicine", "--no-recovering", "--apply") == 2
    assert path.read_text() == "stop_bpm = 130\n"


def test_the_screen_says_all_of_it(home, capsys):
    assert guard("--age", "70", "--resting", "60", "--band", "vigorous", "--healthy") == 0
    text = capsys.readouterr().out
    for words in ("Suggested ceiling", "kinds of method", "Over 65", "vigorous band is hard running",
                  "What would narrow it", "guard ceiling --how talk-test", "When again", "Never-exceed limit",
                  "Nes 2013", "You have set none"):
        assert words in " ".join(text.split()), words


@pytest.mark.parametrize(("words", "code", "says"), [
    (["--age", "7"], 2, "10 to 100"), (["--age", "old"], 2, "no number"), (["--age", "inf"], 2, "no number"),
    (["--resting", "190", "--age", "40"], 2, "25 to 120"), (["--band", "x\x1b[2J"], 2, "x?[2J"),
    (["--lactate", "9:128:1.0", "139:1.3"], 2, "for all or none"),
    (["--lactate", "9:x:1.0"], 2, "no number"),
    (["--lactate", "1:2:3:4", "1:2"], 2, "INTENSITY:BPM:MMOL"),
    (["--lactate", "missing.csv"], 3, "cannot read"),
    (["--field-test", "150"], 2, "recording of the half hour"),
    (["--talk-test", "missing"], 3, "cannot read"),
    (["--ask"], 2, "needs a terminal"), ([], 2, "nothing is known")])
def test_bad_input_gets_one_sentence(home, capsys, monkeypatch, words, code, says):
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    assert guard(*words) == code
    error = capsys.readouterr().err
    assert says in error and error.count("\n") == 1
    assert not ceilings.ceiling_path().exists()


LACTATE_CSV = "intensity,heart_rate,lactate\n0,96,0.93\n" + "".join(
    f"{step.intensity},{step.bpm},{step.lactate_mmol}\n" for step in EXAMPLE)


def test_lactate_comes_from_a_file_or_typed(home, capsys):
    file = home / "steps.csv"
    file.write_text("\ufeff" + LACTATE_CSV.replace("heart_rate", " Heart_Rate "))
    from_file = document(capsys, "--lactate", str(file))["methods"]
    assert len(from_file) == 11 and from_file[0]["bpm"] == pytest.approx(153, abs=1)
    typed = [f"{one.intensity}:{one.bpm}:{one.lactate_mmol}" for one in [EXAMPLE_REST, *EXAMPLE]]
    assert document(capsys, "--lactate", *typed)["methods"] == from_file
    with_commas = LACTATE_CSV.replace(",", ";").replace(".", ",")
    file.write_text(with_commas)
    assert document(capsys, "--lactate", str(file))["methods"] == from_file
    pairs = [f"{one.bpm}:{one.lactate_mmol}" for one in EXAMPLE]
    by_pairs = {row["method"]: row["bpm"] for row in document(capsys, "--lactate", *pairs)["methods"]}
    assert by_pairs["lactate, fixed 4.0 mmol"] == pytest.approx(181, abs=3)


@pytest.mark.parametrize(("text", "says"), [
    ("", "is empty"), ("a,b\n1,2\n", "no column 'heart_rate'"),
    ("heart_rate,lactate\n120,1\n130,x\n", "line 3"), ("heart_rate,lactate\n120\n", "line 2"),
    ("heart_rate,lactate\n120,1\n", "too few"), ("\x00,\"", "save it as UTF-8")])
def test_lactate_files_that_cannot_be_read_are_said(home, capsys, text, says):
    file = home / "steps.csv"
    file.write_text(text)
    assert guard("--lactate", str(file)) == 3 and says in capsys.readouterr().err
    file.write_bytes(b"\xff\xfe\x00")
    assert guard("--lactate", str(file)) == 3 and "save it as" in capsys.readouterr().err


def test_the_questions_ask_again_and_figures_may_be_left(home, capsys, monkeypatch):
    lines = ["7", "40", "", "", "148", "190", "138", "130", "168", "maybe", "n", "", "n", "y", "n"]
    monkeypatch.setattr(sys, "stdin", io.StringIO("\n".join(lines) + "\n"))
    today = date(2026, 3, 2)
    assert ceiling_questions.ask({"maximum": 185.0}, today) == {
        "age": 40.0, "age_on": "2026-03-02", "talk": {"bpm": 148.0, "on": "2026-03-02"},
        "first_threshold": {"bpm": 138.0, "on": "2026-03-02"},
        "second_threshold": {"bpm": 168.0, "on": "2026-03-02"},
        "medicine": False, "pregnant": False, "symptoms": True, "recovering": False}
    asked = capsys.readouterr().err
    assert all(words in asked for words in ("[185]", "10 to 100", "write y or n", "190 lies over",
                                            "138 does not lie under"))
    monkeypatch.setattr(sys, "stdin", io.StringIO("41\n"))
    assert ceiling_questions.ask({}, today) == {"age": 41.0, "age_on": "2026-03-02"}


def test_safety_questions_cannot_be_skipped_to_a_number(home, capsys, monkeypatch):
    """Enter is no answer to them; the end of the input ends the asking without a number."""
    monkeypatch.setattr(sys, "stdin", io.StringIO("40\n55\n\n\n\n" + "\n" * 5))
    monkeypatch.setattr("guard.commands.ceiling.can_ask", lambda: True)
    assert guard() == 0
    captured = capsys.readouterr()
    assert captured.err.count("write y or n") == 5 and "Suggested ceiling" not in captured.out
    assert "No suggestion before you have said" in captured.out
    monkeypatch.setattr(sys, "stdin", io.StringIO("n\nn\nn\nn\n"))
    assert guard("--resting", "56") == 0 and "Suggested ceiling" in capsys.readouterr().out


def test_after_a_flag_what_is_missing_is_asked_once(home, capsys, monkeypatch):
    monkeypatch.setattr(sys, "stdin", io.StringIO("40\n\n\n\n" + "n\n" * 4))
    monkeypatch.setattr("guard.commands.ceiling.can_ask", lambda: True)
    assert guard("--resting", "55") == 0
    captured = capsys.readouterr()
    assert "Suggested ceiling" in captured.out and "age in years" in captured.err
    assert "resting heart rate" not in captured.err, "it was given"
    assert guard("--resting", "56") == 0
    captured = capsys.readouterr()
    assert "Suggested ceiling" in captured.out and not captured.err, "what was left out is not asked again"


def test_a_kept_answer_is_shown_with_how_to_take_it_back(home, capsys):
    assert guard("--age", "40", "--healthy", "--medicine") == 0
    capsys.readouterr()
    assert guard() == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "if you take none: --no-medicine" in said and "Suggested ceiling" not in said
    assert guard("--no-medicine") == 0 and "Suggested ceiling" in capsys.readouterr().out


def test_a_test_plan_needs_no_ceiling_but_a_limit_that_was_asked_for(home, capsys, tmp_path):
    plan = tmp_path / "talk.toml"
    assert main(["plan", "--make", "talk-test", "-o", str(plan)]) == 0
    run = ["run", "--plan", str(plan), "--wait", "1", "--plain"]
    assert main(run) == 2 and "stop_bpm" in capsys.readouterr().err
    assert main([*run, "--set", "stop_bpm=180"]) == 4, "as far as the radio"
    assert main(["run", "--wait", "1", "--plain"]) == 2 and "guard ceiling" in capsys.readouterr().err


@pytest.mark.parametrize("name", ["talk-test", "field-test", "lactate", "maximum", "resting"])
def test_each_protocol_is_explained(home, capsys, name):
    assert guard("--how", name) == 0
    text = capsys.readouterr().out
    assert len(text) > 200 and all(len(line) <= 80 for line in text.splitlines())


def test_the_typed_example_of_the_protocol_works(home, capsys):
    from guard.commands.ceiling import HOW

    said = tomllib.loads(HOW.read_text(encoding="utf-8"))["lactate"].splitlines()
    lines = [line.split("--lactate ")[1] for line in said if "--lactate 0" in line or "--lactate 1" in line]
    assert len(lines) == 2
    for line in lines:
        assert document(capsys, "--lactate", *line.split())["methods"]
