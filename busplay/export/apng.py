"""Films as APNG: PNG with the chunks acTL, fcTL and fdAT.

Follows: PNG, third edition (W3C), 11.3.4, animation information.
Written with our own PNG code: delays are then exact fractions of a second, and each picture is in
the file before the next is drawn. All pictures share one palette, which grows as colours come up
and is written last; a film of more than 256 colours is written anew in true colour.
"""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from busplay.export.film_pictures import FilmPictures
from busplay.export.stills import Still, Stills
from busplay.png import (
    INDEXED_COLOUR,
    SIGNATURE,
    TRUE_COLOUR,
    compress_rows,
    header_chunk,
    png_chunk,
)
from busplay.whole_file import open_whole_file

COLOURS_MOST = 256
# Level 9 takes four times as long, for a film of moving stars that is a tenth smaller.
ZLIB_LEVEL = 6


class _TooManyColoursError(Exception):
    """A film has more colours than a palette holds."""


def write_apng(pictures: FilmPictures, target: Path) -> Stills:
    """Write a film as APNG, which begins anew at its end.

    Raises:
        OutputError: the file cannot be written.
    """
    try:
        return _write(pictures, target, palette={})
    except _TooManyColoursError:
        return _write(pictures, target, palette=None)


def _write(
    pictures: FilmPictures, target: Path, *, palette: dict[tuple[int, ...], int] | None
) -> Stills:
    """Write it with a palette, which is filled, or in true colour."""
    rate = pictures.rate_hz
    stills = Stills(pictures, ticks_per_s=rate, ticks_most=0xFFFF)
    kind = TRUE_COLOUR if palette is None else INDEXED_COLOUR
    with open_whole_file(target) as stream:
        stream.write(SIGNATURE)
        stream.write(header_chunk(pictures.width_px, pictures.height_px, bits=8, kind=kind))
        counted = stream.tell()
        stream.write(_counts(0, palette))
        sequence = 0
        for still in stills:
            rows = pictures.scaled(_pixels(still, palette))
            height, width = rows.shape[:2]
            control = struct.pack(
                ">IIIIIHHBB", sequence, width, height, still.left_px, still.top_px, still.ticks,
                rate, 0, 0,
            )  # fmt: skip
            stream.write(png_chunk(b"fcTL", control))
            data = compress_rows(rows.reshape(height, -1), level=ZLIB_LEVEL)
            if sequence == 0:
                stream.write(png_chunk(b"IDAT", data))
            else:
                stream.write(png_chunk(b"fdAT", struct.pack(">I", sequence + 1) + data))
            sequence += 1 if sequence == 0 else 2
        stream.write(png_chunk(b"IEND", b""))
        stream.seek(counted)
        stream.write(_counts(stills.count, palette))
    return stills


def _counts(count: int, palette: dict[tuple[int, ...], int] | None) -> bytes:
    """Return what is known only in the end: how many pictures, and the palette."""
    repeated = png_chunk(b"acTL", struct.pack(">II", count, 0))
    if palette is None:
        return repeated
    colours = np.zeros((COLOURS_MOST, 3), np.uint8)
    for colour, number in palette.items():
        colours[number] = colour
    return repeated + png_chunk(b"PLTE", colours.tobytes())


def _pixels(still: Still, palette: dict[tuple[int, ...], int] | None) -> NDArray[np.uint8]:
    """Return uint8[rows, columns, 3] colours, or uint8[rows, columns] of a palette that grows.

    Raises:
        _TooManyColoursError: the palette would have more than 256.
    """
    if palette is None:
        return still.picture.image()
    picture = still.picture.compact()
    places = [palette.setdefault(tuple(one), len(palette)) for one in picture.palette.tolist()]
    if len(palette) > COLOURS_MOST:
        raise _TooManyColoursError
    return np.array(places, np.uint8)[picture.indices]
