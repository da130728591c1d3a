"""Links between journal and runs: the arithmetic, and what they keep silent about."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter
from scipy.stats import rankdata, spearmanr

from guard.journal.links import FEWEST_PAIRS, effective_pairs, holm, links, ranks


def noise(seed: int, n: int, *, memory: float = 0.0, count: int = 2) -> np.ndarray:
    """`count` series that have nothing to do with each other; each remembers its last value."""
    rng = np.random.default_rng(seed)
    steps = rng.normal(size=(count, n + 100))
    return lfilter([1.0], [1.0, -memory], steps)[:, 100:]


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("step", [None, 1.0, 2.5])
def test_rho_equals_that_of_scipy_ties_included(seed, step):
    x, y = noise(seed, 45)
    if step:
        x, y = np.round(x / step), np.round(y / step)
    assert np.array_equal(ranks(x), rankdata(x))
    (link,) = links({"sleep": list(x)}, {"speed": list(y)})
    assert link.rho == pytest.approx(spearmanr(x, y).statistic, abs=1e-12)
    assert link.low < link.rho < link.high and link.pairs == 45


def test_the_published_example_of_spearmans_coefficient():
    """IQ and hours of television of ten people: rho = -29/165 = -0.1758 (a worked example common in
    statistics teaching); given twice here, which changes no rank correlation but makes 20 pairs."""
    iq = [106, 100, 86, 101, 99, 103, 97, 113, 112, 110]
    hours = [7, 27, 2, 50, 28, 29, 20, 12, 6, 17]
    (link,) = links({"iq": iq * 2}, {"hours": hours * 2})
    assert link.rho == pytest.approx(-29 / 165, abs=1e-12)


def test_the_interval_is_bonett_and_wrights():
    x, y = noise(5, 40)
    (link,) = links({"a": list(x)}, {"b": list(y)})
    error = np.sqrt((1 + link.rho ** 2 / 2) / (link.effective_pairs - 3))
    assert np.arctanh([link.low, link.high]) == pytest.approx(
        np.arctanh(link.rho) + np.array([-1, 1]) * 1.95996 * error, abs=1e-4)


@pytest.mark.parametrize("memory", [0.0, 0.8])
def test_the_interval_holds_the_true_coefficient(memory):
    """Two series with Pearson 0.6: Spearman's is 6/pi asin(0.3) = 0.582 (Pearson 1907)."""
    inside = 0
    for seed in range(100):
        x, other = noise(seed, 80, memory=memory)
        (link,) = links({"a": list(x)}, {"b": list(0.6 * x + 0.8 * other)})
        inside += link.low <= 6 / np.pi * np.arcsin(0.3) <= link.high
    assert inside >= 88  # 95 expected


def test_silent_below_twenty_pairs_and_without_variation():
    x, y = noise(1, FEWEST_PAIRS)
    assert links({"a": list(x)}, {"b": list(y)})
    gone = [None, *x[1:]]
    assert links({"a": gone}, {"b": list(y)}) == []
    assert links({"a": [float("nan"), *x[1:]]}, {"b": list(y)}) == []
    assert links({"a": [7.0] * FEWEST_PAIRS}, {"b": list(y)}) == []
    assert links({}, {"b": list(y)}) == [] == links({"a": list(x)}, {})


def test_unequal_lengths_are_refused():
    with pytest.raises(ValueError, match="unequal length"):
        links({"a": [1.0, 2.0]}, {"b": [1.0]})


def test_holm_on_a_worked_example():
    """0.01, 0.04, 0.03, 0.005 become 0.03, 0.06, 0.06, 0.02 (worked example for Holm 1979)."""
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])
    assert holm([]) == []
    assert max(holm([0.9, 0.8])) == 1.0


def test_correction_counts_only_what_was_looked_at():
    x = noise(3, 30, count=6)
    found = links({"a": list(x[0]), "b": list(x[1]), "few": [None] * 12 + list(x[2][12:])},
                  {"speed": list(x[3]), "burden": list(x[4])})
    assert len(found) == 4 and {link.looked_at for link in found} == {4}
    assert [link.p_corrected for link in found] == sorted(link.p_corrected for link in found)
    assert holm([link.p for link in found]) == pytest.approx([link.p_corrected for link in found])


def test_runs_close_in_time_are_worth_fewer():
    """Two series with memory r each are worth N (1 - r^2) / (1 + r^2) pairs (Bartlett 1935)."""
    worth = [effective_pairs(*noise(seed, 400, memory=0.8)) for seed in range(40)]
    assert np.median(worth) == pytest.approx(400 * (1 - 0.64) / (1 + 0.64), rel=0.15)
    fresh = [effective_pairs(*noise(seed, 400)) for seed in range(40)]
    assert np.median(fresh) > 360 and max(fresh) <= 400


def test_a_shared_trend_is_not_called_clear():
    """Sleep rising through a year and speed rising through a year: two facts, not a link."""
    clear = 0
    for seed in range(60):
        x, y = noise(seed, 60) * 0.2 + np.linspace(0, 2, 60)
        (link,) = links({"sleep": list(x)}, {"speed": list(y)})
        clear += link.clear
        assert link.rho > 0.6 > abs(link.rho_without_trend)
    assert clear <= 6


@pytest.mark.parametrize("memory", [0.0, 0.5, 0.9])
def test_on_noise_few_of_all_seeds_find_anything(memory):
    """12 links looked at, 60 runs: at most 5 % of seeds may find one; a margin for the count of seeds."""
    wrong = 0
    for seed in range(100):
        series = noise(seed, 60, memory=memory, count=8)
        found = links({f"day {i}": list(series[i]) for i in range(6)},
                      {f"run {i}": list(series[6 + i]) for i in range(2)})
        wrong += any(link.clear for link in found)
    assert wrong <= 10  # 5 expected; more than 10 has a chance of 1 %


def test_a_real_link_is_found():
    rng = np.random.default_rng(4)
    sleep = rng.normal(7, 1, 60)
    others = noise(9, 60, count=5)
    found = links({"sleep": list(sleep), **{f"x{i}": list(one) for i, one in enumerate(others)}},
                  {"speed": list(2.6 + 0.05 * (sleep - 7) + rng.normal(0, 0.05, 60))})
    assert found[0].factor == "sleep" and found[0].clear and found[0].low > 0.2
