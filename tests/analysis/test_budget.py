"""A link's budget adds up, and its grid is the sender's."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from hypothesis import assume, given, settings
from hypothesis import strategies as st

from busplay.analysis.budget import link_budget
from busplay.analysis.budget_buses import bus_rows
from busplay.analysis.budget_sender import planning_board
from busplay.description.link import Link, StrobeFraming
from busplay.link.load import load_link
from busplay.sender.encoder import Encoder
from tests.boards import GUARDED
from tests.strategies import links


@given(link=links(), idle_every=st.none() | st.integers(2, 50))
@settings(max_examples=60)
def test_shares_of_all_parts_add_up_to_the_whole_link(link: Link, idle_every: int | None) -> None:
    assume(idle_every is None or not isinstance(link.framing, StrobeFraming))
    budget = link_budget(replace(link, idle_every=idle_every), processor_hz=1_022_727)
    assert sum(one.share_ratio for one in budget.costs) == 1
    assert sum(one.bit_hz for one in budget.costs) == budget.bit_hz
    carried = sum(one.bit_hz for one in budget.costs if one.name in ("address", "data"))
    assert carried == budget.payload_bit_hz


@given(link=links())
@settings(max_examples=60)
def test_grid_and_step_are_those_of_the_sender(link: Link) -> None:
    budget = link_budget(link, processor_hz=8_000_000)
    encoder = Encoder(planning_board(link, processor_hz=8_000_000, fifo_depth=1))
    assert (budget.grid_edges, budget.step_edges) == (encoder.grid_edges, encoder.step_edges)
    ratio = encoder.edges_per_cycle
    assert budget.slot_cycles == Fraction(encoder.step_edges * ratio.denominator, ratio.numerator)


def test_rest_between_frames_is_a_cost_of_its_own() -> None:
    budget = link_budget(load_link("serial"), processor_hz=8_000_000)
    assert budget.wires == 3
    assert budget.slot_cycles == Fraction(34, 5)
    assert budget.slot_ns == 850
    assert budget.symbol_ns == 25
    rest = budget.costs[-1]
    assert (rest.name, rest.bits, rest.share_ratio) == ("rest", 2, Fraction(1, 17))
    assert budget.frame_hz == Fraction(40_000_000, 34)


def test_slots_kept_idle_cost_their_share_and_slow_the_rest() -> None:
    budget = link_budget(replace(GUARDED, idle_every=8), processor_hz=8_000_000)
    assert budget.costs[-1].name == "idle"
    assert budget.costs[-1].share_ratio == Fraction(1, 8)
    assert budget.frame_hz == 1_750_000
    assert budget.frame_cycles == Fraction(32, 7)
    assert budget.slot_cycles == 4


def test_strobe_that_starts_on_any_cycle_takes_whole_cycles() -> None:
    link = replace(load_link("strobed"), edges="both", start="cycle")
    budget = link_budget(link, processor_hz=8_000_000)
    # 5 symbols are two and a half cycles.
    assert (budget.grid_edges, budget.step_edges) == (2, 6)
    assert budget.slot_cycles == 3
    assert budget.costs[-1].name == "rest"
    assert budget.costs[-1].bits == 6


def test_other_buses_need_what_their_bits_say() -> None:
    budget = link_budget(GUARDED, processor_hz=8_000_000)
    rows = {one.name: one for one in bus_rows(budget, receivers=2, uart_bit_hz=115_200)}
    assert {name: row.pins for name, row in rows.items()} == {
        "link guarded": 6,
        "shared memory": 27,
        "SPI": 4,
        "SPI, 4 lanes": 7,
        "UART 8N1": 1,
    }
    assert rows["SPI"].needed_hz == 40 * 2_000_000
    assert rows["SPI"].stores_hz == 200_000
    assert rows["SPI, 4 lanes"].needed_hz == 20_000_000
    assert rows["UART 8N1"].needed_hz == 50 * 2_000_000
    assert rows["link guarded"].needed_hz == 8_000_000
    # The processor stores every fourth cycle, however fast the bus is.
    assert rows["shared memory"].fill_s(24_576) == Fraction(24_576, 2_000_000)
    assert rows["SPI"].fill_s(24_576) == Fraction(24_576, 200_000)


def test_odd_frames_take_whole_bytes_on_other_buses() -> None:
    budget = link_budget(load_link("strobed"), processor_hz=8_000_000)
    rows = {one.name: one for one in bus_rows(budget, receivers=1, uart_bit_hz=9_600)}
    assert rows["SPI"].store_bits == 32
    assert rows["SPI, 4 lanes"].store_bits == 8
    assert rows["UART 8N1"].store_bits == 40
