"""The months: speed at the ceiling, its trend, the weeks, the checks; against libraries and worked examples.

The year of an invented runner (`recordings/year.py`) must tell the story it
was made with; a runner made of noise must not be told of a gain.
"""

from __future__ import annotations

import csv
import importlib.util
import io
import json
import math
import os
import re
import subprocess
import sys
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import asdict, replace
from datetime import date, timedelta
from html.parser import HTMLParser
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from guard.cli import main
from guard.errors import InputError
from guard.journal.journal import Named, numbers
from guard.journal.links import Correlation
from guard.log.recording import read_log
from guard.log.series import read_series
from guard.progress import evidence, least_squares, words
from guard.progress import slopes as slopes_module
from guard.progress.checks import check_parts, over_all_checks
from guard.progress.days import checks, shift, short_sleep
from guard.progress.figures import NO_SPEED, TOO_SHORT, figures, track
from guard.progress.least_squares import student, tails
from guard.progress.minutes import LAGS_S, SIZE, _sums, cost_of_grade, minutes
from guard.progress.progress import PastSession, look
from guard.progress.sessions import figures_from
from guard.progress.slopes import fit as fit_slopes
from guard.progress.verdict import Verdict
from guard.progress.weeks import Run, consistency, share_of, weeks
from guard.response.spans import lagged
from tests.lab.months import months as lab
from tests.lab.months import runners as lab_runners
from tests.support.documents import check_listed

RECORDINGS = Path(__file__).resolve().parent.parent / "recordings"


def load(name: str) -> ModuleType:
    """A script of the recordings folder as a module."""
    sys.path.insert(0, str(RECORDINGS))
    try:
        spec = importlib.util.spec_from_file_location(name, RECORDINGS / f"{name}.py")
        assert spec and spec.loader
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
        return module
    finally:
        sys.path.remove(str(RECORDINGS))


year = load("year")


def guard(*args: str, home: Path) -> subprocess.CompletedProcess[str]:
    """The command, in this process; a screen without Unicode below is that of one of its own."""
    out, err = io.StringIO(), io.StringIO()
    with pytest.MonkeyPatch.context() as patch, redirect_stdout(out), redirect_stderr(err):
        patch.setenv("GUARD_HOME", str(home))
        patch.setenv("COLUMNS", "80")
        code = main(args)
    return subprocess.CompletedProcess(args, code, out.getvalue(), err.getvalue())


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A home of the guard with the invented year in it."""
    folder = tmp_path_factory.mktemp("year")
    assert year.make(folder, seed=1) > 140
    return folder


@pytest.fixture(scope="module")
def told(home: Path) -> dict[str, Any]:
    """What `guard progress --json` says of the year."""
    answer = guard("progress", "--ceiling", "139", "--json", home=home)
    assert answer.returncode == 0, answer.stderr
    document = json.loads(answer.stdout)
    check_listed("guard/progress/README.md", "progress", document)
    return document


def test_a_road_is_forecast_for_the_speed_at_the_ceiling_found_here(home: Path, told: dict[str, Any],
                                                                     tmp_path: Path):
    road = tmp_path / "road.csv"
    road.write_text("distance_m,altitude_m\n0,100\n500,100\n1000,140\n")
    answer = guard("route", str(road), "--ceiling", "139", "--json", home=home)
    runner = json.loads(answer.stdout)["runner"]
    assert runner["level_from"] == "from your runs"
    assert runner["level_m_s"]["value"] == pytest.approx(told["speed_now_m_s"]["value"], abs=0.002)


# --- a session -----------------------------------------------------------------


def columns(one: Any) -> tuple[Any, Any, tuple[()], float]:
    readings = np.stack([np.arange(len(one.bpm)), one.bpm], axis=1).astype(float)
    speeds = np.array([(t, speed, np.nan, typed) for t, speed, typed in one.speeds]).reshape(-1, 4)
    return readings, speeds, (), float(len(one.bpm))


def figures_of(kind: str, seed: int = 1) -> Any:
    one = year.run(np.random.default_rng([seed, 7]), 50.0, 2.6, kind, 2.6)
    return figures(*columns(one), ceiling_bpm=139.0, source="treadmill" if kind == "belt" else "foot pod")


def test_what_grade_costs_is_as_published():
    """Minetti et al. 2002, J Appl Physiol 93:1039: 3.6 J/kg/m on the level; the polynomial is from memory.
    ACSM's running equation, 8 km/h: 36.17 at 5 % against 30.17 ml/kg/min on the level, a fifth more."""
    assert cost_of_grade(np.zeros(1))[0] == 1.0
    assert cost_of_grade(np.array([0.1]))[0] * 3.6 == pytest.approx(5.97, abs=0.01)
    assert cost_of_grade(np.array([0.05]))[0] == pytest.approx(36.17 / 30.17, abs=0.11)
    assert cost_of_grade(np.array([-0.1]))[0] < 0.7 and cost_of_grade(np.array([2.0]))[0] < 2.2


@pytest.mark.parametrize("lag_s", LAGS_S)
def test_the_lag_answers_a_step_as_first_order_lags_do(lag_s):
    """1 - e^(-t/T) of it after t seconds."""
    at = np.arange(600)
    answer = lagged(np.where(at >= 100, 1.0, 0.0), lag_s)
    assert answer[:100].tolist() == [0.0] * 100
    assert answer[100:] == pytest.approx(1.0 - np.exp(-(at[100:] - 99) / lag_s))


