"""The columns that pass between stages: stores, symbols, frames.

A batch is a few NumPy columns of equal length; there is never an object for
one store or one frame. Batches do not change once they are made.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

UInt64Column: TypeAlias = NDArray[np.uint64]
UInt16Column: TypeAlias = NDArray[np.uint16]
UInt8Column: TypeAlias = NDArray[np.uint8]
SymbolColumn: TypeAlias = NDArray[np.uint8] | NDArray[np.uint16] | NDArray[np.uint32]


def _require_equal_lengths(**columns: NDArray[np.generic]) -> None:
    lengths = {name: len(column) for name, column in columns.items()}
    if len(set(lengths.values())) > 1:
        raise ValueError(f"columns of one batch differ in length: {lengths}")


@dataclass(frozen=True, slots=True, eq=False)
class StoreBatch:
    """Stores of the processor, in the order in which they happened.

    Attributes:
        cycle: uint64[stores]; the cycle in which the write itself falls, never falling.
        address: uint16[stores]; processor address.
        data: uint8[stores].
    """

    cycle: UInt64Column
    address: UInt16Column
    data: UInt8Column

    def __post_init__(self) -> None:
        _require_equal_lengths(cycle=self.cycle, address=self.address, data=self.data)

    def __len__(self) -> int:
        return len(self.cycle)

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
    """

    edge: UInt64Column
    word: UInt64Column

    def __post_init__(self) -> None:
        _require_equal_lengths(edge=self.edge, word=self.word)

    def __len__(self) -> int:
        return len(self.edge)

    @classmethod
    def empty(cls) -> FrameBatch:
        """Make a batch of no frames."""
        return cls(np.empty(0, np.uint64), np.empty(0, np.uint64))


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
