"""Intervals of rates against a handbook's example and a statistics library."""

from __future__ import annotations

from math import log

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busplay.analysis.intervals import mean_interval, t_quantile, wilson_interval
from busplay.analysis.stress.trials import Effort, run_point
from busplay.description.faults import BitFlips, Faults
from tests.analysis.stress.loads import burst_load
from tests.boards import GUARDED, board_with


@pytest.mark.source(
    "NIST/SEMATECH e-Handbook",
    part="7.2.4.1: the formula; 4 of 20 computed from it",
    kind="computed",
)
@pytest.mark.parametrize(
    ("quantile", "low", "high"),
    [(1.6448536269514722, 0.093118, 0.378377), (1.959963984540054, 0.080658, 0.416017)],
)
def test_interval_by_the_handbooks_formula(quantile: float, low: float, high: float) -> None:
    found = wilson_interval(4, 20, quantile=quantile)
    assert found == pytest.approx((low, high), abs=1e-6)


@pytest.mark.source("statsmodels 0.14", part="proportion_confint, wilson", kind="library")
@given(st.integers(0, 10_000), st.integers(1, 1_000_000))
def test_interval_equals_statsmodels(found: int, more: int) -> None:
    proportion = pytest.importorskip(
        "statsmodels.stats.proportion", reason="statsmodels is in the extra `test`"
    )
    expected = proportion.proportion_confint(found, found + more, method="wilson")
    assert wilson_interval(found, found + more) == pytest.approx(expected, abs=1e-6)


@pytest.mark.source("statsmodels 0.14", part="26 of 200; 0 of 100", kind="library")
@pytest.mark.parametrize(
    ("found", "tried", "low", "high"),
    [(26, 200, 0.090282, 0.183664), (0, 100, 0.0, 0.036993)],
)
def test_two_intervals_by_number(found: int, tried: int, low: float, high: float) -> None:
    assert wilson_interval(found, tried) == pytest.approx((low, high), abs=1e-6)


@pytest.mark.source(
    "NIST/SEMATECH e-Handbook",
    part="7.2.4.2, exact interval (Clopper and Pearson), 90 %, 4 of 20",
    kind="open data",
)
@pytest.mark.source("SciPy", part="binomtest.proportion_ci(method=exact)", kind="library")
def test_interval_lies_within_the_exact_one() -> None:
    stats = pytest.importorskip("scipy.stats", reason="SciPy is in the extra `test`")
    exact = stats.binomtest(4, 20).proportion_ci(0.90, method="exact")
    assert tuple(exact) == pytest.approx((0.071354, 0.401028), abs=1e-6)
    # The exact interval promises 90 % at least, so it is wider: by how much is Wilson's gain.
    ours = wilson_interval(4, 20, quantile=1.6448536269514722)
    assert exact.low < ours.low < 4 / 20 < ours.high < exact.high
    assert (ours.high - ours.low) / (exact.high - exact.low) == pytest.approx(0.865, abs=1e-3)


@pytest.mark.source("SciPy", part="binomtest.proportion_ci(method=exact)", kind="library")
@given(st.integers(0, 50_000), st.integers(0, 50_000))
def test_interval_is_near_the_exact_one(found: int, more: int) -> None:
    stats = pytest.importorskip("scipy.stats", reason="SciPy is in the extra `test`")
    tried = found + more
    if not tried:
        return
    exact = stats.binomtest(found, tried).proportion_ci(0.95, method="exact")
    ours = wilson_interval(found, tried)
    # Both count in steps of one: they differ by less than two of them.
    assert ours == pytest.approx(tuple(exact), abs=2 / tried)


@pytest.mark.source(
    "rule of three", part="-ln 0.05 / N, 2.9957/N; 0.029513 of 100", kind="computed"
)
@pytest.mark.parametrize("tried", [100, 1_000, 1_000_000, 2_996_000_000])
def test_bound_without_events_is_no_less_than_the_rule_of_three(tried: int) -> None:
    exact = 1 - 0.05 ** (1 / tried)
    if tried == 100:
        assert exact == pytest.approx(0.029513, abs=1e-6)
    assert exact == pytest.approx(-log(0.05) / tried, rel=0.02)
    low, high = wilson_interval(0, tried)
    assert low == 0
    # Two-sided, so it leaves out 2.5 % where the rule leaves out 5 %.
    assert exact < high < 1.3 * exact
    assert 1 - 0.025 ** (1 / tried) < high


@pytest.mark.source("rule of three", part="none of N frames lost", kind="computed")
def test_sweep_that_lost_nothing_promises_no_less_than_the_rule_of_three() -> None:
    board = board_with(GUARDED)
    load = burst_load(board)
    result = run_point(
        None,
        0,
        load,
        board,
        Faults(bit_flips=(BitFlips(1e-12),)),
        effort=Effort(budget_frames=5_000),
        busy_period_ns=1_000,
    )
    assert (result.lost, result.low_ratio, result.stop) == (0, 0.0, "budget")
    assert 3 / result.frames < result.high_ratio < 3.9 / result.frames


@pytest.mark.source("NIST/SEMATECH e-Handbook", part="1.3.6.7.2, table of t", kind="open data")
@pytest.mark.source("SciPy", part="t.ppf, t.interval", kind="library")
def test_mean_interval_equals_the_library() -> None:
    stats = pytest.importorskip("scipy.stats", reason="SciPy is in the extra `test`")
    for degrees in range(1, 400):
        assert t_quantile(degrees) == pytest.approx(stats.t.ppf(0.975, degrees), abs=6e-4)
    for count in (2, 3, 10, 31, 32, 200):
        values = np.random.default_rng(count).random(count)
        expected = stats.t.interval(0.95, count - 1, values.mean(), stats.sem(values))
        assert mean_interval(values.tolist()) == pytest.approx(expected, abs=1e-4)


@pytest.mark.source("SciPy", part="binom: share of runs that the interval holds", kind="library")
@pytest.mark.parametrize(("ratio", "tried"), [(0.001, 5_000), (0.02, 1_000), (0.5, 400)])
def test_interval_holds_the_rate_as_often_as_it_says(ratio: float, tried: int) -> None:
    stats = pytest.importorskip("scipy.stats", reason="SciPy is in the extra `test`")
    counts = np.arange(tried + 1)
    weights = stats.binom.pmf(counts, tried, ratio)
    held = [ratio in wilson_interval(int(count), tried) for count in counts]
    assert float(weights[held].sum()) == pytest.approx(0.95, abs=0.02)
