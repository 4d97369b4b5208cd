"""A frame's layout: field values to words, words to symbols, and which words are valid.

How to think about it. A frame is `frame_bits` bits; `word` holds them with the first bit on
the wire highest. Everything about a layout is affine over GF(2): the check field, the order of
bits, and constants, which are bits that must be 0 after an XOR. So one number, a word's
`syndrome`, is 0 exactly if the check and every constant hold. It is computed with eight tables of
256 entries, one for each byte of the word.

Not here: where frames begin (`framing`, `receiver`), when they are sent (`sender`).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.batch import SymbolColumn, UInt64Column
from busplay.description.link import (
    SPACE_IDLE,
    WORD_BITS,
    Field,
    Link,
    MarkerFraming,
    StrobeFraming,
)
from busplay.errors import FieldError
from busplay.link.check_field import check_columns
from busplay.link.framing.strobe import frame_levels, idle_level


def _bit_order(field: Field, lanes: int) -> list[int]:
    """List the field's bit numbers (0 is lowest) in the order on the wire."""
    high_first = list(range(field.bits - 1, -1, -1))
    if field.order == "low_first":
        return high_first[::-1]
    if field.order == "low_digit_first":
        digits = [high_first[i : i + lanes] for i in range(0, field.bits, lanes)]
        return [bit for digit in reversed(digits) for bit in digit]
    return high_first


