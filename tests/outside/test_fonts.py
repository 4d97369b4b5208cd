"""Our reader of BDF against Pillow's."""

from __future__ import annotations

from io import BytesIO

import numpy as np
import pytest
from hypothesis import given
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
