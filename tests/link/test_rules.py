"""Which links are refused, with which message; and that the proof of a marker is correct."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from busplay.description.link import Check, CheckFraming, Field, Link, MarkerFraming, StrobeFraming
from busplay.errors import DescriptionError
from busplay.link.framing.marker import find_imitation
from busplay.link.layout import FrameLayout
from busplay.link.rules import find_faults, require_sound
from tests.boards import GUARDED, LEAN
from tests.naive import layout as naive
from tests.strategies import links

PLAIN = (Field("space", 2), Field("unit", 2), Field("address", 16), Field("data", 12))


def marked(symbols: tuple[int, ...], *, fields: tuple[Field, ...] = PLAIN, **more: str) -> Link:
    framing = MarkerFraming(symbols=symbols, **more)  # type: ignore[arg-type]
    return Link("marked", 8, "rising", fields, framing, file="marked.toml")


def refusal(link: Link) -> str:
    with pytest.raises(DescriptionError) as caught:
        require_sound(link)
    return str(caught.value)


def test_the_links_of_the_design_are_sound() -> None:
    require_sound(GUARDED)
    require_sound(LEAN)


def test_every_broken_rule_is_listed_and_the_first_is_the_refusal() -> None:
    assert find_faults(GUARDED) == []
    # The idle frame equals a store of 0 to offset 0, and data imitate the marker too.
    bare = (Field("address", 16), Field("data", 16))
    link = marked((0x00,), fields=bare)
    faults = find_faults(link)
    assert [fault.place for fault in faults] == ["idle", "framing.symbols"]
    assert str(faults[0]) == refusal(link)


@settings(deadline=None)
@given(links())
def test_link_that_is_not_refused_has_no_faults(link: Link) -> None:
    assert find_faults(link) == []


def test_marker_that_data_can_imitate_is_refused_with_an_example() -> None:
    assert refusal(marked((0x00, 0xFF))) == (
        "marked.toml: framing.symbols: found marker [0x0, 0xFF], which can also stand 1 symbol"
        " into a frame of space 1, unit 0, address $000F, data $F00; break it there with a field"
        ' of constant value, take a longer marker, or say rule = "confirm" and add a [check] table'
    )


def test_marker_that_only_two_adjacent_frames_imitate_is_refused_with_both() -> None:
    # The constant breaks the marker within a frame, but not from its last symbol on.
    fields = (
        Field("space", 2),
        Field("address", 14),
        Field("fixed", 8, value=0x33),
        Field("data", 8),
    )
    assert refusal(marked((0x15, 0x55, 0x55), fields=fields)) == (
        "marked.toml: framing.symbols: found marker [0x15, 0x55, 0x55], which can also stand 3"
        " symbols into a frame of space 1, address $0000, fixed $33, data $15 followed by a frame"
        " of space 1, address $1555, fixed $33, data $00; break it there with a field"
        ' of constant value, take a longer marker, or say rule = "confirm" and add a [check] table'
    )


def test_marker_that_the_idle_frame_repeats_is_refused() -> None:
    fields = (
        Field("flag", 1, value=0),
        Field("space", 2),
        Field("address", 5),
        Field("gap", 1, value=0),
        Field("data", 7),
        Field("spare", 8),
    )
    link = marked((0x80,), fields=fields)
    require_sound(link)
    idle_again = replace(link, idle={"spare": 0x80})
    assert "which can also stand 2 symbols into the idle frame;" in refusal(idle_again)


def test_marker_at_the_start_of_a_store_frame_is_refused() -> None:
    # 0xFF stands nowhere else: bit 7 of every other symbol is 0.
    fields = (
        Field("space", 2),
        Field("unit", 6),
        Field("gap1", 1, value=0),
        Field("address", 7),
        Field("gap2", 1, value=0),
        Field("quiet", 1),
        Field("data", 6),
    )
    link = replace(marked((0xFF,), fields=fields), idle={"quiet": 1})
    assert refusal(link).startswith(
        "marked.toml: framing.symbols: found marker [0xFF], which can also stand at the start of a"
        " frame of space 3, unit $3F, gap1 0, address $00, gap2 0, quiet 0, data $00, which is not"
        " idle; "
    )


def test_marker_that_makes_the_idle_frame_a_store_frame_is_refused() -> None:
    assert refusal(marked((0xFF,))) == (
        "marked.toml: framing.symbols: found an idle frame 0xFF000000 that a store's frame can"
        " equal, since the marker overwrites the field space; the store would be taken for idle;"
        " choose a marker with zeros there, or move the field space after it"
    )


def test_marker_that_every_frame_begins_with_is_sound() -> None:
    fields = (
        Field("start", 8, value=0xFF),
        Field("space", 2),
        Field("unit", 5),
        Field("gap1", 1, value=0),
        Field("gap2", 1, value=0),
        Field("address", 7),
        Field("gap3", 1, value=0),
        Field("data", 7),
    )
    require_sound(marked((0xFF,), fields=fields))


def test_marker_broken_by_a_constant_is_sound() -> None:
    fields = (
        Field("flag", 1, value=0),
        Field("space", 2),
        Field("unit", 5),
        Field("address", 16),
        Field("data", 8),
    )
    require_sound(marked((0x80, 0xFF, 0xFF, 0xFF), fields=fields))


def test_confirmed_marker_may_be_imitated() -> None:
    fields = (*PLAIN, Field("check", 8))
    check = Check("check", "hec_i432", 0x07, 0, 0x55, ("space", "unit", "address", "data"))
    link = marked((0x0F, 0xFF), fields=fields, rule="confirm")
    require_sound(replace(link, check=check))


def test_confirmed_marker_that_valid_idle_frames_repeat_is_refused() -> None:
    fields = (Field("space", 2), Field("address", 6), Field("data", 8), Field("check", 8))
    # The check of zeros is 0, so every rotation of the idle frame is valid.
    check = Check("check", "custom", 0x07, 0, 0, ("space", "address", "data"))
    link = replace(marked((0x00,), fields=fields, rule="confirm"), check=check)
    assert refusal(link) == (
        "marked.toml: framing.symbols: found marker [0x0], which a stream of idle frames shows 1"
        " symbol late too, and the frames read from there are valid; a receiver would come into"
        " false sync there; give a marker or [idle] fields that do not repeat within the frame, or"
        " check.xor another value"
    )


def test_check_that_idle_frames_pass_at_another_offset_is_refused() -> None:
    assert LEAN.check is not None
    bare = replace(LEAN, check=replace(LEAN.check, xor=0), file="lean.toml")
    assert refusal(bare) == (
        'lean.toml: framing.method: found "check", but a stream of idle frames also passes 1'
        " symbol late (7 of 7 wrong offsets pass); a receiver would come into false sync there;"
        " give check.xor another value, or [idle] fields that are not all alike"
    )


def test_store_that_can_equal_the_idle_frame_is_refused() -> None:
    fields = (Field("address", 16), Field("data", 8), Field("check", 8))
    check = Check("check", "hec_i432", 0x07, 0, 0x55, ("address", "data"))
    link = Link("bare", 8, "both", fields, CheckFraming(), check, file="bare.toml")
    assert refusal(link) == (
        "bare.toml: idle: found an idle frame 0x00000055 that a store's frame can equal; the store"
        " would be taken for idle; add a field named space of 2 bits, or a field of another name"
        " that is 1 in [idle] (it is 0 with every store)"
    )


def test_field_set_only_in_idle_frames_separates_stores_from_idle() -> None:
    fields = (Field("quiet", 8), Field("address", 16), Field("data", 8), Field("check", 8))
    check = Check("check", "hec_i432", 0x07, 0, 0x55, ("quiet", "address", "data"))
    link = Link("bare", 8, "both", fields, CheckFraming(), check, idle={"quiet": 1})
    require_sound(link)


def test_strobe_needs_no_idle_frame_and_no_check() -> None:
    require_sound(
        Link("select", 1, "rising", (Field("address", 16), Field("data", 8)), StrobeFraming())
    )


# -- the proof


@st.composite
def tiny_links(draw: st.DrawFn) -> Link:
    """Draw a link with so few bits that every pair of frames can be tried."""
    lanes = draw(st.sampled_from((1, 1, 2, 3)))
    fields = [Field("data", 2), Field("space", 2)]
    if draw(st.booleans()):
        bits = draw(st.integers(1, 3))
        fields.append(Field("fixed", bits, value=draw(st.integers(0, (1 << bits) - 1))))
    if draw(st.booleans()):
        fields.append(Field("spare", 1))
    check = None
    if draw(st.booleans()):
        fields.append(Field("check", 2))
        covers = tuple(one.name for one in fields if one.name != "check")
        check = Check("check", "custom", 3, draw(st.integers(0, 3)), 1, covers)
    fields = draw(st.permutations(fields))
    missing = -sum(one.bits for one in fields) % lanes
    if missing:
        fields.append(Field("filler", missing, value=draw(st.sampled_from((None, 0)))))
    if check is not None:
        fields.sort(key=lambda one: one.name == "check")
        covers = tuple(one.name for one in fields if one.name != "check")
        check = replace(check, covers=covers)
    frame_symbols = sum(one.bits for one in fields) // lanes
    count = draw(st.integers(1, frame_symbols - (-(-2 // lanes) if check else 0)))
    symbol = st.sampled_from((0, (1 << lanes) - 1)) | st.integers(0, (1 << lanes) - 1)
    # With few constants only long, uniform markers can be unique.
    symbols = draw(st.lists(symbol, min_size=count, max_size=count))
    return Link(
        "tiny",
        lanes,
        "both",
        tuple(fields),
        MarkerFraming(symbols=tuple(symbols)),
        check,
        first_bit_lane=draw(st.sampled_from(("highest", "lowest"))),
    )


def imitations(link: Link) -> set[int]:
    """List the offsets at which some pair of frames shows the marker, by trying all pairs."""
    assert isinstance(link.framing, MarkerFraming)
    marker = list(link.framing.symbols)
    idle = naive.idle_slot(link)
    frames = [
        naive.slot_symbols(link, naive.frame_bits(link, {"space": space, "data": data}))
        for space in (1, 2, 3)
        for data in range(4)
    ]
    found = set()
    for first, second in product([*frames, idle], repeat=2):
        for offset in range(1, len(first)):
            if (first + second)[offset : offset + len(marker)] == marker:
                found.add(offset)
    beginning = [one[: len(marker)] == marker for one in frames]
    if any(beginning) and not all(beginning):
        found.add(0)
    return found


@given(tiny_links())
@settings(max_examples=300, deadline=None)
def test_imitation_is_found_exactly_when_some_pair_of_frames_imitates(link: Link) -> None:
    assert isinstance(link.framing, MarkerFraming)
    found = find_imitation(FrameLayout(link), link.framing)
    tried = imitations(link)
    assert (found is None) == (not tried)
    if found is not None:
        assert found[0] in tried


@settings(deadline=None)
@given(links(framings=["marker"]), st.data())
def test_example_of_an_imitation_does_imitate(link: Link, data: st.DataObject) -> None:
    layout = FrameLayout(link)
    symbols = st.integers(0, (1 << link.lanes) - 1)
    free = layout.frame_symbols - (1 + layout.check_bits // link.lanes if link.check else 0)
    assume(free > 0)
    marker = tuple(data.draw(st.lists(symbols, min_size=1, max_size=free)))
    framing = MarkerFraming(symbols=marker)
    layout = FrameLayout(replace(link, framing=framing))
    found = find_imitation(layout, framing)
    assume(found is not None and found[0] > 0)
    assert found is not None
    offset, first, second = found
    both = []
    for word in (first, second):
        bits = [int(bit) for bit in f"{word:0{layout.frame_bits}b}"]
        both += naive.symbols_of_bits(link, bits)
        if word != layout.idle_word:
            values = naive.fields_of(link, bits)
            assert naive.frame_bits(link, values) == bits
            assert all(values[one.name] == one.value for one in link.fields if one.value)
    assert tuple(both[offset : offset + len(marker)]) == marker
