from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.batch import DeliveredFrames, FrameBatch
from busplay.description.board import Board
from busplay.description.link import Field, Link, StrobeFraming
from busplay.display.bank import BankCounters, DisplayBank
from busplay.display.writes import BLOCK_WORDS, WriteCounts
from busplay.errors import DescriptionError, FieldError, InputError
from busplay.link.layout import FrameLayout
from busplay.write_index.cells import Cells
from tests.boards import GUARDED, PANEL, SIGN, board_with
from tests.display.cases import unit_with, units
from tests.naive.display import NaiveDisplay, feed
from tests.strategies import links

unhurried = settings(deadline=None)


def batch(words: list[int] | np.ndarray) -> FrameBatch:
    return FrameBatch(np.arange(len(words), dtype=np.uint64), np.array(words, np.uint64))


def link_of(*fields: tuple[str, int], lanes: int = 1) -> Link:
    return Link(
        name="plain",
        lanes=lanes,
        edges="rising",
        fields=tuple(Field(name, bits) for name, bits in fields),
        framing=StrobeFraming(),
        file="plain.toml",
    )


def bank_on(link: Link, board: Board | None = None) -> tuple[DisplayBank, FrameLayout]:
    layout = FrameLayout(link)
    return DisplayBank(board or board_with(link), layout), layout


def test_frame_goes_to_its_unit_and_space() -> None:
    bank, layout = bank_on(GUARDED)
    words = [
        layout.pack(space=1, unit=0, sequence=0, address=0x1234, data=0x56)[0],
        layout.pack(space=1, unit=1, sequence=1, address=0x01FF, data=0x80)[0],
        layout.pack(space=2, unit=1, sequence=2, address=2, data=1)[0],
    ]
    bank.feed(batch(words))
    panel, sign = bank.displays["panel"], bank.displays["sign"]
    assert panel.memory[0x1234] == 0x56
    assert np.count_nonzero(panel.memory) == 1
    assert sign.memory[0x1FF] == 0x80
    assert np.count_nonzero(sign.memory) == 1
    assert (panel.border_index, sign.border_index) == (0, 1)
    assert bank.counters == BankCounters(2, 1, 0, 0, 0)


def test_reserved_space_idle_and_unknown_unit_are_ignored_and_counted() -> None:
    bank, layout = bank_on(GUARDED)
    before = bank.state()
    words = [
        int(layout.pack(space=space, unit=unit, address=1, data=2)[0])
        for space, unit in ((3, 0), (3, 3), (1, 2), (2, 3), (0, 0), (0, 3), (1, 3))
    ]
    bank.feed(batch(words))
    assert bank.state() == before
    assert bank.counters == BankCounters(
        frames_memory=0,
        frames_registers=0,
        frames_idle=2,
        frames_reserved_space=2,
        frames_unknown_unit=3,
    )


def test_offset_outside_a_unit_is_counted_there_and_hits_no_neighbour() -> None:
    bank, layout = bank_on(GUARDED)
    before = {name: display.memory.copy() for name, display in bank.displays.items()}
    words = [
        int(layout.pack(space=1, unit=unit, address=address, data=255)[0])
        for unit, address in ((0, 24_576), (0, 0xFFFF), (1, 512))
    ]
    bank.feed(batch(words))
    assert bank.displays["panel"].counters.frames_outside_memory == 2
    assert bank.displays["sign"].counters.frames_outside_memory == 1
    for name, display in bank.displays.items():
        assert (display.memory == before[name]).all()


def test_link_without_space_writes_memory() -> None:
    link = link_of(("unit", 2), ("address", 16), ("data", 8))
    bank, layout = bank_on(link)
    bank.feed(batch(layout.pack(unit=1, address=3, data=7)))
    assert bank.displays["sign"].memory[3] == 7


def test_link_without_unit_writes_the_only_unit_whatever_its_number() -> None:
    link = link_of(("space", 2), ("address", 16), ("data", 8))
    board = replace(board_with(link), units=(replace(SIGN, number=3),))
    bank, layout = bank_on(link, board)
    bank.feed(batch(layout.pack(space=1, address=3, data=7)))
    assert bank.displays["sign"].memory[3] == 7


def test_link_without_unit_writes_number_0_of_several() -> None:
    link = link_of(("address", 16), ("data", 8))
    board = replace(board_with(link), units=(SIGN, PANEL))
    bank, layout = bank_on(link, board)
    bank.feed(batch(layout.pack(address=3, data=7)))
    assert bank.displays["panel"].memory[3] == 7