def test_the_sums_are_those_of_the_minutes():
    """The two halves together are the whole, and means are those of what went in."""
    rng = np.random.default_rng(2)
    speed = 2.4 + 0.2 * np.sin(np.arange(2000) / 200.0)
    found = minutes(rng.normal(130.0, 1.0, 2000), speed, np.zeros(2000), np.zeros(2000, dtype=bool))
    assert found is not None and [len(row) for row in found.sums] == [SIZE] * len(LAGS_S)
    count, weight, *rest = found.sums[1]
    means, first, second = rest[:4], rest[14:19], rest[19:]
    assert count == (2000 - 480) // 60 and means[1] == 0.0 and means[3] == pytest.approx(130.0, abs=0.3)
    assert first[0] + second[0] == pytest.approx(weight)
    both = first[0] * np.array(first[1:]) + second[0] * np.array(second[1:])
    assert both / weight == pytest.approx(means)
    assert means[0] == pytest.approx(2.4, abs=0.1)


def test_standing_walking_and_holes_do_not_bend_a_run():
    """A stop and a walk are no running at speed 0 or 1.5; what lies well beyond them says the same speed."""
    one = year.run(np.random.default_rng([1, 7]), 50.0, 2.6, "belt", 2.6)
    of = track(*columns(one))
    whole = minutes(of.bpm, of.speed_m_s, of.grade, of.paused)
    speed, bpm = of.speed_m_s.copy(), of.bpm.copy()
    speed[1500:1560], bpm[1500:1640] = 0.0, np.nan
    speed[2000:2030] = np.nan
    holed = minutes(bpm, speed, of.grade, of.paused)
    assert whole is not None and holed is not None
    ours, other = (fit_slopes(np.array([one.sums]), np.array(["treadmill"])).speeds(139.0)[0][0]
                   for one in (whole, holed))
    assert ours == pytest.approx(other, rel=0.02)


@pytest.mark.parametrize("kind, reason", [("silent", NO_SPEED)])
def test_what_cannot_be_told_is_refused_with_the_reason(kind, reason):
    found = figures_of(kind)
    assert found.minutes is None and found.refusal == reason


def test_short_or_empty_sessions_are_refused():
    none = np.zeros((0, 2)), np.zeros((0, 4)), ()
    empty = figures(*none, 0.0, ceiling_bpm=139, source="")
    assert empty.refusal == NO_SPEED and empty.running_s == 0
    one = year.run(np.random.default_rng(1), 12.0, 2.6, "belt", 2.6)
    assert figures(*columns(one), ceiling_bpm=139, source="").refusal == TOO_SHORT


def test_time_under_the_ceiling_follows_the_ceiling_and_leaves_pauses_out():
    beats = np.stack([np.arange(100.0), np.r_[np.full(50, 130.0), np.full(50, 141.0)]], axis=1)
    none = np.zeros((0, 4))
    found = figures(beats, none, (), 100.0, ceiling_bpm=139, source="")
    assert (found.under_s, found.over_s, found.running_s, found.ceiling_bpm) == (50, 50, 100, 139)
    commands = ((60.0, "ceiling", 145.0), (90.0, "pause", None))
    found = figures(beats, none, commands, 100.0, ceiling_bpm=139, source="")
    assert (found.under_s, found.over_s, found.ceiling_bpm) == (80, 10, 145)
    free = figures(beats, none, (), 100.0, ceiling_bpm=None, source="")
    assert free.under_s is None and free.bpm_seconds is not None
    assert free.bpm_seconds[0] == 130 and sum(free.bpm_seconds[1]) == 100
    assert look([PastSession(date(2026, 3, 2), "", free)], {}, 139.0).weeks[0].share == 0.5


# --- slopes within runs, against a statistics library ----------------------------


def invented_minutes(seed: int, runs: int = 30) -> tuple[Any, list[Any]]:
    """Kept sums of runs of a straight-line heart, and the rows they were made of."""
    rng = np.random.default_rng(seed)
    rows, sums = [], []
    for _ in range(runs):
        count = int(rng.integers(15, 40))
        values = np.stack([rng.normal(2.5, 0.2, count), rng.normal(0.0, 0.05, count),
                           np.linspace(0.0, 0.6, count), np.zeros(count)], axis=1)
        level = rng.normal(70.0, 6.0)
        values[:, 3] = level + values[:, :3] @ [26.0, 2.0, 7.0] + rng.normal(0.0, 2.0, count)
        weight = rng.uniform(0.5, 1.0, count)
        rows.append((weight, values))
        one = _sums(weight, values)
        sums.append([one] * len(LAGS_S))
    return np.array(sums), rows


