"""Our reader of BDF against Pillow's."""

from __future__ import annotations

from io import BytesIO

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import BdfFontFile

from busplay.description.font_bdf import read_bdf
from tests.description.test_fonts import bdf_of, pixels
from tests.display.cases import fonts


@pytest.mark.source("Pillow", part="BdfFontFile: glyphs and their boxes", kind="library")
@given(fonts())
def test_bdf_is_read_as_pillow_reads_it(font) -> None:
    content = bdf_of(font).encode()
    ours = read_bdf(content, file="x.bdf")
    theirs = BdfFontFile.BdfFontFile(BytesIO(content))
    for code in range(256):
        glyph = theirs.glyph[code]
        assert glyph is not None
        # Size and place of the glyph from the origin, rows downwards.
        _, (left, top, right, bottom), _, picture = glyph
        cell = np.zeros((font.height_px, font.width_px), bool)
        first = font.height_px - 2 + top
        cell[first : first + bottom - top, left:right] = np.asarray(picture.convert("L")) > 0
        assert (cell == pixels(ours, code)).all()


@st.composite
def placed_fonts(draw: st.DrawFn) -> tuple[str, tuple[int, int, int, int]]:
    """Draw a font as BDF, its glyphs in boxes anywhere about the cell; and the cell's box."""
    cell = draw(
        st.tuples(st.integers(1, 8), st.integers(1, 32), st.integers(-4, 4), st.integers(-9, 4))
    )
    lines = ["STARTFONT 2.1", f"FONTBOUNDINGBOX {' '.join(map(str, cell))}"]
    # Pillow looks for properties.
    lines += ["STARTPROPERTIES 1", "FONT_ASCENT 7", "ENDPROPERTIES", "CHARS 95"]
    sides = st.tuples(st.integers(1, 16), st.integers(1, 12))
    corners = st.tuples(st.integers(-6, 9), st.integers(-12, 9))
    boxes = draw(st.lists(st.tuples(sides, corners), min_size=1, max_size=12))
    random = np.random.default_rng(draw(st.integers(0, 1 << 32)))
    for code in range(0x20, 0x7F):
        (width, height), (left, bottom) = boxes[code % len(boxes)]
        rows = np.packbits(random.integers(0, 2, (height, width), np.uint8), axis=1)
        lines += [
            f"STARTCHAR c{code}",
            f"ENCODING {code}",
            f"DWIDTH {cell[0]} 0",
            f"BBX {width} {height} {left} {bottom}",
            "BITMAP",
            *(row.tobytes().hex().upper() for row in rows),
            "ENDCHAR",
        ]
    return "\n".join([*lines, "ENDFONT", ""]), cell


@pytest.mark.source("Pillow", part="BdfFontFile: boxes about the origin", kind="library")
@given(placed_fonts())
def test_glyphs_stand_in_the_cell_where_pillow_places_them(drawn) -> None:
    text, (width, height, left, bottom) = drawn
    ours = read_bdf(text.encode(), file="x.bdf")
    theirs = BdfFontFile.BdfFontFile(BytesIO(text.encode()))
    for code in range(0x20, 0x7F):
        glyph = theirs.glyph[code]
        assert glyph is not None
        _, (first_x, first_y, _, _), _, picture = glyph
        # Of a page wide enough for all, the cell: x from its left edge, y downwards from its top.
        page = np.zeros((96, 64), bool)
        x, y = 32 + first_x - left, 48 + first_y + bottom + height
        page[y : y + picture.height, x : x + picture.width] = np.asarray(picture.convert("L")) > 0
        cell = page[48 : 48 + height, 32 : 32 + width]
        assert (cell == pixels(ours, code)).all()
