"""Stores to frames: which are sent, their words, when they start, and which are lost.

How to think about it. The sender is a queue with one server: a frame takes one slot. A store
of cycle c completes at the end of that cycle, so its frame can start at the first edge of the
grid that is not before the beginning of cycle c+1: its *earliest edge*. If the slot is free it
starts there; if not, one slot after the frame before it.

The FIFO holds the waiting frames: accepted ones that start *after* the earliest edge of the
present store. A frame that starts exactly there has left the FIFO. A store that would have to wait
and finds `fifo_depth` frames waiting is lost and counted. So a FIFO of depth 0 sends only what can
start at once.

If the link asks for an idle slot in every N (`idle_every`), the slot after N - 1 busy ones in
a row stays empty, and a frame that would have started there starts one slot later. Its store
waits too, so with a FIFO of depth 0 it is lost.

A frame's start is known when its store is accepted, so `feed` returns every accepted frame
at once, some with edges after `stop_cycle`; no later store changes anything before
`settled_edge`.

A word is `address_table[address] ^ data_table[data] ^ sequence_table[number]`: everything in a
layout (order of bits, constants, check) is affine, and the tables are made by `FrameLayout.pack`,
so there is no second encoder. On a board with windows of one page of a bank there is an address
table for each such page, one behind another, and a store's page chooses between them.

Not here: symbols (`wire`), idle frames (a gap stands for them).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busplay.batch import (
    FrameBatch,
    FrameRoom,
    StoreBatch,
    UInt8Column,
    UInt16Column,
    UInt32Column,
    UInt64Column,
)
from busplay.description.board import Board, Window
from busplay.description.link import SPACE_MEMORY, SPACE_REGISTERS
from busplay.errors import FieldError, InputError
from busplay.link.layout import FrameLayout
from busplay.sender import encoding
from busplay.sender.encoding import EncodeRoom, SenderTiming, WordTables
from busplay.units import edges_per_processor_cycle

ADDRESSES = 0x10000
SPACE_NUMBERS = {"memory": SPACE_MEMORY, "registers": SPACE_REGISTERS}
# Half of what 64 bits hold, so that no sum of an edge and a few slots wraps round.
EDGES_MAX = 1 << 63


@dataclass(frozen=True, slots=True)
class SenderCounters:
    """What was offered to the sender and what became of it.

    Attributes:
        stores_offered: stores that fell in a window; `frames_sent + frames_overrun`.
        frames_sent: frames sent.
        frames_overrun: stores that found the sender FIFO full and were lost.
        stores_outside: stores outside every window, which are not sent.
    """

    stores_offered: int
    frames_sent: int
    frames_overrun: int
    stores_outside: int


@dataclass(frozen=True, slots=True)
class EncoderState:
    """Everything that an encoder carries from batch to batch; made by `Encoder.snapshot`."""

    carried: tuple[int, ...]
    counts: tuple[int, ...]
    stop_cycle: int


@dataclass(frozen=True, slots=True, eq=False)
class LostStores:
    """Stores that found the sender FIFO full.

    Attributes:
        edge: uint64[lost]; link edge at which each found it full, never falling.
        cycle, address, data: as in a batch of stores.
        word: uint64[lost]; of the frame that each would have been, with sequence number 0.
    """

    edge: UInt64Column
    cycle: UInt64Column
    address: UInt16Column
    data: UInt8Column
    word: UInt64Column

    def __len__(self) -> int:
        return len(self.edge)

    @classmethod
    def joined(cls, parts: Sequence[LostStores]) -> LostStores:
        """Concatenate columns."""
        nothing = StoreBatch.empty()
        return cls(
            np.concatenate([nothing.cycle, *(part.edge for part in parts)]),
            np.concatenate([nothing.cycle, *(part.cycle for part in parts)]),
            np.concatenate([nothing.address, *(part.address for part in parts)]),
            np.concatenate([nothing.data, *(part.data for part in parts)]),
            np.concatenate([nothing.cycle, *(part.word for part in parts)]),
        )


class Encoder:
    """The board's end of the link: stores in windows become frames on the slot grid.

    Attributes:
        layout: the frame's layout.
        edges_per_cycle: link edges in one processor cycle, an exact ratio.
        lead_edges: edge at which processor cycle 0 begins; whole idle slots before it, rounded
            up to a whole cycle of the link's clock.
        grid_edges: frames start at multiples of it: a slot, or a cycle of the link's clock.
        step_edges: edges from a frame's start to the earliest start of the next.
        tables: what words are made from.
    """

    def __init__(self, board: Board) -> None:
        link = board.link
        self.layout = FrameLayout(link)
        self.edges_per_cycle = edges_per_processor_cycle(
            board.clock_hz, link.clock_hz, link.edges_per_cycle
        )
        slot = self.layout.slot_symbols
        self.grid_edges = slot if link.start == "slot" else link.edges_per_cycle
        self.step_edges = _round_up(slot, self.grid_edges)
        self.lead_edges = _round_up(board.sender.lead_frames * slot, link.edges_per_cycle)
        sequence = link.field_named("sequence")
        sequence_bits = sequence.bits if sequence else 0
        self._timing = SenderTiming(
            numerator=np.uint64(self.edges_per_cycle.numerator),
            denominator=np.uint64(self.edges_per_cycle.denominator),
            lead_edges=np.uint64(self.lead_edges),
            grid_edges=np.uint64(self.grid_edges),
            step_edges=np.uint64(self.step_edges),
            fifo_depth=np.uint64(board.sender.fifo_depth),
            sequence_mask=np.uint64((1 << sequence_bits) - 1),
            idle_every=np.uint64(link.idle_every or 0),
        )
        # The last cycle whose edges are sure to fit 64 bits, with a full FIFO after it.
        slots = board.sender.fifo_depth + 2
        if link.idle_every:
            slots += slots // (link.idle_every - 1) + 1
        margin = self.lead_edges + slots * self.step_edges
        ratio = self.edges_per_cycle
        self.last_cycle = (EDGES_MAX - margin) * ratio.denominator // ratio.numerator
        self.last_cycle = min(self.last_cycle, EDGES_MAX)
        sequence_tables = np.zeros((-(-sequence_bits // 8), 256), np.uint64)
        for byte in range(len(sequence_tables)):
            sequence_tables[byte] = self._field_table("sequence", 8 * byte, sequence_bits)
        self.tables = WordTables(
            *_address_tables(board, self.layout), self._field_table("data", 0, 8), sequence_tables
        )
        self._table_of_page = _tables_of_pages(board)
        self._carried: UInt64Column = np.zeros(5, np.uint64)
        self._counts: UInt64Column = np.zeros(4, np.uint64)
        self._stop_cycle = 0
        self._sent_store: NDArray[np.int64] | None = None
        self._lost: list[LostStores] = []
        self._room = FrameRoom()
        self._which = np.empty((2, 0), np.int64), np.empty(0, np.uint64)

    def _field_table(self, name: str, shift: int, field_bits: int) -> UInt64Column:
        """Return uint64[256]: the word's change by each value of the field's bits from `shift`."""
        table = np.zeros(256, np.uint64)
        used = 1 << min(8, field_bits - shift)
        values = np.arange(used, dtype=np.uint64) << np.uint64(shift)
        table[:used] = self.layout.pack(**{name: values}) ^ self.layout.pack()
        return table

    def feed(self, stores: StoreBatch, *, stop_cycle: int) -> FrameBatch:
        """Turn the stores before `stop_cycle` into frames; later ones are at or after it.

        Args:
            stores: in order of their cycles, from batch to batch too. Stores outside the windows
                are left out and counted.
            stop_cycle: end of the batch's span, not included.

        Returns:
            Every accepted frame, with its start edge; the last ones can start after
            `stop_cycle`.

        Raises:
            InputError: a store is before the previous one or outside the batch's span, or its
                cycle is past `last_cycle`. Nothing is taken from the batch then.
        """
        if stop_cycle < self._stop_cycle:
            raise InputError(
                found=f"a batch up to cycle {stop_cycle} behind one up to {self._stop_cycle}",
                wanted="give batches in the order of time",
            )
        if stop_cycle > self.last_cycle + 1:
            raise InputError(
                found=f"cycle {stop_cycle - 1}",
                wanted=f"give cycles up to {self.last_cycle}, the last whose edges fit 64 bits",
            )
        count = len(stores)
        if count == 0:
            self._stop_cycle = stop_cycle
            self._sent_store = None
            return FrameBatch.empty()
        if int(stores.cycle[-1]) >= stop_cycle:
            raise InputError(
                found=f"a store in cycle {stores.cycle[-1]}",
                wanted=f"this batch ends before cycle {stop_cycle}",
            )
        if int(stores.cycle[0]) < self._stop_cycle:
            raise InputError(
                found=f"a store in cycle {stores.cycle[0]}",
                wanted=f"the batch before reached cycle {self._stop_cycle}; give stores in the"
                " order of their cycles",
            )
        if count > len(self._which[1]):
            self._which = np.empty((2, count), np.int64), np.empty(count, np.uint64)
        (sent_store, lost_store), lost_edge = self._which
        edge, word = self._room.take(count)
        room = EncodeRoom(edge, word, sent_store, lost_store, lost_edge)
        index = self._index(stores)
        overrun_before = int(self._counts[encoding.OVERRUN])
        sent = encoding.encode(
            stores.cycle,
            index,
            stores.data,
            self.tables,
            self._timing,
            self._carried,
            self._counts,
            room,
        )
        if sent < 0:
            place = -1 - sent
            raise InputError(
                found=f"a store in cycle {stores.cycle[place]} behind one in"
                f" {stores.cycle[place - 1]}",
                wanted="give stores in the order of their cycles",
            )
        self._stop_cycle = stop_cycle
        self._sent_store = sent_store[:sent].copy() if sent < count else None
        lost = int(self._counts[encoding.OVERRUN]) - overrun_before
        if lost:
            which = lost_store[:lost]
            lost_word = self.tables.address[index[which]] ^ self.tables.data[stores.data[which]]
            self._lost.append(
                LostStores(
                    lost_edge[:lost].copy(),
                    stores.cycle[which],
                    stores.address[which],
                    stores.data[which],
                    lost_word,
                )
            )
        return FrameBatch(edge[:sent], word[:sent])

    def _index(self, stores: StoreBatch) -> UInt16Column | UInt32Column:
        """Return where each store's word begins in the tables: its address, mostly."""
        if self._table_of_page is None or stores.page is None:
            return stores.address
        return self._table_of_page[stores.page] * np.uint32(ADDRESSES) + stores.address

    @property
    def sent_store(self) -> NDArray[np.int64] | None:
        """Index of each frame's store in the last batch fed; None: all were sent."""
        return self._sent_store

    def take_lost(self) -> LostStores:
        """Return the stores lost since the last call."""
        lost, self._lost = self._lost, []
        return LostStores.joined(lost)

    @property
    def counters(self) -> SenderCounters:
        """Counts since the start."""
        counts = self._counts
        return SenderCounters(
            stores_offered=int(counts[encoding.OFFERED]),
            frames_sent=int(counts[encoding.SENT]),
            frames_overrun=int(counts[encoding.OVERRUN]),
            stores_outside=int(counts[encoding.OUTSIDE]),
        )

    @property
    def settled_edge(self) -> int:
        """Edge of the grid before which no later frame starts.

        It is at or after the end of every frame so far, so a stretch of the wire can stop there.
        """
        edge = _round_up(self.cycle_to_edge(self._stop_cycle + 1), self.grid_edges)
        if self._carried[encoding.ANY_SENT]:
            edge = max(edge, int(self._carried[encoding.LAST_START]) + self.step_edges)
        return edge

    def cycle_to_edge(self, cycle: int) -> int:
        """Return the first edge that is not before the beginning of a processor cycle."""
        return self.lead_edges + self.edges_per_cycle.ceil(cycle)

    def latest_cycle(self, edge: int) -> int:
        """Return the last cycle whose store can go out in a frame that starts at an edge."""
        ratio = self.edges_per_cycle
        ready = max(0, edge - self.lead_edges)
        return max(0, ready * ratio.denominator // ratio.numerator - 1)

    def snapshot(self) -> EncoderState:
        """Copy the state between batches."""
        return EncoderState(
            tuple(int(one) for one in self._carried),
            tuple(int(one) for one in self._counts),
            self._stop_cycle,
        )

    def restore(self, state: EncoderState) -> None:
        """Go on from a snapshot of an encoder for the same board."""
        self._carried = np.array(state.carried, np.uint64)
        self._counts = np.array(state.counts, np.uint64)
        self._stop_cycle = state.stop_cycle


def _round_up(value: int, step: int) -> int:
    return -(-value // step) * step


def _pages_of_windows(board: Board) -> list[int]:
    """Return the pages that windows are bound to."""
    return sorted({one.page for one in board.windows if one.page is not None})


def _tables_of_pages(board: Board) -> UInt32Column | None:
    """Return uint32[65536]: the address table of each page; None: there is one for all."""
    pages = _pages_of_windows(board)
    if not pages:
        return None
    tables = np.full(ADDRESSES, len(pages) + 1, np.uint32)
    tables[pages] = np.arange(1, len(pages) + 1)
    return tables


def _address_tables(board: Board, layout: FrameLayout) -> tuple[NDArray[np.bool_], UInt64Column]:
    """Return bool[65536], uint64[65536]: addresses sent, and their words with data 0.

    With windows of one page, more tables follow the first, which is that of stores whose page is
    not known: one for each such page, and one for all others.
    """
    pages = _pages_of_windows(board)
    tables = [board.windows]
    if pages:
        tables += [
            tuple(one for one in board.windows if one.page is None or one.page == page)
            for page in (*pages, -1)
        ]
    in_window = np.zeros((len(tables), ADDRESSES), np.bool_)
    table = np.zeros((len(tables), ADDRESSES), np.uint64)
    for row, windows in enumerate(tables):
        # Where windows overlap, the first in the board file has the address.
        for window in reversed(windows):
            span = slice(window.first_address, window.last_address + 1)
            in_window[row, span] = True
            table[row, span] = _window_words(board, layout, window)
    return in_window.reshape(-1), table.reshape(-1)


def _window_words(board: Board, layout: FrameLayout, window: Window) -> UInt64Column:
    length = window.last_address - window.first_address + 1
    offsets = np.arange(length, dtype=np.uint64) + np.uint64(window.first_offset)
    fields: dict[str, int | UInt64Column] = {"address": offsets}
    space = SPACE_NUMBERS[window.space]
    unit = board.unit_named(window.unit).number
    # A link without such a field reaches only the memory of unit 0.
    if layout.link.field_named("space") is not None or space != SPACE_MEMORY:
        fields["space"] = space
    if layout.link.field_named("unit") is not None or unit != 0:
        fields["unit"] = unit
    try:
        return layout.pack(**fields)
    except FieldError as error:
        raise FieldError(f"window {window.name!r}: {error.message}", file=board.file) from error