def test_slopes_and_their_errors_are_those_of_a_library(monkeypatch):
    """Without prior and floor: weighted least squares within runs, errors clustered, as statsmodels."""
    library = pytest.importorskip("statsmodels.api", reason="statsmodels is not installed here")
    sums, rows = invented_minutes(3)
    monkeypatch.setattr(slopes_module, "USUAL_SD", np.full(3, 1e6))
    monkeypatch.setattr(slopes_module, "FLOOR", 0.0)
    monkeypatch.setattr(slopes_module, "PRIOR_RUNS", 0.0)
    monkeypatch.setattr(slopes_module, "_noise", lambda rest, free, sources: np.ones(len(rest)))
    mine = fit_slopes(sums, np.full(len(rows), "treadmill"))
    weight = np.concatenate([one for one, _ in rows])
    within = np.concatenate([values - np.average(values, axis=0, weights=w) for w, values in rows])
    groups = np.repeat(np.arange(len(rows)), [len(w) for w, _ in rows])
    known = library.WLS(within[:, 3], within[:, :3], weights=weight).fit(
        cov_type="cluster", cov_kwds={"groups": groups, "use_correction": False})
    assert mine.values == pytest.approx(known.params, rel=1e-6)
    # Where minutes are worth less than independent ones the information is scaled; the sandwich is not.
    # The library's own correction counts clusters and minutes; ours counts runs and slopes (CR1).
    corrected = known.bse * np.sqrt(len(rows) / (len(rows) - 3))
    assert np.sqrt(np.diag(mine.covariance)) == pytest.approx(corrected, rel=1e-4)


def test_the_level_is_generalised_least_squares(monkeypatch):
    """Without prior: coefficients and errors as statsmodels' GLS under the same covariance."""
    library = pytest.importorskip("statsmodels.api", reason="statsmodels is not installed here")
    rng = np.random.default_rng(4)
    days = np.sort(rng.uniform(-200.0, 0.0, 40))
    warm = rng.normal(0.0, 5.0, 40)
    x = np.stack([np.ones(40), days / 84.0, -warm, -np.maximum(warm, 0.0)], axis=1)
    covariance = 4e-4 * np.exp(-np.abs(days[:, None] - days[None, :]) / 5.0) + 1e-4 * np.eye(40)
    y = x @ [0.0, 0.05, 0.004, 0.002] + rng.multivariate_normal(np.zeros(40), covariance)
    monkeypatch.setattr(least_squares, "HEAT_ERROR_C", 0.0)
    mine = least_squares.Gls(x, y, np.zeros(4), np.zeros((4, 4)), covariance, slice(2, 4))
    known = library.GLS(y, x, sigma=covariance).fit()
    assert mine.coefficients == pytest.approx(known.params, rel=1e-8)
    scale = known.scale  # the library's errors are scaled by the residuals, ours by the covariance itself
    assert np.sqrt(np.diag(mine.inverse)) == pytest.approx(known.bse / math.sqrt(scale), rel=1e-8)


def test_accounts_weigh_what_the_density_of_the_runs_weighs(monkeypatch):
    """Each account's likelihood is a normal density (scipy), "no change" one under a prior without it."""
    rng = np.random.default_rng(5)
    monkeypatch.setattr(least_squares, "HEAT_ERROR_C", 0.0)
    days = np.arange(-30.0, 0.0)
    x = np.stack([np.ones(30), days / 84.0, rng.normal(0.0, 5.0, 30), rng.normal(0.0, 5.0, 30)], axis=1)
    noise = 4e-4 * np.exp(-np.abs(days[:, None] - days[None, :]) / 5.0) + 1e-4 * np.eye(30)
    y = x @ [0.0, 0.03, 0.001, 0.0] + 0.01 * (days >= -12) + rng.multivariate_normal(np.zeros(30), noise)
    spread = {line: np.diag([0.04, sd**2, 1e-4, 1e-4])
              for line, sd in ((evidence.STILL, 0.004), (evidence.STRAIGHT, 0.04), (evidence.BENT, 0.2))}
    lines = {line: np.linalg.inv(one) for line, one in spread.items()}
    fit = least_squares.Gls(x, y, np.zeros(4), lines[evidence.BENT], noise, slice(2, 4))
    step = evidence.PossibleStep("pod", -12.0, days >= -12, 0.03, 0.2)
    mine = evidence.Evidence(SimpleNamespace(fits=[fit]), lines, [step], 0.0)  # type: ignore[arg-type]

    contrast = np.array([0.0, 1.0, 0.0, 0.0])

    def density(prior: Any, more: Any) -> float:
        return float(stats.multivariate_normal(np.zeros(30), noise + x @ prior @ x.T + more).pdf(y))

    def below(prior: Any, more: Any) -> float:
        """The chance that the change is under nothing, from its posterior."""
        gain = np.linalg.solve(noise + x @ prior @ x.T + more, x @ prior @ contrast)
        variance = contrast @ prior @ contrast - gain @ (x @ prior @ contrast)
        return float(stats.norm.cdf(0.0, gain @ y, math.sqrt(variance)))

    parts = []
    for odds, more in ((1.0, np.zeros((30, 30))), (0.25, 0.03**2 * np.outer(days >= -12, days >= -12))):
        bent = spread[evidence.BENT]
        flat = bent - np.outer(bent @ contrast, bent @ contrast) / (contrast @ bent @ contrast)
        weigh = {line: odds * evidence.USUAL[line] * density(spread[line], more) for line in spread}
        nothing = weigh[evidence.STILL] + odds * evidence.USUAL[evidence.BENT] * density(flat, more)
        other = sum(weigh[line] * below(spread[line], more) for line in (evidence.STRAIGHT, evidence.BENT))
        parts.append((nothing, other, nothing + weigh[evidence.STRAIGHT] + weigh[evidence.BENT]))
    total = parts[0][2] + parts[1][2]
    value = float(contrast @ fit.coefficients)
    found = mine.doubt(contrast, value, float(contrast @ fit.inverse @ contrast), 1e9)
    assert value > 0.0 and found.nothing == pytest.approx(parts[0][0] / total, rel=1e-6)
    assert found.other == pytest.approx(parts[0][1] / total, rel=1e-6)
    assert found.step == pytest.approx((parts[1][0] + parts[1][1]) / total, rel=1e-6)


