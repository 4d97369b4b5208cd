"""Intervals of rates against a handbook's example and a statistics library."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busplay.analysis.intervals import wilson_interval


@pytest.mark.source("NIST/SEMATECH e-Handbook", part="7.2.4.1, Wilson, 4 of 20", kind="open data")
@pytest.mark.parametrize(
    ("quantile", "low", "high"),
    [(1.6448536269514722, 0.093118, 0.378377), (1.959963984540054, 0.080658, 0.416017)],
)
def test_handbook_example(quantile: float, low: float, high: float) -> None:
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
