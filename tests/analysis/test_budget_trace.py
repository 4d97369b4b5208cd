"""A trace's load is that of its stores, to within a slot, however its frames are cut."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from busplay.analysis.budget import link_budget
from busplay.analysis.budget_sender import planning_board, stores_at
from busplay.analysis.budget_trace import TraceLoad, TraceTime, trace_load
from busplay.batch import FrameBatch
from busplay.description.link import Link
from busplay.link.load import load_link
from busplay.sender.encoder import Encoder
from busplay.trace.header import TraceHeader
from tests.boards import GUARDED

CLOCK_HZ = 8_000_000


def recorded(cycles: np.ndarray, *, link: Link = GUARDED) -> tuple[TraceHeader, FrameBatch, int]:
    """Record stores at these cycles; return header, frames and stop edge."""
    board = planning_board(link, processor_hz=CLOCK_HZ, fifo_depth=1 << 20)
    encoder = Encoder(board)
    frames = encoder.feed(stores_at(cycles.astype(np.uint64)), stop_cycle=int(cycles[-1]) + 1)
    return TraceHeader(link=link, board=board), frames, encoder.settled_edge


def load_of(
    cycles: np.ndarray, *, planned: Link = GUARDED, fifo_depth: int = 16, cuts: tuple[int, ...] = ()
) -> TraceLoad:
    header, frames, stop_edge = recorded(cycles)
    edges, words = np.split(frames.edge, cuts), np.split(frames.word, cuts)
    return trace_load(
        header,
        [FrameBatch(edge, word) for edge, word in zip(edges, words, strict=True)],
        link_budget(planned, processor_hz=CLOCK_HZ),
        stop_edge=stop_edge,
        stores_offered=len(cycles),
        planned_fifo_depth=fifo_depth,
    )


def test_peaks_are_the_most_stores_in_any_stretch() -> None:
    # 100 us are 800 cycles: 100 stores 8 cycles apart, in the midst of a slow trickle.
    slow = np.arange(0, 80_000, 4_000)
    burst = 41_000 + np.arange(100) * 8
    cycles = np.sort(np.concatenate([slow, burst]))
    load = load_of(cycles)
    assert load.stores == 120
    first = load.peaks[0]
    assert (first.window_ns, first.window_cycles) == (100_000, 800)
    assert first.stores == 100
    assert first.share_ratio == Fraction(100 * 4, 800)
    assert 40_990 <= first.first_cycle <= 41_008
    # The trace is shorter than a refresh.
    assert [one.window_ns for one in load.peaks] == [100_000, 1_000_000]
    assert load.mean_hz == Fraction(120 * CLOCK_HZ, load.cycles)


@pytest.mark.parametrize("cuts", [(), (1,), (60,), (10, 11, 12, 119)])
def test_load_is_the_same_however_the_frames_are_cut(cuts: tuple[int, ...]) -> None:
    random = np.random.default_rng(7)
    cycles = np.cumsum(random.integers(1, 40, 120))
    serial = load_link("serial")
    whole = load_of(cycles, planned=serial, fifo_depth=2)
    assert load_of(cycles, planned=serial, fifo_depth=2, cuts=cuts) == whole


def test_fifo_that_the_planned_link_needs_is_enough_for_the_traces_stores() -> None:
    cycles = np.concatenate([np.arange(50) * 4, 1_000 + np.arange(10) * 100])
    serial = load_link("serial")
    load = load_of(cycles, planned=serial, fifo_depth=3)
    assert load.stores_lost > 0
    assert (
        load_of(cycles, planned=serial, fifo_depth=load.fifo_depth_with_register).stores_lost == 0
    )
    assert load.frames_behind_another == 49


def test_loss_that_is_told_is_that_of_the_worst_phase() -> None:
    """The trace's own phase alone was tried, and others lost up to 3 stores more."""
    cycles = np.cumsum(np.random.default_rng(3).integers(1, 9, 400))
    serial = load_link("serial")
    load = load_of(cycles, planned=serial, fifo_depth=8)
    header, frames, _ = recorded(cycles)
    stored = TraceTime(header, processor_hz=CLOCK_HZ).store_cycles(frames.edge).astype(np.uint64)
    lost = []
    for phase in range(link_budget(serial, processor_hz=CLOCK_HZ).slot_cycles.numerator):
        encoder = Encoder(planning_board(serial, processor_hz=CLOCK_HZ, fifo_depth=8))
        moved = stored + np.uint64(phase)
        encoder.feed(stores_at(moved), stop_cycle=int(moved[-1]) + 1)
        lost.append(encoder.counters.frames_overrun)
    assert min(lost) < max(lost)
    assert load.stores_lost == max(lost)


def test_link_with_idle_slots_gets_a_depth_that_is_enough() -> None:
    cycles = np.arange(200) * 4
    planned = replace(GUARDED, idle_every=5)
    load = load_of(cycles, planned=planned, fifo_depth=0)
    assert not load.fifo_depth_exact
    enough = load_of(cycles, planned=planned, fifo_depth=load.fifo_depth_with_register)
    assert enough.stores_lost == 0
    too_few = load_of(cycles, planned=planned, fifo_depth=load.fifo_depth_with_register - 2)
    assert too_few.stores_lost > 0


def test_stores_lost_at_the_recording_are_told_apart() -> None:
    header, frames, stop_edge = recorded(np.arange(10) * 10)
    load = trace_load(
        header,
        [frames],
        link_budget(GUARDED, processor_hz=CLOCK_HZ),
        stop_edge=stop_edge,
        stores_offered=13,
        planned_fifo_depth=16,
    )
    assert (load.stores, load.stores_lost_when_recorded) == (10, 3)


def test_trace_without_frames_loads_nothing() -> None:
    load = trace_load(
        TraceHeader(link=GUARDED),
        [],
        link_budget(GUARDED, processor_hz=CLOCK_HZ),
        stop_edge=0,
        stores_offered=0,
        planned_fifo_depth=16,
    )
    assert (load.stores, load.fifo_depth, load.stores_lost, load.mean_hz) == (0, 0, 0, 0)


def test_frames_of_one_cycle_that_fall_in_two_chunks_are_sent_in_order() -> None:
    # A slot of this link takes a fifth of a cycle, so five frames are of one cycle.
    fast = replace(load_link("strobed"), clock_hz=200_000_000)
    board = planning_board(fast, processor_hz=CLOCK_HZ, fifo_depth=1)
    edges = np.arange(100, 140, dtype=np.uint64) * np.uint64(5)
    words = np.zeros(40, np.uint64)
    load = trace_load(
        TraceHeader(link=fast, board=board),
        [FrameBatch(edges[:13], words[:13]), FrameBatch(edges[13:], words[13:])],
        link_budget(GUARDED, processor_hz=CLOCK_HZ),
        stop_edge=705,
        stores_offered=40,
        planned_fifo_depth=37,
    )
    assert load.resolution_cycles == Fraction(1, 5)
    # 39 follow the first within 7 cycles, in which one slot of 4 begins for sure.
    assert (load.fifo_depth, load.fifo_depth_with_register) == (38, 38)
    assert load.stores_lost <= 1