@pytest.mark.parametrize("free", [5.0, 10.0, 40.0, 300.0])
@pytest.mark.parametrize("z", [1.96, 2.58, 3.4])
def test_the_tails_are_students(free, z):
    assert student(z, free) == pytest.approx(stats.t.isf(stats.norm.sf(z), free), rel=1e-9)
    assert tails(np.array([student(z, free)]), free) == pytest.approx(stats.norm.sf(z), rel=1e-9)


@pytest.mark.parametrize(("free", "point"), [(2, 4.303), (5, 2.571), (10, 2.228), (30, 2.042)])
def test_the_tails_are_those_of_the_printed_table(free, point):
    """97.5 % points as printed in the usual tables (Fisher and Yates)."""
    assert student(1.959964, free) == pytest.approx(point, abs=0.001)
    assert tails(np.array([point]), free) == pytest.approx(0.025, abs=1e-4)


def test_a_prior_stands_in_where_runs_say_nothing():
    """One even-paced run: the slope is what is known of people, and its error is theirs."""
    even = figures_of("even").minutes
    assert even is not None
    found = fit_slopes(np.array([even.sums]), np.array(["treadmill"]))
    assert found.slope == pytest.approx(28.0, abs=3.0) and math.sqrt(found.covariance[0, 0]) > 5.0


# --- the log read in columns ---------------------------------------------------


@pytest.mark.parametrize("path", sorted(RECORDINGS.glob("*.jsonl"))[:6], ids=lambda path: path.stem)
def test_columns_are_those_of_the_log(path):
    series, recording = read_series(path), read_log(path)
    beats = [(one.t_s, one.bpm) for one in recording.inputs
             if type(one).__name__ == "Reading" and one.contact is not False]
    doubts = {one.t_s for one in recording.outputs if type(one).__name__ == "ReadingDoubted"}
    assert series.readings.tolist() == [[t, bpm] for t, bpm in beats if t not in doubts]
    assert len(series.speeds) == sum(type(one).__name__ == "Speed" for one in recording.inputs)
    assert series.end_s == pytest.approx(recording.end_s, abs=1.0)
    assert series.header == recording.header


def test_of_two_sources_of_speed_the_one_the_session_went_by_counts(tmp_path):
    """The treadmill goes before the foot pod, a typed speed before both, as in the session."""
    lines = [b'{"t":%d.0,"type":"speed","speed_m_s":%s}\n' % (t, rest) for t, rest in enumerate([
        b'2.5,"from":"treadmill"', b'2.9,"from":"foot_pod"', b'2.4,"typed":true',
        b'2.9,"from":"foot_pod"', b'2.7,"from":"treadmill"'])]
    path = tmp_path / "two.jsonl"
    path.write_bytes(HEAD + b"".join(lines))
    wanted = [2.5, 2.5, 2.4, 2.4, 2.7]
    assert read_series(path).speeds[:, 1].tolist() == wanted
    path.write_bytes(path.read_bytes() + b'{"t":9.0,"type":"rea')  # by the careful reader too
    assert read_series(path).speeds[:, 1].tolist() == wanted


HEAD = b'{"type":"session","format":1,"settings":{}}\n'


@settings(deadline=None)
@given(st.floats(0, 90_000), st.integers(0, 65_535), st.sampled_from([b"true", b"false", b"null"]))
def test_every_time_reads_back_to_the_same_number(tmp_path_factory, t_s, bpm, contact):
    path = tmp_path_factory.getbasetemp() / "one.jsonl"
    line = b'{"t":%s,"type":"reading","bpm":%d,"contact":%s,"rr_s":[]}\n' % (
        json.dumps(t_s).encode(), bpm, contact)
    path.write_bytes(HEAD + line)
    assert read_series(path).readings.tolist() == ([] if contact == b"false" else [[t_s, float(bpm)]])


@settings(max_examples=100, deadline=None)
@given(st.lists(st.sampled_from([
    b'{"t":1.0,"type":"reading","bpm":131,"contact":true,"rr_s":[]}\n',
    b'{"t":2.5,"type":"reading","contact":null,"bpm":132}\n', b'{"t":3,"type":"speed","speed_m_s":2.5}\n',
    b'{"t":4.0,"type":"reading","bpm":"x","contact":true}\n', b"\0\0\0\0\n", b"\n", b"junk\n",
    b'{"t":1e999,"type":"reading","bpm":131,"contact":true}\n', b'{"t":5.0,"type":"doubt","reason":"x"}\n',
    b'{"t":99999999999999999999.0,"type":"reading","bpm":1,"contact":true}\n', b'[1,2]\n', b"{}\n",
    b'{"t":6.0,"type":"command","action":"pause"}\n', b'{"t":7.0,"type":"speed","spe']), max_size=8))
def test_damaged_logs_are_read_as_far_as_they_go(tmp_path_factory, lines):
    """The quick reader and the careful one agree on anything; neither falls over."""
    path = tmp_path_factory.getbasetemp() / "damaged.jsonl"
    path.write_bytes(HEAD + b"".join(lines))
    series, recording = read_series(path), read_log(path)
    doubts = {one.t_s for one in recording.outputs}
    assert series.readings.tolist() == [
        [one.t_s, one.bpm] for one in recording.inputs
        if type(one).__name__ == "Reading" and one.t_s not in doubts]


