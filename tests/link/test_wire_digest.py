"""The digest of a wire format changes with the wire, and with nothing else."""

from __future__ import annotations

import tomllib
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.description.link import Check, Field, Link, MarkerFraming, StrobeFraming
from busplay.description.shipped_files import LINK_NAMES, shipped_links
from busplay.link.load import load_link, parse_link
from busplay.link.wire_digest import wire_digest
from tests.boards import GUARDED
from tests.naive import layout as naive
from tests.strategies import links

# Files made from these links hold these digests, so that they never change.
SHIPPED = {
    "guarded": "b040f2957dab965f",
    "lean": "314c0355fcdc403e",
    "strobed": "7068fddedde218db",
    "marked": "a4e32eba367a1c71",
    "serial": "f72a668f678829c6",
}


def parse(text: str) -> Link:
    return parse_link(text, file="drawn.toml", must_be_sound=False)


def shipped_text(name: str) -> str:
    return shipped_links()[name].read_text()


@pytest.mark.parametrize("name", LINK_NAMES)
def test_digests_of_the_shipped_links_never_change(name: str) -> None:
    assert wire_digest(load_link(name)) == SHIPPED[name]


@pytest.mark.parametrize("name", LINK_NAMES)
def test_comments_names_and_texts_do_not_change_it(name: str) -> None:
    text = shipped_text(name)
    own = parse(text)
    values = tomllib.loads(text)
    other = "# another comment\n" + text.replace(
        f'name = "{values["name"]}"', 'name = "another"  # and another', 1
    )
    changed = replace(parse(other), description="another text", file="another.toml")
    assert changed.name == "another"
    assert wire_digest(changed) == wire_digest(own)


def test_notation_of_numbers_does_not_change_it() -> None:
    text = """
name = "plain"
lanes = {lanes}
edges = "rising"
clock_hz = {clock_hz}
fields = [
    {{name = "head", bits = 8, value = {value}}},
    {{name = "address", bits = 16}},
    {{name = "data", bits = 8}},
]
framing = {{method = "strobe"}}
"""
    decimal = parse(text.format(lanes="4", clock_hz="1000000", value="165"))
    others = parse(text.format(lanes="0x4", clock_hz="1_000_000", value="0b1010_0101"))
    assert wire_digest(others) == wire_digest(decimal)


def test_a_check_by_name_is_the_same_as_one_spelled_out() -> None:
    assert GUARDED.check is not None
    spelled_out = replace(
        GUARDED.check, kind="custom", covers=tuple(reversed(GUARDED.check.covers))
    )
    assert wire_digest(replace(GUARDED, check=spelled_out)) == wire_digest(GUARDED)


def test_a_constant_in_two_parts_is_the_same_as_one() -> None:
    rest = (Field("address", 16), Field("data", 8))
    link = Link("a", 4, "rising", (Field("head", 8, value=0xA5), *rest), StrobeFraming())
    parts = (Field("high", 4, value=0xA), Field("low", 4, value=0x5), *rest)
    assert wire_digest(replace(link, fields=parts)) == wire_digest(link)


def test_what_a_receiver_waits_for_is_not_in_it() -> None:
    framing = replace(GUARDED.framing, confirm_frames=1, release_frames=2)
    assert wire_digest(replace(GUARDED, framing=framing)) == wire_digest(GUARDED)


CHANGES = {
    "lanes": {"lanes": 1},
    "edges": {"edges": "rising"},
    "the other edge": {"edges": "falling"},
    "clock": {"clock_hz": 8_000_000},
    "order of a symbol's bits": {"first_bit_lane": "lowest"},
    "idle frames": {"idle": {"sequence": 1}},
    "idle slots": {"idle_every": 3},
    "check": {"check": None},
}


@pytest.mark.parametrize("change", CHANGES.values(), ids=CHANGES)
def test_a_changed_wire_changes_it(change: dict[str, object]) -> None:
    changed = replace(GUARDED, **change)  # type: ignore[arg-type]
    assert wire_digest(changed) != wire_digest(GUARDED)


def changed_field(link: Link, name: str, /, **change: object) -> Link:
    fields = (replace(one, **change) if one.name == name else one for one in link.fields)  # type: ignore[arg-type]
    return replace(link, fields=tuple(fields))


def with_spare_sequence(link: Link) -> Link:
    assert link.check is not None
    covers = tuple("spare" if one == "sequence" else one for one in link.check.covers)
    spare = changed_field(link, "sequence", name="spare")
    return replace(spare, check=replace(link.check, covers=covers))


