"""Captures that are text, read block by block: what value change dumps and CSV have in common.

How to think about it. A format has a compiled parser, which takes a block of bytes that ends with a
separator and keeps what must survive from block to block in `state`. Levels gather while the time
stands still; when it moves on, they become a row, if they differ from the last row. Several changes
at one time are one row. The row of the last time is still in `state` at the end, and is written
here. Damage stops the parser at its byte; the format says what it is.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import cached_property
from typing import TypeAlias

import numpy as np

from busplay.batch import (
    CaptureInfo,
    ChangeBatch,
    Int64Column,
    SignalInfo,
    UInt8Column,
    UInt64Column,
)
from busplay.errors import InputError
from busplay.formats.byte_source import ByteSource
from busplay.formats.signal_choice import (
    Variable,
    choose_signals,
    count_wires,
    signal_masks,
    wire_names,
)

BLOCK_BYTES = 1 << 18
# Where a parser writes a block's rows: time, level, unknown.
RowRoom: TypeAlias = tuple[UInt64Column, ...]


def row_state(*own: str) -> np.dtype[np.void]:
    """Return the record that a parser keeps: what all parsers have, and what is its own."""
    names: tuple[str, ...] = (
        "time",
        "has_time",
        "level",
        "unknown",
        "row_level",
        "row_unknown",
        "has_row",
    )
    names += ("fault", "fault_at", "rows", "first_time", *own)
    return np.dtype([(name, np.uint64) for name in names])


class TextReader(ABC):
    """A capture that is text; a format's reader says how it is parsed.

    Args:
        source: the file.
        variables: that it declares.
        widths: int64[places]; bits of each place that variables share.
        signals: names of the wires wanted; None: all.
        info: what the head says.
        body_at: byte at which the changes begin.

    Raises:
        InputError: as `choose_signals`.
    """

    # What an item is called, how long it may be, and what it is.
    ITEM = ("word", "word")
    ITEM_BYTES_MOST = 1 << 26
    ITEM_WANTED = ""
    STATE = row_state()

    def __init__(
        self,
        source: ByteSource,
        variables: Sequence[Variable],
        widths: Int64Column,
        *,
        signals: Sequence[str] | None,
        info: CaptureInfo,
        body_at: int,
    ) -> None:
        self._source, self._variables, self._body_at = source, variables, body_at
        self._widths = widths
        chosen = choose_signals(variables, signals, file=source.file)
        self.signals = tuple(bit.name for bit in chosen)
        self.signal_masks = signal_masks(variables, chosen)
        self.wire_count = count_wires(variables)
        read_bits, first_bits = np.zeros(len(widths), np.int64), np.full(len(widths), -1)
        for bit in chosen:
            read_bits[bit.place] = max(read_bits[bit.place], bit.bit + 1)
        masks = np.zeros(len(widths), np.uint64)
        bit_masks: list[int] = []
        for place in dict.fromkeys(bit.place for bit in chosen):
            first_bits[place] = len(bit_masks)
            bit_masks += [0] * int(read_bits[place])
        for index, bit in enumerate(chosen):
            bit_masks[int(first_bits[bit.place]) + bit.bit] = 1 << index
            if widths[bit.place] == 1:
                masks[bit.place] = 1 << index
        # In the order in which the parsers take them.
        self._bits = masks, read_bits, first_bits, np.array(bit_masks or [0], np.uint64)
        self._info = replace(
            info,
            file=source.file,
            compression=source.compression,
            signals=tuple(SignalInfo(one.name, one.bits, one.kind) for one in variables),
        )
        self._begin()

    @cached_property
    def wires(self) -> tuple[str, ...]:
        """Full names of all wires."""
        return wire_names(self._variables)

    def _begin(self) -> None:
        self._counts = np.zeros(max(64, len(self._widths)), np.uint64)
        self._state = np.zeros(1, self.STATE)
        # Nothing is known of a signal before its first value.
        self._state["unknown"] = (1 << len(self.signals)) - 1
        self._cut_reason = ""

    def info(self) -> CaptureInfo:
        """Return what is known so far."""
        zero_ps = self._info.zero_ps
        return replace(
            self._info,
            signals=tuple(
                replace(signal, changes=count)
                for signal, count in zip(self._info.signals, self._changes(), strict=True)
            ),
            start_ps=self._kept("first_time") + zero_ps,
            stop_ps=self._stop_ps() + zero_ps,
            complete=not self._cut_reason,
            cut_reason=self._cut_reason,
        )

    def rows(self) -> Iterator[ChangeBatch]:
        """Return all changes from the start.

        Raises:
            InputError: the file is damaged; with line and column, after everything before it.
        """
        self._begin()
        source = self._source
        source.restart(text=True)
        source.skip(self._body_at)
        # Two bytes more than are read: a separator at the end of the file, and one for the
        # parser to look at.
        buffer, size = bytearray(BLOCK_BYTES + 2), BLOCK_BYTES
        room = _room(size)
        block_at, filled = self._body_at, 0
        while True:
            try:
                count = source.read_into(memoryview(buffer)[filled:size])
            except InputError:
                yield from self._last_row()
                raise
            filled += count
            length = self._whole(buffer, filled)
            if not count and length < filled:
                # The last item, which nothing closes.
                buffer[filled] = 0x0A
                length = filled + 1
            taken = self._parse(np.frombuffer(buffer, np.uint8), length, room) if length else 0
            if length and (rows := self._kept("rows")):
                yield ChangeBatch(*(column[:rows].copy() for column in room))
            if self._kept("fault"):
                yield from self._last_row()
                fault_at = self._kept("fault_at")
                if not count and self._is_cut(bytes(buffer[fault_at:filled])):
                    reason = f"it ends in the middle of a {self.ITEM[0]}: the file was cut off"
                    self._cut_reason = source.cut_reason or reason
                    return
                rest = bytes(buffer[fault_at : fault_at + 80])
                found, wanted = self._fault(self._kept("fault"), rest)
                wanted += " (--keep-going reads up to this point)"
                raise self._error(block_at + fault_at, found, wanted)
            rest = bytes(buffer[taken:filled])
            if not count:
                yield from self._last_row()
                self._cut_reason = source.cut_reason or self._cut_at_end(rest)
                return
            if len(rest) == size:
                if size >= self.ITEM_BYTES_MOST:
                    found = f"a {self.ITEM[1]} of more than {self.ITEM_BYTES_MOST:,} bytes"
                    raise self._error(block_at, found, self.ITEM_WANTED)
                buffer += bytes(size)
                size *= 2
                room = _room(size)
            buffer[: len(rest)] = rest
            block_at += taken
            filled = len(rest)

    def _last_row(self) -> Iterator[ChangeBatch]:
        """Return the row of the last time, which nothing has closed."""
        state = self._state
        differs = state["level"] ^ state["row_level"] | state["unknown"] ^ state["row_unknown"]
        if not self._has_values() or (state["has_row"] and not differs):
            return
        if state["has_row"]:
            self._count_last(differs[0])
        state["has_row"] = 1
        state["row_level"], state["row_unknown"] = state["level"], state["unknown"]
        yield ChangeBatch(*(state[name].copy() for name in ("time", "level", "unknown")))

    def _kept(self, name: str) -> int:
        return int(self._state[name][0])

    def _error(self, at: int, found: str, wanted: str) -> InputError:
        place = self._source.line_and_column(at)
        return InputError(found=found, wanted=wanted, file=self._source.file, place=place)

    # -- what a format says

    @abstractmethod
    def _parse(self, text: UInt8Column, length: int, room: RowRoom) -> int:
        """Parse a block; return how many bytes were taken."""

    @abstractmethod
    def _whole(self, buffer: bytearray, filled: int) -> int:
        """Return how many bytes there are up to the last separator, it included."""

    @abstractmethod
    def _is_cut(self, rest: bytes) -> bool:
        """Return whether a fault is in the file's last item, which nothing closes."""

    @abstractmethod
    def _fault(self, fault: int, rest: bytes) -> tuple[str, str]:
        """Return what was found at a fault, and what would be right."""

    @abstractmethod
    def _changes(self) -> list[int]:
        """Return the values recorded so far of each variable."""

    def _stop_ps(self) -> int:
        return self._kept("time")

    def _has_values(self) -> bool:
        return bool(self._kept("has_time"))

    def _count_last(self, differs: np.uint64) -> None:  # noqa: B027
        """Count the changes of the last row."""

    def _cut_at_end(self, rest: bytes) -> str:
        """Return why the file is not whole, by what was not taken at its end; empty: it is."""
        return ""


def _room(block_bytes: int) -> RowRoom:
    # A row takes at least two bytes.
    return tuple(np.empty(block_bytes // 2 + 2, np.uint64) for _ in range(3))
