"""The guarding benchmark itself: opponents that do what they say, measures that measure."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from guard.errors import UsageError
from guard.events import Cue
from guard.runner.courses import COURSES
from guard.runner.population import draw
from guard.runner.simulate import Runners
from tests.lab.benchmark import benchmark
from tests.lab.benchmark import report as benchmark_report
from tests.lab.benchmark.controllers import NAMES, BareAlarm, Guard, Knowing, make
from tests.lab.benchmark.report import course_verdicts, interval, ratio
from tests.lab.benchmark.trial import Outcome, population, run, seed_of, true_rises


@pytest.fixture(scope="module")
def few() -> Any:
    return draw(3, np.random.default_rng(1))


@pytest.mark.parametrize(("delay_s", "expected"), [
    (0.0, [10, 20, 30, 40]), (14.0, [24, 34, 44]), (19.0, [29, 39])])
def test_bare_alarm_sounds_every_10_s_after_its_delay(few: Any, delay_s: float, expected: list[int]) -> None:
    alarm = BareAlarm(few, delay_s)
    sounded = []
    for t_s in range(60):
        bpm = few.ceiling_bpm + (1.0 if 10 <= t_s < 48 else 0.0)
        if alarm.step(np.full(3, float(t_s)), bpm, truth=None).any():  # type: ignore[arg-type]
            sounded.append(t_s)
    assert sounded == expected


def test_knowing_says_ease_the_moment_the_speed_is_passed(few: Any) -> None:
    def truth(speed: float, ceiling: float, bpm: float = 100.0, walking: bool = False) -> Any:
        return SimpleNamespace(
            speed_m_s=np.full(3, speed), ceiling_speed_m_s=np.full(3, ceiling),
            settling_speed_m_s=lambda _bpm: np.full(3, ceiling),
            slowest_jog_m_s=np.full(3, 1.8), true_bpm=np.full(3, bpm),
            walking=np.full(3, walking), standing=np.zeros(3, dtype=bool))

    knowing = Knowing(few)

    def said(t_s: float, what: Any) -> set[int]:
        return set(knowing.step(np.full(3, t_s), np.full(3, 100.0), truth=what).tolist())

    assert said(0, truth(2.5, 2.6)) == {0}
    assert said(1, truth(2.5, 2.4)) == {Cue.EASE}
    assert said(2, truth(2.5, 2.4)) == {0}
    assert said(13, truth(2.5, 2.4)) == {Cue.EASE}
    assert said(40, truth(1.8, 1.7)) == {0}  # no jog is slow enough, but not there yet
    assert said(41, truth(1.8, 1.7, bpm=200.0)) == {Cue.WALK}
    assert said(60, truth(1.5, 1.7, bpm=200.0, walking=True)) == {0}
    assert said(61, truth(1.5, 1.9, bpm=200.0, walking=True)) == {Cue.RESUME}


def test_every_controller_meets_the_same_runners() -> None:
    for course in COURSES.values():
        dev, report = (population(course, 20, name) for name in ("dev", "report"))
        again = population(course, 20, "dev")
        assert np.array_equal(dev.gain, again.gain) and not np.array_equal(dev.gain, report.gain)
    assert seed_of("dev", COURSES["flat"]) != seed_of("report", COURSES["flat"])


def test_nobody_cued_is_over_longer_than_with_the_bare_alarm() -> None:
    course = COURSES["third"]
    alarm = run(course, "bare", 30, "dev", duration_s=1200)
    world = Runners(population(course, 30, "dev"), course, [*seed_of("dev", course), 1], duration_s=1200)
    over = np.zeros(30)
    for _ in range(1200):
        over += world.step(np.zeros(30, dtype=int)).true_bpm > world.runners.ceiling_bpm
    assert alarm.over_s.sum() < 0.5 * over.sum()
    assert alarm.distance_m.sum() < world.distance_m.sum()
    assert alarm.cues[:, Cue.EASE].sum() == alarm.pace_cues.sum() > 0


@pytest.mark.parametrize("name", list(NAMES))
@pytest.mark.parametrize("model", ["first", "second"])
def test_every_controller_runs_on_both_models(name: str, model: Any) -> None:
    outcome = run(COURSES["learned"], name, 6, "dev", model, duration_s=420)
    assert (outcome.distance_m > 300).all()
    assert np.isfinite(outcome.over_bpm_s).all()


def test_guard_settings_can_be_changed_and_gain_is_given_only_where_learned(few: Any) -> None:
    guard = Guard(few, COURSES["flat"], {"strictness": 0.8}, np.random.default_rng(1))
    assert {one.strictness for one in guard.lanes.settings} == {0.8}
    assert [one.ceiling_bpm for one in guard.lanes.settings] == few.ceiling_bpm.tolist()
    assert guard.lanes.settings[0].gain_bpm_per_m_s is None
    taught = make("guard", few, COURSES["learned"], {}, np.random.default_rng(1))
    gains = [one.gain_bpm_per_m_s for one in taught.lanes.settings]  # type: ignore[attr-defined]
    assert np.allclose(gains, few.gain, rtol=0.5) and not np.allclose(gains, few.gain, rtol=0.001)


def test_ratio_and_interval() -> None:
    rng = np.random.default_rng(2)
    under = rng.uniform(5, 15, 400)
    value, low, high = ratio(0.2 * under, under)
    assert value == pytest.approx(0.2) and low == pytest.approx(0.2) and high == pytest.approx(0.2)
    # Standard error of a mean: SD / sqrt(n); the interval is 1.96 of it each way.
    values = rng.normal(10, 2, 400)
    value, low, high = interval(lambda who: float(values[who].mean()), 400)
    assert (high - low) / 2 == pytest.approx(1.96 * 2 / 20, rel=0.15)
    assert all(np.isnan(ratio(under, np.zeros(400))))


def outcome(**changes: float) -> Outcome:
    values: dict[str, Any] = {key: np.full(4, changes.get(key, 0.0)) for key in (
        "over_s", "over_bpm_s", "distance_m", "walk_s", "first_cue_s", "resumes", "false_resumes", "restarts",
        "needless", "blind_resumes", "hopeless_over_s")}
    cues = np.zeros((4, len(Cue)))
    cues[:, Cue.EASE] = changes.get("ease", 0.0)
    return Outcome(**values, cues=cues, duration_s=3600.0)


def test_targets_are_judged() -> None:
    bare, knowing = outcome(over_s=100, ease=60), outcome(over_s=10, ease=10, distance_m=1000)
    good = {"guard": outcome(over_s=19, ease=11, distance_m=985), "bare": bare, "knowing": knowing}
    assert all(verdict.met for verdict in course_verdicts("flat", good))
    bad = {"guard": outcome(over_s=21, ease=12, distance_m=970, restarts=1, needless=0.1, blind_resumes=1),
           "bare": bare, "knowing": knowing}
    assert not any(verdict.met for verdict in course_verdicts("flat", bad))
    # Hills allow a third; a learned gain asks for fewer cues and all of the distance.
    hills = {"guard": outcome(over_s=33), "bare": bare}
    assert course_verdicts("hills", hills)[0].met and not course_verdicts("flat", hills)[0].met
    learned = [verdict.met for verdict in course_verdicts("learned", good)]
    assert learned[:3] == [True, False, False]


def test_true_rises_are_counted_from_the_ceiling() -> None:
    late, early = true_rises(20, "dev", {})
    assert np.isfinite(late).mean() > 0.5 and late[np.isfinite(late)].min() > -25
    assert early.mean() < 0.5


def test_command_prints_figures_and_writes_json_and_picture(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    import dataclasses

    monkeypatch.setattr(benchmark_report, "RESAMPLES", 50)
    monkeypatch.setitem(COURSES, "flat", dataclasses.replace(COURSES["flat"], duration_s=400.0))
    json_file, picture = tmp_path / "out.json", tmp_path / "out.png"
    code = benchmark.main([
        "--course", "flat", "--runners", "4", "--no-signal", "--jobs", "1", "--set", "strictness=0.8",
        "--json", str(json_file), "--picture", str(picture)])
    text = capsys.readouterr().out
    assert code == 0 and "strictness=0.8" in text and "targets met" in text
    report = json.loads(json_file.read_text())
    assert report["changed_settings"] == {"strictness": 0.8}
    assert set(report["courses"]["flat"]) == set(NAMES)
    assert picture.read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize("words", [["--course", "moon"], ["--controller", "ghost"], ["--runners", "1"],
                                   ["--set", "led_s=3"]])
def test_wrong_options_are_said_in_one_sentence(words: list[str]) -> None:
    with pytest.raises(UsageError):
        benchmark.main(words)
