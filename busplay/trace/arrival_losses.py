"""Losses in a trace of what arrived: which frames sent are not in it, and why."""

from __future__ import annotations

import struct

import numpy as np

from busplay.batch import UInt8Column, UInt64Column
from busplay.trace.blocks import make_compressor, make_decompressor, pack_block, unpack_block
from busplay.trace.container import Where

_COUNT = struct.Struct("<I")
_ROW_BYTES = 9
LOSSES_MAX = 65_536
CAUSES = range(1, 6)


def pack_losses(edge: UInt64Column, cause: UInt8Column) -> bytes:
    """Pack the first losses, up to `LOSSES_MAX`.

    Args:
        edge: uint64[losses]; where the frame sent starts.
        cause: uint8[losses]; one of `CAUSES`, as the document numbers them.
    """
    edge, cause = edge[:LOSSES_MAX], cause[:LOSSES_MAX]
    rows = edge.astype("<u8").tobytes() + cause.astype(np.uint8).tobytes()
    head, stored = pack_block(make_compressor(), rows)
    return _COUNT.pack(len(edge)) + head + stored


def parse_losses(payload: memoryview, *, where: Where) -> tuple[UInt64Column, UInt8Column]:
    """Parse losses: edges and causes, as for `pack_losses`.

    Raises:
        InputError: it is not such a payload.
    """
    if len(payload) < _COUNT.size:
        raise where.error(f"{len(payload):,} bytes", f"losses begin with {_COUNT.size}")
    (count,) = _COUNT.unpack_from(payload)
    if not 1 <= count <= LOSSES_MAX:
        raise where.error(f"{count:,} losses", f"a chunk has 1 to {LOSSES_MAX:,}")
    rows, stop = unpack_block(
        make_decompressor(), payload, _COUNT.size, unpacked_bytes=_ROW_BYTES * count, where=where
    )
    if stop != len(payload):
        raise where.error(f"{len(payload) - stop:,} bytes after the losses", "none belong there")
    edge = np.frombuffer(rows, "<u8", count).astype(np.uint64)
    cause = np.frombuffer(rows, np.uint8, count, 8 * count)
    where.require_totals(edge=int(edge.max()))
    if int(cause.min()) not in CAUSES or int(cause.max()) not in CAUSES:
        raise where.error("an unknown cause", f"causes are {CAUSES[0]} to {CAUSES[-1]}")
    return edge, cause
