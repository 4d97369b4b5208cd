"""The columns that pass between stages: stores, symbols, frames, and changes of a capture.

A batch is a few NumPy columns of equal length; there is never an object for
one store or one frame. Batches are immutable.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Int64Column: TypeAlias = NDArray[np.int64]
UInt64Column: TypeAlias = NDArray[np.uint64]
UInt32Column: TypeAlias = NDArray[np.uint32]
UInt16Column: TypeAlias = NDArray[np.uint16]
UInt8Column: TypeAlias = NDArray[np.uint8]
SymbolColumn: TypeAlias = NDArray[np.uint8] | NDArray[np.uint16] | NDArray[np.uint32]


def _require_columns(kinds: dict[str, type[np.unsignedinteger]], **columns: object) -> None:
    """Refuse columns of another dtype, which a compiled loop would misread."""
    for name, column in columns.items():
        wanted = np.dtype(kinds[name])
        if not isinstance(column, np.ndarray) or column.dtype != wanted or column.ndim != 1:
            found = (
                f"{column.dtype}, {column.ndim} dimensions"
                if isinstance(column, np.ndarray)
                else type(column).__name__
            )
            raise TypeError(f"column {name} is {found}; it must be a NumPy column of {wanted}")


def _require_equal_lengths(**columns: NDArray[np.generic]) -> None:
    lengths = {name: len(column) for name, column in columns.items()}
    if len(set(lengths.values())) > 1:
        raise ValueError(f"columns of one batch differ in length: {lengths}")


_STORE_KINDS: dict[str, type[np.unsignedinteger]] = {
    "cycle": np.uint64,
    "address": np.uint16,
    "data": np.uint8,
}
_FRAME_KINDS: dict[str, type[np.unsignedinteger]] = {"edge": np.uint64, "word": np.uint64}


@dataclass(frozen=True, slots=True, eq=False)
class StoreBatch:
    """Stores of the processor, in order of time.

    Attributes:
        cycle: uint64[stores]; the cycle of the write itself, not decreasing.
        address: uint16[stores]; processor address.
        data: uint8[stores].
        page: uint16[stores]; the page that the bank at the address showed. None: it does not
            matter, as on boards without a window of one page.

    >>> import busplay
    >>> stores = busplay.StoreBatch.of([100, 104], [0x4000, 0x4001], [1, 2])
    >>> stores.address
    array([16384, 16385], dtype=uint16)
    """

    cycle: UInt64Column
    address: UInt16Column
    data: UInt8Column
    page: UInt16Column | None = None

    def __post_init__(self) -> None:
        columns = {"cycle": self.cycle, "address": self.address, "data": self.data}
        _require_columns(_STORE_KINDS, **columns)
        _require_equal_lengths(cycle=self.cycle, address=self.address, data=self.data)

    def __len__(self) -> int:
        return len(self.cycle)

    def at(self, which: slice | NDArray[np.bool_]) -> StoreBatch:
        """Return some of the stores."""
        page = None if self.page is None else self.page[which]
        return StoreBatch(self.cycle[which], self.address[which], self.data[which], page)

    @classmethod
    def joined(cls, parts: Sequence[StoreBatch]) -> StoreBatch:
        """Concatenate parts, at least one."""
        has_pages = any(part.page is not None for part in parts)
        return cls(
            np.concatenate([part.cycle for part in parts]),
            np.concatenate([part.address for part in parts]),
            np.concatenate([part.data for part in parts]),
            np.concatenate([_page(part) for part in parts]) if has_pages else None,
        )

    @classmethod
    def of(cls, cycle: Iterable[int], address: Iterable[int], data: Iterable[int]) -> StoreBatch:
        """Make a batch of lists or other iterables.

        Raises:
            ValueError: a number does not fit its column, or the lengths differ.
        """
        given = {"cycle": cycle, "address": address, "data": data}
        columns = {}
        for name, values in given.items():
            listed = [int(value) for value in values]
            most = int(np.iinfo(_STORE_KINDS[name]).max)
            for value in listed:
                if not 0 <= value <= most:
                    raise ValueError(f"{name} is {value}; it must be 0 to {most}")
            columns[name] = np.array(listed, _STORE_KINDS[name])
        return cls(**columns)

    @classmethod
    def empty(cls) -> StoreBatch:
        """Make an empty batch."""
        return cls(np.empty(0, np.uint64), np.empty(0, np.uint16), np.empty(0, np.uint8))


def _page(part: StoreBatch) -> UInt16Column:
    return np.zeros(len(part), np.uint16) if part.page is None else part.page


@dataclass(frozen=True, slots=True, eq=False)
class PageChanges:
    """When banks of memory showed other pages, in order.

    Attributes:
        since: uint64[changes]; from this processor cycle on, or from this link edge.
        bank: uint8[changes]; index of the bank.
        page: uint16[changes].
    """

    since: UInt64Column
    bank: UInt8Column
    page: UInt16Column

    def __len__(self) -> int:
        return len(self.since)

    @classmethod
    def empty(cls) -> PageChanges:
        """Make an empty batch."""
        return cls(np.empty(0, np.uint64), np.empty(0, np.uint8), np.empty(0, np.uint16))

    @classmethod
    def joined(cls, parts: Sequence[PageChanges]) -> PageChanges:
        """Concatenate batches."""
        parts = [cls.empty(), *parts]
        return cls(
            np.concatenate([part.since for part in parts]),
            np.concatenate([part.bank for part in parts]),
            np.concatenate([part.page for part in parts]),
        )

    def in_order(self) -> PageChanges:
        """Return them sorted by time, and by bank."""
        return self.part(np.lexsort((self.bank, self.since)))

    def part(self, which: slice | NDArray[np.intp] | NDArray[np.bool_]) -> PageChanges:
        """Return some of them."""
        return PageChanges(self.since[which], self.bank[which], self.page[which])

    def pages_at(self, bank: int, moments: UInt64Column) -> Int64Column:
        """Return int64[moments]: the page that a bank showed at each; -1: not known."""
        mine = self.bank == bank
        page = np.append(-1, self.page[mine].astype(np.int64))
        return page[np.searchsorted(self.since[mine], moments, side="right")]


@dataclass(frozen=True, slots=True, eq=False)
class FrameBatch:
    """Frames on the link, in the order of their first edges; gaps between them are idle.

    Attributes:
        edge: uint64[frames]; link edge of the frame's first symbol.
        word: uint64[frames]; the frame's bits, the first on the wire highest of `frame_bits`.

    >>> import busplay
    >>> with busplay.TraceReader("fill.trace") as trace:
    ...     frames = next(trace.chunks())
    >>> frames.edge[:2], f"{frames.word[0]:X}"
    (array([5552, 5560], dtype=uint64), '800003005B')
    """

    edge: UInt64Column
    word: UInt64Column

    def __post_init__(self) -> None:
        _require_columns(_FRAME_KINDS, edge=self.edge, word=self.word)
        _require_equal_lengths(edge=self.edge, word=self.word)

    def __len__(self) -> int:
        return len(self.edge)

    def between(self, first: int, stop: int) -> FrameBatch:
        """Return the frames from FIRST to STOP; the batch itself if these are all."""
        if first == 0 and stop == len(self):
            return self
        return FrameBatch(self.edge[first:stop], self.word[first:stop])

    @classmethod
    def empty(cls) -> FrameBatch:
        """Make an empty batch."""
        return cls(np.empty(0, np.uint64), np.empty(0, np.uint64))

    @classmethod
    def joined(cls, parts: Sequence[FrameBatch]) -> FrameBatch:
        """Concatenate batches; a single one is returned as it is."""
        if len(parts) == 1:
            return parts[0]
        return cls(
            np.concatenate([np.empty(0, np.uint64), *(part.edge for part in parts)]),
            np.concatenate([np.empty(0, np.uint64), *(part.word for part in parts)]),
        )


# Columns of `DeliveredFrames.spans`.
SPAN_FIRST, SPAN_COUNT, SPAN_COPIES, SPAN_COLUMNS = range(4)
NO_SPANS = np.empty((0, SPAN_COLUMNS), np.int64)


@dataclass(frozen=True, slots=True, eq=False)
class DeliveredFrames:
    """Frames that a receiver delivered; those delivered as sent are not copied.

    Attributes:
        sent: the frames on the wire.
        copies: delivered frames that are not, or may not be, in `sent`.
        spans: int64[spans, 3]; the frames of `sent` that were delivered, in order: index of the
            first, count, and count of `copies` delivered before.
    """

    sent: FrameBatch
    copies: FrameBatch
    spans: NDArray[np.int64]

    @classmethod
    def copied(cls, frames: FrameBatch) -> DeliveredFrames:
        """Take delivered frames without the frames sent."""
        return cls(FrameBatch.empty(), frames, NO_SPANS)

    @classmethod
    def joined(cls, sent: FrameBatch, parts: Sequence[DeliveredFrames]) -> DeliveredFrames:
        """Concatenate the frames delivered of consecutive parts of `sent`."""
        if len(parts) == 1 and parts[0].sent is sent:
            return parts[0]
        spans = [NO_SPANS]
        before = 0
        for part in parts:
            if len(part.spans):
                first = part.spans[0, SPAN_FIRST]
                place = np.searchsorted(sent.edge, part.sent.edge[first])
                spans.append(np.add(part.spans, (place - first, 0, before)))
            before += len(part.copies)
        copies = FrameBatch.joined([part.copies for part in parts])
        return cls(sent, copies, np.concatenate(spans))

    @property
    def is_as_sent(self) -> bool:
        """Whether these are all that were sent, each at its edge with its word."""
        if len(self.copies):
            return False
        done = 0
        for first, count, _ in self.spans.tolist():
            if first != done:
                return False
            done += count
        return done == len(self.sent)

    def frames(self) -> FrameBatch:
        """Return all in one batch; not copied if there is one span, or only copies."""
        if self.is_as_sent:
            return self.sent
        if not len(self.spans):
            return self.copies
        first, count, before = self.spans.T
        if len(self.spans) == 1 and not len(self.copies):
            return self.sent.between(int(first[0]), int(first[0] + count[0]))
        stop = np.cumsum(count)
        which = np.repeat(first - stop + count, count) + np.arange(stop[-1])
        edge, word = self.sent.edge[which], self.sent.word[which]
        if len(self.copies):
            spans_before = np.searchsorted(before, np.arange(len(self.copies)), side="right")
            at = np.concatenate([[0], stop])[spans_before]
            edge = np.insert(edge, at, self.copies.edge)
            word = np.insert(word, at, self.copies.word)
        return FrameBatch(edge, word)


class FrameRoom:
    """Room for frames, reused once nothing refers to the frames in it.

    Fresh memory costs 7 ns a frame, in a pipeline that takes 5 ns for everything else. So a stage
    that makes batches over and over keeps a few blocks. A block's reference count says whether it
    is free, since each column made in it refers to it.

    Args:
        blocks: blocks to keep.
    """

    def __init__(self, blocks: int = 4) -> None:
        self._most = blocks
        self._blocks = [np.empty((2, 0), np.uint64)]
        self._alone = self._references(0)

    def _references(self, place: int) -> int:
        return sys.getrefcount(self._blocks[place])

    def take(self, count: int) -> tuple[UInt64Column, UInt64Column]:
        """Return room for the edges and for the words of COUNT frames."""
        for place in range(len(self._blocks)):
            if self._references(place) == self._alone:
                if self._blocks[place].shape[1] < count:
                    self._blocks[place] = np.empty((2, count), np.uint64)
                return self._blocks[place][0, :count], self._blocks[place][1, :count]
        block = np.empty((2, count), np.uint64)
        if len(self._blocks) < self._most:
            self._blocks.append(block)
        return block[0], block[1]


@dataclass(frozen=True, slots=True, eq=False)
class WireBatch:
    """A stretch of the wire: words in slots, symbols where something is not plain, else idle.

    The stretch covers the edges `first_edge` up to but not including `stop_edge`. An edge
    carries the symbol of the run that covers it; if there is none, the symbol of the word whose
    slot covers it; else the link's idle pattern, aligned to the slot grid. Slots and runs may
    begin before the stretch and end after it; the parts outside are ignored.

    Attributes:
        words: the slots that carry a word, at least a slot apart. A slot stands for the word's
            symbols, its strobe and the gap after it.
        run_edge: int64[runs]; first edge of each run of symbols, in order; runs do not overlap.
        run_first: int64[runs + 1]; index of each run's first symbol, which ends the run before.
        symbols: unsigned[symbols]; the runs' symbols, one an edge; the strobe, if the link has
            one, is the bit above the highest lane.
        first_edge: first edge of the stretch.
        stop_edge: edge after the last of the stretch.
    """

    words: FrameBatch
    run_edge: Int64Column
    run_first: Int64Column
    symbols: SymbolColumn
    first_edge: int
    stop_edge: int

    def __post_init__(self) -> None:
        runs, symbols = len(self.run_edge), len(self.symbols)
        if len(self.run_first) != runs + 1:
            raise ValueError(f"run_first has length {len(self.run_first)}, not {runs + 1}")
        if not 0 <= self.run_first[0] <= self.run_first[-1] <= symbols:
            first, stop = self.run_first[[0, -1]]
            raise ValueError(f"runs of symbols {first} to {stop}, of which there are {symbols}")

    @classmethod
    def of_words(cls, words: FrameBatch, *, first_edge: int, stop_edge: int) -> WireBatch:
        """Make a stretch on which every slot is a plain word or idle."""
        nothing = np.empty(0, np.int64)
        return cls(words, nothing, _FROM_0[:1], _NO_SYMBOLS, first_edge, stop_edge)

    @classmethod
    def of_symbols(cls, symbols: SymbolColumn, first_edge: int) -> WireBatch:
        """Make a stretch from all of its symbols, one an edge."""
        count = len(symbols)
        run_edge, run_first = np.array([first_edge]), np.array([0, count])
        return cls(FrameBatch.empty(), run_edge, run_first, symbols, first_edge, first_edge + count)

    def part(self, first_edge: int, stop_edge: int) -> WireBatch:
        """Return a part of the stretch, without a copy."""
        words, run_edge = self.words, self.run_edge
        # The slot and the run before may reach into the part.
        low = max(0, int(np.searchsorted(words.edge, np.uint64(first_edge))) - 1)
        high = int(np.searchsorted(words.edge, np.uint64(stop_edge)))
        begin = max(0, int(np.searchsorted(run_edge, first_edge)) - 1)
        end = max(begin, int(np.searchsorted(run_edge, stop_edge)))
        return WireBatch(
            FrameBatch(words.edge[low:high], words.word[low:high]),
            run_edge[begin:end],
            self.run_first[begin : end + 1],
            self.symbols,
            first_edge,
            stop_edge,
        )


_FROM_0 = np.zeros(1, np.int64)
_NO_SYMBOLS = np.empty(0, np.uint8)


@dataclass(frozen=True, slots=True, eq=False)
class ChangeBatch:
    """Levels of a capture's chosen signals after each change, in order of time.

    Row i is valid from `time_ps[i]` up to the next row. The first row of a capture is the state
    at its start; every later one differs from the row before it, so that idle wires cost
    nothing. Several changes at one time are one row.

    Attributes:
        time_ps: uint64[changes]; strictly rising, from batch to batch too.
        level: uint64[changes]; bit i is 1 if signal i of the capture is high.
        unknown: uint64[changes]; bit i is 1 if signal i is neither high nor low (x, z,
            not yet known); the same bit of `level` is 0 then.
    """

    time_ps: UInt64Column
    level: UInt64Column
    unknown: UInt64Column

    def __post_init__(self) -> None:
        _require_equal_lengths(time_ps=self.time_ps, level=self.level, unknown=self.unknown)

    def __len__(self) -> int:
        return len(self.time_ps)

    def __getitem__(self, rows: slice) -> ChangeBatch:
        """Return a slice of the rows, without a copy."""
        return ChangeBatch(self.time_ps[rows], self.level[rows], self.unknown[rows])

    @classmethod
    def empty(cls) -> ChangeBatch:
        """Make an empty batch."""
        return cls(np.empty(0, np.uint64), np.empty(0, np.uint64), np.empty(0, np.uint64))


@dataclass(frozen=True, slots=True)
class SignalInfo:
    """One variable or channel of a capture.

    Attributes:
        name: full name: scopes and name joined by dots, range in brackets if it has one.
        bits: count of wires; 0 if it is not a wire (a real number, a text).
        kind: the file's word for it, such as `wire`, `reg`, `real`, `channel`.
        changes: values recorded for it, the first included, as far as read.
    """

    name: str
    bits: int
    kind: str
    changes: int = 0


@dataclass(frozen=True, slots=True)
class CaptureInfo:
    """What is known of a capture; complete once its batches have been read to the end.

    Attributes:
        file: its name.
        format: `vcd`, `csv`, `sr` or `raw`.
        compression: `gzip`, `zstd`, or empty.
        signals: everything the file declares, in its order, chosen or not.
        start_ps: the file's first time; negative if the file counts from its trigger.
        stop_ps: the file's last time: the end of the record, not the last change.
        zero_ps: `ChangeBatch.time_ps` 0 in the file's own time, as `start_ps` and `stop_ps` are;
            0 unless the file has negative times.
        least_gap_ps: the shortest time between two rows; 0 if there are fewer.
        sample_rate_hz: the analyser's, if the file or the user states it.
        tick: the file's unit of time, as text, such as `1 ns` or `1/24 MHz`.
        written_by: the program that wrote the file, if it is stated.
        complete: whether it was read to its end, and the end was in order.
        cut_reason: why it is not complete, with line and column.
        notes: what was assumed, skipped or looks wrong.
    """

    file: str
    format: str
    compression: str = ""
    signals: tuple[SignalInfo, ...] = ()
    start_ps: int = 0
    stop_ps: int = 0
    zero_ps: int = 0
    least_gap_ps: int = 0
    sample_rate_hz: int | None = None
    tick: str = ""
    written_by: str = ""
    complete: bool = True
    cut_reason: str = ""
    notes: tuple[str, ...] = ()

    @property
    def duration_ps(self) -> int:
        """Time from start to stop."""
        return self.stop_ps - self.start_ps

    @property
    def changes(self) -> int:
        """Values recorded, of all signals, the first of each included."""
        return sum(signal.changes for signal in self.signals)
