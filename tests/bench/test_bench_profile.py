"""How long a profile takes: figures, never asserted."""

from __future__ import annotations

import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from busplay.analysis.profile.profile import profile

CYCLES = 8_000_000


@pytest.mark.parametrize("program", ["tides", "stars"])
def test_a_second_of_a_program(benchmark: BenchmarkFixture, program: str) -> None:
    benchmark.pedantic(
        profile, ("dunlin", program), {"stop_cycle": CYCLES}, rounds=5, warmup_rounds=1
    )
