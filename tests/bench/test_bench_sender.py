"""How fast the sender is, next to a plain copy of the bytes that it writes.

Run: pytest tests/bench/test_bench_sender.py --benchmark-enable
Each group holds a stage and the copy for one link; the column in brackets is the ratio, and
`frames_per_s` stands with --benchmark-json. Stores are four cycles apart at random addresses of
the panel, so every slot carries a frame.
"""

from __future__ import annotations

import numpy as np
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from busplay.batch import FrameBatch, StoreBatch
from busplay.link.load import load_link
from busplay.sender.encoder import Encoder
from busplay.wire.expander import expand
from tests.boards import board_with

STORES = 2_000_000
ROUNDS = 9
LINKS = ["lean", "guarded", "strobed", "marked", "serial"]


def busy_stores(cycles_apart: int) -> StoreBatch:
    random = np.random.default_rng(4)
    return StoreBatch(
        np.arange(STORES, dtype=np.uint64) * np.uint64(cycles_apart),
        random.integers(0x4000, 0xA000, STORES).astype(np.uint16),
        random.integers(0, 256, STORES).astype(np.uint8),
    )


def encoded(name: str) -> tuple[Encoder, StoreBatch, int]:
    encoder = Encoder(board_with(load_link(name)))
    cycles_apart = encoder.edges_per_cycle.denominator * encoder.step_edges
    cycles_apart = -(-cycles_apart // encoder.edges_per_cycle.numerator)
    return encoder, busy_stores(cycles_apart), STORES * cycles_apart


def note(benchmark: BenchmarkFixture) -> None:
    if benchmark.enabled:
        benchmark.extra_info["frames_per_s"] = STORES / benchmark.stats.stats.min


@pytest.mark.parametrize("name", LINKS)
def test_encode(benchmark: BenchmarkFixture, name: str) -> None:
    encoder, stores, stop_cycle = encoded(name)
    start = encoder.snapshot()
    encoder.feed(stores, stop_cycle=stop_cycle)
    benchmark.group = f"encode, {name}"

    def again() -> FrameBatch:
        encoder.restore(start)
        return encoder.feed(stores, stop_cycle=stop_cycle)

    frames = benchmark.pedantic(again, rounds=ROUNDS)
    assert len(frames) == STORES
    note(benchmark)


@pytest.mark.parametrize("name", LINKS)
def test_copy_of_the_encoded_columns(benchmark: BenchmarkFixture, name: str) -> None:
    columns = np.arange(2 * STORES, dtype=np.uint64)
    benchmark.group = f"encode, {name}"
    benchmark.pedantic(columns.copy, rounds=ROUNDS, warmup_rounds=1)
    note(benchmark)


@pytest.mark.parametrize("name", LINKS)
def test_expand(benchmark: BenchmarkFixture, name: str) -> None:
    encoder, stores, stop_cycle = encoded(name)
    frames = encoder.feed(stores, stop_cycle=stop_cycle)
    layout, stop_edge = encoder.layout, encoder.settled_edge
    benchmark.group = f"expand, {name}"
    benchmark.pedantic(
        lambda: expand(frames, layout, first_edge=0, stop_edge=stop_edge),
        rounds=ROUNDS,
        warmup_rounds=1,
    )
    note(benchmark)


@pytest.mark.parametrize("name", LINKS)
def test_copy_of_the_symbols(benchmark: BenchmarkFixture, name: str) -> None:
    layout = Encoder(board_with(load_link(name))).layout
    # Ones: a page of fresh zeros is no memory yet, and copying it would cost nothing.
    symbols = np.ones(STORES * layout.slot_symbols, layout.symbol_dtype)
    benchmark.group = f"expand, {name}"
    benchmark.pedantic(symbols.copy, rounds=ROUNDS, warmup_rounds=1)
    note(benchmark)
