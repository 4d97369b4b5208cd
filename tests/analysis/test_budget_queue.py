"""FIFO depths worked out are what the sender needs, at the worst phase and not one more."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from busplay.analysis.budget import link_budget
from busplay.analysis.budget_queue import (
    DepthMeter,
    SlotService,
    StorePattern,
    depth_for_burst,
    growth_per_cycle,
    longest_burst,
)
from busplay.analysis.budget_sender import planning_board, sender_load, stores_at
from busplay.description.link import Field, Link, StrobeFraming
from busplay.link.load import load_link
from busplay.sender.encoder import Encoder
from tests.boards import GUARDED

CLOCK_HZ = 8_000_000
ABSOLUTE, ZERO_PAGE = StorePattern(4), StorePattern(3)
NMOS_INC_ABSOLUTE, NMOS_INC_ZERO_PAGE = StorePattern(6, (0, 1)), StorePattern(5, (0, 1))
PATTERNS = [ABSOLUTE, ZERO_PAGE, NMOS_INC_ABSOLUTE, NMOS_INC_ZERO_PAGE, StorePattern(7, (0, 1, 2))]


def half_slots(symbols: int) -> Link:
    """Make a link of two symbols a cycle, so that slots can end within a cycle."""
    fields = (Field("address", 16), Field("data", 8))
    framing = StrobeFraming(gap_symbols=symbols - 4)
    return Link("halves", 6, "both", fields, framing, start="slot")


def lost_at_every_phase(
    link: Link, cycles: np.ndarray, *, fifo_depth: int, phases: int
) -> list[int]:
    lost = []
    for phase in range(phases):
        encoder = Encoder(planning_board(link, processor_hz=CLOCK_HZ, fifo_depth=fifo_depth))
        moved = cycles.astype(np.uint64) + np.uint64(phase)
        encoder.feed(stores_at(moved), stop_cycle=int(moved[-1]) + 1)
        lost.append(encoder.counters.frames_overrun)
    return lost


@pytest.mark.parametrize("pattern", PATTERNS)
@pytest.mark.parametrize("symbols", [4, 7, 8, 9, 11, 16])
@pytest.mark.parametrize("stores", [1, 2, 3, 16, 17, 64, 255])
def test_depth_for_a_burst_is_enough_at_each_phase_and_one_less_is_not(
    pattern: StorePattern, symbols: int, stores: int
) -> None:
    link = half_slots(symbols)
    service = SlotService.of_budget(link_budget(link, processor_hz=CLOCK_HZ))
    assert service.slot_cycles == Fraction(symbols, 2)
    depth = depth_for_burst(pattern, service, stores=stores)
    # The unit of phase is a part of a cycle; moving by whole cycles goes through all of them.
    phases = service.slot_cycles.numerator
    for first in range(len(pattern.offset_cycles)):
        cycles = pattern.cycles(stores, first=first)
        assert not any(lost_at_every_phase(link, cycles, fifo_depth=depth, phases=phases))
    if depth:
        cycles = pattern.cycles(stores)
        assert any(lost_at_every_phase(link, cycles, fifo_depth=depth - 1, phases=phases)) or any(
            lost_at_every_phase(
                link, pattern.cycles(stores - 1, first=1), fifo_depth=depth - 1, phases=phases
            )
        )


@pytest.mark.parametrize("idle_every", [2, 3, 4, 8, 100])
@pytest.mark.parametrize("pattern", PATTERNS)
@pytest.mark.parametrize("stores", [1, 5, 64, 255])
def test_idle_slots_that_the_link_asks_for_are_in_the_depth(
    idle_every: int, pattern: StorePattern, stores: int
) -> None:
    link = replace(GUARDED, idle_every=idle_every)
    service = SlotService.of_budget(link_budget(link, processor_hz=CLOCK_HZ))
    assert service.frame_cycles == Fraction(4 * idle_every, idle_every - 1)
    depth = depth_for_burst(pattern, service, stores=stores)
    for first in range(len(pattern.offset_cycles)):
        cycles = pattern.cycles(stores, first=first)
        assert not any(lost_at_every_phase(link, cycles, fifo_depth=depth, phases=4))
    if depth:
        lost = [
            lost_at_every_phase(link, cycles, fifo_depth=depth - 1, phases=4)
            for cycles in (pattern.cycles(stores), pattern.cycles(stores - 1, first=1))
        ]
        assert np.any(lost)


def test_shipped_link_of_its_own_clock_needs_what_the_sender_needs() -> None:
    link = load_link("serial")
    service = SlotService.of_budget(link_budget(link, processor_hz=CLOCK_HZ))
    assert service.slot_cycles == Fraction(34, 5)
    depth = depth_for_burst(ABSOLUTE, service, stores=256)
    cycles = ABSOLUTE.cycles(256)
    assert not any(lost_at_every_phase(link, cycles, fifo_depth=depth, phases=34))
    assert any(lost_at_every_phase(link, cycles, fifo_depth=depth - 1, phases=34))


@given(
    gaps=st.lists(st.integers(0, 30), min_size=1, max_size=60),
    symbols=st.integers(4, 40),
    cuts=st.lists(st.integers(0, 60), max_size=4),
)
@settings(max_examples=60)
def test_meter_finds_the_depth_of_any_stores_however_they_are_cut(
    gaps: list[int], symbols: int, cuts: list[int]
) -> None:
    cycles = np.cumsum(np.array(gaps, np.uint64))
    link = half_slots(symbols)
    budget = link_budget(link, processor_hz=CLOCK_HZ)
    meter = DepthMeter(budget.slot_cycles)
    for piece in np.split(cycles, sorted(min(cut, len(cycles)) for cut in cuts)):
        meter.feed(piece)
    phases = budget.slot_cycles.numerator
    assert not any(lost_at_every_phase(link, cycles, fifo_depth=meter.depth, phases=phases))
    if meter.depth:
        lost = lost_at_every_phase(link, cycles, fifo_depth=meter.depth - 1, phases=phases)
        assert any(lost)
        assert sender_load(cycles, budget, fifo_depth=meter.depth - 1).stores_lost == max(lost)
    load = sender_load(cycles, budget, fifo_depth=meter.depth)
    assert (load.depth, load.depth_exact, load.stores_lost) == (meter.depth, True, 0)


@given(gaps=st.lists(st.integers(0, 12), min_size=1, max_size=40), idle_every=st.integers(2, 9))
@settings(max_examples=40)
def test_load_with_idle_slots_is_found_by_the_sender_at_every_phase(
    gaps: list[int], idle_every: int
) -> None:
    cycles = np.cumsum(np.array(gaps, np.uint64))
    link = replace(GUARDED, idle_every=idle_every)
    budget = link_budget(link, processor_hz=CLOCK_HZ)
    load = sender_load(cycles, budget, fifo_depth=2)
    assert load.depth_exact
    assert load.stores_lost == max(lost_at_every_phase(link, cycles, fifo_depth=2, phases=4))
    assert not any(lost_at_every_phase(link, cycles, fifo_depth=load.depth, phases=4))
    if load.depth:
        assert any(lost_at_every_phase(link, cycles, fifo_depth=load.depth - 1, phases=4))


@given(
    gaps=st.lists(st.integers(0, 12), min_size=1, max_size=60),
    idle_every=st.integers(2, 9),
    clock_mhz=st.integers(3, 13),
)
@settings(max_examples=60)
def test_mean_spacing_of_frames_gives_a_depth_that_is_enough_where_slots_stay_idle(
    gaps: list[int], idle_every: int, clock_mhz: int
) -> None:
    cycles = np.cumsum(np.array(gaps, np.uint64))
    link = replace(GUARDED, idle_every=idle_every, clock_hz=clock_mhz * 1_000_000)
    budget = link_budget(link, processor_hz=CLOCK_HZ)
    meter = DepthMeter(budget.frame_cycles)
    meter.feed(cycles)
    load = sender_load(cycles, budget, fifo_depth=2)
    assert load.depth_exact
    assert load.depth <= meter.depth <= load.depth + 1


@pytest.mark.thorough
def test_of_more_phases_than_can_be_tried_the_depth_is_still_enough() -> None:
    link = replace(GUARDED, idle_every=5, clock_hz=8_191_999)
    budget = link_budget(link, processor_hz=7_999_999)
    cycles = ABSOLUTE.cycles(200).astype(np.uint64)
    load = sender_load(cycles, budget, fifo_depth=0)
    for shift in range(0, 1_000_000, 29_989):
        moved = cycles + np.uint64(shift)
        board = planning_board(link, processor_hz=7_999_999, fifo_depth=load.depth)
        encoder = Encoder(board)
        encoder.feed(stores_at(moved), stop_cycle=int(moved[-1]) + 1)
        assert encoder.counters.frames_overrun == 0
    assert sender_load(cycles, budget, fifo_depth=load.depth - 2).stores_lost > 0


def test_meter_is_exact_where_64_bits_do_not_hold_the_products() -> None:
    slot = Fraction(10**12 + 1, 10**9)
    cycles = np.array([0, 10**12, 10**12 + 1, 10**12 + 2, 10**14], np.uint64)
    meter = DepthMeter(slot)
    meter.feed(cycles)
    assert meter.depth == 2
    by_one = DepthMeter(slot)
    for cycle in cycles:
        by_one.feed(cycle[None])
    assert by_one.depth == 2


@given(
    period=st.integers(2, 9),
    symbols=st.integers(4, 30),
    fifo_depth=st.integers(0, 20),
    pair=st.booleans(),
    idle_every=st.none() | st.integers(2, 6),
)
@settings(max_examples=60)
def test_longest_burst_is_the_last_that_the_depth_is_enough_for(
    period: int, symbols: int, fifo_depth: int, pair: bool, idle_every: int | None
) -> None:
    pattern = StorePattern(period, (0, 1) if pair else (0,))
    service = SlotService(Fraction(symbols, 2), idle_every)
    longest = longest_burst(pattern, service, fifo_depth=fifo_depth)
    if longest is None:
        assert growth_per_cycle(pattern, service) == 0
        assert depth_for_burst(pattern, service, stores=3000) <= fifo_depth
        return
    assume(longest < 100_000)
    assert depth_for_burst(pattern, service, stores=longest) <= fifo_depth
    assert depth_for_burst(pattern, service, stores=longest + 1) == fifo_depth + 1


def test_waiting_frames_grow_by_what_comes_over_what_goes() -> None:
    service = SlotService(Fraction(4))
    assert growth_per_cycle(ZERO_PAGE, service) == Fraction(1, 12)
    assert growth_per_cycle(ABSOLUTE, service) == 0
    assert growth_per_cycle(NMOS_INC_ABSOLUTE, service) == Fraction(1, 3) - Fraction(1, 4)
    assert growth_per_cycle(ABSOLUTE, SlotService(Fraction(4), 8)) == Fraction(1, 32)


def test_empty_burst_and_empty_stores_need_nothing() -> None:
    service = SlotService(Fraction(4))
    assert depth_for_burst(ZERO_PAGE, service, stores=0) == 0
    budget = link_budget(GUARDED, processor_hz=CLOCK_HZ)
    assert sender_load(np.empty(0, np.uint64), budget, fifo_depth=3).depth == 0


@given(gaps=st.lists(st.integers(0, 12), min_size=1, max_size=60), symbols=st.integers(4, 20))
@settings(max_examples=40)
def test_fifo_without_an_output_register_needs_the_place_that_is_counted(
    gaps: list[int], symbols: int
) -> None:
    """A FIFO of our own: a frame stands in it from the end of its store to its start."""
    cycles = np.cumsum(np.array(gaps, np.uint64))
    link = half_slots(symbols)
    budget = link_budget(link, processor_hz=CLOCK_HZ)
    deepest = 0
    for phase in range(budget.slot_cycles.numerator):
        moved = cycles + np.uint64(phase)
        encoder = Encoder(planning_board(link, processor_hz=CLOCK_HZ, fifo_depth=1 << 20))
        start = encoder.feed(stores_at(moved), stop_cycle=int(moved[-1]) + 1).edge
        stored = (moved + np.uint64(1)) * np.uint64(2)  # in edges, two a cycle
        held = [int(((stored <= at) & (start > at)).sum()) for at in stored]
        deepest = max(deepest, *held)
    load = sender_load(cycles, budget, fifo_depth=0)
    assert deepest == load.depth_without_register


def test_store_that_starts_at_once_takes_no_place() -> None:
    link = replace(load_link("strobed"), start="cycle")
    assert link_budget(link, processor_hz=CLOCK_HZ).grid_places == 0
    assert link_budget(GUARDED, processor_hz=CLOCK_HZ).grid_places == 1
