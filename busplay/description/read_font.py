"""Read fonts: shipped ones by name, and people's own from BDF, a picture, or raw rows.

A font has 256 glyphs. Where it says what characters its glyphs are (BDF), those from 128 on take
the codes of IBM code page 437, which has lines and blocks for frames; so do the shipped fonts.
"""

from __future__ import annotations

from functools import cache
from io import BytesIO
from pathlib import Path

import numpy as np

from busplay.description.board import GLYPHS, Font
from busplay.description.font_bdf import read_bdf
from busplay.description.limits import LIMITS
from busplay.description.shipped_files import SHIPPED_FOLDER
from busplay.description.toml_reader import read_described_bytes
from busplay.errors import DescriptionError

SHIPPED_FONTS = ("plain_8x8", "plain_8x16")
FONT_BYTES_MAX = 1 << 24
# Cells of a picture of a font, across and down.
SHEET_SIDE = 16
_PNG_MAGIC = b"\x89PNG\r\n\x1a\n"
_ROWS_MAX = LIMITS[Font, "height_px"][1]


@cache
def shipped_font(name: str) -> Font:
    """Return a shipped font.

    Its file is a sheet as text, one band of sixteen glyphs for each high digit of the codes, each
    band headed by that digit; glyphs in other bands are empty.
    """
    text = (SHIPPED_FOLDER / f"{name}.txt").read_text(encoding="ascii")
    height_px = int(name.rpartition("x")[2])
    rows = np.zeros((GLYPHS, height_px), np.uint8)
    for band in text.split("\n\n")[1:]:
        head, *lines = band.splitlines()
        for row, line in enumerate(lines):
            bits = np.array([one == "#" for one in line], np.uint8)
            first = 16 * int(head, 16)
            rows[first : first + 16, row] = np.packbits(bits)
    return _font(name, 8, rows)


def _font(name: str, width_px: int, rows: np.ndarray[tuple[int, int], np.dtype[np.uint8]]) -> Font:
    """Make a font from uint8[256, height_px]."""
    return Font(name, width_px, rows.shape[1], tuple(one.tobytes().hex() for one in rows))


def read_font(path: Path) -> Font:
    """Read a font from a file, whose form its bytes tell.

    BDF; a PNG picture of 16 by 16 cells, the code's high digit downwards, ink lighter than the
    middle of black and white; or raw rows of 256 glyphs, a byte a row.

    Raises:
        NoSuchFileError: it is missing.
        DescriptionError: it is none of these, or lacks the glyph of a printable ASCII character.
    """
    file = str(path)
    raw = read_described_bytes(path, file=file, bytes_max=FONT_BYTES_MAX)
    if raw.startswith(b"STARTFONT"):
        return read_bdf(raw, file=file)
    if raw.startswith(_PNG_MAGIC):
        return _read_png(raw, path)
    if raw and len(raw) % GLYPHS == 0 and len(raw) // GLYPHS <= _ROWS_MAX:
        return _font(path.name, 8, np.frombuffer(raw, np.uint8).reshape(GLYPHS, -1))
    raise DescriptionError(
        file=file,
        found=f"{len(raw):,} bytes",
        wanted=f"a font is a BDF file, a PNG picture, or raw rows: {GLYPHS} bytes for each row of a"
        f" cell, {GLYPHS} to {GLYPHS * _ROWS_MAX:,}",
    )


def _read_png(raw: bytes, path: Path) -> Font:
    try:
        from PIL import Image, UnidentifiedImageError
    except ImportError:
        raise DescriptionError(
            file=str(path),
            found="no Pillow, which reads PNG pictures",
            wanted="give the font as BDF or raw rows, or install it with: "
            "pip install 'busplay[film]'",
        ) from None
    try:
        with Image.open(BytesIO(raw), formats=["PNG"]) as picture:
            width_px, height_px = (side // SHEET_SIDE for side in picture.size)
            sides = f"{picture.width} x {picture.height} pixels"
            is_sheet = picture.width % SHEET_SIDE == picture.height % SHEET_SIDE == 0
            if not (is_sheet and 1 <= width_px <= 8 and 1 <= height_px <= _ROWS_MAX):
                raise DescriptionError(
                    file=str(path),
                    found=sides,
                    wanted="a picture of a font has 16 x 16 cells of up to 8 x"
                    f" {_ROWS_MAX} pixels, such as 128 x 256",
                )
            levels = np.asarray(picture.convert("L"))
    except (OSError, SyntaxError, ValueError, Image.DecompressionBombError, UnidentifiedImageError):
        raise DescriptionError(
            file=str(path), found="a damaged PNG file", wanted="save the picture again"
        ) from None
    cells = levels.reshape(SHEET_SIDE, height_px, SHEET_SIDE, width_px).transpose(0, 2, 1, 3)
    ink = cells.reshape(GLYPHS, height_px, width_px) > 127
    if not ink.any():
        raise DescriptionError(
            file=str(path),
            found="no pixel lighter than the middle of black and white",
            wanted="such pixels are ink, so draw the glyphs white on black",
        )
    return _font(path.name, width_px, np.packbits(ink, axis=2).reshape(GLYPHS, height_px))
