"""The planner's tables against independent arithmetic, facts of the trade, and ITU-T I.371."""

from __future__ import annotations

from fractions import Fraction
from math import ceil, floor

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.analysis.budget import link_budget
from busplay.analysis.budget_buses import bus_rows
from busplay.analysis.budget_loops import FILL_LOOPS, run_loop
from busplay.analysis.budget_queue import (
    DepthMeter,
    SlotService,
    StorePattern,
    depth_for_burst,
    longest_burst,
)
from busplay.analysis.budget_sender import planning_board, stores_at
from busplay.analysis.explore import Limits, explore
from busplay.analysis.explore_links import Payload
from busplay.description.link import Field, Link, StrobeFraming
from busplay.link.load import load_link
from tests.naive.sender import send_all
from tests.outside.test_link_budget import link_of_cycles

CLOCK_HZ = 8_000_000
LOOPS = {one.name: one for one in FILL_LOOPS}
PRACTICE = "common practice, no source"
MANUAL = "MCS6500 Microcomputer Family Programming Manual (1976)"
GCRA = "ITU-T I.371"


def conforming(times: list[int], *, increment: Fraction, limit: Fraction) -> list[bool]:
    """Return for each time whether it conforms to GCRA(increment, limit): virtual scheduling."""
    arrival = Fraction(times[0])
    conforms = []
    for time in times:
        conforms.append(time >= arrival - limit)
        if conforms[-1]:
            arrival = max(Fraction(time), arrival) + increment
    return conforms


@pytest.mark.source(PRACTICE, part="absolute stores at 8 MHz: 16 Mbit/s, 48 with the address")
def test_absolute_stores_at_8_mhz_are_16_mbit_a_second_and_48_with_the_address() -> None:
    stores_hz = Fraction(CLOCK_HZ, 4)
    assert stores_hz * 8 == 16_000_000
    assert stores_hz * (16 + 8) == 48_000_000
    for name in ("guarded", "lean"):
        budget = link_budget(load_link(name), processor_hz=CLOCK_HZ)
        assert budget.data_bit_hz == stores_hz * 8
        assert budget.payload_bit_hz == stores_hz * 24


@pytest.mark.source(PRACTICE, part="a frame of 4 cycles at 8 MHz takes 500 ns")
@pytest.mark.parametrize("name", ["guarded", "lean", "marked"])
def test_frame_of_4_cycles_takes_500_ns(name: str) -> None:
    budget = link_budget(load_link(name), processor_hz=CLOCK_HZ)
    assert budget.slot_cycles == 4
    assert budget.slot_ns == 4 * Fraction(10**9, CLOCK_HZ) == 500


@pytest.mark.source(PRACTICE, part="24 bits in 4 cycles: 6 lanes at one edge or 3 at two")
@pytest.mark.source(PRACTICE, part="32 bits in 4 cycles: 4 lanes at two edges")
@pytest.mark.parametrize(
    ("bits", "lanes", "edges"), [(24, 6, "rising"), (24, 3, "both"), (32, 4, "both")]
)
def test_fewest_lanes_for_a_count_of_bits_in_4_cycles(bits: int, lanes: int, edges: str) -> None:
    edges_of_cycle = 2 if edges == "both" else 1
    assert ceil(Fraction(bits, 4 * edges_of_cycle)) == lanes

    def slot_cycles(lanes_tried: int) -> Fraction:
        fill = -bits % lanes_tried
        fields = (Field("address", 16), Field("data", 8 + bits - 24 + fill))
        link = Link("tried", lanes_tried, edges, fields, StrobeFraming())  # type: ignore[arg-type]
        return link_budget(link, processor_hz=CLOCK_HZ).slot_cycles

    assert slot_cycles(lanes) == 4
    assert slot_cycles(lanes - 1) > 4


@pytest.mark.source(PRACTICE, part="24 bits in 4 cycles: 6 lanes at one edge or 3 at two")
@pytest.mark.source("frame_bits / (lanes * edges)", part="fewest lanes found", kind="computed")
@pytest.mark.parametrize(("edges", "lanes"), [("rising", 7), ("both", 4)])
def test_search_finds_the_fewest_lanes_for_a_store_in_4_cycles(edges: str, lanes: int) -> None:
    # 24 bits and 2 of space, for memory and registers.
    limits = Limits(CLOCK_HZ, framings=("strobe",), edges=(edges,))  # type: ignore[arg-type]
    found = explore(limits, Payload(space_bits=2, unit_bits=0, address_bits=16))
    assert min(one.lanes for one in found.front) == lanes
    assert ceil(Fraction(26, 4 * (2 if edges == "both" else 1))) == lanes


