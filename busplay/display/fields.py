"""Positions of space, unit, address and data in a frame's word, for the kernels."""

from __future__ import annotations

import numpy as np

from busplay.batch import UInt64Column
from busplay.description.link import SPACE_MEMORY
from busplay.display.writes import (
    FIELD_ADDRESS,
    FIELD_DATA,
    FIELD_SPACE,
    FIELD_UNIT,
    gather_words,
)
from busplay.link.layout import FrameLayout

DATA_BITS = 8


class FrameFields:
    """The four fields that a display reads, each contiguous in the word.

    Most links send a field's bits contiguously, highest first; then a shift and a mask extract it.
    If a link orders the bits of any of the four otherwise, tables first gather the fields, a byte
    of the word at a time.

    Only the low byte of a data field wider than a byte is used.

    Attributes:
        table: uint64[4, 3]; for space, unit, address and data: shift, mask, fixed value.
        gather_tables: uint64[bytes, 256]; each byte's part of the gathered word; None if the
            fields are contiguous.

    Args:
        layout: of the link; address and data are needed, a link without space sends memory
            frames only.
        unit_number: the unit if the link has no field for it.

    Raises:
        FieldError: the link has no field `address` or `data`.
    """

    def __init__(self, layout: FrameLayout, *, unit_number: int) -> None:
        link = layout.link
        for needed in ("address", "data"):
            layout.bit_places(needed)
        self.table = np.zeros((4, 3), np.uint64)
        rows = {
            FIELD_SPACE: ("space", SPACE_MEMORY),
            FIELD_UNIT: ("unit", unit_number),
            FIELD_ADDRESS: ("address", 0),
            FIELD_DATA: ("data", 0),
        }
        places: dict[int, tuple[int, ...]] = {}
        for row, (name, fixed) in rows.items():
            if link.field_named(name) is None:
                self.table[row] = 0, 0, fixed
            else:
                places[row] = layout.bit_places(name)
        places[FIELD_DATA] = places[FIELD_DATA][:DATA_BITS]
        self.gather_tables: UInt64Column | None = None
        if not all(_is_one_piece(bits) for bits in places.values()):
            self.gather_tables = _gather_tables(places, frame_bits=layout.frame_bits)
            places = _packed(places)
        for row, bits in places.items():
            self.table[row] = bits[0], (1 << len(bits)) - 1, 0

    def words_in_pieces(self, words: UInt64Column) -> UInt64Column:
        """Return words with contiguous fields; the same words if they already have them."""
        words = np.ascontiguousarray(words, np.uint64)
        if self.gather_tables is None:
            return words
        gathered = np.empty(len(words), np.uint64)
        gather_words(words, self.gather_tables, gathered)
        return gathered


def _is_one_piece(places: tuple[int, ...]) -> bool:
    return places == tuple(range(places[0], places[0] + len(places)))


def _packed(places: dict[int, tuple[int, ...]]) -> dict[int, tuple[int, ...]]:
    """Place the fields next to each other from bit 0 on."""
    packed: dict[int, tuple[int, ...]] = {}
    first = 0
    for row, bits in places.items():
        packed[row] = tuple(range(first, first + len(bits)))
        first += len(bits)
    return packed


def _gather_tables(places: dict[int, tuple[int, ...]], *, frame_bits: int) -> UInt64Column:
    """Return uint64[bytes, 256]: each byte's part of the packed fields."""
    tables = np.zeros((-(-frame_bits // 8), 256), np.uint64)
    values = np.arange(256)
    for row, packed in _packed(places).items():
        for source, target in zip(places[row], packed, strict=True):
            byte, bit = divmod(source, 8)
            tables[byte, (values >> bit & 1).astype(np.bool_)] |= np.uint64(1 << target)
    return tables
