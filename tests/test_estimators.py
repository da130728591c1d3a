"""The comparison of estimators: rivals that are what they are called, figures that come from runs."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.stats import siegelslopes

from guard.errors import InputError, UsageError
from tests.lab.estimators import estimators
from tests.lab.estimators.filters import (
    CONTENDERS,
    GatedKalman,
    Holt,
    HoltConstants,
    KalmanConstants,
    LastReading,
    MedianConstants,
    OfTheGuard,
    RepeatedMedian,
    median,
)
from tests.lab.estimators.trial import Signals, figures, lag_s, measured, simulated, without_stuck

RIVALS = [Holt, RepeatedMedian, GatedKalman, OfTheGuard]


@pytest.fixture(scope="module")
def few() -> Signals:
    return simulated("hills", 3, 13.0, "dev")


def test_repeated_median_agrees_with_a_reference_library() -> None:
    """scipy's siegelslopes (Siegel 1982) on every window, gaps, spikes and all."""
    rng = np.random.default_rng(4)
    n, length = 3, 40
    values = 120 + 0.3 * np.arange(length)[:, None] + rng.normal(0, 2, (length, n))
    values[rng.random((length, n)) < 0.15] = np.nan
    values[20, :] += 70
    ours = RepeatedMedian(n, MedianConstants(window_s=15))
    for t, row in enumerate(values):
        ours.step(float(t), row)
        for lane in range(n):
            window = values[max(0, t - 14):t + 1, lane]
            known = ~np.isnan(window)
            if known.sum() >= 5:
                back = np.arange(len(window))[known] - (len(window) - 1)
                slope, level = siegelslopes(window[known], back)
                assert ours.slope_bpm_s[lane] == pytest.approx(slope)
                assert ours.level_bpm[lane] == pytest.approx(level)


def test_median_leaves_out_what_is_unknown() -> None:
    rng = np.random.default_rng(1)
    values = rng.normal(0, 1, (50, 7))
    values[rng.random(values.shape) < 0.4] = np.nan
    values[:, 0] = rng.normal(0, 1, 50)
    assert median(values) == pytest.approx(np.nanmedian(values, axis=1))
    assert np.isnan(median(np.full((1, 3), np.nan))).all()


def kalata(index: float) -> tuple[float, float]:
    """Steady gains of a level-slope tracker from its tracking index (Kalata 1984)."""
    root = (4.0 + index - np.sqrt(8.0 * index + index * index)) / 4.0
    alpha = 1.0 - root * root
    return alpha, 2.0 * (2.0 - alpha) - 4.0 * np.sqrt(1.0 - alpha)


@pytest.mark.parametrize(("slope_sd", "reading_sd"), [(0.02, 2.0), (0.1, 1.0)])
def test_kalman_settles_at_the_published_gains_and_is_then_exponential_smoothing(
    slope_sd: float, reading_sd: float
) -> None:
    rng = np.random.default_rng(2)
    kalman = GatedKalman(1, KalmanConstants(slope_sd, reading_sd, gate_sd=50.0))
    alpha, beta = kalata(slope_sd / reading_sd)
    holt = Holt(1, HoltConstants(alpha, beta / alpha))
    for t in range(1500):
        reading = np.array([130.0 + 10 * np.sin(t / 80) + rng.normal()])
        kalman.step(float(t), reading)
        holt.step(float(t), reading)
    assert [float(gain[0]) for gain in kalman.gains] == pytest.approx([alpha, beta], rel=1e-6)
    assert kalman.level_bpm == pytest.approx(holt.level_bpm, abs=1e-6)
    assert kalman.slope_bpm_s == pytest.approx(holt.slope_bpm_s, abs=1e-6)


@pytest.mark.parametrize("kind", [Holt, RepeatedMedian, GatedKalman])
def test_a_straight_line_is_followed_without_error(kind: Any) -> None:
    contender = kind(2)
    for t in range(600):
        contender.step(float(t), np.array([100 + 0.1 * t, 160 - 0.05 * t]))
    assert contender.slope_bpm_s == pytest.approx([0.1, -0.05], abs=1e-3)
    assert contender.ahead(20.0)[0] == pytest.approx([100 + 61.9, 160 - 30.95], abs=0.1)