@pytest.mark.source("frame_bits / (lanes * edges)", part="lean at 8 MHz", kind="computed")
def test_lean_carries_64_mbit_a_second_raw_and_2_mb_of_data() -> None:
    budget = link_budget(load_link("lean"), processor_hz=CLOCK_HZ)
    assert budget.slot_cycles == Fraction(32, 4 * 2)
    assert budget.bit_hz == 64_000_000
    assert budget.frame_hz == 2_000_000
    shares = {one.name: one.share_ratio for one in budget.costs}
    assert shares == {
        "space": Fraction(2, 32),
        "unit": Fraction(2, 32),
        "address": Fraction(16, 32),
        "data": Fraction(8, 32),
        "check": Fraction(4, 32),
    }


@pytest.mark.source("one lane, one edge", part="SPI, 32-bit frame, same clock", kind="computed")
def test_spi_at_the_same_clock_is_eight_times_slower_than_lean() -> None:
    budget = link_budget(load_link("lean"), processor_hz=CLOCK_HZ)
    rows = {one.name: one for one in bus_rows(budget, receivers=1, uart_bit_hz=115_200)}
    spi = rows["SPI"]
    assert spi.store_bits == 32
    assert budget.frame_hz / spi.stores_hz == 8
    assert spi.needed_hz == 64_000_000


@pytest.mark.source(PRACTICE, part="UART 8N1: 8 bits in 10")
@pytest.mark.source("start + 8 + stop", part="115,200 Bd: 11,520 bytes a second", kind="computed")
def test_uart_8n1_carries_eight_bits_in_ten() -> None:
    budget = link_budget(load_link("lean"), processor_hz=CLOCK_HZ)
    rows = {one.name: one for one in bus_rows(budget, receivers=1, uart_bit_hz=115_200)}
    uart = rows["UART 8N1"]
    frame_bytes = Fraction(32, 8)
    assert frame_bytes * 8 / uart.store_bits == Fraction(8, 10)
    assert uart.stores_hz * frame_bytes == 11_520
    assert uart.needed_hz == 2_000_000 * frame_bytes * 10


@pytest.mark.source(MANUAL, part="STA abs 4; STA (zp),Y 6, INY 2, BNE 3", kind="from memory")
@pytest.mark.source("STA abs takes 4 cycles; (zp),Y loop 6+2+3", part="24,576", kind="computed")
@pytest.mark.parametrize(
    ("name", "apart", "cycles", "duration_ms"),
    [("straight", 4, 98_304, "12.288"), ("byte", 11, 270_336, "33.792")],
)
def test_loops_fill_a_panel_in_the_cycles_of_their_instructions(
    name: str, apart: int, cycles: int, duration_ms: str
) -> None:
    assert apart * 24_576 == cycles
    assert Fraction(cycles * 1000, CLOCK_HZ) == Fraction(duration_ms)
    run = run_loop(LOOPS[name], filled_bytes=24_576, processor="65c02")
    gaps = np.diff(run.store_cycle.astype(np.int64))
    assert int(np.median(gaps)) == apart
    # Pages: INC zp 5, DEX 2, BNE 3, and a branch that is not taken takes 2 and not 3.
    pages = 96 if name == "byte" else 0
    setup = 2 + 3 + 2 + 3 + 2 + 2 if name == "byte" else 0
    assert run.cycles == cycles + pages * (5 + 2 + 3 - 1) - (1 if pages else 0) + setup


@pytest.mark.source("8 x STA abs,X 5, INX 2, BNE 3", part="45 cycles for 8", kind="computed")
def test_unrolled_loop_takes_45_cycles_for_8_bytes() -> None:
    run = run_loop(LOOPS["unrolled"], filled_bytes=2_048, processor="6502")
    # LDX 2 before, and the last branch is not taken.
    assert run.cycles == 2 + 45 * 256 - 1


@pytest.mark.source("backlog n - floor(3n/4)", part="store each 3 cycles, slot 4", kind="computed")
@pytest.mark.parametrize(("count", "backlog"), [(16, 4), (64, 16), (256, 64)])
def test_burst_of_zero_page_stores_needs_its_backlog(count: int, backlog: int) -> None:
    assert count - 3 * count // 4 == backlog
    service = SlotService(Fraction(4))
    assert depth_for_burst(StorePattern(3), service, stores=count) == backlog


@pytest.mark.source("regular burst into a queue", part="most held, a 4, s 5", kind="computed")
@pytest.mark.parametrize(("count", "held"), [(256, 52), (24_576, 4_916)])
def test_fifo_holds_a_regular_burst_s_backlog_without_the_frame_being_sent(
    count: int, held: int
) -> None:
    assert 1 + (count - 1) - (count - 1) * 4 // 5 == held
    assert depth_for_burst(StorePattern(4), SlotService(Fraction(5)), stores=count) == held - 1


