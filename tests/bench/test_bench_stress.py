"""How long a sweep of 100 points and a million frames each takes on two processes.

Run: pytest tests/bench/test_bench_stress.py --benchmark-enable
One group: the sweep on one process and on two; the column in brackets is the ratio. One trial a
point: rates of bits and edges, depths, service and busy times, twenty points each.
"""

from __future__ import annotations

import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from busplay.analysis.stress.load import Load
from busplay.analysis.stress.points import Figure, points_of
from busplay.analysis.stress.sweep import run_sweep
from busplay.analysis.stress.trials import Effort
from busplay.batch import FrameBatch
from busplay.description.board import ReceiverEnd
from busplay.description.faults import Faults
from busplay.pipeline.pipeline import Pipeline
from tests.boards import GUARDED, board_with
from tests.pipeline.test_accounts import every_slot

FRAMES = 1_000_000
COUNT = 20


@pytest.mark.parametrize("jobs", [1, 2])
def test_sweep_of_100_points(benchmark: BenchmarkFixture, jobs: int) -> None:
    pytest.importorskip("joblib", reason="joblib is in the extra `analysis`")
    board = board_with(GUARDED, receiver=ReceiverEnd(fifo_depth=64, service_ns=250))
    frames = FRAMES if benchmark.enabled else 10_000
    sent = Pipeline(board).feed(every_slot(frames, board=board), stop_cycle=4 * frames)
    load = Load("every slot", FrameBatch(sent.edge, sent.word), 8 * (frames + 32), 0)
    steps = range(COUNT)
    points = points_of(
        {
            Figure.BER: [10 ** (-7 + 4 * one / COUNT) for one in steps],
            Figure.LOST_EDGES: [10 ** (-8 + 4 * one / COUNT) for one in steps],
            Figure.FIFO_DEPTH: [1 + 4 * one for one in steps],
            Figure.SERVICE_NS: [50 + 50 * one for one in steps],
            Figure.BUSY_NS: [1_000 * (1 + one) for one in steps],
        }
    )
    benchmark.group = "a sweep of 100 points"
    results = benchmark.pedantic(
        lambda: run_sweep(
            points,
            load,
            board,
            Faults(),
            effort=Effort(budget_frames=1),
            busy_period_ns=1_000_000,
            jobs=jobs,
        ),
        rounds=1,
    )
    assert len(results) == len(points) + 1
    assert all(one.frames == frames for one in results)
