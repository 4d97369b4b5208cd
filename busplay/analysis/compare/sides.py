"""What two recordings have in common: what can be compared, and how.

Recordings over the same link are compared by their words, sequence and check included. Over
different links they are compared by what frames say: space, unit, address, data; a word is then
these four, put together here. Units and windows must be the same.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from busplay.analysis.compare.streams import AlignmentRules, TimeUnit
from busplay.batch import FrameBatch, UInt64Column
from busplay.description.board import Board, Unit, Window
from busplay.description.link import WORD_BITS
from busplay.display.fields import FrameFields
from busplay.display.writes import FIELD_ADDRESS, FIELD_DATA, FIELD_SPACE, FIELD_UNIT
from busplay.errors import InputError
from busplay.link.layout import FrameLayout
from busplay.trace.header import TraceHeader
from busplay.units import Ratio, edges_per_processor_cycle

# Where the four stand in a word that is compared by fields.
_FIELD_ROWS = {
    "data": (FIELD_DATA, 0, 8),
    "address": (FIELD_ADDRESS, 8, 32),
    "unit": (FIELD_UNIT, 40, 16),
    "space": (FIELD_SPACE, 56, 8),
}


@dataclass(frozen=True, slots=True)
class Bit:
    """One bit of a compared word: which field's, and where it travels on the actual link.

    Attributes:
        field: name.
        bit: its number within the field, 0 is lowest.
        symbol, lane: of the frame on the wire; None where the actual link does not send it.
    """

    field: str
    bit: int
    symbol: int | None
    lane: int | None


class Fields(NamedTuple):
    """The four fields of some words, uint64 columns."""

    space: UInt64Column
    unit: UInt64Column
    address: UInt64Column
    data: UInt64Column


class _Side:
    """One recording's layout."""

    def __init__(self, header: TraceHeader, unit_number: int) -> None:
        self.header = header
        self.layout = FrameLayout(header.link)
        self.fields = FrameFields(self.layout, unit_number=unit_number)

    def unpack(self, words: UInt64Column) -> Fields:
        """Return the four fields of words of this link."""
        pieces, table = self.fields.words_in_pieces(words), self.fields.table
        columns = {}
        for name, (row, _, _) in _FIELD_ROWS.items():
            shift, mask, fixed = table[row]
            columns[name] = (pieces >> shift) & mask | fixed
        return Fields(**columns)


