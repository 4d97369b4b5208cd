"""Pictures as PNG files, written with the standard library alone.

Follows: PNG (ISO/IEC 15948), colour types 2 and 3, no interlace, filter 0 on every row.
Filter 0: our pictures have few colours and flat areas, which deflate best unfiltered.
"""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from busplay.errors import OutputError
from busplay.whole_file import no_way_to_write, write_whole_file

SIGNATURE = b"\x89PNG\r\n\x1a\n"
TRUE_COLOUR = 2
INDEXED_COLOUR = 3
ZLIB_LEVEL = 9


def encode_png(
    image: NDArray[np.uint8], *, palette: NDArray[np.uint8] | None = None, software: str = ""
) -> bytes:
    """Encode a picture as a PNG file's bytes; the same picture gives the same bytes.

    Args:
        image: uint8[rows, columns, 3] colours, or uint8[rows, columns] palette indexes.
        palette: uint8[colours, 3], up to 256 colours, for indexes.
        software: what has made the picture, in ASCII, as its text `Software`; empty: no text.
    """
    height, width = image.shape[:2]
    if palette is None:
        if image.shape != (height, width, 3):
            raise ValueError(f"a picture without palette is [rows, columns, 3], not {image.shape}")
        bits, kind, extra = 8, TRUE_COLOUR, b""
        rows = image.reshape(height, width * 3)
    else:
        if image.shape != (height, width) or palette.shape != (len(palette), 3):
            raise ValueError(f"indexes {image.shape} and palette {palette.shape} do not match")
        if image.size and int(image.max()) >= len(palette):
            raise ValueError(f"index {int(image.max())} is not one of {len(palette)} colours")
        bits = _index_bits(len(palette))
        kind, extra = INDEXED_COLOUR, png_chunk(b"PLTE", palette.astype(np.uint8).tobytes())
        rows = _packed_rows(image, bits)
    head = header_chunk(width, height, bits=bits, kind=kind)
    if software:
        head += png_chunk(b"tEXt", b"Software\0" + software.encode("ascii"))
    data = png_chunk(b"IDAT", compress_rows(rows))
    return b"".join((SIGNATURE, head, extra, data, png_chunk(b"IEND", b"")))


def write_png(
    path: str | Path, image: NDArray[np.uint8], *, palette: NDArray[np.uint8] | None = None
) -> None:
    """Write a picture as a PNG file, replacing an existing one only by a complete one.

    Args:
        path: of the file.
        image, palette: as for `encode_png`.

    Raises:
        OutputError: the file cannot be written.
    """
    write_whole_file(Path(path), encode_png(image, palette=palette))


def write_numbered_png(folder: str | Path, stem: str, image: NDArray[np.uint8]) -> Path:
    """Write a picture as `STEM-001.png`, or with the first number that is free.

    Returns:
        The path written.

    Raises:
        OutputError: the file cannot be written.
    """
    number = 1
    while True:
        target = Path(folder) / f"{stem}-{number:03}.png"
        try:
            # Exclusive creation, so that two writers never share a name.
            with target.open("xb"):
                pass
        except FileExistsError:
            number += 1
            continue
        except OSError as error:
            raise no_way_to_write(target, error) from None
        try:
            write_png(target, image)
        except OutputError:
            target.unlink(missing_ok=True)
            raise
        return target


def header_chunk(width_px: int, height_px: int, *, bits: int, kind: int) -> bytes:
    """Return the chunk IHDR of a picture without interlace; `kind` is its colour type."""
    return png_chunk(b"IHDR", struct.pack(">IIBBBBB", width_px, height_px, bits, kind, 0, 0, 0))


def compress_rows(rows: NDArray[np.uint8], *, level: int = ZLIB_LEVEL) -> bytes:
    """Return packed rows, uint8[rows, bytes], as a PNG's compressed data."""
    filtered = np.zeros((rows.shape[0], rows.shape[1] + 1), np.uint8)
    filtered[:, 1:] = rows
    return zlib.compress(filtered.tobytes(), level)


def png_chunk(kind: bytes, data: bytes) -> bytes:
    """Return a chunk with its length and checksum."""
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def _index_bits(colours: int) -> int:
    return next(bits for bits in (1, 2, 4, 8) if colours <= 1 << bits)


def _packed_rows(indexes: NDArray[np.uint8], bits: int) -> NDArray[np.uint8]:
    """Pack indexes to rows of bytes, the leftmost in the highest bits."""
    height, width = indexes.shape
    per_byte = 8 // bits
    padded = np.zeros((height, -(-width // per_byte) * per_byte), np.uint8)
    padded[:, :width] = indexes
    packed = np.zeros((height, padded.shape[1] // per_byte), np.uint8)
    for i in range(per_byte):
        packed |= padded[:, i::per_byte] << np.uint8(8 - bits * (i + 1))
    return packed
