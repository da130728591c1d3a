"""The one sentence at the end of a review, what is set apart, and the ramp; or nothing."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from guard.commands.options import print_json
from guard.events import Cue, CueGiven
from guard.log.recording import read_log
from guard.plan.plan import Kind, Part, Plan
from guard.review import words
from guard.review.advice import Cause, MainCause, advice
from guard.review.cues import outcomes
from guard.review.drift import Drift
from guard.review.page import figure
from guard.review.parts import whole
from guard.review.picture import ramp
from guard.review.review import review
from guard.review.terminal import drawing
from guard.screen.look import Look
from guard.screen.trace import picture
from guard.settings import Settings
from tests.support.review import log_of_a_run, trace

HOUR = 3600
ROAD = Settings(ceiling_bpm=140)
KNOWN = Settings(ceiling_bpm=140, gain_bpm_per_m_s=25)


def level(*over: tuple[int, int, float], seconds: int = HOUR, base: float = 134.0) -> np.ndarray:
    """Steady under the ceiling of 140, with (begin, end, bpm) stretches."""
    values = np.full(seconds, base)
    for begin, end, bpm in over:
        values[begin:end] = bpm
    return values


def found(values: np.ndarray, *cues: CueGiven, drift: Drift | None = None, said: bool = True,
          **options: object) -> MainCause | None:
    run = trace(values, **options)
    return advice(run, outcomes(run, cues), drift or Drift(refusal="no"), 300.0, said=said)


def test_the_climbs_are_named_with_what_they_cost_and_how_much_slower() -> None:
    grade = np.zeros(HOUR)
    grade[900:1080] = grade[2400:2580] = 0.06
    one = found(level((960, 1050, 146.0), (2460, 2550, 146.0)), grade=grade)
    assert one == MainCause(Cause.CLIMBS, 180.0, 180.0, 6.0, 2, 2)
    assert words.advice(one, ROAD) == (
        "Two climbs cost you 3 minutes over the ceiling; start them a little slower.")
    # 6 bpm at 25 bpm per m/s is 0.24 m/s, 0.86 km/h or 0.54 mph: the nearest half
    assert words.advice(one, KNOWN).endswith("start them 1 km/h slower.")
    assert words.advice(one, KNOWN.replaced({"units": "mile"})).endswith("start them half a mph slower.")


def test_running_again_too_fast() -> None:
    cues = [CueGiven(float(t), Cue.RESUME) for t in (600, 1200, 1800, 2400)]
    one = found(level(*((t + 30, t + 75, 144.0) for t in (600, 1200, 1800))), *cues)
    assert one is not None and (one.cause, one.count, one.of_count) == (Cause.RESTARTS, 3, 4)
    assert words.advice(one, ROAD).startswith("3 of 4 times you ran again you were soon over")
    never_heard = found(level(*((t + 30, t + 75, 144.0) for t in (600, 1200, 1800))), *cues, said=False)
    assert never_heard is None or never_heard.cause is Cause.STRETCHES


def test_a_fast_start_and_a_late_drift() -> None:
    early = found(level(*((t, t + 20, 143.0) for t in range(310, 860, 90))))
    assert early is not None and early.cause is Cause.EARLY
    assert "first 15 minutes; begin a little slower" in words.advice(early, ROAD)
    drifted = Drift(bpm=7.0, error_bpm=2.0)
    late_level = level(*((t, t + 20, 143.0) for t in range(2500, 3500, 120)))
    late = found(late_level, drift=drifted)
    assert late is not None and late.cause is Cause.LATE and "drifted up by 7" in words.advice(late, ROAD)
    unsure = found(late_level, drift=Drift(bpm=1.0, error_bpm=2.0))
    assert unsure is None, "a drift no larger than its error is none"


def test_a_few_long_stretches_are_named_by_their_time() -> None:
    one = found(level((1500, 1590, 145.0), (2400, 2460, 144.0)))
    assert one is not None and (one.cause, one.at_s) == (Cause.STRETCHES, (1500.0, 2400.0))
    assert words.advice(one, ROAD) == ("Two stretches, at 25:00 and 40:00, cost you 2 minutes over the "
                                       "ceiling; slow down earlier each time.")


@pytest.mark.parametrize("values", [
    level(), level((600, 650, 150.0)),  # under a minute over is nothing to fix
    level(*((t, t + 10, 143.0) for t in range(1000, 3500, 120))),  # here and there: no cause is clear
    np.full(HOUR, np.nan), level(seconds=1),
])
def test_nothing_is_said_where_the_data_do_not_tell(values: np.ndarray) -> None:
    assert found(values) is None and words.advice(None, ROAD) == ""


def test_a_pause_is_no_cause() -> None:
    held = np.zeros(HOUR, bool)
    held[600:900] = True
    assert found(level((600, 900, 150.0)), held=held) is None


STRIDES = Plan("strides", (
    Part(Kind.WARM_UP, "", 120.0), Part(Kind.EASY, "", 300.0),
    Part(Kind.FAST, "stride", 60.0, ceiling_bpm=170.0), Part(Kind.EASY, "easy", 400.0, grace_s=90.0)))


def test_what_was_run_hard_as_planned_is_set_apart(tmp_path: Path) -> None:
    path = log_of_a_run(tmp_path / "a.jsonl", 900, Settings(ceiling_bpm=125), STRIDES, base_bpm=128.0)
    run = review(read_log(path), Settings(ceiling_bpm=125)).trace
    assert set(np.unique(run.part[run.apart])) == {2, 3}
    in_easy = run.t_s[run.apart & (run.part == 3)]
    assert in_easy[-1] - in_easy[0] <= 90.0 < run.t_s[run.part == 3][-1] - in_easy[0]


def test_planned_time_over_is_no_failure() -> None:
    run = trace(level((600, 700, 150.0), (1000, 1090, 143.0)))
    apart = np.zeros(HOUR, bool)
    apart[600:700] = True
    total = whole(dataclasses.replace(run, apart=apart))
    assert total is not None and total.over_s == 190.0 and total.planned_over_s == 100.0
    assert total.easy_over_s == 90.0 and total.easy_share_under == pytest.approx(1 - 90 / 3500)
    alone = advice(dataclasses.replace(run, apart=apart), (), Drift(), 300.0, said=True)
    assert alone is not None and alone.over_s == 90.0, "nor a cause"


def test_time_with_the_pace_cues_off_is_no_cause() -> None:
    run = trace(level((600, 700, 150.0), (1000, 1090, 143.0)))
    uncued = np.zeros(HOUR, bool)
    uncued[550:750] = True
    run = dataclasses.replace(run, uncued=uncued)
    total = whole(run)
    assert total is not None and (total.over_s, total.uncued_s, total.uncued_over_s) == (190.0, 200.0, 100.0)
    alone = advice(run, (), Drift(), 300.0, said=True)
    assert alone is not None and alone.over_s == 90.0


def test_marks_are_in_the_figures(tmp_path: Path) -> None:
    path = log_of_a_run(tmp_path / "a.jsonl", 400, ROAD)
    assert ("your marks", "5:50 gate <b>7</b>") in words.facts(review(read_log(path), ROAD))


def test_the_warm_up_is_drawn_with_the_limit_its_cues_were_judged_by(tmp_path: Path) -> None:
    settings = Settings(ceiling_bpm=139, warm_up_s=300)
    path = log_of_a_run(tmp_path / "a.jsonl", 900, settings)
    done = review(read_log(path), settings)
    limits = ramp(done, 90)
    drawn = [limit for limit in limits if limit is not None]
    assert -8.0 <= drawn[0] < -6.0 and drawn == sorted(drawn) and 20 <= len(drawn) <= 33
    assert 'class="ramp"' in figure(done) and "dashed line" in figure(done)
    look = Look(ascii=True, colour=False)
    with_ramp = "\n".join(line.plain for line in drawing(done, 90, look))
    assert "-" in with_ramp and "warm-up limit" in with_ramp
    plain = review(read_log(path), settings.replaced({"warm_up_s": 0.0}))
    assert not any(ramp(plain, 90)) and 'class="ramp"' not in figure(plain)


def test_a_limit_is_drawn_over_bars_and_gaps() -> None:
    rows = [line.plain for line in picture([-20.0, None, 5.0], 8, Look(colour=False), [-8.0, -8.0, None])]
    marked = [row for row in rows if "─" in row]
    assert len(marked) == 1 and marked[0].startswith("──") and len(marked[0]) == 3


def test_it_ends_the_review_in_terminal_page_and_json(
    tmp_path: Path, capsys: pytest.CaptureFixture[str],
) -> None:
    from guard.cli import main

    path = log_of_a_run(tmp_path / "a.jsonl", 1500, Settings(ceiling_bpm=136))
    done = review(read_log(path), Settings(ceiling_bpm=136))
    sentence = words.advice(done.advice, done.settings)
    assert sentence and done.advice is not None
    assert main(["review", str(path)]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert f"Next time: {sentence}" in text and text.index("Next time") > text.index("Ease")
    assert main(["review", str(path), "--html", str(tmp_path / "a.html")]) == 0
    assert "<h2>Next time</h2>" in (tmp_path / "a.html").read_text(encoding="utf-8")
    print_json(done.as_dict())
    assert f'"cause": "{done.advice.cause.value}"' in capsys.readouterr().out