class Sides:
    """Both recordings, as far as a comparison needs to know them.

    Args:
        expected, actual: headers of both.
        expected_file, actual_file: names for messages.
        same_run: the actual recording holds what arrived of the very frames of the expected one.

    Attributes:
        same_run: as above; frames are then paired by their edges.
        by_words: both have the same link; else frames are compared by their four fields.
        time_unit: how times are compared; None: they cannot be.
        rules: for the alignment.
        bits: of a compared word, by place (0 is lowest); None where nothing is.
        lanes: lanes of the actual link.
        board: of either recording, or None.
        notes: what the reader of a report should know of the recordings.

    Raises:
        InputError: the recordings are of different units or windows.
    """

    def __init__(
        self,
        expected: TraceHeader,
        actual: TraceHeader,
        *,
        expected_file: str = "expected",
        actual_file: str = "actual",
        same_run: bool = False,
    ) -> None:
        self.expected, self.actual = expected, actual
        self.expected_file, self.actual_file = expected_file, actual_file
        self.notes: list[str] = []
        if expected.board is not None and actual.board is not None:
            _require_same_boards(expected.board, actual.board, expected_file, actual_file)
            self._note_board(expected.board, actual.board)
        self.board = expected.board or actual.board
        units = self.board.units if self.board is not None else ()
        number = units[0].number if len(units) == 1 else 0
        self._expected = _Side(expected, number)
        self._actual = _Side(actual, number)
        self.by_words = expected.wire_digest == actual.wire_digest
        if not self.by_words:
            self.notes.append(
                f"links differ ({expected.link.name}, {actual.link.name}): frames are compared by"
                " space, unit, address and data"
            )
        self.same_run = same_run and self.by_words
        self.time_unit = self._choose_time_unit()
        if self.time_unit is None:
            self.notes.append("the recordings have no common clock: times are not compared")
        self.lanes = actual.link.lanes
        self.bits = self._name_bits()
        self.rules = self._make_rules()

    @property
    def slot_edges(self) -> int:
        """Link edges of a slot of the expected link."""
        return self._expected.layout.slot_symbols

    @property
    def address_bits(self) -> int:
        """Bits of an offset that compared words can have."""
        one = self.expected.link.field_named("address")
        return one.bits if one else 1

    @property
    def judges_time(self) -> bool:
        """Another delay is a difference: times are exact, since both went over the same link."""
        return self.time_unit == "edges"

    def compared_words(self, frames: FrameBatch, *, actual: bool) -> tuple[FrameBatch, int]:
        """Return frames with their compared words, idle ones left out, and how many those were."""
        side = self._actual if actual else self._expected
        idle = side.layout.is_idle(frames.word)
        idle_count = int(np.count_nonzero(idle))
        if idle_count:
            frames = FrameBatch(frames.edge[~idle], frames.word[~idle])
        if self.by_words:
            return frames, idle_count
        fields = side.unpack(frames.word)
        word = np.zeros(len(frames), np.uint64)
        for name, (_, place, bits) in _FIELD_ROWS.items():
            mask = np.uint64((1 << bits) - 1)
            word |= (getattr(fields, name) & mask) << np.uint64(place)
        return FrameBatch(frames.edge, word), idle_count

    def times(self, edges: UInt64Column, *, actual: bool) -> NDArray[np.int64]:
        """Return int64[frames]: start times in `time_unit`."""
        if self.time_unit != "cycles":
            return edges.view(np.int64)
        header = self.actual if actual else self.expected
        lead = header.edge_at(0)
        ratio = _ratio(header)
        whole, rest = np.divmod(edges.view(np.int64) - lead, ratio.numerator)
        cycles: NDArray[np.int64] = whole * ratio.denominator
        cycles += rest * ratio.denominator // ratio.numerator
        return cycles

    def unpack(self, words: UInt64Column) -> Fields:
        """Return the four fields of compared words."""
        if self.by_words:
            return self._expected.unpack(words)
        return Fields(
            **{
                name: words >> np.uint64(place) & np.uint64((1 << bits) - 1)
                for name, (_, place, bits) in _FIELD_ROWS.items()
            }
        )

    def field_mask(self, name: str) -> int:
        """Return a compared word's bits of a field."""
        return sum(1 << i for i, bit in enumerate(self.bits) if bit and bit.field == name)

    def lane_mask(self, lane: int) -> int:
        """Return a compared word's bits that travel on a lane."""
        return sum(1 << i for i, bit in enumerate(self.bits) if bit and bit.lane == lane)

    @property
    def field_names(self) -> tuple[str, ...]:
        """Names of the fields that compared words have, in the order of the wire."""
        if self.by_words:
            return tuple(one.name for one in self.expected.link.fields)
        return tuple(reversed(_FIELD_ROWS))

    # -- inside

    def _note_board(self, expected: Board, actual: Board) -> None:
        for name, before, after in (
            ("processor", expected.processor, actual.processor),
            ("processor clock in Hz", f"{expected.clock_hz:,}", f"{actual.clock_hz:,}"),
        ):
            if before != after:
                self.notes.append(f"the {name} differs: {before} expected, {after} actual")
        if expected.sender != actual.sender:
            self.notes.append("the boards' senders differ (FIFO depth or idle frames at the start)")
        before_sha, after_sha = self.expected.program_sha256, self.actual.program_sha256
        if before_sha and after_sha and before_sha != after_sha:
            self.notes.append(
                f"the programs differ: {self.expected.program_name} expected,"
                f" {self.actual.program_name} actual"
            )

    def _choose_time_unit(self) -> TimeUnit | None:
        boards = self.expected.board is not None and self.actual.board is not None
        clocks = {self.expected.edges_per_second, self.actual.edges_per_second}
        if self.by_words and (len(clocks - {None}) < 2):
            return "edges"
        return "cycles" if boards else None

    def _name_bits(self) -> tuple[Bit | None, ...]:
        layout = self._actual.layout
        one_bit = np.uint64(1) << np.arange(layout.frame_bits, dtype=np.uint64)
        symbols = layout.to_symbols(one_bit).reshape(-1, layout.slot_symbols)
        symbols = symbols[:, : layout.frame_symbols] & layout.symbol_dtype.type(
            (1 << layout.lanes) - 1
        )
        named: list[Bit | None] = [None] * WORD_BITS
        for name in self.field_names:
            sent = self.actual.link.field_named(name) is not None
            places = layout.bit_places(name) if sent else ()
            for bit in range(len(places) if self.by_words else _FIELD_ROWS[name][2]):
                symbol: int | None = None
                lane: int | None = None
                if bit < len(places):
                    symbol = int(np.flatnonzero(symbols[places[bit]])[0])
                    lane = int(symbols[places[bit], symbol]).bit_length() - 1
                place = places[bit] if self.by_words else _FIELD_ROWS[name][1] + bit
                named[place] = Bit(name, bit, symbol, lane)
        return tuple(named)

    def _make_rules(self) -> AlignmentRules:
        overlap = {
            "edges": self._expected.layout.slot_symbols,
            "cycles": max(_slot_cycles(self.expected), _slot_cycles(self.actual)),
            None: 1,
        }[self.time_unit]
        link = self.expected.link
        content = self.field_mask("data")
        places: tuple[int, ...] = ()
        tables = np.zeros((0, 256), np.uint64)
        if not self.by_words:
            content = (1 << WORD_BITS) - 1
        else:
            check = link.check.field if link.check else None
            for one in link.fields:
                if one.name not in ("sequence", check) and one.value is None:
                    content |= self.field_mask(one.name)
            sequence = link.field_named("sequence")
            if sequence is not None and sequence.value is None:
                places = self._expected.layout.bit_places("sequence")
                tables = _sequence_tables(self._expected.layout, sequence.bits)
        return AlignmentRules(
            content=np.uint64(content),
            sequence_places=np.array(places, np.int64),
            sequence_tables=tables,
            overlap=overlap,
            has_time=self.time_unit is not None,
            has_sequence=bool(places),
        )