def test_link_without_unit_reaches_no_unit_unless_one_has_number_0() -> None:
    link = link_of(("address", 16), ("data", 8))
    board = replace(board_with(link), units=(replace(PANEL, number=2), SIGN))
    bank, layout = bank_on(link, board)
    bank.feed(batch(layout.pack(address=3, data=7)))
    assert bank.counters.frames_unknown_unit == 1


def test_low_byte_of_wider_data_is_used() -> None:
    link = link_of(("address", 8), ("data", 12))
    bank, layout = bank_on(link)
    bank.feed(batch(layout.pack(address=3, data=0xF12)))
    assert bank.displays["panel"].memory[3] == 0x12


@pytest.mark.parametrize("missing", ["address", "data"])
def test_link_without_address_or_data_is_refused(missing: str) -> None:
    link = link_of(*(f for f in (("space", 2), ("address", 8), ("data", 8)) if f[0] != missing))
    with pytest.raises(FieldError, match=f"link plain has no field '{missing}'; its fields are"):
        bank_on(link)


def test_unit_number_out_of_range_is_refused() -> None:
    board = replace(board_with(GUARDED), units=(replace(PANEL, number=65_536),), file="b.toml")
    with pytest.raises(DescriptionError) as caught:
        bank_on(GUARDED, board)
    assert str(caught.value) == "b.toml: units.panel.number: found 65536; give 0 to 65535"


def test_reset_returns_units_and_counters_to_power_on() -> None:
    bank, layout = bank_on(GUARDED)
    power_on = bank.state()
    bank.feed(batch(layout.pack(space=1, unit=0, address=3, data=7)))
    bank.reset()
    assert bank.state() == power_on
    assert bank.counters == BankCounters(0, 0, 0, 0, 0)


def test_wrong_set_of_states_is_refused() -> None:
    bank, _ = bank_on(GUARDED)
    states = bank.state()
    del states["sign"]
    with pytest.raises(InputError) as caught:
        bank.restore(states)
    assert str(caught.value) == "states of units: found panel; the units are panel, sign"


def test_one_wrong_state_leaves_every_unit_as_it_was() -> None:
    bank, layout = bank_on(GUARDED)
    states = bank.state()
    bank.feed(batch(layout.pack(space=1, unit=0, address=3, data=7)))
    before = bank.state()
    with pytest.raises(InputError, match="state of unit sign: found 1 bytes"):
        bank.restore({**states, "sign": b"x"})
    assert bank.state() == before


@unhurried
@given(st.data(), links(), units(name="one", number=0), st.integers(1, 4), st.integers(0, 2**32))
def test_any_link_writes_what_the_naive_bank_writes(data, link, one, other_number, seed) -> None:
    other = unit_with(name="other", number=other_number, memory_bytes=100)
    units_here = (one, other) if data.draw(st.booleans(), label="two units") else (one,)
    bank, _ = bank_on(link, replace(board_with(link), units=units_here))
    random = np.random.default_rng(seed)
    words = (
        random.integers(0, 1 << link.frame_bits, 80, dtype=np.uint64, endpoint=False)
        if link.frame_bits < 64
        else random.integers(0, 2**64 - 1, 80, dtype=np.uint64)
    )
    # Half of the words get a small address, so that they hit memory or registers.
    address = FrameLayout(link).bit_places("address")
    for place in address[5:]:
        words[::2] &= ~np.uint64(1 << place)
    displays = {unit.number: NaiveDisplay(unit) for unit in units_here}
    counts = feed(displays, words.tolist(), link)
    cut = data.draw(st.integers(0, 80), label="cut")
    bank.feed(batch(words[:cut]))
    bank.feed(batch(words[cut:]))
    found = bank.counters
    assert counts == {
        "memory": found.frames_memory,
        "registers": found.frames_registers,
        "idle": found.frames_idle,
        "reserved_space": found.frames_reserved_space,
        "unknown_unit": found.frames_unknown_unit,
    }
    for unit in units_here:
        display, naive = bank.displays[unit.name], displays[unit.number]
        assert display.memory.tolist() == naive.memory
        assert display.palette.tolist() == naive.palette
        assert display.counters.frames_outside == naive.outside
        assert display.indices().tolist() == naive.indices()