def test_what_is_no_log_is_named(tmp_path):
    (tmp_path / "x.jsonl").write_text("hello\n")
    with pytest.raises(InputError, match=r"x\.jsonl"):
        read_series(tmp_path / "x.jsonl")
    with pytest.raises(InputError, match="cannot read"):
        read_series(tmp_path / "missing.jsonl")


# --- the months ----------------------------------------------------------------

BY_NAME = {row.name: row for row in lab_runners.ROWS}


def told_of(name: str, seed: int) -> tuple[Any, Any]:
    past = lab_runners.history(BY_NAME[name], seed)
    return past, lab.looks(past)


def test_a_gain_is_told_and_its_interval_holds_the_truth():
    """+10 % in 12 weeks with 60 % even-paced runs (`tests.lab.months` has a hundred of each)."""
    for seed in (2, 3):
        past, looks = told_of("gain-60", seed)
        day, last = looks[-1]
        assert any(look.recent.verdict is Verdict.GAIN for _, look in looks)
        assert last.recent.low <= lab.true_change(past, day, last.recent.change.days) <= last.recent.high


@pytest.mark.parametrize("name", ["still-half", "warmer", "moved", "belt-high", "hills", "faults"])
def test_what_is_no_change_of_the_runner_is_no_claim(name):
    _, looks = told_of(name, 5)
    assert not any(told.verdict in lab.CLAIMS for _, look in looks for told in (look.recent, look.season))


def test_a_medicine_is_asked_about_and_no_gain():
    """12 bpm off from week 16, on belt and pod alike: no step of one source could be it. Then the answers."""
    past, looks = told_of("medicine", 5)
    assert not any(told.verdict in lab.CLAIMS for _, look in looks for told in (look.recent, look.season))
    asked = [look.level.step for _, look in looks if look.recent.verdict is Verdict.ASKED]
    assert asked and all(step.source == "" and abs(step.day - 7 * 16) <= 7 for step in asked)
    known = lab.kept(past)
    took = np.where(known.runs.days >= 7 * 16, "tablets", "")
    named = lab.looked(replace(known, runs=replace(known.runs, hearts=took)), 7 * 26 - 1.0, None)
    assert named and named.recent.verdict not in (*lab.CLAIMS, Verdict.ASKED)
    assert named.recent.low < 0 < named.recent.high
    denied = lab.looked(replace(known, runs=replace(known.runs, same=((), (7 * 16.0,)))), 7 * 26 - 1.0, None)
    assert denied and denied.level.step and abs(denied.level.step.day - 7 * 16) > 42


def test_a_season_without_temperatures_is_no_claim():
    _, looks = told_of("unwritten", 1)
    assert all(look.level.unwritten and look.recent.verdict is Verdict.UNKNOWN for _, look in looks)
    assert looks[-1][1].season.low < 0 < looks[-1][1].season.high


def test_a_new_pod_that_is_named_is_no_gain():
    """Twenty runs, then a pod that reads 8 % high: told as a step or gain, unless the journal names it."""
    sessions = []
    rng = np.random.default_rng(9)
    for number in range(40):
        one = year.run(rng, 45.0, 2.6, "pod", 2.6)
        high = 1.08 if number >= 20 else 1.0
        speeds = [(t, speed * high, typed) for t, speed, typed in one.speeds]
        found = figures(*columns(replace(one, speeds=speeds)), ceiling_bpm=139.0, source="foot pod")
        sessions.append(PastSession(year.BEGINS + timedelta(days=3 * number), "", found))
    warm = {"temperature_c": {session.day: 12.0 for session in sessions}}
    changed = sessions[20].day
    blind = look(sessions, warm, 139.0)
    assert blind.verdict in (Verdict.ASKED, Verdict.GAIN) and blind.recent and blind.recent.share > 0.03
    assert blind.step_day is not None and abs((blind.step_day - changed).days) <= 6
    named = look(sessions, warm, 139.0, named=Named({changed: "new pod"}))
    assert named.verdict not in lab.CLAIMS and named.recent and named.recent.low < 0 < named.recent.high
    assert {point.source for point in named.points} == {"foot pod", "foot pod: new pod"}


# --- weeks, checks, journal ----------------------------------------------------


def test_weeks_shares_gaps_and_jumps():
    monday = date(2026, 3, 2)

    def run(week: int, day: int, hours: float) -> Run:
        return Run(monday + timedelta(weeks=week, days=day), 3600 * hours, 3600 * hours * 0.9, 360 * hours)

    runs = [run(week, day, 1.0) for week in (0, 1, 2, 4, 5) for day in (1, 4)]
    runs += [run(6, day, 1.0) for day in (0, 2, 4, 6)]
    found = weeks(runs, monday + timedelta(weeks=8))
    assert [week.runs for week in found] == [2, 2, 2, 0, 2, 2, 4, 0, 0]
    assert found[0].share == pytest.approx(0.9) and found[3].share is None
    assert [week.begins for week in found if week.jump] == [monday + timedelta(weeks=6)]
    assert found[6].jump == pytest.approx(1.0)  # 4 h after a usual 2 h; the week off is no base
    regular = consistency(found, [run.day for run in runs])
    assert regular is not None and (regular.weeks, regular.with_runs) == (9, 6)
    assert regular.longest_gap_days == 11 and share_of(found) == pytest.approx(0.9)
    since = consistency(found, [run.day for run in runs], monday + timedelta(weeks=9))
    assert since is not None and since.longest_gap_days == 15  # from the last run to today


