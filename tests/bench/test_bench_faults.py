"""How fast a pipeline with faults is, next to the clean one.

Run: pytest tests/bench/test_bench_faults.py --benchmark-enable
One group: frames in every slot of the shipped board's link, fed by the quarter million, with
bits flipped at several rates, through wire, receiver, accounts and displays; the column in brackets
is the ratio to the fastest, `frames_per_s` stands with --benchmark-json. What comes before it is in
sync is not measured. The last serves with a FIFO that can lose.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from busplay.batch import FrameBatch
from busplay.description.board import ReceiverEnd
from busplay.description.faults import BitFlips, Faults
from busplay.link.load import load_board
from busplay.pipeline.pipeline import Pipeline
from tests.pipeline.test_accounts import every_slot

BATCH = 1 << 18
BATCHES = 8
FRAMES = BATCH * BATCHES


def batches() -> list[FrameBatch]:
    board = load_board("dunlin")
    count = FRAMES + BATCH
    frames = Pipeline(board).feed(
        every_slot(count, board=board, first_cycle=100), stop_cycle=5 * count
    )
    return [
        FrameBatch(frames.edge[first : first + BATCH], frames.word[first : first + BATCH])
        for first in range(0, count, BATCH)
    ]


def measure(benchmark: BenchmarkFixture, make: object, *, rounds: int = 15) -> Pipeline:
    parts = batches()
    pipelines: list[Pipeline] = []

    def ready() -> tuple[tuple[Pipeline], dict[str, object]]:
        pipeline = make()  # type: ignore[operator]
        pipeline.feed_frames(parts[0], stop_edge=0)
        pipelines.append(pipeline)
        return (pipeline,), {}

    def carry(pipeline: Pipeline) -> None:
        for part in parts[1:]:
            pipeline.feed_frames(part, stop_edge=0)

    benchmark.group = "frames with faults, guarded"
    benchmark.pedantic(carry, setup=ready, rounds=rounds, warmup_rounds=3)
    if benchmark.enabled:
        benchmark.extra_info["frames_per_s"] = FRAMES / benchmark.stats.stats.min
    assert pipelines[-1].counters().accounts.is_balanced
    return pipelines[-1]


def test_clean(benchmark: BenchmarkFixture) -> None:
    measure(benchmark, lambda: Pipeline(load_board("dunlin")))


@pytest.mark.parametrize("ber", [1e-6, 1e-5, 1e-4, 1e-3])
def test_bit_error_rate(benchmark: BenchmarkFixture, ber: float) -> None:
    plan = Faults(bit_flips=(BitFlips(ber),))
    measure(benchmark, lambda: Pipeline(load_board("dunlin"), faults=plan))


def test_receiver_that_can_lose_at_1e_4(benchmark: BenchmarkFixture) -> None:
    board = load_board("dunlin")
    board = replace(board, receiver=ReceiverEnd(fifo_depth=16, service_ns=501))
    plan = Faults(bit_flips=(BitFlips(1e-4),))
    measure(benchmark, lambda: Pipeline(board, faults=plan), rounds=3)
