from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.description.link import Check, Field, Link, MarkerFraming, StrobeFraming
from busplay.errors import FieldError
from busplay.link.layout import FrameLayout
from busplay.link.load import load_link
from tests.boards import GUARDED, LEAN
from tests.naive import layout as naive
from tests.strategies import links


def draw_values(data: st.DataObject, link: Link) -> dict[str, int]:
    """Draw a value for each field except constants and check."""
    check = link.check.field if link.check else None
    return {
        one.name: data.draw(st.integers(0, (1 << one.bits) - 1), label=one.name)
        for one in link.fields
        if one.value is None and one.name != check
    }


def pack_one(layout: FrameLayout, values: dict[str, int]) -> int:
    return int(layout.pack(**values)[0])


@settings(deadline=None)
@given(links(), st.data())
def test_word_equals_that_made_bit_by_bit(link: Link, data: st.DataObject) -> None:
    values = draw_values(data, link)
    bits = naive.frame_bits(link, values)
    assert pack_one(FrameLayout(link), values) == naive.word_of_bits(bits)


@settings(deadline=None)
@given(links(), st.data())
def test_slot_equals_that_made_symbol_by_symbol(link: Link, data: st.DataObject) -> None:
    values = draw_values(data, link)
    layout = FrameLayout(link)
    word = np.array([pack_one(layout, values)], np.uint64)
    symbols = layout.to_symbols(word)
    assert symbols.tolist() == naive.slot_symbols(link, naive.frame_bits(link, values))
    assert symbols.dtype == layout.symbol_dtype
    assert len(symbols) == layout.slot_symbols


@settings(deadline=None)
@given(links())
def test_idle_slot_is_that_of_the_design(link: Link) -> None:
    assert FrameLayout(link).idle_symbols.tolist() == naive.idle_slot(link)


@settings(deadline=None)
@given(links(), st.data())
def test_fields_round_trip_through_the_word(link: Link, data: st.DataObject) -> None:
    values = draw_values(data, link)
    layout = FrameLayout(link)
    found = layout.unpack(layout.pack(**values))
    for one in link.fields:
        if link.check is None or one.name != link.check.field:
            wanted = one.value if one.value is not None else values[one.name]
            assert found[one.name].tolist() == [wanted]


@settings(deadline=None)
@given(links(), st.lists(st.integers(0, 2**64 - 1), max_size=5))
def test_words_round_trip_through_their_symbols(link: Link, numbers: list[int]) -> None:
    layout = FrameLayout(link)
    mask = (1 << layout.frame_bits) - 1
    words = np.array([one & mask for one in numbers], np.uint64)
    slots = layout.to_symbols(words).reshape(len(words), layout.slot_symbols)
    frames = slots[:, : layout.frame_symbols].reshape(-1)
    assert layout.to_words(frames).tolist() == words.tolist()


@settings(deadline=None)
@given(links(), st.data())
def test_packed_words_and_the_idle_word_are_valid(link: Link, data: st.DataObject) -> None:
    layout = FrameLayout(link)
    word = layout.pack(**draw_values(data, link))
    assert layout.syndrome(word).tolist() == [0]
    assert layout.is_valid(word).all()
    assert layout.is_valid(np.array([layout.idle_word], np.uint64)).all()


@settings(deadline=None)
@given(links(), st.data())
def test_one_bit_error_under_the_check_or_in_a_constant_is_detected(
    link: Link, data: st.DataObject
) -> None:
    layout = FrameLayout(link)
    word = pack_one(layout, draw_values(data, link))
    watched = {one.name for one in link.fields if one.value is not None}
    if link.check is not None:
        watched |= {link.check.field, *link.check.covers}
    for one in link.fields:
        for place in layout.bit_places(one.name):
            wrong = np.array([word ^ 1 << place], np.uint64)
            assert layout.syndrome(wrong).any() == (one.name in watched)


@settings(deadline=None)
@given(links(), st.data())
def test_syndrome_of_an_error_is_the_xor_of_its_columns(link: Link, data: st.DataObject) -> None:
    layout = FrameLayout(link)
    word = pack_one(layout, draw_values(data, link))
    error = data.draw(st.integers(0, (1 << layout.frame_bits) - 1))
    wanted = 0
    for place, column in enumerate(reversed(layout.syndrome_columns)):
        if error >> place & 1:
            wanted ^= column
    assert layout.syndrome(np.array([word ^ error], np.uint64)).tolist() == [wanted]


def test_a_column_of_values_and_a_single_value_pack_together() -> None:
    layout = FrameLayout(GUARDED)
    addresses = np.arange(3, dtype=np.uint64)
    words = layout.pack(space=1, address=addresses)
    assert words.tolist() == [pack_one(layout, {"space": 1, "address": i}) for i in range(3)]


def test_no_values_pack_to_no_words() -> None:
    assert len(FrameLayout(GUARDED).pack(space=1, address=np.empty(0, np.uint64))) == 0