def _ratio(header: TraceHeader) -> Ratio:
    if header.board is None:
        raise ValueError("a trace without a board has no cycles")
    link = header.link
    return edges_per_processor_cycle(header.board.clock_hz, link.clock_hz, link.edges_per_cycle)


def _slot_cycles(header: TraceHeader) -> int:
    if header.board is None:
        return 1
    ratio = _ratio(header)
    return -(-FrameLayout(header.link).slot_symbols * ratio.denominator // ratio.numerator)


def _sequence_tables(layout: FrameLayout, bits: int) -> NDArray[np.uint64]:
    """Make uint64[bytes, 256]: what each byte of a sequence number changes, check included."""
    tables = np.zeros((-(-bits // 8), 256), np.uint64)
    for byte in range(len(tables)):
        used = 1 << min(8, bits - 8 * byte)
        numbers = np.arange(used, dtype=np.uint64) << np.uint64(8 * byte)
        tables[byte, :used] = layout.pack(sequence=numbers) ^ layout.pack()
    return tables


def _require_same_boards(
    expected: Board, actual: Board, expected_file: str, actual_file: str
) -> None:
    """Refuse recordings whose frames mean different things.

    Raises:
        InputError: units or windows differ.
    """
    for what, before, after in (
        ("units", _describe_units(expected.units), _describe_units(actual.units)),
        ("windows", _describe_windows(expected.windows), _describe_windows(actual.windows)),
    ):
        missing = [one for one in before if one not in after]
        extra = [one for one in after if one not in before]
        if missing or extra:
            raise InputError(
                file=actual_file,
                place=f"board {actual.name}: {what}",
                found="; ".join(extra) or f"no {missing[0]}",
                wanted=f"{expected_file} has {'; '.join(missing) or 'nothing of that kind'};"
                " give recordings of the same units and windows",
            )


def _describe_units(units: tuple[Unit, ...]) -> list[str]:
    return [
        f"unit {one.name}, number {one.number}, {one.shows},"
        f" {one.stride_bytes} bytes a row, {one.memory_bytes} bytes"
        for one in units
    ]


def _describe_windows(windows: tuple[Window, ...]) -> list[str]:
    return [
        f"${one.first_address:04X} to ${one.last_address:04X}: {one.unit} {one.space}"
        f" from {one.first_offset}"
        for one in windows
    ]