def test_frames_fed_all_ways_give_the_same() -> None:
    layout = FrameLayout(GUARDED)
    random = np.random.default_rng(5)
    words = layout.pack(
        space=random.integers(0, 4, 500).astype(np.uint64),
        unit=random.integers(0, 4, 500).astype(np.uint64),
        address=random.integers(0, 12, 500).astype(np.uint64),
        data=random.integers(0, 256, 500).astype(np.uint64),
    )
    whole = DisplayBank(board_with(GUARDED), layout)
    whole.feed(batch(words))
    for step in (1, 7, 499):
        cut = DisplayBank(board_with(GUARDED), layout)
        for first in range(0, 500, step):
            cut.feed(batch(words[first : first + step]))
        assert cut.state() == whole.state()
        assert cut.counters == whole.counters


def test_what_a_receiver_delivered_is_shown_in_the_order_in_which_it_came() -> None:
    layout = FrameLayout(GUARDED)
    random = np.random.default_rng(6)
    # So few offsets that the order matters nearly everywhere.
    numbers = random.integers(0, 256, (2, 300)).astype(np.uint64)
    sent, copies = (layout.pack(space=1, address=one % np.uint64(5), data=one) for one in numbers)
    spans = np.array([[0, 40, 0], [41, 9, 1], [50, 1, 1], [90, 200, 280]])
    delivered = DeliveredFrames(batch(sent), batch(copies), spans)
    one, other = (DisplayBank(board_with(GUARDED), layout) for _ in range(2))
    one.show(delivered)
    other.feed(delivered.frames())
    assert one.state() == other.state()
    assert one.counters == other.counters


# Runs of a unit's memory are taken in blocks that grow from 16 words to 256.
@pytest.mark.parametrize("run_words", [1, 15, 16, 17, 47, 700])
def test_writes_are_counted_by_cell_and_in_spans_of_what_is_shown(run_words: int) -> None:
    layout = FrameLayout(GUARDED)
    random = np.random.default_rng(7)
    board = board_with(GUARDED)
    cells = Cells(board, layout)
    fields = {
        "space": np.repeat(random.choice([1, 1, 1, 1, 2, 0, 3], 400), run_words),
        "unit": np.repeat(random.choice([0, 0, 0, 1, 3], 400), run_words),
        # The sign has 512 bytes, a space of registers 8.
        "address": random.choice([0, 1, 7, 8, 511, 512, 0xFFFF], 400 * run_words),
        "data": random.integers(0, 2, 400 * run_words),
    }
    if run_words > 1:
        fields["address"] %= 8
    words = layout.pack(**{name: column.astype(np.uint64) for name, column in fields.items()})
    words = words[:20_000]
    half = len(words) // 2
    spans = np.array([[0, half - 50, 0], [half - 50, 50, 30]])
    delivered = DeliveredFrames(batch(words[:half]), batch(words[half:]), spans)
    stops = np.array([3, 3, len(words) * 5 // 8, len(words)])
    counts, changed = np.zeros(cells.count, np.uint32), np.zeros(4, np.uint64)
    counted, plain = DisplayBank(board, layout), DisplayBank(board, layout)
    room = np.empty(BLOCK_WORDS, np.uint32), np.empty(BLOCK_WORDS, np.uint8)
    where = WriteCounts(counts, cells.memory_first, cells.register_first, 0, stops, changed, *room)
    counted.show(delivered, counted=where)
    plain.show(delivered)
    assert counted.state() == plain.state()
    assert counted.counters == plain.counters
    memories = {0: [0] * 24_576, 1: [0] * 512}
    wanted, wanted_changed = [0] * cells.count, [0] * 4
    for number, word in enumerate(delivered.frames().word.tolist()):
        space, unit, offset, data = word >> 38, word >> 36 & 3, word >> 16 & 0xFFFF, word >> 8 & 255
        if unit in memories and space == 1 and offset < len(memories[unit]):
            wanted[int(cells.memory_first[unit]) + offset] += 1
            span = int(np.searchsorted(stops, number, side="right"))
            wanted_changed[span] += memories[unit][offset] != data
            memories[unit][offset] = data
        elif unit in memories and space == 2 and offset < 8:
            wanted[int(cells.register_first[unit]) + offset] += 1
    assert counts.tolist() == wanted
    assert changed.tolist() == wanted_changed
    assert changed[2:].all()


def test_read_only_or_non_contiguous_words_are_read() -> None:
    bank, layout = bank_on(GUARDED)
    words = layout.pack(space=1, unit=0, address=np.arange(6, dtype=np.uint64), data=9)
    words.flags.writeable = False
    bank.feed(FrameBatch(np.arange(3, dtype=np.uint64), words[::2]))
    bank.feed(FrameBatch(np.arange(6, dtype=np.uint64)[:1], words[5:]))
    assert np.flatnonzero(bank.displays["panel"].memory).tolist() == [0, 2, 4, 5]