def test_a_check_is_read_over_the_last_two_minutes_of_its_test_parts():
    parts = [("warm_up", "w", 600.0), ("test", "slow", 420.0), ("test", "short", 100.0),
             ("test", "fast", 420.0)]
    bpm = np.full(1600, 100.0)
    bpm[900:1020], bpm[1420:1540] = 120.0, 135.0
    speed = np.full(1600, 2.3)
    speed[1120:] = np.nan
    found = check_parts(parts, bpm, speed, ())
    assert [(part.name, part.bpm, part.speed_m_s) for part in found] == [
        ("slow", 120.0, pytest.approx(2.3)), ("fast", 135.0, None)]
    # A minute's pause moves everything after it; a skipped warm-up brings it forward.
    moved = check_parts(parts, np.r_[np.full(700, 100.0), np.full(60, 80.0), bpm[700:]],
                        np.r_[speed[:700], np.full(60, np.nan), speed[700:]],
                        ((700.0, "pause", None), (760.0, "continue", None)))
    assert [part.bpm for part in moved] == [120.0, 135.0]
    early = check_parts(parts, bpm[100:], speed[100:], ((500.0, "skip_part", None),))
    assert [part.bpm for part in early] == [120.0, 135.0]


def test_checks_are_told_apart_only_beyond_the_typical_error():
    """A pair needs about 12 bpm at 140: 1.96 * sqrt(2) * 3 % (Buchheit 2014); a series less."""
    def part(bpm: float) -> Any:
        return check_parts([("test", "slow", 420.0)], np.full(430, bpm), np.full(430, 2.4), ())

    def difference(*later: float) -> Any:
        first = date(2026, 1, 5)
        return over_all_checks([(first + timedelta(days=30 * k), part(bpm))
                                for k, bpm in enumerate((146.0, *later))])

    assert difference(134.0).error_bpm == pytest.approx(11.6, abs=0.1)
    assert not difference(138.0).told and difference(133.0).told
    year_long = difference(*np.linspace(145.0, 137.0, 11))
    assert year_long.checks == 12 and year_long.told and year_long.error_bpm < 8.0
    one_bad_day = difference(146.0, 147.0, 145.0, 146.0, 134.0)
    assert not one_bad_day.told, "the whole series counts, not its two ends"
    assert over_all_checks([(date(2026, 1, 5), part(140.0))]) is None


def test_the_shift_is_hodges_and_lehmanns():
    """Permeability of the human chorioamnion, Hollander & Wolfe, table 4.1 (as in R's wilcox.test):
    estimate 0.305, here with the normal interval around it."""
    term = np.array([0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46])
    early = np.array([1.15, 0.88, 0.90, 0.74, 1.21])
    found = shift(term, early)
    assert found.value == pytest.approx(0.305)
    assert found.low < 0 < found.value < found.high


def test_short_sleep_is_found_and_shown_beside_the_runs():
    first = date(2026, 1, 5)
    sleep = {first + timedelta(days=n): 5.5 if 70 <= n < 98 else 7.5 for n in range(180)}
    runs = [(first + timedelta(days=n), -(0.1 if 70 <= n < 98 else 0.0) + 0.01 * (n % 3))
            for n in range(0, 180, 2)]
    (spell,) = short_sleep(sleep, runs)
    assert (spell.begins, spell.ends) == (first + timedelta(days=70), first + timedelta(days=97))
    assert spell.speed_m_s is not None and spell.speed_m_s.value == pytest.approx(-0.1, abs=0.01)
    assert short_sleep({day: 7.5 for day in sleep}, runs) == []


def test_what_to_look_at_first_says_what_got_worse_and_what_is_missing():
    until = date(2026, 6, 30)
    daily = {"sleep_h": {until - timedelta(days=n): 6.0 if n < 84 else 7.4 for n in range(168)}}
    by_key = {check.key: check for check in checks(daily, until, 84)}
    assert by_key["sleep_h"].worse and by_key["sleep_h"].before == pytest.approx(7.4)
    assert by_key["food"].now is None and not by_key["food"].worse


# --- the year ------------------------------------------------------------------


def test_the_year_tells_the_story_it_was_made_with(told):
    story = year.Story()
    ended = year.BEGINS + timedelta(weeks=story.gain_weeks)
    gains = [month["until"] for month in told["months"] if month["verdict"] == "gain"]
    assert gains and all(date.fromisoformat(until) < ended + timedelta(days=90) for until in gains)
    season, truth = told["season"], story.gain_m_s / story.start_m_s
    assert season["verdict"] == "gain" and season["low"] < truth < season["high"]
    assert told["recent"]["low"] < 0 < told["recent"]["high"] and told["recent"]["verdict"] != "gain"
    (spell,) = told["short_sleep"]
    assert story.short_sleep is not None
    assert spell["begins"] == str(year.BEGINS + timedelta(weeks=story.short_sleep[0]))
    assert spell["ends"] == str(year.BEGINS + timedelta(weeks=story.short_sleep[1], days=-1))
    assert spell["speed_beside_m_s"]["high"] < 0
    assert len(told["checks"]) >= 12 and all(len(check["stretches"]) == 3 for check in told["checks"])
    assert told["check_difference"]["checks"] == len(told["checks"]) and told["check_difference"]["told"]
    reached = story.start_m_s + story.gain_m_s
    assert told["speed_now_m_s"]["low"] < reached < told["speed_now_m_s"]["high"]
    assert told["learned"]["bpm_per_m_s"] == pytest.approx(year.SLOPE, abs=3.0)


