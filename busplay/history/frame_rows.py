"""Frames of a trace as text, and searches by number, edge or text."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from busplay.batch import FrameBatch, UInt64Column
from busplay.description.full_address import (
    PAGE_UNIT,
    address_of,
    full_address,
    page_of,
    parse_address,
    require_page,
)
from busplay.description.link import SPACE_MEMORY, SPACE_REGISTERS
from busplay.display.fields import FrameFields
from busplay.display.writes import FIELD_ADDRESS, FIELD_DATA, FIELD_SPACE, FIELD_UNIT
from busplay.errors import InputError
from busplay.history.trace_frames import TraceFrames
from busplay.link.layout import FrameLayout
from busplay.player.inspector import FrameRow
from busplay.program.labels import Labels
from busplay.program.places import PlaceNames, space_name
from busplay.trace.reader import TraceReader

_ADDRESS = re.compile(r"((?:[0-9]{1,5}:)?\$[0-9A-Fa-f]{1,4})(?:-\$?([0-9A-Fa-f]{1,4}))?")
_VALUE = re.compile(r"=\$?([0-9A-Fa-f]{1,2})")


class FrameRows(TraceFrames):
    """The frames of a trace as text.

    Args:
        reader: the trace, recorded with a board.
        labels: the program's.
    """

    def __init__(self, reader: TraceReader, labels: Labels) -> None:
        super().__init__(reader)
        self.layout = FrameLayout(reader.header.link)
        board = reader.header.board
        units = reader.header.units
        self._fields = FrameFields(
            self.layout, unit_number=units[0].number if len(units) == 1 else 0
        )
        self._labels = labels
        self.places = PlaceNames(board, labels, reader.shown_pages)

    def follow(self, reader: TraceReader) -> None:
        """Go on with more of the same trace, which grows."""
        self._go_on_in(reader)
        self.places = PlaceNames(reader.header.board, self._labels, reader.shown_pages)

    @property
    def lane_names(self) -> tuple[str, ...]:
        """Names of the lanes of a frame's symbols."""
        names = [f"lane {lane}" for lane in range(self.layout.lanes)]
        return (*names, "strobe") if self.layout.strobe_mask else tuple(names)

    def in_pieces(self, words: UInt64Column) -> tuple[UInt64Column, UInt64Column]:
        """Return words with contiguous fields, and where these are in them."""
        return self._fields.words_in_pieces(words), self._fields.table

    def pieces(self, words: UInt64Column) -> tuple[UInt64Column, ...]:
        """Return space, unit, offset and data of frames, uint64[frames] each."""
        pieces = self._fields.words_in_pieces(words)
        return tuple(
            np.broadcast_to((pieces >> shift) & mask | fixed, len(words))
            for shift, mask, fixed in (
                self._fields.table[row]
                for row in (FIELD_SPACE, FIELD_UNIT, FIELD_ADDRESS, FIELD_DATA)
            )
        )

    def rows(self, first: int, stop: int) -> Sequence[FrameRow]:
        """Return frames by their numbers, as text."""
        first = max(self.first_frame, first)
        frames = self.batch(first, stop)
        header, layout = self.reader.header, self.layout
        columns = zip(*(one.tolist() for one in self.pieces(frames.word)), strict=True)
        fields = {name: column.tolist() for name, column in layout.unpack(frames.word).items()}
        widths = {one.name: -(-one.bits // 4) for one in layout.link.fields}
        symbols = layout.to_symbols(frames.word).reshape(-1, layout.slot_symbols)
        lane_count = layout.lanes + bool(layout.strobe_mask)
        rows = []
        for i, (space, unit, offset, data) in enumerate(columns):
            edge = int(frames.edge[i])
            address = self.places.address_of_frame(unit, space, offset, edge=edge)
            rows.append(
                FrameRow(
                    index=first + i,
                    edge=edge,
                    cycle=header.cycles_at(edge),
                    unit=self.places.unit_name(unit),
                    space=space_name(space),
                    offset=offset,
                    address=address,
                    address_label=self.places.label(address),
                    data=data & 0xFF,
                    fields=tuple(
                        (name, f"{values[i]:0{widths[name]}X}") for name, values in fields.items()
                    ),
                    bits=f"{int(frames.word[i]):0{layout.frame_bits}b}",
                    lanes=tuple(
                        tuple((symbols[i] >> lane & 1).tolist()) for lane in range(lane_count)
                    ),
                )
            )
        return rows

    def find(self, text: str, frame: int, *, back: bool) -> int | None:
        """Return the nearest frame that matches a text; see `Inspector.find`."""
        wanted = self._parse(text.strip())
        step = -1 if back else 1
        here = frame - 1 if back else frame + 1
        if not self.first_frame <= here < self.frames:
            return None
        number = int(np.searchsorted(self._before, here, side="right")) - 1
        while 0 <= number < len(self._before) - 1:
            frames, begin = self.reader.frame_chunk(number).frames, int(self._before[number])
            hits = np.flatnonzero(self._hits(frames, wanted)) + begin
            hits = hits[hits <= here] if back else hits[hits >= here]
            if len(hits):
                return int(hits[-1] if back else hits[0])
            number += step
        return None

    def _parse(self, text: str) -> tuple[str, int, int]:
        """Return what to search for: `address` or `value`, first and last."""
        if match := _ADDRESS.fullmatch(text):
            first = require_page(parse_address(match[1]) or 0, self.reader.header.banks)
            last = full_address(int(match[2], 16), page_of(first)) if match[2] else first
            return "address", first, last
        if match := _VALUE.fullmatch(text):
            return "value", int(match[1], 16), int(match[1], 16)
        for address, names in self._labels.items():
            if text in names:
                return "address", address, address
        raise InputError(
            place="search",
            found=repr(text),
            wanted="an address $4000 or $4000-$40FF (3:$4000 in a page of banked memory), a value"
            " =7F, or a label",
        )

    def _hits(
        self, frames: FrameBatch, wanted: tuple[str, int, int]
    ) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
        kind, first, last = wanted
        words, page = frames.word, page_of(first)
        first, last = address_of(first), address_of(last)
        space, unit, offset, data = self.pieces(words)
        if kind == "value":
            return np.array(data & 0xFF == first)
        hits = np.zeros(len(words), np.bool_)
        board = self.reader.header.board
        for window in board.windows if board is not None else ():
            low = max(first, window.first_address) - window.first_address + window.first_offset
            high = min(last, window.last_address) - window.first_address + window.first_offset
            number = board.unit_named(window.unit).number if board is not None else 0
            of_space = SPACE_MEMORY if window.space == "memory" else SPACE_REGISTERS
            there = (space == of_space) & (unit == number) & (offset >= low) & (offset <= high)
            if page is not None:
                away = window.first_address - window.first_offset
                address = offset[there].astype(np.int64) + away
                full = self.places.full_addresses.column(address, frames.edge[there])
                there[there] = full // PAGE_UNIT - 1 == page
            hits |= there
        return hits