def test_space_0_is_idle_for_any_other_fields() -> None:
    layout = FrameLayout(LEAN)
    words = layout.pack(space=np.array([0, 1, 2, 3], np.uint64), data=7)
    assert layout.is_idle(words).tolist() == [True, False, False, False]


def test_a_link_with_a_strobe_has_no_idle_frame_to_mistake() -> None:
    fields = (Field("address", 16), Field("data", 8))
    link = Link("select", 1, "rising", fields, StrobeFraming(span="frame", gap_symbols=2))
    layout = FrameLayout(link)
    assert layout.is_idle(layout.pack(address=0, data=0)).tolist() == [False]


def test_marker_is_first_in_the_idle_frame_and_under_its_check() -> None:
    fields = (Field("head", 8), Field("address", 16), Field("data", 8), Field("check", 8))
    check = Check("check", "hec_i432", 0x07, 0, 0x55, ("head", "address", "data"))
    marker = MarkerFraming(symbols=(0xA, 0x5), rule="confirm")
    layout = FrameLayout(Link("marked", 4, "both", fields, marker, check))
    assert layout.idle_word >> 32 == 0xA5
    assert layout.syndrome(np.array([layout.idle_word], np.uint64)).tolist() == [0]


def test_held_strobe_is_active_for_the_frame_and_inactive_in_the_gap() -> None:
    fields = (Field("address", 4), Field("data", 8))
    framing = StrobeFraming(span="frame", active="low", gap_symbols=2)
    layout = FrameLayout(Link("select", 4, "rising", fields, framing))
    word = layout.pack(address=0xA, data=0x5C)
    assert layout.to_symbols(word).tolist() == [0xA, 0x5, 0xC, 0x10, 0x10]
    assert layout.idle_symbols.tolist() == [0x10] * 5


def test_low_digit_first_swaps_whole_symbols_and_not_the_bits_in_them() -> None:
    fields = (Field("address", 16), Field("data", 8, order="low_digit_first"))
    layout = FrameLayout(Link("nibbles", 4, "rising", fields, StrobeFraming()))
    symbols = layout.to_symbols(layout.pack(address=0x1234, data=0xAB)) & 0xF
    assert symbols.tolist() == [1, 2, 3, 4, 0xB, 0xA]


def test_value_that_does_not_fit_is_refused() -> None:
    with pytest.raises(FieldError) as caught:
        FrameLayout(LEAN).pack(address=0x10000)
    assert str(caught.value) == "field 'address' has 16 bits; 65536 does not fit"


@pytest.mark.parametrize("value", [-1, np.array([3, -1])])
def test_negative_value_is_refused(value: int) -> None:
    with pytest.raises(FieldError) as caught:
        FrameLayout(LEAN).pack(data=value)
    assert str(caught.value) == "field 'data' has 8 bits; -1 does not fit"


def test_value_past_64_bits_is_refused() -> None:
    wide = Link("wide", 1, "both", (Field("data", 64),), StrobeFraming())
    with pytest.raises(FieldError) as caught:
        FrameLayout(wide).pack(data=1 << 64)
    assert str(caught.value) == "field 'data' has 64 bits; 18446744073709551616 does not fit"
    assert FrameLayout(wide).pack(data=(1 << 64) - 1).tolist() == [(1 << 64) - 1]


def test_value_that_is_not_an_integer_is_refused() -> None:
    with pytest.raises(TypeError, match="field 'data' takes integers, not float64"):
        FrameLayout(LEAN).pack(data=0.5)  # type: ignore[arg-type]


def test_unknown_field_is_refused() -> None:
    with pytest.raises(FieldError) as caught:
        FrameLayout(LEAN).pack(sequence=1)
    assert str(caught.value) == (
        "link lean has no field 'sequence'; its fields are space, unit, address, data, check"
    )


def test_value_for_the_check_field_is_refused() -> None:
    with pytest.raises(FieldError) as caught:
        FrameLayout(LEAN).pack(check=1)
    assert str(caught.value) == "field 'check' is the check; it is computed, not given"


def test_other_value_in_a_constant_field_is_refused() -> None:
    fields = (*LEAN.fields, Field("fixed", 4, value=9))
    layout = FrameLayout(replace(LEAN, fields=fields))
    assert layout.pack(fixed=9).tolist() == layout.pack().tolist()
    with pytest.raises(FieldError) as caught:
        layout.pack(fixed=8)
    assert str(caught.value) == "field 'fixed' is always 9 on this link"


@pytest.mark.parametrize("built", [GUARDED, LEAN])
def test_links_that_tests_build_are_those_that_ship(built: Link) -> None:
    shipped = FrameLayout(load_link(built.name))
    assert shipped.idle_word == FrameLayout(built).idle_word
    assert shipped.syndrome_columns == FrameLayout(built).syndrome_columns
    assert shipped.slot_symbols == FrameLayout(built).slot_symbols