@pytest.mark.parametrize("kind", [RepeatedMedian, GatedKalman, OfTheGuard])
def test_robust_ones_are_not_moved_by_one_spike_and_smoothing_is(kind: Any) -> None:
    def level_after_spike(make: Any) -> float:
        contender = make(1)
        for t in range(200):
            contender.step(float(t), np.array([130.0 if t != 199 else 200.0]))
        return float(contender.level_bpm[0])

    assert level_after_spike(kind) == pytest.approx(130.0, abs=0.5)
    assert level_after_spike(Holt) > 131.0


@pytest.mark.parametrize("kind", RIVALS)
def test_a_gap_and_unknown_readings_leave_numbers(kind: Any) -> None:
    contender = kind(2)
    for t in (0.0, 1.0, 2.5, 3.0, 4.0, 5.0, 6.0, 30.0, 31.0):
        contender.step(t, np.array([130.0, np.nan]))
    level, sd = contender.ahead(17.0)
    assert 120 < level[0] < 140 and np.isfinite(sd[0]) and np.isnan(level[1])


def test_lag_finds_a_known_shift() -> None:
    t = np.arange(900.0)
    true = 130 + 10 * np.sin(t / 40.0)[:, None] + np.array([[0.0, 5.0]])
    late = 130 + 10 * np.sin((t - 7.3) / 40.0)[:, None] + np.array([[0.0, 5.0]])
    assert lag_s(late[120:], true, 120) == pytest.approx([7.3, 7.3], abs=0.05)
    assert lag_s(true[120:], true, 120) == pytest.approx([0.0, 0.0], abs=0.05)


class Off:
    """Always `off` bpm beside the reading, and says its SD is `sd`."""

    def __init__(self, n: int, off: float, sd: float) -> None:
        self._off, self._sd = off, sd
        self.level_bpm = np.full(n, np.nan)
        self.slope_bpm_s = np.zeros(n)
        self.sd_bpm = np.full(n, sd)

    def step(self, t_s: float, bpm: Any) -> None:
        self.level_bpm = np.where(np.isnan(bpm), self.level_bpm, bpm + self._off)

    def ahead(self, reach_s: float) -> tuple[Any, Any]:
        return self.level_bpm, self.sd_bpm


def test_figures_measure_what_they_say() -> None:
    seconds, n = 600, 2
    true = np.tile(130 + 0.05 * np.arange(seconds)[:, None], (1, n))
    faulty = true.copy()
    faulty[300:330, 0] += 40.0
    faulty[400:420, 1] = np.nan
    signals = Signals(true, true, faulty)
    found = figures(lambda lanes: Off(lanes, 3.0, 1.0), signals)
    assert found.rmse_bpm == pytest.approx([3.0, 3.0])
    assert found.rmse_ahead_bpm == pytest.approx([2.0, 2.0])  # the truth climbs 1 bpm in 20 s
    assert np.isnan(found.rmse_climb_bpm).all()
    assert found.covered == pytest.approx([0.0, 0.0])
    assert found.excursion_bpm == pytest.approx([40.0, 0.1])  # two seconds of climb missed in a gap
    assert found.misled == pytest.approx([30 / 600, 0.0])
    sure = figures(lambda lanes: Off(lanes, 1.5, 1.0), signals)
    assert sure.covered == pytest.approx([1.0, 1.0])
    steep = Signals(true * 6, true * 6, true * 6)
    assert figures(LastReading, steep).rmse_climb_bpm == pytest.approx([6.0, 6.0])


def test_a_stuck_value_is_dropped_for_everybody() -> None:
    bpm = np.array([[130.0]] * 30)
    has_rr = np.array([[t < 5] for t in range(30)])
    kept = without_stuck(bpm, has_rr)
    assert np.isnan(kept[:, 0]).tolist() == [t >= 14 for t in range(30)]


def test_clean_and_faulty_straps_differ_by_faults_alone(few: Signals) -> None:
    same = few.clean_bpm == few.faulty_bpm
    assert 0.8 < same.mean() < 1.0
    assert np.nanmax(np.abs(few.faulty_bpm - few.clean_bpm)) > 30
    assert np.abs(few.clean_bpm - few.true_bpm).mean() < 4


def test_dev_and_report_runners_are_different_ones(few: Signals) -> None:
    again, report = (simulated("hills", 3, 13.0, which) for which in ("dev", "report"))
    assert np.array_equal(again.faulty_bpm, few.faulty_bpm, equal_nan=True)
    assert not np.array_equal(report.true_bpm, few.true_bpm)


