"""The payload of a frame chunk: totals so far, then the frames as columns."""

from __future__ import annotations

import struct
from dataclasses import dataclass

from busplay.batch import FrameBatch
from busplay.trace.columns import CHUNK_FRAMES
from busplay.trace.container import Where

TOTALS = struct.Struct("<I5Q")


@dataclass(frozen=True, slots=True)
class Totals:
    """Totals up to the end of a frame chunk.

    Attributes:
        count: frames in the chunk.
        frames: frames up to the end of the chunk.
        stores: stores offered to the link so far, lost ones included.
        cycles: processor cycles by `stop_edge`; 0 without a processor.
        first_edge: stop edge of the frame chunk before.
        stop_edge: every frame that starts before it is in this chunk or an earlier one.
    """

    count: int
    frames: int
    stores: int
    cycles: int
    first_edge: int
    stop_edge: int

    def pack(self) -> bytes:
        """Pack them as the head of the payload."""
        return TOTALS.pack(
            self.count, self.frames, self.stores, self.cycles, self.first_edge, self.stop_edge
        )


@dataclass(frozen=True, slots=True)
class FrameChunk:
    """A frame chunk: its totals and its frames."""

    totals: Totals
    frames: FrameBatch


def parse_totals(payload: memoryview, *, where: Where) -> tuple[Totals, memoryview]:
    """Parse the head of a frame chunk.

    Returns:
        The totals, and the columns after them.

    Raises:
        InputError: it is not such a payload.
    """
    if len(payload) < TOTALS.size:
        raise where.error(f"{len(payload)} bytes", f"a frame chunk begins with {TOTALS.size}")
    totals = Totals(*TOTALS.unpack_from(payload))
    if not 1 <= totals.count <= CHUNK_FRAMES:
        raise where.error(f"{totals.count:,} frames", f"a chunk has 1 to {CHUNK_FRAMES:,}")
    where.require_totals(
        frames=totals.frames,
        stores=totals.stores,
        cycles=totals.cycles,
        stop_edge=totals.stop_edge,
    )
    if totals.frames < totals.count:
        raise where.error(
            f"{totals.frames:,} frames in all", f"this chunk alone has {totals.count:,}"
        )
    if totals.stop_edge < totals.first_edge:
        raise where.error(
            f"stop edge {totals.stop_edge:,}", f"it is {totals.first_edge:,} or later"
        )
    return totals, payload[TOTALS.size :]
