"""Blocks, the smallest part of a payload: bytes, compressed if that helps.

A block is a coding (0 raw, 1 Zstandard), the stored length, and the stored bytes. Its unpacked
length is always known from elsewhere; a block that states another is refused before it is
unpacked.
"""

from __future__ import annotations

import struct

import zstandard

from busplay.trace.container import Where

BLOCK_HEAD = struct.Struct("<BI")
RAW = 0
ZSTANDARD = 1
# Level 3 made the demo programs' traces 4 to 44 percent smaller at nearly the same speed, but
# libzstd 1.5.7 writes other bytes at level 3 than 1.5.5 and 1.5.6 do. At level 1 the three write
# the same bytes, as the same recording must.
LEVEL = 1
# Window that libzstd may use to unpack; a plane is 64 KiB.
WINDOW_BYTES_MAX = 1 << 23


def make_compressor() -> zstandard.ZstdCompressor:
    """Make a compressor for blocks: content size stored, no checksum."""
    return zstandard.ZstdCompressor(level=LEVEL, write_checksum=False, write_content_size=True)


def make_decompressor() -> zstandard.ZstdDecompressor:
    """Make a decompressor with a bounded window."""
    return zstandard.ZstdDecompressor(max_window_size=WINDOW_BYTES_MAX)


def pack_block(
    compressor: zstandard.ZstdCompressor, unpacked: bytes | memoryview
) -> tuple[bytes, bytes]:
    """Pack one block: head and stored bytes."""
    stored = compressor.compress(unpacked)
    if len(stored) < len(unpacked):
        return BLOCK_HEAD.pack(ZSTANDARD, len(stored)), stored
    return BLOCK_HEAD.pack(RAW, len(unpacked)), bytes(unpacked)


def unpack_block(
    decompressor: zstandard.ZstdDecompressor,
    data: memoryview,
    offset: int,
    *,
    unpacked_bytes: int,
    where: Where,
) -> tuple[bytes | memoryview, int]:
    """Unpack the block that begins at an offset.

    Returns:
        Its bytes, `unpacked_bytes` of them, and the offset after it.

    Raises:
        InputError: no such block begins there.
    """
    if len(data) - offset < BLOCK_HEAD.size:
        raise where.error(f"{len(data) - offset} bytes", f"a block's head has {BLOCK_HEAD.size}")
    coding, stored_bytes = BLOCK_HEAD.unpack_from(data, offset)
    offset += BLOCK_HEAD.size
    if stored_bytes > len(data) - offset:
        raise where.error(
            f"a block of {stored_bytes:,} bytes", f"{len(data) - offset:,} bytes are left"
        )
    stored = data[offset : offset + stored_bytes]
    if coding == RAW:
        if stored_bytes != unpacked_bytes:
            raise where.error(f"{stored_bytes:,} bytes in a block", f"it holds {unpacked_bytes:,}")
        return stored, offset + stored_bytes
    if coding != ZSTANDARD:
        raise where.error(f"coding {coding}", "0 (raw) or 1 (Zstandard) belongs here")
    try:
        size = zstandard.frame_content_size(stored)
        if size != unpacked_bytes:
            raise where.error(
                f"a block of {size:,} bytes" if size >= 0 else "a block of unknown size",
                f"it holds {unpacked_bytes:,}",
            )
        unpacked = decompressor.decompress(stored, allow_extra_data=False)
    except zstandard.ZstdError as error:
        raise where.error("a block that is no Zstandard frame", str(error)) from None
    if len(unpacked) != unpacked_bytes:
        raise where.error(f"{len(unpacked):,} bytes in a block", f"it holds {unpacked_bytes:,}")
    return unpacked, offset + stored_bytes
