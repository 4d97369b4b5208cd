"""Words with flipped bits, in sync: exactly what wire and receiver make of the symbols."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.batch import FrameBatch, StoreBatch
from busplay.description.board import Board
from busplay.description.faults import BitFlips, ExtraEdges, FaultPlan, LostEdges
from busplay.engine.noisy import kernels
from busplay.pipeline import transport
from busplay.pipeline.pipeline import Pipeline
from busplay.receiver import machine as receiver_kernels
from tests.boards import GUARDED, board_with
from tests.pipeline.test_accounts import every_slot, rows
from tests.strategies import boards_for, links, store_batches


def test_places_are_those_of_the_receiver() -> None:
    for name in ("WINDOW", "WRONG_RUN", "IS_ARMED", "EXPECTED", "IS_ACTIVE", "FRAME_EDGE"):
        assert getattr(kernels, f"R_{name}") == getattr(receiver_kernels, name)
    for name in ("FED", "REST", "RECEIVED", "IDLE", "FAILED", "MISSED"):
        assert getattr(kernels, f"R_{name}") == getattr(receiver_kernels, name)
    assert kernels.LOG_FAILED == receiver_kernels.LOG_FAILED
    columns = ("LOG_KIND", "LOG_EDGE", "LOG_FIRST", "LOG_STOP")
    assert [getattr(receiver_kernels, one) for one in columns] == [0, 1, 2, 3]


def by_symbols(board: Board, plan: FaultPlan) -> Pipeline:
    """Make a pipeline that spells everything out."""
    pipeline = Pipeline(board, faults=plan)
    pipeline._transport._noisy.is_usable = False
    return pipeline


def assert_same(fast: Pipeline, slow: Pipeline) -> None:
    assert fast.counters() == slow.counters()
    assert fast.counters().accounts.is_balanced
    assert fast.receiver.snapshot() == slow.receiver.snapshot()
    assert rows(fast.losses) == rows(slow.losses)
    for name, display in fast.displays.items():
        assert display.state() == slow.displays[name].state()


@given(st.data())
@settings(max_examples=200)
def test_words_give_what_symbols_give(data: st.DataObject) -> None:
    # From 0 frames on everything that is in sync goes through the fused engine first.
    least = data.draw(st.sampled_from((0, transport.FUSED_FROM_FRAMES)))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(transport, "FUSED_FROM_FRAMES", least)
        patch.setattr(transport, "NOISY_SLOTS", data.draw(st.sampled_from((1, 3, 2_048))))
        compare_words_and_symbols(data)


def compare_words_and_symbols(data: st.DataObject) -> None:
    board = data.draw(boards_for(data.draw(links())))
    ratios = st.sampled_from((0.0, 1e-4, 1e-3, 1e-2, 0.1))
    flips = BitFlips(data.draw(ratios), burst_edges=data.draw(st.sampled_from((1, 1, 7))))
    edges = st.lists(st.integers(0, 3_000), max_size=2).map(tuple)
    plan = FaultPlan(
        seed=data.draw(st.integers(0, 1 << 32)),
        bit_flips=(flips,),
        lost_edges=(LostEdges(at_edges=data.draw(edges), count=data.draw(st.integers(1, 9))),),
        extra_edges=(ExtraEdges(at_edges=data.draw(edges)),),
    )
    stores = data.draw(store_batches(board, latest=2_000, largest=200))
    stop_cycle = (int(stores.cycle[-1]) if len(stores) else 0) + data.draw(st.integers(1, 300))
    fast, slow = Pipeline(board, faults=plan), by_symbols(board, plan)
    middle = data.draw(st.integers(0, len(stores)))
    for pipeline in (fast, slow):
        if 0 < middle < len(stores):
            first = slice(0, middle)
            pipeline.feed(
                StoreBatch(stores.cycle[first], stores.address[first], stores.data[first]),
                stop_cycle=int(stores.cycle[middle]),
            )
            rest = slice(middle, None)
            pipeline.feed(
                StoreBatch(stores.cycle[rest], stores.address[rest], stores.data[rest]),
                stop_cycle=stop_cycle,
            )
        else:
            pipeline.feed(stores, stop_cycle=stop_cycle)
    assert_same(fast, slow)


@pytest.mark.parametrize("ber", [0.0, 1e-5, 1e-4])
def test_long_clean_stretches_go_through_the_fused_engine_alike(
    monkeypatch: pytest.MonkeyPatch, ber: float
) -> None:
    board = board_with(GUARDED)
    plan = FaultPlan(bit_flips=(BitFlips(ber),), lost_edges=(LostEdges(at_edges=(200_003,)),))
    stores = every_slot(60_000, board=board)
    frames = Pipeline(board).feed(stores, stop_cycle=240_000)
    # Gaps: every other thousand of frames, so that idle slots are hit too.
    kept = np.arange(60_000) // 1_000 % 2 == 0
    frames = FrameBatch(frames.edge[kept], frames.word[kept])
    monkeypatch.setattr(transport, "FUSED_FROM_FRAMES", 1_000)
    monkeypatch.setattr(transport, "NOISY_SLOTS", 50)
    fast, slow = Pipeline(board, faults=plan), by_symbols(board, plan)
    for pipeline in (fast, slow):
        pipeline.feed_frames(frames, stop_edge=500_000)
    assert_same(fast, slow)
    assert fast._engine is not None
    assert fast.counters().accounts.frames.received_intact > 25_000


def test_long_batches_find_room() -> None:
    board = board_with(GUARDED)
    plan = FaultPlan(bit_flips=(BitFlips(5e-3),))
    stores = every_slot(150_000, board=board)
    fast, slow = Pipeline(board, faults=plan), by_symbols(board, plan)
    for pipeline in (fast, slow):
        pipeline.feed(stores, stop_cycle=600_000)
    assert_same(fast, slow)