def test_runs_without_figures_say_why(told):
    assert set(told["refusals"]) >= {NO_SPEED}
    assert len(told["runs"]) == sum(told["refusals"].values()) + sum(
        run["speed_at_ceiling_m_s"] is not None for run in told["runs"])


def test_the_screen_says_it_in_words_first_and_fits(home):
    answer = guard("progress", "--ceiling", "139", home=home)
    assert answer.returncode == 0 and answer.stderr == ""
    assert all(len(line) < 80 for line in answer.stdout.splitlines())
    text = " ".join(answer.stdout.split())
    first = text.index("You have")
    assert first < text.index("99 % interval") < text.index("SPEED AT THE CEILING") < text.index("WEEKS")
    assert "% aimed at" not in text and "15 to 20" not in text and text.count("99 % interval") <= 2
    mile = guard("progress", "--ceiling", "139", "--set", "units=mile", home=home)
    assert "min/mile" in mile.stdout and "min/km" not in mile.stdout


def test_without_a_ceiling_that_of_the_logs_counts(home):
    answer = guard("progress", home=home)
    assert answer.returncode == 0 and "139 bpm" in answer.stderr
    assert answer.stdout == guard("progress", "--ceiling", "139", home=home).stdout


def test_a_log_that_ends_long_ago_is_said_with_a_way_back():
    sessions = [PastSession(date(2026, 1, 5) + timedelta(days=3 * n), "", figures_of("belt", n))
                for n in range(20)]
    months = look(sessions, {}, 139.0, today=date(2026, 10, 1))
    said = " ".join(words.today_sentences(months))
    assert months.idle_days == 212 and "No run for 30 weeks" in said
    assert "how things stood on 3 Mar 2026" in said
    assert "licensed professional" in said and "common practice" in said
    assert months.weeks[-1].begins == date(2026, 9, 28) and months.weeks[-1].runs == 0
    assert months.consistency is not None and months.consistency.with_runs < 12
    assert words.today_sentences(look(sessions, {}, 139.0, today=date(2026, 3, 8))) == []
    ill = {"ill": {date(2026, 3, 7): 2.0}}
    said = " ".join(words.today_sentences(look(sessions, ill, 139.0, today=date(2026, 3, 8))))
    assert "fever or symptoms below the neck" in said and "No run until it has passed" in said
    ill["ill"][date(2026, 3, 8)] = 0.0
    assert words.today_sentences(look(sessions, ill, 139.0, today=date(2026, 3, 8))) == []


@pytest.mark.parametrize(("low", "high", "says"), [
    (-0.12, 0.31, "between 12 % slower and 31 % faster"), (0.03, 0.081, "3 % to 8.1 % faster"),
    (-0.05, -0.02, "2 % to 5 % slower"), (-0.05, np.inf, "slower or faster, without limit")])
def test_a_change_says_its_way_in_words(low, high, says):
    assert words.ways(low, high) == says


def test_a_screen_without_unicode_stays_plain(home):
    answer = subprocess.run(
        [sys.executable, "-m", "guard", "progress", "--ceiling", "139"], capture_output=True, timeout=60,
        check=True, env={**os.environ, "GUARD_HOME": str(home), "PYTHONIOENCODING": "ascii"})
    assert answer.stdout.isascii()