@pytest.mark.source(
    "regular burst into a queue", part="first loss at i - floor(i a / s) >= d", kind="computed"
)
def test_longest_burst_ends_where_the_first_loss_is() -> None:
    # 16 frames, the one being sent included: store 91 is the first lost.
    assert next(i for i in range(1_000) if i - i * 5 // 6 >= 16) == 91
    service = SlotService(Fraction(6))
    assert longest_burst(StorePattern(5), service, fifo_depth=15) == 91


@pytest.mark.source("Rockwell 29651N52 (1984)", part="NMOS double write", kind="data sheet")
def test_nmos_double_write_needs_one_entry_besides_the_frame_being_sent() -> None:
    for pattern in (StorePattern(6, (0, 1)), StorePattern(5, (0, 1))):
        assert depth_for_burst(pattern, SlotService(Fraction(8)), stores=2) == 1


@pytest.mark.source(GCRA, part="GCRA: longest burst 1 + floor(tau / (T - delta))", kind="computed")
@pytest.mark.parametrize("slot", [4, 5, 8, Fraction(34, 5)])
@pytest.mark.parametrize("apart", [1, 2, 3])
@pytest.mark.parametrize("fifo_depth", [0, 1, 3, 16])
def test_longest_burst_is_the_one_that_gcra_lets_pass(
    slot: Fraction, apart: int, fifo_depth: int
) -> None:
    increment = Fraction(slot)
    limit = fifo_depth * increment
    longest = 1 + floor(limit / (increment - apart))
    service = SlotService(increment)
    assert longest_burst(StorePattern(apart), service, fifo_depth=fifo_depth) == longest
    times = [apart * index for index in range(longest + 1)]
    conforms = conforming(times, increment=increment, limit=limit)
    assert conforms == [True] * longest + [False]


@pytest.mark.source(
    GCRA, part="GCRA(100, 500), virtual scheduling: all conform", kind="from memory"
)
def test_stores_of_the_worked_example_need_a_fifo_of_five() -> None:
    times = [0, 100, 130, 160, 190, 220, 250, 280, 310, 1000, 1030]
    assert all(conforming(times, increment=Fraction(100), limit=Fraction(500)))
    meter = DepthMeter(Fraction(100))
    meter.feed(times)
    assert meter.depth == 5
    assert not all(conforming(times, increment=Fraction(100), limit=Fraction(400)))


@pytest.mark.source(
    GCRA, part="GCRA(100, 500): the 21st and 24th do not conform", kind="from memory"
)
def test_stores_of_the_second_worked_example_need_more_than_five() -> None:
    starts = [0, 300, 600, 800, 1000, 1200, 1400, 1600]
    times = [start + after for start in starts for after in (0, 10, 20)]
    conforms = conforming(times, increment=Fraction(100), limit=Fraction(500))
    assert [number for number, one in enumerate(conforms, 1) if not one] == [21, 24]
    for stores, depth in ((20, 5), (21, 6)):
        meter = DepthMeter(Fraction(100))
        meter.feed(times[:stores])
        assert meter.depth == depth


@pytest.mark.source(GCRA, part="GCRA, virtual scheduling", kind="from memory")
@given(
    gaps=st.lists(st.integers(0, 30), min_size=1, max_size=60),
    slot=st.fractions(1, 20, max_denominator=12),
)
@settings(max_examples=60)
def test_fifo_loses_nothing_exactly_where_stores_conform_to_gcra(
    gaps: list[int], slot: Fraction
) -> None:
    times = np.cumsum(gaps).tolist()
    meter = DepthMeter(slot)
    meter.feed(times)
    assert all(conforming(times, increment=slot, limit=meter.depth * slot))
    if meter.depth:
        assert not all(conforming(times, increment=slot, limit=(meter.depth - 1) * slot))


@pytest.mark.source(
    "regular burst into a queue", part="a slow, obvious sender loses from there on", kind="computed"
)
@pytest.mark.parametrize(("apart", "slot"), [(3, 4), (4, 5), (5, 6), (4, 7), (1, 8)])
@pytest.mark.parametrize("stores", [2, 16, 64])
def test_naive_sender_needs_the_depth_that_is_planned(apart: int, slot: int, stores: int) -> None:
    depth = depth_for_burst(StorePattern(apart), SlotService(Fraction(slot)), stores=stores)
    cycles = np.arange(stores, dtype=np.uint64) * np.uint64(apart)

    def lost(fifo_depth: int) -> int:
        board = planning_board(link_of_cycles(slot), processor_hz=CLOCK_HZ, fifo_depth=fifo_depth)
        return send_all(board, stores_at(cycles)).overrun

    assert lost(depth) == 0
    assert depth > 0
    assert lost(depth - 1) > 0
