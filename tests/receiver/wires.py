"""Links and wires for the receiver's tests: sound and unsound, intact and damaged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from itertools import pairwise

import numpy as np
from hypothesis import strategies as st

from busplay.batch import FrameBatch, SymbolColumn, UInt64Column, WireBatch
from busplay.description.link import (
    Check,
    CheckFraming,
    Field,
    Framing,
    Link,
    MarkerFraming,
    StrobeFraming,
)
from busplay.link.layout import FrameLayout
from busplay.receiver.receiver import Receiver
from tests.naive.receiver import NaiveReceiver
from tests.strategies import links


@st.composite
def unsound_links(draw: st.DrawFn) -> Link:
    """Draw a small link that may be unsound: idle frames may pass at other alignments."""
    lanes = draw(st.integers(1, 5))
    check_bits = draw(st.integers(1, 4))
    bits = [draw(st.integers(1, 4)) for _ in range(3)]
    missing = -(sum(bits) + check_bits) % lanes
    fields = [Field("data", bits[0]), Field("sequence", bits[1]), Field("check", check_bits)]
    if draw(st.booleans()):
        fields.append(Field("space", bits[2]))
    else:
        fields.append(Field("fixed", bits[2], value=draw(st.integers(0, (1 << bits[2]) - 1))))
    if missing:
        fields.append(Field("filler", missing))
    fields = draw(st.permutations(fields))
    values = st.integers(0, (1 << check_bits) - 1)
    check = Check(
        "check",
        "custom",
        draw(values),
        draw(values),
        draw(values),
        covers=tuple(one.name for one in fields if one.name != "check"),
    )
    frame_symbols = sum(one.bits for one in fields) // lanes
    kind = draw(st.sampled_from(("check", "check", "unique", "confirm", "first", "frame")))
    framing: Framing
    if kind == "check":
        framing = CheckFraming(
            confirm_frames=draw(st.integers(1, 4)), release_frames=draw(st.integers(1, 4))
        )
    elif kind == "first" or kind == "frame":
        gap = draw(st.integers(1 if kind == "frame" else 0, 2))
        active = draw(st.sampled_from(("high", "low")))
        framing = StrobeFraming(span=kind, active=active, gap_symbols=gap)
    else:
        # A marker under the check field has no meaning, so the check goes last.
        fields = [one for one in fields if one.name != "check"] + [Field("check", check_bits)]
        longest = max(1, min(2, (frame_symbols * lanes - check_bits) // lanes))
        if frame_symbols * lanes - check_bits < lanes:
            framing = CheckFraming(1, 2)
        else:
            symbols = st.lists(st.integers(0, (1 << lanes) - 1), min_size=1, max_size=longest)
            framing = MarkerFraming(
                symbols=tuple(draw(symbols)),
                rule="unique" if kind == "unique" else "confirm",
                confirm_frames=draw(st.integers(1, 4)),
                release_frames=draw(st.integers(1, 4)),
            )
    return Link(
        name="unsound",
        lanes=lanes,
        edges="both",
        fields=tuple(fields),
        framing=framing,
        check=check,
        idle={"data": draw(st.integers(0, 1))},
        first_bit_lane=draw(st.sampled_from(("highest", "lowest"))),
    )


def any_links() -> st.SearchStrategy[Link]:
    """Draw a link, sound or not."""
    return unsound_links() | links()


@st.composite
def damaged_wires(draw: st.DrawFn, link: Link, *, largest: int = 40) -> SymbolColumn:
    """Draw a stream of frames, idle slots and noise, with bits flipped, edges lost and added."""
    layout = FrameLayout(link)
    random = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    pieces: list[SymbolColumn] = []
    for kind in draw(st.lists(st.sampled_from("fffiin"), min_size=1, max_size=12)):
        count = int(random.integers(1, largest // 4 + 2))
        if kind == "f":
            pieces.append(layout.to_symbols(random_words(layout, count, random)))
        elif kind == "i":
            pieces.append(np.tile(layout.idle_symbols, count))
        else:
            wire_bits = layout.lanes + bool(layout.strobe_mask)
            noise = random.integers(0, 1 << wire_bits, count)
            pieces.append(noise.astype(layout.symbol_dtype))
    wire = np.concatenate([*pieces, np.empty(0, layout.symbol_dtype)])
    wire = wire[int(random.integers(0, layout.slot_symbols)) :].copy()
    if not len(wire):
        return wire
    wire_bits = layout.lanes + bool(layout.strobe_mask)
    for _ in range(draw(st.sampled_from((0, 0, 1, 3, 10)))):
        place = int(random.integers(0, len(wire)))
        wire[place] ^= layout.symbol_dtype.type(1 << int(random.integers(0, wire_bits)))
    for _ in range(draw(st.sampled_from((0, 0, 1, 4)))):
        wire = np.delete(wire, int(random.integers(0, max(1, len(wire)))))
        if len(wire) < 2:
            return wire
        place = int(random.integers(0, len(wire)))
        wire = np.insert(wire, place, wire[place])
        if random.random() < 0.5:
            wire = np.delete(wire, int(random.integers(0, len(wire))))
    return np.ascontiguousarray(wire, layout.symbol_dtype)


def random_words(layout: FrameLayout, count: int, random: np.random.Generator) -> UInt64Column:
    """Make valid frames of random content; the sequence counts from a random start."""
    check = layout.link.check
    values: dict[str, UInt64Column] = {}
    for one in layout.link.fields:
        if one.value is not None or (check and one.name == check.field):
            continue
        high = (1 << one.bits) - 1
        values[one.name] = random.integers(0, high, count, np.uint64, endpoint=True)
        if one.name == "sequence":
            start = random.integers(0, high, dtype=np.uint64, endpoint=True)
            values[one.name] = (np.arange(count, dtype=np.uint64) + start) & np.uint64(high)
        if one.name == "space" and random.random() < 0.7:
            values[one.name] = np.ones(count, np.uint64)
    if not values:
        return np.full(count, layout.pack()[0], np.uint64)
    return layout.pack(**values)


def every_symbol(batch: WireBatch, layout: FrameLayout) -> SymbolColumn:
    """Return the symbol of each edge of a stretch: idle on the grid, words over it, then runs."""
    edges = np.arange(batch.first_edge, batch.stop_edge)
    wire = layout.idle_symbols[edges % layout.slot_symbols]
    slots = layout.to_symbols(batch.words.word).reshape(-1, layout.slot_symbols)
    runs = [
        batch.symbols[first:stop]
        for first, stop in zip(batch.run_first[:-1], batch.run_first[1:], strict=True)
    ]
    for first, symbols in [
        *zip(batch.words.edge.tolist(), slots, strict=True),
        *zip(batch.run_edge.tolist(), runs, strict=True),
    ]:
        for edge, symbol in enumerate(symbols.tolist(), first):
            if batch.first_edge <= edge < batch.stop_edge:
                wire[edge - batch.first_edge] = symbol
    return wire


def idle_batch(first_edge: int, stop_edge: int) -> WireBatch:
    """Make a stretch of idle time."""
    return WireBatch.of_words(FrameBatch.empty(), first_edge=first_edge, stop_edge=stop_edge)


def can_correct(layout: FrameLayout) -> bool:
    """Return whether every single bit error has a syndrome of its own."""
    columns = layout.syndrome_columns
    return 0 not in columns and len(set(columns)) == len(columns)


def frames_of(batch: FrameBatch) -> list[tuple[int, int]]:
    """List frames as (edge, word)."""
    return list(zip(batch.edge.tolist(), batch.word.tolist(), strict=True))


def assert_agrees(receiver: Receiver, naive: NaiveReceiver) -> None:
    """Compare a receiver's state and counters with the naive one's."""
    assert receiver.state.name == naive.state
    counters = asdict(receiver.counters)
    assert {name: value for name, value in counters.items() if value} == {
        name: value for name, value in naive.counts.items() if value
    }
    frame_symbols = receiver.layout.frame_symbols
    judged = counters["frames_received"] + counters["frames_idle"] + counters["checks_failed"]
    assert counters["symbols_fed"] == (
        counters["symbols_skipped"]
        + counters["symbols_idle"]
        + counters["pending_symbols"]
        + judged * frame_symbols
    )


def parts_of(symbols: SymbolColumn, places: Sequence[int]) -> list[tuple[int, SymbolColumn]]:
    """Cut symbols; return each part with the index of its first symbol."""
    return [(first, symbols[first:stop]) for first, stop in pairwise(places)]
