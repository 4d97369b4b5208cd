from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.display.display import Display
from busplay.display.registers import REGISTERS, markdown_table
from busplay.errors import InputError, OutputError
from busplay.png import encode_png
from tests.display.cases import unit_with, units
from tests.naive.display import NaiveDisplay

# The first call of a kernel may have to compile it.
unhurried = settings(deadline=None)

OFFSET = {one.name: one.offset for one in REGISTERS}


def write(display: Display, *writes: tuple[str, int]) -> None:
    display.write_registers([OFFSET[name] for name, _ in writes], [value for _, value in writes])


def test_power_on_is_zero_memory_and_the_described_registers() -> None:
    unit = unit_with(base_offset=0x123, border_index=5)
    display = Display(unit)
    assert not display.memory.any()
    assert display.memory.shape == (8,)
    assert display.palette.tolist() == [list(colour) for colour in unit.palette]
    assert display.base_offset == 0x123
    assert display.border_rgb == unit.palette[5]
    assert not display.is_blank
    assert display.counters.frames_outside == 0


@pytest.mark.parametrize(
    ("bits", "order", "byte", "pixels"),
    [
        (1, "high_first", 0b1010_0011, [1, 0, 1, 0, 0, 0, 1, 1]),
        (1, "low_first", 0b1010_0011, [1, 1, 0, 0, 0, 1, 0, 1]),
        (2, "high_first", 0b00_01_10_11, [0, 1, 2, 3]),
        (2, "low_first", 0b00_01_10_11, [3, 2, 1, 0]),
        (4, "high_first", 0xA7, [10, 7]),
        (4, "low_first", 0xA7, [7, 10]),
        (8, "high_first", 0xA7, [0xA7]),
        (8, "low_first", 0xA7, [0xA7]),
    ],
)
def test_byte_holds_its_pixels_in_the_unit_s_order(
    bits: int, order: str, byte: int, pixels: list[int]
) -> None:
    unit = unit_with(width_px=len(pixels), height_px=1, bits_per_pixel=bits, pixel_order=order)
    display = Display(unit)
    display.write_memory([0], [byte])
    assert display.indices().tolist() == [pixels]
    assert display.image().tolist() == [[list(unit.palette[index]) for index in pixels]]


def test_later_write_to_the_same_offset_wins() -> None:
    display = Display(unit_with())
    display.write_memory([3, 3, 3], [1, 2, 9])
    assert display.memory[3] == 9


def test_offset_outside_memory_is_ignored_and_counted() -> None:
    display = Display(unit_with(memory_bytes=8))
    display.write_memory([7, 8, 0xFFFF, 2**63], [1, 2, 3, 4])
    assert display.memory.tolist() == [0, 0, 0, 0, 0, 0, 0, 1]
    assert display.counters.frames_outside_memory == 3
    assert display.counters.frames_outside_registers == 0
    assert display.counters.frames_outside == 3


def test_offset_outside_registers_is_ignored_and_counted() -> None:
    display = Display(unit_with())
    before = display.state()
    display.write_registers([8, 0x100, 0xFFFF], [1, 2, 3])
    assert display.counters.frames_outside_registers == 3
    display.restore(before)
    assert display.counters.frames_outside == 0


def test_base_takes_effect_on_the_write_of_its_high_byte() -> None:
    unit = unit_with(width_px=1, height_px=1, bits_per_pixel=8, memory_bytes=0x400)
    display = Display(unit)
    display.write_memory([0x000, 0x034, 0x234], [1, 2, 3])
    write(display, ("BASE_LOW", 0x34))
    assert display.indices()[0, 0] == 1
    write(display, ("BASE_HIGH", 0x02))
    assert display.base_offset == 0x234
    assert display.indices()[0, 0] == 3
    write(display, ("BASE_HIGH", 0x00))
    assert display.indices()[0, 0] == 2


def test_high_byte_alone_keeps_the_low_byte_of_power_on() -> None:
    display = Display(unit_with(base_offset=0x123))
    write(display, ("BASE_HIGH", 0x04))
    assert display.base_offset == 0x423


def test_base_wraps_at_the_end_of_memory() -> None:
    unit = unit_with(width_px=4, height_px=1, bits_per_pixel=8, memory_bytes=6)
    display = Display(unit)
    display.write_memory(range(6), range(6))
    write(display, ("BASE_LOW", 4), ("BASE_HIGH", 0))
    assert display.indices().tolist() == [[4, 5, 0, 1]]
    write(display, ("BASE_LOW", 6 + 3), ("BASE_HIGH", 0))
    assert display.indices().tolist() == [[3, 4, 5, 0]]


def test_blue_stores_the_colour_and_steps_the_index() -> None:
    unit = unit_with()
    display = Display(unit)
    write(display, ("PALETTE_INDEX", 14))
    write(display, ("PALETTE_RED", 1), ("PALETTE_GREEN", 2))
    assert display.palette[14].tolist() == list(unit.palette[14])
    write(display, ("PALETTE_BLUE", 3), ("PALETTE_BLUE", 4), ("PALETTE_BLUE", 5))
    assert display.palette[[14, 15, 0, 1]].tolist() == [
        [1, 2, 3],
        [1, 2, 4],
        [1, 2, 5],
        list(unit.palette[1]),
    ]