class _Page(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.links: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.links += [value or "" for key, value in attrs if key in ("src", "href", "xlink:href")]


def test_the_page_stands_alone(home, tmp_path):
    target = tmp_path / "months.html"
    assert guard("progress", "--ceiling", "139", "--html", str(target), home=home).returncode == 0
    text = target.read_text(encoding="utf-8")
    page = _Page()
    page.feed(text)
    assert page.tags.count("svg") == 2 and "script" not in page.tags and not page.links
    assert not re.search(r"https?:|@import|url\((?!#)", text)
    assert "prefers-color-scheme: dark" in text and "@media print" in text and "default-src 'none'" in text
    again = guard("progress", "--ceiling", "139", "--html", str(target), home=home)
    assert again.returncode == 2 and "--force" in again.stderr


def test_rows_for_a_spreadsheet(home, told):
    answer = guard("progress", "--ceiling", "139", "--csv", "-", home=home)
    table = list(csv.DictReader(io.StringIO(answer.stdout)))
    assert len(table) == len(told["runs"])
    speeds = [run["speed_at_ceiling_m_s"] for run in told["runs"]]
    assert [row["speed_at_ceiling_m_s"] for row in table] == [
        "" if speed is None else str(speed) for speed in speeds]


def test_a_changed_log_is_read_again_and_a_damaged_cache_made_anew(tmp_path):
    rng = np.random.default_rng(1)
    folder = tmp_path / "data" / "sessions"
    folder.mkdir(parents=True)
    for number in range(3):
        one = year.run(rng, 45.0, 2.6, "belt", 2.6)
        started = year.datetime(2026, 3, 2 + number, 6, 10, tzinfo=year.UTC)
        year.write(folder / f"2026-03-0{2 + number}_0610.jsonl", one, started)
    first = guard("progress", "--ceiling", "139", "--json", home=tmp_path).stdout
    (cache,) = [path for path in (tmp_path / "cache" / "progress").glob("*.json") if path.stem != "links"]
    assert cache.stat().st_mode & 0o777 == 0o600
    cache.write_bytes(cache.read_bytes()[:-7])
    assert guard("progress", "--ceiling", "139", "--json", home=tmp_path).stdout == first
    year.write(folder / "2026-03-02_0610.jsonl", year.run(rng, 45.0, 2.4, "belt", 2.4),
               year.datetime(2026, 3, 2, 6, 10, tzinfo=year.UTC))
    (folder / "broken.jsonl").write_text("no log\n")
    answer = guard("progress", "--ceiling", "139", "--json", home=tmp_path)
    assert answer.returncode == 0 and "broken.jsonl is left out" in answer.stderr
    assert json.loads(answer.stdout)["runs"][0] != json.loads(first)["runs"][0]
    cache.unlink()
    assert guard("progress", "--ceiling", "139", "--json", home=tmp_path).stdout == answer.stdout


def test_what_is_missing_is_said_with_the_fix(tmp_path):
    answer = guard("progress", "--ceiling", "139", home=tmp_path)
    assert answer.returncode == 3 and "guard run" in answer.stderr
    file = tmp_path / "runs.csv"
    file.write_text("s,hr\n" + "".join(f"{t},{120 + t % 3}\n" for t in range(900)))
    folder = tmp_path / "data" / "sessions"
    folder.mkdir(parents=True)
    made = ["import", str(file), "--time", "s", "--heart-rate", "hr", "-o", str(folder / "a.jsonl")]
    assert "--date" in guard(*made, home=tmp_path).stderr
    answer = guard("progress", home=tmp_path)
    assert answer.returncode == 3 and "a.jsonl is left out: it has no date" in answer.stderr
    assert guard(*made, "--force", "--date", "2026-03-02", home=tmp_path).returncode == 0
    answer = guard("progress", home=tmp_path)
    assert answer.returncode == 2 and "--ceiling" in answer.stderr
    answer = guard("progress", "--ceiling", "139", home=tmp_path)
    assert answer.returncode == 0 and "Too early to tell: 0 runs" in answer.stdout


def test_the_journal_names_a_new_source_of_speed(tmp_path):
    folder = tmp_path / "data" / "sessions"
    folder.mkdir(parents=True)
    for number in range(3):
        started = year.datetime(2026, 3, 2 + number, 6, 10, tzinfo=year.UTC)
        year.write(folder / f"2026-03-0{2 + number}_0610.jsonl",
                   year.run(np.random.default_rng(number), 30.0, 2.6, "belt", 2.6), started)
    assert guard("journal", "--date", "2026-03-03", "--speed-from", "gym belt", home=tmp_path).returncode == 0
    runs = json.loads(guard("progress", "--json", home=tmp_path).stdout)["runs"]
    assert [run["speed_from"] for run in runs] == ["treadmill", "treadmill: gym belt", "treadmill: gym belt"]


def test_few_runs_say_that_it_is_too_early():
    sessions = [PastSession(date(2026, 3, 2) + timedelta(days=3 * n), "", figures_of("belt", n))
                for n in range(4)]
    months = look(sessions, {}, 139.0)
    assert months.verdict is Verdict.UNKNOWN and months.recent is None
    assert words.headline(months, "km").startswith("Too early to tell: 4 runs with speed so far, and")
    assert all(point.speed is not None for point in months.points), "each still tells its own speed"
    silent = look([replace(sessions[0], figures=figures_of("silent"))], {}, 139.0)
    assert silent.verdict is Verdict.UNKNOWN and silent.points[0].speed is None


def test_unnatural_kept_sums_are_not_believed():
    """A damaged cache is worked out again: products of columns that no minutes can have are refused."""
    kept = asdict(figures_of("belt"))
    assert figures_from(kept, [])[0] == figures_of("belt")
    spoilt = [list(row) for row in kept["minutes"]["sums"]]
    spoilt[1][9] = 1e6  # a covariance far beyond both variances
    with pytest.raises(ValueError, match="sums"):
        figures_from({**kept, "minutes": {**kept["minutes"], "sums": spoilt}}, [])


@pytest.mark.slow
@pytest.mark.parametrize("name, claims", [("still-half", 3), ("warmer", 3), ("moved", 3), ("gain-60", 101)])
def test_the_table_holds_on_thirty_histories(name, claims):
    found = lab.measure(BY_NAME[name], range(30))
    assert isinstance(found["claims"], float) and found["claims"] <= claims
    assert isinstance(found["recent"], dict) and found["recent"]["covered"] >= 93
    if BY_NAME[name].want == "gain":
        assert isinstance(found["gain"], float) and found["gain"] >= 90


@pytest.mark.parametrize("factor", numbers([], []))
def test_a_link_names_each_item_of_the_journal_in_words(factor):
    clear = Correlation(factor, "pace", 0.6, 0.3, 0.8, 0.6, 40, 35.0, 0.001, 0.01, 10)
    assert "_" not in words.link_sentences([clear])[0]
