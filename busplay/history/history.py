"""The history of a recording: the writes to bytes, registers and pixels.

How to think about it. A moment is a count of the trace's frames: those sent by then. The write
index says in which chunks a cell is written; a chunk that may have the answer is decoded, and one
comparison a frame finds the frames that wrote the place. Frames that the board's receiver would
lose are not writes.

    with busplay.TraceReader("tides.trace") as reader:
        history = busplay.open_history(reader)
        write = history.last_write(place, history.frame_at_cycle(12_000_000))

A full history of a busy byte decodes every chunk that writes it, so `writes` is a stream, newest
first.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

import numpy as np

from busplay.batch import Int64Column, UInt64Column
from busplay.description.board import Board
from busplay.description.full_address import address_of, page_of
from busplay.description.link import SPACE_MEMORY, SPACE_REGISTERS
from busplay.display.display import Display
from busplay.display.registers import register_count
from busplay.display.writes import FIELD_ADDRESS, FIELD_DATA, FIELD_SPACE, FIELD_UNIT
from busplay.errors import InputError
from busplay.history.index import WriteIndex, go_to_chunk
from busplay.history.pixel import PixelCauses, pixel_causes
from busplay.history.places import Place, Write, Writes, unit_named
from busplay.history.timeline import Timeline, draw_timeline
from busplay.history.trace_frames import TraceFrames
from busplay.link.layout import FrameLayout
from busplay.pipeline.pipeline import UNIT_STATE
from busplay.pipeline.refreshes import Refreshes
from busplay.program.places import PlaceNames
from busplay.trace.reader import TraceReader
from busplay.write_index.builder import Arrived, WriteIndexBuilder
from busplay.write_index.stretch import ChunkKind

SPACE_NUMBERS = {"memory": SPACE_MEMORY, "registers": SPACE_REGISTERS}
# Replayed chunks kept; a megabyte each.
REPLAYED_KEPT = 4
# Rows of the index searched at once.
ROWS_AT_ONCE = 256


class History(TraceFrames):
    """The writes of one recording, and its time line.

    Args:
        reader: the trace, which must stay open.
        index: of its writes.

    Attributes:
        reader: the trace.
        board: its board.
        index: the write index.

    Raises:
        InputError: the trace is damaged.
    """

    def __init__(self, reader: TraceReader, index: WriteIndex) -> None:
        super().__init__(reader)
        builder = index.builder
        self.board: Board = builder.pipeline.board
        self._pipeline = builder.pipeline
        self._cells = builder.cells
        self._fields = builder.pipeline.bank.fields
        self._encoder = builder.pipeline.encoder
        self._replayed: OrderedDict[int, Arrived] = OrderedDict()
        self._begins: dict[str, Display] = {}
        self._follow(reader, index, [press.cycle for press in reader.key_presses()])

    def follow(self, reader: TraceReader, index: WriteIndex, *, key_cycles: Sequence[int]) -> None:
        """Go on with more of the same trace, which grows.

        Args:
            reader: the trace as it is now.
            index: of its writes now.
            key_cycles: cycles of the key presses.
        """
        self._replayed.clear()
        self._begins.clear()
        self._follow(reader, index, key_cycles)

    def _follow(self, reader: TraceReader, index: WriteIndex, key_cycles: Sequence[int]) -> None:
        self._go_on_in(reader)
        self._places = PlaceNames(self.board, None, reader.shown_pages)
        self.index = index
        self._key_edges = np.array([reader.header.edge_at(one) for one in key_cycles], np.int64)

    def display_at_begin(self, unit: str) -> Display:
        """Return a unit as it is where the trace begins: at power-on, or as its key frame says.

        Raises:
            InputError: the key frame is damaged.
        """
        if unit not in self._begins:
            display = Display(unit_named(self.board, unit))
            if self.reader.begin_edge:
                state = self.reader.seek(self.reader.begin_edge).states
                display.restore(state[UNIT_STATE + unit])
            self._begins[unit] = display
        return self._begins[unit]

    # -- moments

    def frame_at_cycle(self, cycle: int) -> int:
        """Return the count of frames that a replay has shown at a processor cycle.

        Raises:
            InputError: the trace is damaged there.
        """
        if cycle >= self.reader.cycles:
            return self.frames
        return self.frame_at_edge(self.start_edge(cycle) + 1)

    def start_edge(self, cycle: int) -> int:
        """Return the edge up to which a replay has come at a processor cycle, as `Replay` does."""
        grid = self._encoder.grid_edges
        return -(-self._encoder.cycle_to_edge(cycle) // grid) * grid

    def refreshed_frames(self, before_frame: int, edge: int | None = None) -> int:
        """Return the frames before the last refresh up to a moment.

        Args:
            before_frame: the moment.
            edge: link edge up to which refreshes have come; None: the last frame's, or at the
                trace's end the end.

        Raises:
            InputError: the trace is damaged.
        """
        if edge is None and before_frame >= self.frames:
            edge = self.reader.stop_edge
        elif edge is None:
            edge = self.edge_of_frame(before_frame - 1) if before_frame else 0
        last = Refreshes(self.board, self._encoder).last_edge(edge)
        return min(before_frame, self.frame_at_edge(last))

    @property
    def layout(self) -> FrameLayout:
        """The layout of its frames."""
        return self._pipeline.layout

    # -- writes

    def last_write(self, place: Place, before_frame: int | None = None) -> Write | None:
        """Return the last write to a place before a moment, or None.

        Args:
            place: of a unit of the board.
            before_frame: the moment; None: the trace's end.

        Raises:
            InputError: the board has no such unit, or the trace is damaged there.
        """
        for found in self.writes(place, 0, before_frame):
            return self._write_at(found, len(found) - 1, place)
        return None

    def next_write(self, place: Place, from_frame: int) -> Write | None:
        """Return the first write to a place by a frame or a later one, or None.

        Raises:
            InputError: as for `last_write`.
        """
        for found in self.writes(place, from_frame, newest_first=False):
            return self._write_at(found, 0, place)
        return None

    def writes(
        self,
        place: Place,
        first_frame: int = 0,
        stop_frame: int | None = None,
        *,
        newest_first: bool = True,
    ) -> Iterator[Writes]:
        """Return all writes to a place between two moments, a chunk of frames at a time.

        Args:
            place: of a unit of the board.
            first_frame, stop_frame: range of frames, the stop not included; None: the trace's end.
            newest_first: the newest chunk first; within a chunk the oldest write is always first.

        Raises:
            InputError: as for `last_write`.
        """
        first, stop = self._bounds(first_frame, stop_frame)
        place = self._within(place)
        for chunk in self._chunks_written(place, first, stop, newest_first=newest_first):
            if len(found := self._writes_in(chunk, place, first, stop)):
                yield found

    def list_writes(self, place: Place, before_frame: int | None, count: int) -> list[Write]:
        """Return up to `count` of the last writes to a place before a moment, newest first.

        Raises:
            InputError: as for `last_write`.
        """
        listed: list[Write] = []
        for found in self.writes(place, 0, before_frame):
            for index in range(len(found) - 1, -1, -1):
                if len(listed) == count:
                    return listed
                listed.append(self._write_at(found, index, place))
        return listed

    def count_writes(
        self, place: Place, first_frame: int = 0, stop_frame: int | None = None
    ) -> int:
        """Count the writes to a place between two moments.

        Raises:
            InputError: as for `last_write`.
        """
        first, stop = self._bounds(first_frame, stop_frame)
        if first >= stop:
            return 0
        place = self._within(place)
        return self._count_before(place, stop) - self._count_before(place, first)

    def write_counts(self, unit: str) -> Int64Column:
        """Return int64[memory_bytes]: the writes to each byte of a unit's memory in the trace.

        On boards with more than 131,072 bytes of display memory, neighbouring bytes share a count:
        the mean of theirs, rounded up.

        Raises:
            InputError: the board has no such unit, or the trace is damaged.
        """
        size = unit_named(self.board, unit).memory_bytes
        first, stop = self._cells.of_range(unit, "memory", 0, size)
        cells = self.index.counts_before[-1, first:stop].astype(np.int64)
        counts = np.zeros(size, np.int64)
        each = -(-cells >> self._cells.shift)
        spread = np.repeat(each, 1 << self._cells.shift)[:size]
        counts[: len(spread)] = spread
        # The index has counts of its complete stretches.
        counted = int(self._before[self.index.counted_chunks[-1]])
        for found in self.writes(Place(unit, "memory", 0, size), counted):
            counts += np.bincount(found.offset, minlength=size)
        return counts

    def _within(self, place: Place) -> Place:
        """Return the part of a place that its unit has.

        Raises:
            InputError: the board has no such unit.
        """
        unit = unit_named(self.board, place.unit)
        most = unit.memory_bytes if place.space == "memory" else register_count(unit)
        first, stop = min(place.first_offset, most), min(place.stop_offset, most)
        return replace(place, first_offset=first, stop_offset=stop)

    def _bounds(self, first_frame: int, stop_frame: int | None) -> tuple[int, int]:
        stop = self.frames if stop_frame is None else min(stop_frame, self.frames)
        return max(first_frame, self.first_frame), stop

    def _count_before(self, place: Place, frame: int) -> int:
        """Count the writes before a moment, from the nearest stretch's sums."""
        if self._cells.shift and place.space == "memory":
            return sum(len(found) for found in self.writes(place, 0, frame))
        starts = self._before[self.index.counted_chunks]
        after = min(int(np.searchsorted(starts, frame, side="left")), len(starts) - 1)
        before = max(0, after - 1)
        near = after if starts[after] - frame < frame - starts[before] else before
        first, stop = self._cells_of(place)
        count = int(self.index.counts_before[near, first:stop].sum(dtype=np.int64))
        at = int(starts[near])
        if at <= frame:
            return count + sum(len(found) for found in self.writes(place, at, frame))
        return count - sum(len(found) for found in self.writes(place, frame, at))

    def _cells_of(self, place: Place) -> tuple[int, int]:
        return self._cells.of_range(place.unit, place.space, place.first_offset, place.stop_offset)

    def _chunks_written(
        self, place: Place, first_frame: int, stop_frame: int, *, newest_first: bool
    ) -> Iterator[int]:
        """Return the chunks of a stretch of frames in which a place may be written."""
        first_cell, stop_cell = self._cells_of(place)
        if first_frame >= stop_frame or first_cell >= stop_cell:
            return
        # The first and the stop of the chunks, and of the blocks that they are in.
        first = int(np.searchsorted(self._before, first_frame, side="right")) - 1
        stop = int(np.searchsorted(self._before, stop_frame, side="left"))
        block_first = self.index.block_first
        first_block = int(np.searchsorted(block_first, first, side="right")) - 1
        stop_block = int(np.searchsorted(block_first, stop, side="left"))
        columns = slice(first_cell >> 3, (stop_cell + 7) >> 3)
        mask = np.full(columns.stop - columns.start, 0xFF, np.uint8)
        mask[0] &= 0xFF << (first_cell & 7) & 0xFF
        mask[-1] &= 0xFF >> (-stop_cell & 7)
        starts = range(first_block, stop_block, ROWS_AT_ONCE)
        for start in reversed(starts) if newest_first else starts:
            rows = self.index.written[start : min(start + ROWS_AT_ONCE, stop_block), columns]
            found = start + np.flatnonzero((rows & mask).any(axis=1))
            for block in (found[::-1] if newest_first else found).tolist():
                low, high = block_first[block : block + 2].tolist()
                chunks = range(max(low, first), min(high, stop))
                yield from reversed(chunks) if newest_first else chunks

    def _writes_in(self, chunk: int, place: Place, first_frame: int, stop_frame: int) -> Writes:
        """Return the writes of one chunk to a place."""
        at = int(self._before[chunk])
        index, edge, word = self._arrived(chunk)
        if first_frame > at or stop_frame < int(self._before[chunk + 1]):
            low, high = first_frame - at, stop_frame - at
            if index is None:
                kept = slice(max(low, 0), max(high, 0))
                low_index = kept.start
            else:
                kept = slice(*np.searchsorted(index, [low, high]).tolist())
                low_index = 0
                index = index[kept]
            edge, word = edge[kept], word[kept]
        else:
            low_index = 0
        pieces = self._fields.words_in_pieces(word)
        which = self._match(pieces, place)
        offset = self._piece(pieces[which], FIELD_ADDRESS).astype(np.int64)
        frame = which + (at + low_index) if index is None else index[which] + at
        data = self._piece(pieces[which], FIELD_DATA).astype(np.uint8)
        return Writes(frame, edge[which], word[which], offset, data)

    def _arrived(self, chunk: int) -> tuple[Int64Column | None, UInt64Column, UInt64Column]:
        """Return the frames of a chunk that reached their units; index None: all of them."""
        kind = self.index.kinds[chunk]
        if kind is ChunkKind.REPLAYED:
            arrived = self._replay(chunk)
            return arrived.index, arrived.edge, arrived.word
        frames = self.reader.frame_chunk(chunk).frames
        if kind is ChunkKind.PLAIN:
            return None, frames.edge, frames.word
        index = np.flatnonzero(self.index.fates[chunk] == 0)
        return index, frames.edge[index], frames.word[index]

    def _replay(self, chunk: int) -> Arrived:
        if (kept := self._replayed.get(chunk)) is None:
            builder = WriteIndexBuilder(self.board)
            go_to_chunk(builder, self.reader, chunk)
            here = self.reader.frame_chunk(chunk)
            kept = builder.arrivals_of(here.frames, stop_edge=here.totals.stop_edge)
            self._replayed[chunk] = kept
            if len(self._replayed) > REPLAYED_KEPT:
                self._replayed.popitem(last=False)
        return kept

    def _match(self, pieces: UInt64Column, place: Place) -> Int64Column:
        """Return which frames write a place."""
        table = self._fields.table
        wanted = {
            FIELD_SPACE: SPACE_NUMBERS[place.space],
            FIELD_UNIT: unit_named(self.board, place.unit).number,
        }
        single = place.stop_offset == place.first_offset + 1
        if single:
            wanted[FIELD_ADDRESS] = place.first_offset
        mask = key = 0
        for row, value in wanted.items():
            shift, bits, fixed = (int(one) for one in table[row])
            if value & bits | fixed != value:
                return np.empty(0, np.int64)
            mask |= bits << shift
            key |= (value & bits) << shift
        hit = (pieces & np.uint64(mask)) == np.uint64(key)
        if not single:
            offset = self._piece(pieces, FIELD_ADDRESS)
            hit &= (offset >= np.uint64(place.first_offset)) & (
                offset < np.uint64(place.stop_offset)
            )
        return np.flatnonzero(hit)

    def _piece(self, pieces: UInt64Column, row: int) -> UInt64Column:
        shift, mask, fixed = self._fields.table[row]
        found: UInt64Column = (pieces >> shift) & mask | fixed
        return found

    def sent_write(self, frame: int, place: Place) -> Write:
        """Return a frame to a place as a write, whether served or not.

        Raises:
            InputError: the trace is damaged there.
            ValueError: the trace has no such frame.
        """
        frames = self.frame(frame)
        pieces = self._fields.words_in_pieces(frames.word)
        return self._write_at(
            Writes(
                np.array([frame]),
                frames.edge,
                frames.word,
                self._piece(pieces, FIELD_ADDRESS).astype(np.int64),
                self._piece(pieces, FIELD_DATA).astype(np.uint8),
            ),
            0,
            place,
        )

    def _write_at(self, found: Writes, index: int, place: Place) -> Write:
        edge, offset = int(found.edge[index]), int(found.offset[index])
        number = unit_named(self.board, place.unit).number
        full = self._places.address_of_frame(number, SPACE_NUMBERS[place.space], offset, edge=edge)
        return Write(
            frame=int(found.frame[index]),
            edge=edge,
            cycle=self._encoder.latest_cycle(edge),
            unit=place.unit,
            space=place.space,
            offset=offset,
            address=None if full is None else address_of(full),
            page=page_of(full),
            data=int(found.data[index]),
            word=int(found.word[index]),
        )

    def causes(
        self,
        unit: str,
        x: int,
        y: int,
        before_frame: int | None = None,
        edge: int | None = None,
    ) -> PixelCauses:
        """Return the causes of a pixel's colour at a moment: byte, palette and registers.

        Args:
            unit: name of the unit.
            x, y: the pixel, from the top left.
            before_frame: the moment; None: the trace's end.
            edge: as for `refreshed_frames`.

        Raises:
            InputError: the board has no such unit, the unit no such pixel, or the trace is damaged.
        """
        return pixel_causes(self, unit, x, y, before_frame, edge)

    # -- the time line

    def timeline(self, first_edge: int, stop_edge: int, columns: int) -> Timeline:
        """Return sums between two link edges, in columns of equal width.

        Raises:
            InputError: the trace is damaged there.
            ValueError: the edges are out of order, or there is no column.
        """
        return draw_timeline(
            self.reader,
            self.index,
            self._key_edges,
            first_edge,
            stop_edge,
            columns,
            slot_edges=self._pipeline.layout.slot_symbols,
        )


def open_history(
    reader: TraceReader,
    *,
    on_frames: Callable[[int], object] = lambda _: None,
) -> History:
    """Open the history of a trace; if it has no complete index, one is made.

    Args:
        reader: the trace, which must stay open.
        on_frames: called with the count of frames read, if an index is made.

    Raises:
        InputError: the trace has no board with units, or is damaged.

    >>> import busplay
    >>> with busplay.TraceReader("tides.trace") as reader:
    ...     history = busplay.open_history(reader)
    ...     causes = history.causes("panel", 120, 40)
    ...     f"${causes.byte.address:04X}", hex(causes.value), causes.colour
    ('$543C', '0x33', (150, 160, 204))
    """
    board = reader.header.board
    if board is None or not board.units:
        raise InputError(
            file=str(reader.path),
            found="a trace without a board" if board is None else "a board without units",
            wanted="a history is of the units' bytes; record the trace with its board",
        )
    return History(reader, WriteIndex.of_trace(reader, board, on_frames=on_frames))