def test_index_registers_take_the_bits_that_a_pixel_has() -> None:
    display = Display(unit_with(bits_per_pixel=2))
    write(display, ("BORDER", 0xFE), ("PALETTE_INDEX", 0x87), ("PALETTE_BLUE", 99))
    assert display.border_index == 2
    assert display.palette[3].tolist() == [0, 0, 99]


def test_blank_shows_the_border_s_colour_and_keeps_memory() -> None:
    unit = unit_with(border_index=6)
    display = Display(unit)
    display.write_memory([0], [0x12])
    write(display, ("BLANK", 0xFF))
    assert display.is_blank
    assert (display.image() == np.array(unit.palette[6])).all()
    assert (display.indices() == 6).all()
    write(display, ("BLANK", 0xFE))
    assert display.indices()[0, :2].tolist() == [1, 2]


def test_memory_and_palette_cannot_be_written_past_the_frames() -> None:
    display = Display(unit_with())
    with pytest.raises(ValueError, match="read-only"):
        display.memory[0] = 1
    with pytest.raises(ValueError, match="read-only"):
        display.palette[0, 0] = 1


def test_register_table_names_each_offset_once() -> None:
    assert [one.offset for one in REGISTERS] == list(range(13))
    assert len({one.name for one in REGISTERS}) == 13
    table = markdown_table()
    assert table.startswith(
        "| offset | register | in | a write |\n| --- | --- | --- | --- |\n| 0 |"
    )
    units = {"every": "every unit", "text": "units of text", "pages": "units with pages"}
    assert all(
        f"| {one.offset} | `{one.name}` | {units[one.units]} | {one.on_write} |\n" in table
        for one in REGISTERS
    )


columns = st.integers(0, 60).flatmap(
    lambda count: st.tuples(
        st.lists(st.integers(0, 220), min_size=count, max_size=count),
        st.lists(st.integers(0, 255), min_size=count, max_size=count),
    )
)
register_columns = st.integers(0, 40).flatmap(
    lambda count: st.tuples(
        st.lists(st.integers(0, 14), min_size=count, max_size=count),
        st.lists(st.integers(0, 255), min_size=count, max_size=count),
    )
)


@unhurried
@given(units(), columns, register_columns, st.booleans(), st.integers(0, 2**32 - 1))
def test_any_unit_shows_what_the_naive_display_shows(
    unit, writes, register_writes, refreshes, seed
) -> None:
    display, naive = Display(unit), NaiveDisplay(unit)
    fill = np.random.default_rng(seed).integers(0, 256, unit.memory_bytes)
    for offsets, data in ((range(unit.memory_bytes), fill.tolist()), writes):
        display.write_memory(offsets, data)
        for offset, value in zip(offsets, data, strict=True):
            naive.write_memory(offset, value)
    display.write_registers(*register_writes)
    for offset, value in zip(*register_writes, strict=True):
        naive.write_register(offset, value)
    if refreshes:
        display.refresh()
        naive.refresh()
    assert display.indices().tolist() == naive.indices()
    assert display.image().tolist() == naive.image()
    assert display.page == naive.page_shown
    assert display.counters.frames_outside == naive.outside
    assert display.border_rgb == tuple(naive.palette[naive.border])


