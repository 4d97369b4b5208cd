"""The columns that pass between stages: stores, symbols, frames, and changes of a capture.

A batch is a few NumPy columns of equal length; there is never an object for
one store or one frame. Batches do not change once they are made.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Int64Column: TypeAlias = NDArray[np.int64]
UInt64Column: TypeAlias = NDArray[np.uint64]
UInt16Column: TypeAlias = NDArray[np.uint16]
UInt8Column: TypeAlias = NDArray[np.uint8]
SymbolColumn: TypeAlias = NDArray[np.uint8] | NDArray[np.uint16] | NDArray[np.uint32]


def _require_columns(kinds: dict[str, type[np.unsignedinteger]], **columns: object) -> None:
    """Refuse columns of another kind, which a compiled loop would take for something else."""
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
    """Stores of the processor, in the order in which they happened.

    Attributes:
        cycle: uint64[stores]; the cycle in which the write itself falls, never falling.
        address: uint16[stores]; processor address.
        data: uint8[stores].

    >>> import busplay
    >>> stores = busplay.StoreBatch.of([100, 104], [0x4000, 0x4001], [1, 2])
    >>> stores.address
    array([16384, 16385], dtype=uint16)
    """

    cycle: UInt64Column
    address: UInt16Column
    data: UInt8Column

    def __post_init__(self) -> None:
        columns = {"cycle": self.cycle, "address": self.address, "data": self.data}
        _require_columns(_STORE_KINDS, **columns)
        _require_equal_lengths(cycle=self.cycle, address=self.address, data=self.data)

    def __len__(self) -> int:
        return len(self.cycle)

    @classmethod
    def of(cls, cycle: Iterable[int], address: Iterable[int], data: Iterable[int]) -> StoreBatch:
        """Make a batch of any numbers, such as lists.

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
        """Make a batch of no stores."""
        return cls(np.empty(0, np.uint64), np.empty(0, np.uint16), np.empty(0, np.uint8))


@dataclass(frozen=True, slots=True, eq=False)
class FrameBatch:
    """Frames on the link, in the order of their first edges; gaps between them are idle.

    Attributes:
        edge: uint64[frames]; link edge of the frame's first symbol.
        word: uint64[frames]; the frame's bits, first bit on the wire highest of `frame_bits`.

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

    @classmethod
    def empty(cls) -> FrameBatch:
        """Make a batch of no frames."""
        return cls(np.empty(0, np.uint64), np.empty(0, np.uint64))

    @classmethod
    def joined(cls, parts: Sequence[FrameBatch]) -> FrameBatch:
        """Join batches in their order; a single one is handed on as it is."""
        if len(parts) == 1:
            return parts[0]
        return cls(
            np.concatenate([np.empty(0, np.uint64), *(part.edge for part in parts)]),
            np.concatenate([np.empty(0, np.uint64), *(part.word for part in parts)]),
        )


@dataclass(frozen=True, slots=True, eq=False)
class SymbolBatch:
    """A stretch of the wire: the slots that carry frames, spelled out; the rest is idle.

    The stretch covers the edges `first_edge` up to but not including `stop_edge`. Slot i
    carries `symbols[i * slot_symbols : (i + 1) * slot_symbols]` from edge `edge[i]` on; every
    other edge of the stretch carries the link's idle pattern, aligned to the slot grid.

    Attributes:
        edge: uint64[slots], rising by at least `slot_symbols`.
        symbols: unsigned[slots * slot_symbols]; one symbol an edge; the strobe, where the
            link has one, is the bit above the highest lane.
        first_edge: first edge of the stretch.
        stop_edge: edge after the last of the stretch.
    """

    edge: UInt64Column
    symbols: SymbolColumn
    first_edge: int
    stop_edge: int

    def __len__(self) -> int:
        return len(self.edge)


@dataclass(frozen=True, slots=True, eq=False)
class ChangeBatch:
    """Levels of a capture's chosen signals after each change, in order of time.

    Row i holds from `time_ps[i]` up to the next row. The first row of a capture is the state
    at its start; every later one differs from the row before it, so that idle wires cost
    nothing. Several changes at one time are one row.

    Attributes:
        time_ps: uint64[changes]; strictly rising, over the cuts between batches too.
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
        """Take a stretch of the rows, without a copy."""
        return ChangeBatch(self.time_ps[rows], self.level[rows], self.unknown[rows])

    @classmethod
    def empty(cls) -> ChangeBatch:
        """Make a batch of no changes."""
        return cls(np.empty(0, np.uint64), np.empty(0, np.uint64), np.empty(0, np.uint64))


@dataclass(frozen=True, slots=True)
class SignalInfo:
    """One variable or channel of a capture.

    Attributes:
        name: full name: scopes and name with dots between, range in brackets if it has one.
        bits: how many wires it holds; 0 for what is no wire (a real number, a text).
        kind: what the file calls it, such as `wire`, `reg`, `real`, `channel`.
        changes: values that were recorded for it, the first included, so far as read.
    """

    name: str
    bits: int
    kind: str
    changes: int = 0


@dataclass(frozen=True, slots=True)
class CaptureInfo:
    """What is known of a capture; all of it only when its batches have been read to the end.

    Attributes:
        file: its name.
        format: `vcd`, `csv`, `sr` or `raw`.
        compression: `gzip`, `zstd`, or empty.
        signals: everything the file declares, in its order, chosen or not.
        start_ps: the file's first time; below 0 if the file counts from its trigger.
        stop_ps: the file's last time: where the record ends, which is not the last change.
        zero_ps: what `ChangeBatch.time_ps` 0 is in the file's own time. It is 0 but where the
            file has times below 0. `start_ps` and `stop_ps` are in the file's own time.
        least_gap_ps: the shortest time between two rows; 0 if there are fewer.
        sample_rate_hz: the analyser's, if the file tells or the user does.
        tick: the file's unit of time, as text, such as `1 ns` or `1/24 MHz`.
        written_by: what the file says of its maker.
        complete: it was read to its end, and the end was in order.
        cut_reason: why it is not, with line and column.
        notes: what the user should know: what was assumed, skipped or looks wrong.
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
        """From the first time to the last."""
        return self.stop_ps - self.start_ps

    @property
    def changes(self) -> int:
        """Values that were recorded, of all signals, the first of each included."""
        return sum(signal.changes for signal in self.signals)
