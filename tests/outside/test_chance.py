"""The probabilities that a comparison states, against a statistics library and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest

from busplay.analysis.compare.pattern import log_binomial_tail, log_interval_probability

stats = pytest.importorskip("scipy.stats", reason="scipy is the library that is compared with")


@pytest.mark.source("SciPy", part="binom.logsf", kind="library")
@pytest.mark.parametrize("trials", [1, 7, 40, 1_000, 50_000])
@pytest.mark.parametrize("share", [1e-6, 0.01, 0.2, 0.5, 0.97])
def test_binomial_tail_equals_the_library(trials: int, share: float) -> None:
    for hits in {1, trials // 3 + 1, trials // 2 + 1, trials}:
        wanted = float(stats.binom.logsf(hits - 1, trials, share))
        if math.isfinite(wanted):
            assert log_binomial_tail(hits, trials, share) == pytest.approx(
                wanted, rel=1e-6, abs=1e-7
            )


@pytest.mark.source("uniform order statistics", part="range of n draws", kind="computed")
@pytest.mark.parametrize("share", [0.1, 0.3])
def test_interval_probability_bounds_uniform_draws(share: float) -> None:
    # The range of n uniform draws is at most s with chance n s^(n-1) - (n-1) s^n.
    for events in (5, 8):
        exact = events * share ** (events - 1) - (events - 1) * share**events
        bound = math.exp(log_interval_probability(events, events, share))
        assert exact <= bound <= 10 * exact


@pytest.mark.source("simulation", part="densest interval of 20 draws, seed 1", kind="computed")
def test_interval_probability_bounds_the_densest_interval() -> None:
    draws = np.sort(np.random.default_rng(1).random((20_000, 20)), axis=1)
    inside, share = 9, 0.15
    seen = (draws[:, inside - 1 :] - draws[:, : 20 - inside + 1]).min(axis=1) <= share
    assert float(seen.mean()) <= math.exp(log_interval_probability(inside, 20, share))