@unhurried
@given(
    units(),
    st.integers(1, 5),
    st.integers(0, 30),
    st.integers(0, 30),
    st.booleans(),
    st.integers(0, 2**32 - 1),
)
def test_scaled_picture_is_squares_of_the_plain_one_and_touches_nothing_else(
    unit, scale, left, top, blank, seed
) -> None:
    display = Display(unit)
    random = np.random.default_rng(seed)
    display.write_memory(range(unit.memory_bytes), random.integers(0, 256, unit.memory_bytes))
    display.write_registers([OFFSET["BLANK"]], [int(blank)])
    colours = random.integers(1, 2**32, display.colours, dtype=np.uint32)
    out = np.zeros((40, 60), np.uint32)
    display.draw(out, colours, left_px=left, top_px=top, scale=scale)
    squares = colours[display.indices()].repeat(scale, axis=0).repeat(scale, axis=1)
    room = out[top:, left:]
    if not blank:
        # A square that would be cut is left out.
        whole = (room.shape[0] // scale * scale, room.shape[1] // scale * scale)
        squares = squares[: whole[0], : whole[1]]
    wanted = np.zeros_like(out)
    height, width = min(room.shape[0], squares.shape[0]), min(room.shape[1], squares.shape[1])
    wanted[top : top + height, left : left + width] = squares[:height, :width]
    assert (out == wanted).all()


def test_draw_refuses_places_and_colours_that_do_not_fit() -> None:
    display = Display(unit_with())
    out = np.zeros((10, 10), np.uint32)
    colours = np.zeros(16, np.uint32)
    with pytest.raises(ValueError, match=r"colours must be uint32\[16\]"):
        display.draw(out, np.zeros(15, np.uint32), left_px=0, top_px=0, scale=1)
    with pytest.raises(ValueError, match="cannot draw at -1, 0, scale 1"):
        display.draw(out, colours, left_px=-1, top_px=0, scale=1)
    with pytest.raises(ValueError, match="C order"):
        display.draw(out.T, colours, left_px=0, top_px=0, scale=1)


def test_columns_of_unequal_length_are_refused() -> None:
    display = Display(unit_with())
    with pytest.raises(ValueError, match=r"offsets \(2,\) and data \(1,\) must be equal columns"):
        display.write_memory([1, 2], [3])


@unhurried
@given(units(), columns, register_columns)
def test_restored_display_continues_as_the_first(unit, writes, register_writes) -> None:
    first, second = Display(unit), Display(unit)
    first.write_memory(*writes)
    first.write_registers(*register_writes)
    second.write_memory([0], [77])
    second.restore(first.state())
    for display in (first, second):
        display.write_registers(*register_writes)
    assert second.state() == first.state()
    assert (second.image() == first.image()).all()
    assert second.counters == first.counters


def test_reset_is_power_on() -> None:
    display = Display(unit_with(base_offset=9, border_index=2))
    power_on = display.state()
    display.write_memory([0, 99], [1, 2])
    display.write_registers(range(8), range(1, 9))
    display.reset()
    assert display.state() == power_on


STATE = Display(unit_with()).state()


@pytest.mark.parametrize(
    ("state", "message"),
    [
        (b"", "state of unit panel: found 0 bytes; it takes 144"),
        (STATE[:-1], "state of unit panel: found 143 bytes; it takes 144"),
        (STATE + b"\0", "state of unit panel: found 145 bytes; it takes 144"),
        (b"XXXX" + STATE[4:], "state of unit panel: found b'XXXX'; it begins b'BUDS'"),
        (
            STATE[:4] + b"\2" + STATE[5:],
            "state of unit panel: found version 2; this reads 1",
        ),
        (
            Display(unit_with(bits_per_pixel=2)).state(),
            "state of unit panel: found 2 bits a pixel, 4 colours, 4 bytes of memory; "
            "this unit has 4 bits, 16 colours, 8 bytes",
        ),
        (
            STATE[:32] + b"\x10" + STATE[33:],
            "state of unit panel: found border 16; 0 to 15 is right",
        ),
    ],
)
def test_wrong_state_is_refused_and_changes_nothing(state: bytes, message: str) -> None:
    display = Display(unit_with())
    display.write_memory([2], [5])
    before = display.state()
    with pytest.raises(InputError) as caught:
        display.restore(state)
    assert str(caught.value) == message
    assert display.state() == before


@unhurried
@given(
    st.binary(max_size=200)
    | st.builds(
        lambda b, i, v: b[:i] + bytes([v]) + b[i + 1 :],
        st.just(STATE),
        st.integers(0, len(STATE) - 1),
        st.integers(0, 255),
    )
)
def test_any_bytes_are_a_state_or_an_input_error(state: bytes) -> None:
    display = Display(unit_with())
    try:
        display.restore(state)
    except InputError:
        return
    assert display.state()[:16] == STATE[:16]
    assert display.image().shape == (2, 8, 3)


def test_picture_is_saved_as_the_pixels_without_the_border(tmp_path: Path) -> None:
    display = Display(unit_with(width_px=8, height_px=4, bits_per_pixel=8, border_px=3))
    display.write_memory(range(32), range(32))
    for path in (tmp_path / "a.png", str(tmp_path / "b.png")):
        display.save(path)
        assert Path(path).read_bytes() == encode_png(display.image())
    with pytest.raises(OutputError, match=r"^.*none.a\.png: found no such file or directory"):
        display.save(tmp_path / "none" / "a.png")


@unhurried
@given(units(), st.integers(0, 1 << 32), st.integers(0, 0xFFFF))
def test_pixel_says_which_bits_of_which_byte_the_picture_shows(unit, seed, base) -> None:
    display = Display(unit)
    rng = np.random.default_rng(seed)
    display.write_memory(
        np.arange(unit.memory_bytes), rng.integers(0, 256, unit.memory_bytes, np.uint8)
    )
    display.write_registers([0, 1], [base & 0xFF, base >> 8])
    picture, offsets = display.indices(), display.byte_offsets()
    for y in range(unit.height_px):
        for x in range(unit.width_px):
            offset, byte, index = display.pixel(x, y)
            assert index == picture[y, x]
            assert offset == offsets[y, x]
            assert byte == display.memory[offset]


def test_pixel_outside_the_picture_is_refused() -> None:
    with pytest.raises(ValueError, match="pixel 8, 0: the picture has 8 by 2 pixels"):
        Display(unit_with()).pixel(8, 0)
