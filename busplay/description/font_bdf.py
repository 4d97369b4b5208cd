"""Read fonts in the Glyph Bitmap Distribution Format.

# Follows: Adobe Technical Note 5005, Glyph Bitmap Distribution Format Specification, version 2.2
# Read in: from memory; results are checked against Pillow's reader
# Departs: writing direction and scalable widths are ignored; a cell is FONTBOUNDINGBOX
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np

from busplay.description.board import GLYPHS, Font
from busplay.description.limits import LIMITS
from busplay.description.toml_reader import show_string
from busplay.errors import DescriptionError

SIDE_PX_MAX = 1024
PRINTABLE = range(0x20, 0x7F)
# Character sets whose encodings from 128 on are those of Unicode.
_UNICODE = ("ISO10646", "UNICODE")


class _Box(NamedTuple):
    """A rectangle of pixels: its size, and its lower left corner from the origin."""

    width: int
    height: int
    left: int
    bottom: int


class _Lines:
    """The lines of a file, with their numbers for messages."""

    def __init__(self, raw: bytes, file: str) -> None:
        self.file = file
        self._lines = raw.decode("latin-1").splitlines()
        self._next = 0

    def __iter__(self) -> Iterator[tuple[str, list[str]]]:
        """Return each line's keyword and the words behind it."""
        while self._next < len(self._lines):
            self._next += 1
            keyword, *words = self._lines[self._next - 1].split() or [""]
            yield keyword, words

    def error(self, found: str, wanted: str) -> DescriptionError:
        return DescriptionError(
            file=self.file, place=f"line {self._next:,}", found=found, wanted=wanted
        )

    def numbers(self, keyword: str, words: list[str], count: int) -> list[int]:
        """Return the numbers behind a keyword."""
        try:
            numbers = [int(one) for one in words[:count] if len(one) <= 8]
        except ValueError:
            numbers = []
        if len(numbers) < count:
            raise self.error(
                f"{keyword} {show_string(' '.join(words))}",
                f"it takes {count} whole numbers" if count > 1 else "it takes a whole number",
            )
        return numbers

    def box(self, keyword: str, words: list[str]) -> _Box:
        """Return the box behind a keyword."""
        box = _Box(*self.numbers(keyword, words, 4))
        if any(abs(one) > SIDE_PX_MAX for one in box):
            raise self.error(" ".join(map(str, box)), f"a font's boxes have up to {SIDE_PX_MAX}")
        return box


def read_bdf(raw: bytes, *, file: str) -> Font:
    """Read a font; its glyphs stand in a cell as wide and high as its bounding box.

    Raises:
        DescriptionError: it is damaged, wider than 8 pixels or too high, or lacks the glyph of a
            printable ASCII character.
    """
    lines = _Lines(raw, file)
    cell: _Box | None = None
    is_unicode = False
    glyphs: dict[int, bytes] = {}
    encoding, box = -1, None
    for keyword, words in lines:
        if keyword == "FONTBOUNDINGBOX":
            cell = _require_cell(lines, lines.box(keyword, words))
        elif keyword == "CHARSET_REGISTRY":
            is_unicode = " ".join(words).strip('"').upper().startswith(_UNICODE)
        elif keyword == "STARTCHAR":
            encoding, box = -1, cell
        elif keyword == "ENCODING":
            encoding = lines.numbers(keyword, words, 1)[0]
        elif keyword == "BBX":
            box = lines.box(keyword, words)
        elif keyword == "BITMAP":
            if cell is None or box is None:
                raise lines.error("BITMAP", "FONTBOUNDINGBOX comes before it")
            rows = _read_bitmap(lines, box, cell)
            code = _code(encoding, is_unicode=is_unicode)
            if code is not None:
                glyphs.setdefault(code, rows)
        elif keyword == "ENDFONT":
            break
    else:
        raise lines.error("the end of the file", "ENDFONT belongs there, so it is cut off")
    if cell is None:
        raise lines.error("no FONTBOUNDINGBOX", "it belongs before the glyphs")
    for code in PRINTABLE:
        if code not in glyphs:
            raise DescriptionError(
                file=file,
                found=f"no glyph for ${code:02X} ({chr(code)!r})",
                wanted="a font has the printable characters of ASCII, $20 to $7E",
            )
    empty = bytes(cell.height)
    rows_of = (glyphs.get(code, empty).hex() for code in range(GLYPHS))
    return Font(Path(file).name, cell.width, cell.height, tuple(rows_of))


def _require_cell(lines: _Lines, box: _Box) -> _Box:
    most_px = LIMITS[Font, "width_px"][1], LIMITS[Font, "height_px"][1]
    if not (1 <= box.width <= most_px[0] and 1 <= box.height <= most_px[1]):
        raise lines.error(
            f"cells of {box.width} x {box.height} pixels",
            f"give a font of up to {most_px[0]} x {most_px[1]}",
        )
    return box


def _code(encoding: int, *, is_unicode: bool) -> int | None:
    """Return the code of an encoding; None: it has none."""
    if is_unicode and encoding >= 0x80:
        try:
            return chr(encoding).encode("cp437")[0]
        except (UnicodeEncodeError, ValueError):
            return None
    return encoding if 0 <= encoding < GLYPHS else None


def _read_bitmap(lines: _Lines, box: _Box, cell: _Box) -> bytes:
    """Read a glyph's rows and place them in its cell; what stands out is cut off."""
    placed = np.zeros(cell.height, np.uint8)
    # Rows count from the top, boxes from the baseline.
    top = cell.bottom + cell.height - box.bottom - box.height
    left = box.left - cell.left
    for row, (keyword, _) in enumerate(lines):
        if keyword == "ENDCHAR":
            if row != box.height:
                raise lines.error(f"{row} rows", f"BBX says {box.height}")
            return placed.tobytes()
        try:
            bits = int(keyword, 16) << 24 >> 4 * len(keyword) if len(keyword) <= 6 else -1
        except ValueError:
            bits = -1
        if bits < 0:
            raise lines.error(show_string(keyword), "a row of a glyph is up to 6 hex digits")
        # The row's leftmost pixel is bit 23 now.
        bits &= (1 << 24) - (1 << max(0, 24 - box.width))
        bits = bits >> left if left >= 0 else bits << -left
        if 0 <= top + row < cell.height:
            mask = (1 << 24) - (1 << (24 - cell.width))
            placed[top + row] = (bits & mask & 0xFF_FFFF) >> 16
    raise lines.error("the end of the file", "ENDCHAR belongs there, so it is cut off")