class FrameLayout:
    """The geometry and the rules of a link's frame.

    Attributes:
        link: the description.
        frame_bits: bits of a frame, 1 to 64.
        lanes: data lanes, the bits of a symbol without the strobe.
        frame_symbols: symbols of a frame.
        slot_symbols: symbols of a slot: the frame's and, for a held strobe, the gap after it.
        symbol_dtype: the smallest unsigned type for lanes and strobe.
        strobe_mask: bit of the strobe in a symbol; 0 if there is none.
        syndrome_tables: uint64[8, 256]; XOR of `tables[i, byte i of the word]` (byte 0 lowest)
            is 0 for a valid word.
        syndrome_columns: int[frame_bits]; change of the syndrome by each bit, in wire order.
        idle_word: the idle frame, check included.
        idle_symbols: symbols[slot_symbols]; the symbols of an idle slot.

    >>> import busplay
    >>> layout = busplay.FrameLayout(busplay.load_link("guarded"))
    >>> words = layout.pack(space=1, unit=0, sequence=1, address=0x1234, data=0x56)
    >>> f"{words[0]:010X}", layout.unpack(words)["address"]
    ('41123456A4', array([4660], dtype=uint64))
    """

    def __init__(self, link: Link) -> None:
        self.link = link
        self.frame_bits = link.frame_bits
        self.lanes = link.lanes
        if self.frame_bits % self.lanes:
            raise ValueError(f"{self.frame_bits} bits do not fill whole symbols of {self.lanes}")
        if not 1 <= self.frame_bits <= WORD_BITS:
            raise ValueError(f"a frame has 1 to {WORD_BITS} bits, not {self.frame_bits}")
        self.frame_symbols = self.frame_bits // self.lanes
        framing = link.framing
        strobe = framing if isinstance(framing, StrobeFraming) else None
        self.slot_symbols = self.frame_symbols + (strobe.gap_symbols if strobe else 0)
        self.strobe_mask = 1 << self.lanes if strobe else 0
        wire_bits = self.lanes + (1 if strobe else 0)
        self.symbol_dtype: np.dtype[np.unsignedinteger] = np.dtype(
            np.uint8 if wire_bits <= 8 else np.uint16 if wire_bits <= 16 else np.uint32
        )
        # wire_bit[name][i] is where value bit i stands in the word (0 is the word's lowest).
        self._wire_bit: dict[str, list[int]] = {}
        position = self.frame_bits
        for one in link.fields:
            places = [0] * one.bits
            for bit in _bit_order(one, self.lanes):
                position -= 1
                places[bit] = position
            self._wire_bit[one.name] = places
        self._lane_of_bit = [
            self.lanes - 1 - i if link.first_bit_lane == "highest" else i for i in range(self.lanes)
        ]
        self._work_out_check()
        self._work_out_idle()

    # -- rules

    def _work_out_check(self) -> None:
        check = self.link.check
        self._check_constant = 0
        # Change of the check's value by word bit i.
        self._check_column = [0] * self.frame_bits
        self.check_bits = 0
        if check is not None:
            self.check_bits = len(self._wire_bit[check.field])
            covered = sorted(
                (place for name in check.covers for place in self._wire_bit[name]), reverse=True
            )
            self._check_constant, columns = check_columns(
                len(covered),
                polynomial=check.polynomial,
                check_bits=self.check_bits,
                initial=check.initial,
                xor=check.xor,
            )
            for place, column in zip(covered, columns, strict=True):
                self._check_column[place] = column
        column_of_bit = list(self._check_column)
        constant = self._check_constant
        if check is not None:
            for value_bit, place in enumerate(self._wire_bit[check.field]):
                column_of_bit[place] ^= 1 << value_bit
        next_bit = self.check_bits
        for one in self.link.fields:
            if one.value is None:
                continue
            for value_bit, place in enumerate(self._wire_bit[one.name]):
                column_of_bit[place] ^= 1 << next_bit
                constant ^= (one.value >> value_bit & 1) << next_bit
                next_bit += 1
        self.syndrome_constant = constant
        self.syndrome_bits = next_bit
        self.syndrome_columns = column_of_bit[::-1]
        tables = np.zeros((8, 256), np.uint64)
        for place, column in enumerate(column_of_bit):
            byte, bit = divmod(place, 8)
            tables[byte, (np.arange(256) >> bit & 1).astype(bool)] ^= np.uint64(column)
        tables[0] ^= np.uint64(constant)
        self.syndrome_tables = tables

    def _work_out_idle(self) -> None:
        framing = self.link.framing
        word = int(self.pack(**self.link.idle)[0])
        if isinstance(framing, MarkerFraming):
            marker = self.bits_of_symbols(framing.symbols)
            marker_bits = len(framing.symbols) * self.lanes
            shift = self.frame_bits - marker_bits
            keep = (1 << shift) - 1
            word = self.with_check(word & keep | marker << shift)
        self.idle_word = word
        data_symbols = self._spread(np.array([word], np.uint64))[0]
        if isinstance(framing, StrobeFraming):
            # Between frames the strobe is inactive and the lanes are low: no frame is sent.
            level = idle_level(framing) * self.strobe_mask
            self.idle_symbols = np.full(self.slot_symbols, level, self.symbol_dtype)
        else:
            self.idle_symbols = data_symbols.astype(self.symbol_dtype)

    def with_check(self, word: int) -> int:
        """Return the word with its check field recomputed."""
        check = self.link.check
        if check is None:
            return word
        value = self._check_constant
        for place in range(self.frame_bits):
            if word >> place & 1:
                value ^= self._check_column[place]
        for value_bit, place in enumerate(self._wire_bit[check.field]):
            word = word & ~(1 << place) | (value >> value_bit & 1) << place
        return word

    def is_idle(self, words: UInt64Column) -> NDArray[np.bool_]:
        """Return which words are idle frames: the idle word, or space 0 if there is that field."""
        idle = np.equal(words, np.uint64(self.idle_word))
        if isinstance(self.link.framing, StrobeFraming):
            idle = np.zeros(len(words), np.bool_)
        if "space" in self._wire_bit:
            idle |= self.unpack_field(words, "space") == np.uint64(SPACE_IDLE)
        return idle

    def syndrome(self, words: UInt64Column) -> UInt64Column:
        """Return uint64[frames]: 0 if check and constants hold, else which of them fail."""
        found = np.zeros(len(words), np.uint64)
        for byte in range(8):
            index = (words >> np.uint64(8 * byte)) & np.uint64(0xFF)
            found ^= self.syndrome_tables[byte][index.astype(np.intp)]
        return found

    def is_valid(self, words: UInt64Column) -> NDArray[np.bool_]:
        """Return which words are valid."""
        valid = np.equal(self.syndrome(words), np.uint64(0))
        return valid | np.equal(words, np.uint64(self.idle_word))

    # -- fields

    def bit_places(self, name: str) -> tuple[int, ...]:
        """Return the position in the word (0 is lowest) of each bit of a field, lowest first.

        Raises:
            FieldError: no field has that name.
        """
        try:
            return tuple(self._wire_bit[name])
        except KeyError:
            names = ", ".join(self._wire_bit)
            raise FieldError(
                f"link {self.link.name} has no field {name!r}; its fields are {names}"
            ) from None

    def pack(self, /, **fields: int | UInt64Column) -> UInt64Column:
        """Pack field values to frame words and fill in constants and the check field.

        Args:
            fields: uint64[frames] or one int for each field except the check; a field left out is
                0, or its constant.

        Returns:
            uint64[frames]; the first bit on the wire is the highest of `frame_bits`.

        Raises:
            FieldError: a value does not fit its field, a constant is contradicted, or no field
                has that name.
        """
        columns = {name: self._value_column(name, value) for name, value in fields.items()}
        count = max((len(column) for column in columns.values()), default=1)
        words = np.zeros(count, np.uint64)
        check_name = self.link.check.field if self.link.check else None
        for name, column in columns.items():
            places = self.bit_places(name)
            if name == check_name:
                raise FieldError(f"field {name!r} is the check; it is computed, not given")
            words = words | _scatter(column, places)
        for one in self.link.fields:
            if one.value is None:
                continue
            if one.name in columns and (columns[one.name] != np.uint64(one.value)).any():
                raise FieldError(f"field {one.name!r} is always {one.value} on this link")
            words = words | _scatter(np.array([one.value], np.uint64), self.bit_places(one.name))
        if check_name is not None:
            value = np.full(len(words), self._check_constant, np.uint64)
            for place, column_bits in enumerate(self._check_column):
                if column_bits:
                    set_here = (words >> np.uint64(place)) & np.uint64(1)
                    value ^= set_here * np.uint64(column_bits)
            words = words | _scatter(value, self.bit_places(check_name))
        return words

    def _value_column(self, name: str, value: int | UInt64Column) -> UInt64Column:
        """Return uint64[1] or uint64[frames]; each value must fit its field."""
        bits = len(self.bit_places(name))
        given = np.atleast_1d(np.asarray(value))
        if given.size and not np.issubdtype(given.dtype, np.integer) and given.dtype != object:
            raise TypeError(f"field {name!r} takes integers, not {given.dtype}")
        if given.size:
            worst = min(int(given.min()), 0) or int(given.max())
            if worst < 0 or worst >> bits:
                raise FieldError(f"field {name!r} has {bits} bits; {worst} does not fit")
        return given.astype(np.uint64)

    def unpack_field(self, words: UInt64Column, name: str) -> UInt64Column:
        """Return uint64[frames], one field of each word.

        Raises:
            FieldError: no field has that name.
        """
        value = np.zeros(len(words), np.uint64)
        for shift, low_place, bits in _runs(self.bit_places(name)):
            mask = np.uint64((1 << bits) - 1)
            value |= ((words >> np.uint64(low_place)) & mask) << np.uint64(shift)
        return value

    def unpack(self, words: UInt64Column) -> dict[str, UInt64Column]:
        """Return each field of each word, by name, check and constants included."""
        return {one.name: self.unpack_field(words, one.name) for one in self.link.fields}

    # -- symbols

    def bits_of_symbols(self, symbols: tuple[int, ...]) -> int:
        """Join symbols, without strobe, to their bits, the first highest."""
        word = 0
        for symbol in symbols:
            for lane in self._lane_of_bit:
                word = word << 1 | (symbol >> lane & 1)
        return word

    def _spread(self, words: UInt64Column) -> NDArray[np.unsignedinteger]:
        """Return [frames, frame_symbols] symbols without strobe."""
        symbols = np.zeros((len(words), self.frame_symbols), np.uint32)
        for place in range(self.frame_bits):
            index, bit = divmod(self.frame_bits - 1 - place, self.lanes)
            value = ((words >> np.uint64(place)) & np.uint64(1)).astype(np.uint32)
            symbols[:, index] |= value << np.uint32(self._lane_of_bit[bit])
        return symbols.astype(self.symbol_dtype)

    def to_symbols(self, words: UInt64Column) -> SymbolColumn:
        """Expand words to the symbols of their slots, strobe and gap included.

        Returns:
            unsigned[frames * slot_symbols] of `symbol_dtype`.
        """
        out = np.tile(self.idle_symbols, (len(words), 1))
        data = self._spread(words)
        framing = self.link.framing
        if isinstance(framing, StrobeFraming):
            levels = np.array(frame_levels(framing, self.frame_symbols), self.symbol_dtype)
            data = data | levels * self.symbol_dtype.type(self.strobe_mask)
        out[:, : self.frame_symbols] = data
        return out.reshape(-1)

    def to_words(self, symbols: SymbolColumn) -> UInt64Column:
        """Join symbols to words, each of `frame_symbols` symbols.

        Args:
            symbols: unsigned[frames * frame_symbols]; a strobe bit is ignored.
        """
        rows = symbols.reshape(-1, self.frame_symbols).astype(np.uint64)
        words = np.zeros(len(rows), np.uint64)
        for index in range(self.frame_symbols):
            for lane in self._lane_of_bit:
                bit = (rows[:, index] >> np.uint64(lane)) & np.uint64(1)
                words = (words << np.uint64(1)) | bit
        return words


def _runs(places: tuple[int, ...]) -> list[tuple[int, int, int]]:
    """Split a field into runs that keep their order: (lowest value bit, lowest place, bits)."""
    runs: list[tuple[int, int, int]] = []
    for value_bit, place in enumerate(places):
        if runs:
            first_bit, first_place, bits = runs[-1]
            if place == first_place + bits:
                runs[-1] = (first_bit, first_place, bits + 1)
                continue
        runs.append((value_bit, place, 1))
    return runs


def _scatter(values: UInt64Column, places: tuple[int, ...]) -> UInt64Column:
    """Move each value's bits to their positions in the word."""
    words = np.zeros(len(values), np.uint64)
    for shift, low_place, bits in _runs(places):
        mask = np.uint64((1 << bits) - 1)
        words |= ((values >> np.uint64(shift)) & mask) << np.uint64(low_place)
    return words