@pytest.mark.parametrize(
    "changed",
    [
        changed_field(GUARDED, "address", order="low_first"),
        changed_field(GUARDED, "unit", value=0),
        with_spare_sequence(GUARDED),
        replace(GUARDED, fields=(*GUARDED.fields[1::-1], *GUARDED.fields[2:])),
        changed_field(GUARDED, "address", bits=21),
    ],
    ids=["order of bits", "a constant", "a field without meaning", "order of fields", "width"],
)
def test_a_changed_field_changes_it(changed: Link) -> None:
    assert wire_digest(changed) != wire_digest(GUARDED)


@pytest.mark.parametrize(
    "change",
    [{"polynomial": 0x31}, {"initial": 0xFF}, {"xor": 0x54}, {"covers": ("address", "data")}],
    ids=["polynomial", "initial", "xor", "covers"],
)
def test_a_changed_check_changes_it(change: dict[str, object]) -> None:
    assert isinstance(GUARDED.check, Check)
    changed = replace(GUARDED, check=replace(GUARDED.check, **change))  # type: ignore[arg-type]
    assert wire_digest(changed) != wire_digest(GUARDED)


STROBED = Link(
    "a", 4, "rising", (Field("address", 16), Field("data", 8)), StrobeFraming("frame", "high", 1)
)


@pytest.mark.parametrize(
    "changed",
    [
        replace(STROBED, framing=StrobeFraming("first", "high", 1)),
        replace(STROBED, framing=StrobeFraming("frame", "low", 1)),
        replace(STROBED, framing=StrobeFraming("frame", "high", 2)),
        replace(STROBED, framing=MarkerFraming((0, 0))),
        replace(STROBED, framing=MarkerFraming((0,))),
        replace(STROBED, start="cycle"),
    ],
    ids=["span", "active level", "gap", "marker", "length of the marker", "start"],
)
def test_a_changed_framing_changes_it(changed: Link) -> None:
    assert wire_digest(changed) != wire_digest(STROBED)


MEANINGS = ("space", "unit", "sequence", "address", "data")


def renamed(link: Link) -> Link:
    """Return the link under another name, with other names of its fields without meaning."""
    name = {one.name: one.name if one.name in MEANINGS else f"{one.name}_2" for one in link.fields}
    check = link.check
    if check is not None:
        covers = tuple(name[one] for one in check.covers)
        check = replace(check, field=name[check.field], covers=covers)
    return replace(
        link,
        name="renamed",
        fields=tuple(replace(one, name=name[one.name]) for one in link.fields),
        check=check,
        idle={name[one]: value for one, value in link.idle.items()},
    )


@settings(deadline=None)
@given(links())
def test_names_of_fields_without_meaning_do_not_change_it(link: Link) -> None:
    assert wire_digest(renamed(link)) == wire_digest(link)


@st.composite
def changed_links(draw: st.DrawFn, link: Link) -> Link:
    """Draw a link with one thing changed; at times that is only its notation."""
    fields, index = list(link.fields), draw(st.integers(0, len(link.fields) - 1))
    one = fields[index]
    change = draw(st.sampled_from(("order", "constant", "swap", "lane", "xor", "initial")))
    if change == "order":
        orders = ("high_first", "low_first") + ("low_digit_first",) * (one.bits % link.lanes == 0)
        fields[index] = replace(one, order=draw(st.sampled_from(orders)))
    elif change == "constant" and one.value is not None:
        fields[index] = replace(one, value=one.value ^ draw(st.integers(0, (1 << one.bits) - 1)))
    elif change == "swap":
        fields.insert(draw(st.integers(0, len(fields) - 1)), fields.pop(index))
    elif change == "lane":
        return replace(link, first_bit_lane=draw(st.sampled_from(("highest", "lowest"))))
    elif link.check is not None and change in ("xor", "initial"):
        return replace(link, check=replace(link.check, **{change: draw(st.integers(0, 1))}))
    return replace(link, fields=tuple(fields))


def symbols_sent(link: Link) -> list[object]:
    """Return the symbols of each value of one bit of each field, of no bit, and of idle slots."""
    values = [
        (one.name, 1 << bit)
        for one in link.fields
        if one.name in MEANINGS and one.value is None
        for bit in range(one.bits)
    ]
    slots = [
        (name, value, naive.slot_symbols(link, naive.frame_bits(link, {name: value})))
        for name, value in sorted(values)
    ]
    return [naive.slot_symbols(link, naive.frame_bits(link, {})), slots, naive.idle_slot(link)]


@settings(deadline=None)
@given(st.data())
def test_links_with_one_digest_send_the_same_symbols(data: st.DataObject) -> None:
    link = data.draw(links(), label="link")
    other = data.draw(changed_links(link), label="other")
    if wire_digest(other) == wire_digest(link):
        assert symbols_sent(other) == symbols_sent(link)
    else:
        assert other != link
