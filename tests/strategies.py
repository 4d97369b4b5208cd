"""Hypothesis strategies shared by stages: links, boards, stores.

`links()` gives descriptions that `require_sound` accepts: 1 to 16 lanes, every edge rule, the
three framings, fields at any place and in any order of bits, checks by name and spelled out,
constants, spare fields, links with and without space, unit and sequence.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from hypothesis import reject
from hypothesis import strategies as st

from busplay.batch import StoreBatch
from busplay.description.board import Board, Sender, Window
from busplay.description.check_catalogue import CHECK_CATALOGUE
from busplay.description.link import (
    Check,
    CheckFraming,
    Field,
    Framing,
    Link,
    MarkerFraming,
    StrobeFraming,
)
from busplay.errors import DescriptionError
from busplay.link.rules import require_sound
from tests.boards import board_with

FRAMINGS = ("strobe", "marker", "check")
ORDERS = ("high_first", "low_first", "low_digit_first")
MAX_FRAME_BITS = 64
LONGEST_GROUP_BITS = 17  # an address and the constant bit after it


@st.composite
def links(
    draw: st.DrawFn,
    *,
    framings: Sequence[str] = FRAMINGS,
    least_check_bits: int = 1,
    with_space: bool | None = None,
    with_check: bool | None = None,
) -> Link:
    """Draw a sound link.

    Args:
        framings: names to choose the framing from.
        least_check_bits: width that a check field has at least, if there is one.
        with_space: whether the frame has a space field; None: sometimes.
        with_check: whether a strobe or unique marker link has a check field; None: sometimes.
    """
    kind = draw(st.sampled_from(framings))
    lanes = draw(st.integers(1, 16))
    unique = kind == "marker" and draw(st.booleans())
    needs_check = kind == "check" or (kind == "marker" and not unique)
    checked = needs_check or (draw(st.booleans()) if with_check is None else with_check)
    fields = _payload_fields(draw, lanes, with_space=with_space)
    check = None
    if checked:
        check_field, check = _check(draw, lanes, max(least_check_bits, 4 if needs_check else 1))
        fields.insert(draw(st.integers(0, len(fields))), check_field)
    idle: dict[str, int] = {}
    if kind != "strobe" and not any(one.name == "space" for one in fields):
        quiet = Field("quiet", draw(st.integers(1, 2)))
        fields.insert(draw(st.integers(0, len(fields))), quiet)
        idle["quiet"] = 1
    framing: Framing
    if kind == "strobe":
        fields = _filled_up(draw, fields, lanes)
        span = draw(st.sampled_from(("first", "frame")))
        framing = StrobeFraming(
            span=span,
            active=draw(st.sampled_from(("high", "low"))),
            gap_symbols=draw(st.integers(1 if span == "frame" else 0, 3)),
        )
    elif unique:
        fields, framing = _guarded_by_constants(draw, fields, lanes)
    elif kind == "marker":
        fields = _check_last(_filled_up(draw, fields, lanes), check)
        symbol_count = max(1, draw(st.integers(2, 8)) // lanes)
        symbols = st.integers(0, (1 << lanes) - 1)
        framing = MarkerFraming(
            symbols=tuple(draw(st.tuples(*[symbols] * symbol_count))),
            rule="confirm",
            confirm_frames=draw(st.integers(1, 8)),
            release_frames=draw(st.integers(1, 8)),
        )
    else:
        fields = _filled_up(draw, fields, lanes)
        framing = CheckFraming(
            confirm_frames=draw(st.integers(1, 8)), release_frames=draw(st.integers(1, 8))
        )
    if check is not None:
        names = [one.name for one in fields if one.name != check.field]
        if draw(st.integers(0, 4)) == 0:
            names = draw(st.lists(st.sampled_from(names), min_size=1, unique=True))
        check = replace(check, covers=tuple(names))
    link = Link(
        name="drawn",
        lanes=lanes,
        edges=draw(st.sampled_from(("rising", "falling", "both"))),
        fields=tuple(fields),
        framing=framing,
        check=check,
        clock_hz=draw(st.none() | st.integers(1_000, 100_000_000)),
        idle=idle,
        start=draw(st.sampled_from(("slot", "cycle"))) if kind == "strobe" else "slot",
        first_bit_lane=draw(st.sampled_from(("highest", "lowest"))),
        idle_every=None if kind == "strobe" else draw(st.none() | st.integers(2, 7)),
        file="drawn.toml",
    )
    return _made_sound(link)


def _field(draw: st.DrawFn, name: str, bits: int, lanes: int, value: int | None = None) -> Field:
    """Make a field whose bits go out in any order; digits come first only in whole digits."""
    orders = ORDERS if bits % lanes == 0 else ORDERS[:2]
    return Field(name, bits, value=value, order=draw(st.sampled_from(orders)))


def _payload_fields(draw: st.DrawFn, lanes: int, *, with_space: bool | None) -> list[Field]:
    widths = {"address": draw(st.sampled_from((16, 16, 16, 12, 9, 8))), "data": 8}
    if draw(st.booleans()) if with_space is None else with_space:
        widths["space"] = draw(st.integers(2, 3))
    if draw(st.booleans()):
        widths["unit"] = draw(st.integers(1, 3))
    if draw(st.booleans()):
        widths["sequence"] = draw(st.integers(1, 9))
    fields = [_field(draw, name, bits, lanes) for name, bits in widths.items()]
    if draw(st.booleans()):
        bits = draw(st.integers(1, 6))
        value = draw(st.integers(0, (1 << bits) - 1))
        fields.append(_field(draw, "fixed", bits, lanes, value))
    return draw(st.permutations(fields))


def _check(draw: st.DrawFn, lanes: int, least_bits: int) -> tuple[Field, Check]:
    names = [name for name, entry in CHECK_CATALOGUE.items() if entry.bits >= least_bits]
    kind = draw(st.sampled_from(["custom", *names]))
    if kind == "custom":
        bits = draw(st.integers(least_bits, max(least_bits, 12)))
        values = st.integers(0, (1 << bits) - 1)
        polynomial, initial, xor = draw(values) | 1, draw(values), draw(values)
    else:
        entry = CHECK_CATALOGUE[kind]
        bits, polynomial = entry.bits, entry.polynomial
        initial, xor = entry.initial, entry.xor
    check = Check("check", kind, polynomial, initial, xor, covers=())
    return _field(draw, "check", bits, lanes), check


def _filled_up(draw: st.DrawFn, fields: list[Field], lanes: int) -> list[Field]:
    """Add a field of constant or no content, so that the frame is whole symbols."""
    bits = sum(one.bits for one in fields)
    missing = -bits % lanes
    if bits + missing > MAX_FRAME_BITS:
        reject()
    if missing:
        values = st.none() | st.integers(0, (1 << missing) - 1)
        filler = _field(draw, "filler", missing, lanes, draw(values))
        fields.insert(draw(st.integers(0, len(fields))), filler)
    return fields


def _check_last(fields: list[Field], check: Check | None) -> list[Field]:
    """Move the check field to the end, where no marker reaches."""
    if check is None:
        return fields
    return [
        *(one for one in fields if one.name != check.field),
        *(one for one in fields if one.name == check.field),
    ]


def _guarded_by_constants(
    draw: st.DrawFn, fields: list[Field], lanes: int
) -> tuple[list[Field], MarkerFraming]:
    """Put a constant bit at the end of each stretch as long as the marker, which it breaks.

    The marker is all ones or all zeros; the constants are the opposite.
    """
    symbol_count = -(-LONGEST_GROUP_BITS // lanes)
    group_bits = symbol_count * lanes - 1
    one = draw(st.sampled_from((0, 1)))
    # The check must not lie under the marker: it goes to the last group.
    waiting = [each for each in fields if each.name != "check"]
    last = [each for each in fields if each.name == "check"]
    groups: list[list[Field]] = [[]]
    for each in waiting + last:
        room = group_bits - sum(member.bits for member in groups[-1])
        if each.bits > room or (each.name == "check" and len(groups) == 1):
            groups.append([])
        groups[-1].append(each)
    placed: list[Field] = []
    for number, group in enumerate(groups):
        missing = group_bits - sum(member.bits for member in group)
        placed += group
        if missing:
            placed.append(Field(f"filler{number}", missing, value=draw(st.sampled_from((None, 0)))))
        placed.append(Field(f"guard{number}", 1, value=1 - one))
    if sum(each.bits for each in placed) > MAX_FRAME_BITS:
        reject()
    marker = (((1 << lanes) - 1) * one,) * symbol_count
    return placed, MarkerFraming(symbols=marker, rule="unique")


def _is_sound(link: Link) -> bool:
    try:
        require_sound(link)
    except DescriptionError:
        return False
    return True


def _made_sound(link: Link) -> Link:
    """Return the link, or with another XOR of its check, so that a receiver can find frames."""
    if _is_sound(link):
        return link
    check = link.check
    if check is not None:
        bits = link.field_named(check.field).bits  # type: ignore[union-attr]
        for xor in range(min(1 << bits, 32)):
            other = replace(link, check=replace(check, kind="custom", xor=xor))
            if _is_sound(other):
                return other
    reject()
    raise AssertionError("reject() does not return")


@st.composite
def boards_for(draw: st.DrawFn, link: Link) -> Board:
    """Draw a board whose windows the link can carry."""
    address = link.field_named("address")
    unit = link.field_named("unit")
    assert address is not None
    room = min(1 << address.bits, 0x4000)
    spaces = ["memory", "registers"] if link.field_named("space") else ["memory"]
    units = ["panel", "sign"] if unit and unit.value is None else ["panel"]
    windows = []
    next_address = draw(st.integers(0, 0x1000))
    for number in range(draw(st.integers(1, 4))):
        length = draw(st.integers(1, room))
        first = next_address + draw(st.integers(0, 0x100))
        windows.append(
            Window(
                name=f"window {number}",
                first_address=first,
                last_address=first + length - 1,
                unit=draw(st.sampled_from(units)),
                space=draw(st.sampled_from(spaces)),
                first_offset=draw(st.integers(0, (1 << address.bits) - length)),
            )
        )
        next_address = first + length
        if next_address > 0xC000 - room:
            break
    board = board_with(
        link,
        clock_hz=draw(st.sampled_from((1_000_000, 1_022_727, 8_000_000, 14_318_180))),
        windows=tuple(windows),
        sender=Sender(
            fifo_depth=draw(st.sampled_from((1, 2, 3, 16, 64))),
            lead_frames=draw(st.integers(0, 20)),
        ),
    )
    # Without a unit field a link reaches only one unit.
    return board if len(units) > 1 else replace(board, units=board.units[:1])


@st.composite
def store_batches(
    draw: st.DrawFn, board: Board, *, largest: int = 60, latest: int = 2**41
) -> StoreBatch:
    """Draw stores at rising cycles, most of them into the board's windows, in bursts and apart.

    Args:
        board: its windows are where most stores fall.
        largest: how many stores at most.
        latest: cycle after which the first store does not come.
    """
    count = draw(st.integers(0, largest))
    seed = draw(st.integers(0, 2**32 - 1))
    random = np.random.default_rng(seed)
    gaps = random.choice([1, 1, 2, 3, 4, 5, 11, 40, 300], count).astype(np.uint64)
    firsts = [first for first in (0, 0, 1, 7, 2**31 - 5, 2**40) if first <= latest]
    first = draw(st.sampled_from(firsts))
    cycle = np.uint64(first) + np.cumsum(gaps, dtype=np.uint64)
    address = random.integers(0, 0x10000, count).astype(np.uint16)
    for index in range(count):
        if random.random() < 0.9:
            window = board.windows[random.integers(len(board.windows))]
            address[index] = random.integers(window.first_address, window.last_address + 1)
    return StoreBatch(cycle, address, random.integers(0, 256, count).astype(np.uint8))


def cuts(length: int) -> st.SearchStrategy[list[int]]:
    """Draw cuts of a batch into parts, both ends included."""
    return st.lists(st.integers(0, length), max_size=8).map(lambda at: sorted({0, length, *at}))