def test_the_estimate_of_the_guard_is_pulled_less_than_the_readings(few: Signals) -> None:
    last, ours = (figures(make, few) for make in (LastReading, OfTheGuard))
    assert ours.excursion_bpm.mean() < last.excursion_bpm.mean() / 2
    assert ours.misled.mean() < last.misled.mean()


def test_the_command_prints_a_table_and_its_json_agrees(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out.json"
    few = ["--course", "hills", "--runners", "2", "--minutes", "6", "--jobs", "1"]
    assert estimators.main([*few, "--json", str(out)]) == 0
    printed = capsys.readouterr().out
    report = json.loads(out.read_text())
    assert report["format"] == 1 and report["seed_set"] == "dev"
    results = report["courses"]["hills"]
    assert list(results) == list(CONTENDERS) and len(results) >= 5
    for name, result in results.items():
        assert list(result) == list(estimators.FIGURES)
        assert (result["covered"] is None) == (name == "last")
        value, low, high = result["rmse_bpm"]
        assert low <= value <= high
        assert f"{value:.2f} [{low:.2f} {high:.2f}]" in printed
    assert len({result["rmse_bpm"][0] for result in results.values()}) == len(results)
    assert max(map(len, printed.splitlines())) <= 120


def write_record(path: Path, seconds: int = 400) -> Path:
    """An invented beat-by-beat record: from rest to running, constant 20 s."""
    t_s, lines = 0.0, []
    while t_s < seconds:
        bpm = 90 + 60 * (1 - np.exp(-max(t_s - 150, 0) / 20.0))
        lines.append(f"{t_s:.3f}\t{bpm:.4f}")
        t_s += 60.0 / bpm
    path.write_text("\n".join([*lines, f"{seconds + 1} 0"]) + "\n")
    return path


def test_a_measured_record_is_sampled_as_a_strap_would(tmp_path: Path) -> None:
    signals = measured(write_record(tmp_path / "beats.txt"), 3, "dev")
    assert signals.true_bpm.shape[1] == 3
    # Averaging 5 s trails by 2.5 s: 7.5 bpm at the steepest of 60 bpm with 20 s.
    off = signals.true_bpm - signals.clean_bpm
    assert 3 < off.max() < 9 and np.abs(off[-60:]).max() < 1
    assert lag_s(signals.clean_bpm[120:], signals.true_bpm, 120) == pytest.approx([2.5] * 3, abs=1.0)
    assert not np.array_equal(signals.faulty_bpm[:, 0], signals.faulty_bpm[:, 1], equal_nan=True)


@pytest.mark.parametrize("text", ["", "one two\n", "1 2 3\n", "0 100\n1 100\n"])
def test_a_record_that_is_none_is_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "wrong.txt"
    path.write_text(text)
    with pytest.raises(InputError, match=r"wrong\.txt"):
        measured(path, 2, "dev")


@pytest.mark.parametrize("words", [
    ["--course", "moon"], ["--runners", "1"], ["--minutes", "2"], ["--tune", "--seed-set", "report"]])
def test_wrong_use_is_refused(words: list[str]) -> None:
    with pytest.raises(UsageError):
        estimators.main(words)


def test_search_takes_the_best_of_its_grid(
    few: Signals, monkeypatch: pytest.MonkeyPatch
) -> None:
    grid = {"window_s": (7.0, 13.0)}
    monkeypatch.setattr(estimators, "GRIDS", {"median": (RepeatedMedian, MedianConstants, grid)})
    few = Signals(few.true_bpm[480:], few.clean_bpm[480:], few.faulty_bpm[480:])
    ((name, chosen, error),) = estimators.tuned([few])
    worn = Signals(few.true_bpm, few.faulty_bpm, few.faulty_bpm)
    each = {}
    for window in grid["window_s"]:
        found = [figures(lambda n, w=window: RepeatedMedian(n, MedianConstants(w)), one)
                 for one in (few, worn)]
        each[window] = np.mean([
            (one.rmse_ahead_bpm.mean() + np.nanmean(one.rmse_climb_bpm)) / 2 for one in found])
    assert name == "median" and error == pytest.approx(min(each.values()))
    assert each[chosen["window_s"]] == pytest.approx(error)
