"""The symbols of a word in its slot, for the kernels of both ends.

A symbol's bits have two orders: by lanes, as on the wire, and by the word, whose first bit on the
wire is its highest. If the lowest lane carries a symbol's first bit, one order is the reverse of
the other; tables for each byte of a symbol convert between them.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from busplay.batch import UInt64Column
from busplay.description.link import StrobeFraming
from busplay.jit import kernel
from busplay.link.framing.strobe import idle_level
from busplay.link.layout import FrameLayout


class SlotShape(NamedTuple):
    """What a slot looks like on the wire.

    Attributes:
        lanes: bits of a symbol without the strobe.
        frame_bits: bits of a word.
        frame_symbols: symbols that carry a word.
        slot_symbols: symbols of a slot.
        active_symbols: symbols, from the slot's first on, in which the strobe is active; 0 if the
            link has none.
        is_reversed: whether the lowest lane carries a symbol's first bit.
        lane_mask: the lanes' bits of a symbol.
        strobe_mask: the strobe's bit; 0 if the link has none.
        strobe_rest: the strobe's bit while it is inactive.
        idle_word: word of idle slots; on a strobe link they carry nothing.
        reversed_bytes: uint64[2 * 256]; a symbol's low and high byte with all lanes reversed.
    """

    lanes: int
    frame_bits: int
    frame_symbols: int
    slot_symbols: int
    active_symbols: int
    is_reversed: bool
    lane_mask: np.uint64
    strobe_mask: np.uint64
    strobe_rest: np.uint64
    idle_word: np.uint64
    reversed_bytes: UInt64Column


def slot_shape(layout: FrameLayout) -> SlotShape:
    """Return the shape of a layout's slots."""
    framing = layout.link.framing
    active_symbols = strobe_rest = 0
    if isinstance(framing, StrobeFraming):
        active_symbols = layout.frame_symbols if framing.span == "frame" else 1
        strobe_rest = idle_level(framing) * layout.strobe_mask
    return SlotShape(
        lanes=layout.lanes,
        frame_bits=layout.frame_bits,
        frame_symbols=layout.frame_symbols,
        slot_symbols=layout.slot_symbols,
        active_symbols=active_symbols,
        is_reversed=layout.link.first_bit_lane == "lowest" and layout.lanes > 1,
        lane_mask=np.uint64((1 << layout.lanes) - 1),
        strobe_mask=np.uint64(layout.strobe_mask),
        strobe_rest=np.uint64(strobe_rest),
        idle_word=np.uint64(layout.idle_word),
        reversed_bytes=_reversed_bytes(layout.lanes),
    )


def _reversed_bytes(lanes: int) -> UInt64Column:
    """Return each value of a symbol's low byte, then of its high byte, reversed."""
    tables = np.zeros(512, np.uint64)
    for byte in range(2):
        for bit in range(8):
            lane = 8 * byte + bit
            if lane < lanes:
                has_bit = (np.arange(256) >> bit & 1).astype(bool)
                tables[256 * byte : 256 * byte + 256][has_bit] |= np.uint64(1 << lanes - 1 - lane)
    return tables


@kernel
def turned(bits: np.uint64, shape: SlotShape) -> np.uint64:
    """Convert a symbol's lanes to the word's order, or back."""
    if not shape.is_reversed:
        return bits
    high = np.uint64(256) + (bits >> np.uint64(8))
    return np.uint64(shape.reversed_bytes[bits & np.uint64(0xFF)] | shape.reversed_bytes[high])


@kernel
def word_bits(word: np.uint64, place: int, shape: SlotShape) -> np.uint64:
    """Return the bits of a symbol of a word's slot, by its index, in the word's order."""
    if place >= shape.frame_symbols:
        return np.uint64(0)
    return np.uint64(
        word >> np.uint64(shape.frame_bits - shape.lanes * (place + 1)) & shape.lane_mask
    )


@kernel
def word_symbol(word: np.uint64, place: int, shape: SlotShape) -> np.uint64:
    """Return a symbol of a word's slot, by its index."""
    symbol = turned(word_bits(word, place, shape), shape) | shape.strobe_rest
    return np.uint64(symbol ^ shape.strobe_mask if place < shape.active_symbols else symbol)


@kernel
def idle_symbol(edge: int, shape: SlotShape) -> np.uint64:
    """Return the symbol of an idle edge."""
    if shape.strobe_mask != np.uint64(0):
        return shape.strobe_rest
    return word_symbol(shape.idle_word, edge % shape.slot_symbols, shape)
