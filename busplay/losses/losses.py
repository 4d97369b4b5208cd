"""The stores and frames that were not received intact, up to a limit."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from busplay.batch import UInt16Column, UInt64Column

# A list for people to read; the counts have no limit.
LOSSES_MAX = 10_000
NO_CYCLE = (1 << 64) - 1


class Cause(IntEnum):
    """Where a store was lost, or that it was received damaged."""

    SENDER_FIFO = 0
    WIRE = 1
    OUT_OF_SYNC = 2
    RECEIVER_FIFO = 3
    DEADLINE = 4
    DAMAGED = 5


CAUSE_WORDS = {
    Cause.SENDER_FIFO: "sender FIFO full",
    Cause.WIRE: "lost on the wire",
    Cause.OUT_OF_SYNC: "receiver out of sync",
    Cause.RECEIVER_FIFO: "receiver FIFO full",
    Cause.DEADLINE: "after its deadline",
    Cause.DAMAGED: "received damaged",
}


@dataclass(frozen=True, slots=True, eq=False)
class Losses:
    """Columns of stores that were not received intact, in the order in which they were settled.

    Attributes:
        cause: uint8[losses]; a `Cause`.
        edge: uint64[losses]; link edge of the frame's start, or at which the FIFO was full.
        cycle: uint64[losses]; of the store; `NO_CYCLE` if only the frame is known.
        address: uint16[losses]; of the store, or 0 with `NO_CYCLE`.
        word: uint64[losses]; the frame sent; for a store lost at the sender its frame with
            sequence number 0.
        busy: uint8[losses]; what held up the receiver (see `Busy`), for losses at the receiver.
    """

    cause: NDArray[np.uint8]
    edge: UInt64Column
    cycle: UInt64Column
    address: UInt16Column
    word: UInt64Column
    busy: NDArray[np.uint8]

    def __len__(self) -> int:
        return len(self.cause)

    @classmethod
    def empty(cls) -> Losses:
        """Make empty columns."""
        none64, none8 = np.empty(0, np.uint64), np.empty(0, np.uint8)
        return cls(none8, none64, none64, np.empty(0, np.uint16), none64, none8)

    @classmethod
    def joined(cls, parts: list[Losses]) -> Losses:
        """Concatenate columns."""
        parts = parts or [cls.empty()]
        return cls(
            np.concatenate([part.cause for part in parts]),
            np.concatenate([part.edge for part in parts]),
            np.concatenate([part.cycle for part in parts]),
            np.concatenate([part.address for part in parts]),
            np.concatenate([part.word for part in parts]),
            np.concatenate([part.busy for part in parts]),
        )

    def first(self, count: int) -> Losses:
        """Return the first COUNT losses."""
        return self._part(slice(count))

    def after(self, count: int) -> Losses:
        """Return the losses after the first COUNT."""
        return self._part(slice(count, None))

    def _part(self, part: slice) -> Losses:
        return Losses(
            self.cause[part],
            self.edge[part],
            self.cycle[part],
            self.address[part],
            self.word[part],
            self.busy[part],
        )
