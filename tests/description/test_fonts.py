"""Fonts: shipped ones, BDF, pictures, raw rows, and what is refused."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from busplay.description.board import Font
from busplay.description.font_bdf import read_bdf
from busplay.description.read_font import SHIPPED_FONTS, read_font, shipped_font
from busplay.errors import DescriptionError

PRINTABLE = range(0x21, 0x7F)
LINES = range(0xB3, 0xDB)


def pixels(font: Font, code: int) -> np.ndarray:
    rows = np.frombuffer(bytes.fromhex(font.glyphs[code]), np.uint8)
    return np.unpackbits(rows[:, None], axis=1)[:, : font.width_px].astype(bool)


def bdf_of(
    font: Font, *, encodings: dict[int, int] | None = None, registry: str = "ISO8859"
) -> str:
    """A font as BDF text, each glyph in the least box."""
    lines = [
        "STARTFONT 2.1",
        f"FONTBOUNDINGBOX {font.width_px} {font.height_px} 0 -2",
        "STARTPROPERTIES 1",
        f'CHARSET_REGISTRY "{registry}"',
        "ENDPROPERTIES",
        "CHARS 256",
    ]
    for code in range(256):
        lit = pixels(font, code)
        rows, columns = np.flatnonzero(lit.any(1)), np.flatnonzero(lit.any(0))
        if not len(rows):
            rows, columns = np.array([0]), np.array([0])
        top, left = int(rows[0]), int(columns[0])
        box = lit[top : rows[-1] + 1, left : columns[-1] + 1]
        bottom = font.height_px - 2 - int(rows[-1]) - 1
        lines += [
            f"STARTCHAR c{code}",
            f"ENCODING {(encodings or {}).get(code, code)}",
            f"BBX {box.shape[1]} {box.shape[0]} {left} {bottom}",
            f"DWIDTH {font.width_px} 0",
            "BITMAP",
            *(f"{one[0]:02X}" for one in np.packbits(box, axis=1)),
            "ENDCHAR",
        ]
    return "\n".join([*lines, "ENDFONT", ""])


@pytest.mark.parametrize("name", SHIPPED_FONTS)
def test_shipped_font_has_ascii_and_no_two_characters_look_alike(name: str) -> None:
    font = shipped_font(name)
    assert (font.width_px, font.height_px) == tuple(map(int, name.split("_")[1].split("x")))
    shapes = [font.glyphs[code] for code in (*PRINTABLE, *LINES)]
    assert len(set(shapes)) == len(shapes)
    assert not pixels(font, 0x20).any()
    assert all(pixels(font, code).any() for code in PRINTABLE)


@pytest.mark.parametrize("name", SHIPPED_FONTS)
def test_lines_of_frames_meet_those_of_their_neighbours(name: str) -> None:
    font = shipped_font(name)

    def arms(code: int, side: str) -> str:
        """Where a glyph touches a side of its cell."""
        glyph = pixels(font, code)
        edge = {"left": glyph[:, 0], "right": glyph[:, -1], "up": glyph[0], "down": glyph[-1]}[side]
        return edge.astype(int).tolist().__str__()

    names = {code: _name(code) for code in LINES}
    for side, other in (("left", "right"), ("up", "down")):
        for weight in ("LIGHT", "DOUBLE"):
            touching = {
                arms(code, one)
                for one in (side, other)
                for code, arms_of in names.items()
                if arms_of.get(one) == weight
            }
            assert len(touching) == 1, (side, weight)
            assert "1" in touching.pop()
        for code, arms_of in names.items():
            for one in (side, other):
                assert ("1" in arms(code, one)) == (one in arms_of), (hex(code), one)


def _name(code: int) -> dict[str, str]:
    """The arms of a line by the name of its Unicode character: side to weight."""
    import unicodedata

    words = unicodedata.name(bytes([code]).decode("cp437")).split()[2:]
    sides = {
        "UP": ("up",),
        "DOWN": ("down",),
        "LEFT": ("left",),
        "RIGHT": ("right",),
        "VERTICAL": ("up", "down"),
        "HORIZONTAL": ("left", "right"),
    }
    found = {}
    if words[0] in ("LIGHT", "DOUBLE"):
        for word in words[1:]:
            found.update(dict.fromkeys(sides.get(word, ()), words[0]))
        return found
    for word, following in pairwise(words):
        weight = "DOUBLE" if following == "DOUBLE" else "LIGHT"
        found.update(dict.fromkeys(sides.get(word, ()), weight))
    return found


@pytest.mark.parametrize("name", SHIPPED_FONTS)
def test_font_is_the_same_from_bdf_picture_and_raw_rows(name: str, tmp_path: Path) -> None:
    font = shipped_font(name)
    (tmp_path / "font.bdf").write_text(bdf_of(font), encoding="ascii")
    (tmp_path / "font.bin").write_bytes(font.rows)
    sheet = np.vstack(
        [np.hstack([pixels(font, 16 * row + i) for i in range(16)]) for row in range(16)]
    )
    Image.fromarray((sheet * 255).astype(np.uint8)).save(tmp_path / "font.png")
    for suffix in ("bdf", "bin", "png"):
        read = read_font(tmp_path / f"font.{suffix}")
        assert read.name == f"font.{suffix}"
        assert (read.width_px, read.height_px, read.glyphs) == (8, font.height_px, font.glyphs)


def test_bdf_with_unicode_encodings_takes_the_codes_of_code_page_437() -> None:
    font = shipped_font("plain_8x8")
    unicode = {code: ord(bytes([code]).decode("cp437")) for code in range(256)}
    text = bdf_of(font, encodings=unicode, registry="ISO10646")
    assert read_bdf(text.encode(), file="x.bdf").glyphs[0x80:] == font.glyphs[0x80:]


BDF = bdf_of(shipped_font("plain_8x8"))


def test_picture_without_ink_is_refused(tmp_path: Path) -> None:
    """As of black glyphs on a transparent ground."""
    path = tmp_path / "font.png"
    Image.new("LA", (128, 128)).save(path)
    with pytest.raises(DescriptionError) as caught:
        read_font(path)
    assert str(caught.value) == (
        f"{path}: found no pixel lighter than the middle of black and white; such pixels are ink,"
        " so draw the glyphs white on black"
    )


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "found 0 bytes; a font is a BDF file, a PNG picture, or raw rows: 256 bytes for each"
         " row of a cell, 256 to 8,192"),
        (bytes(1000), "found 1,000 bytes; a font is a BDF file, a PNG picture, or raw rows: 256"
         " bytes for each row of a cell, 256 to 8,192"),
        (b"\x89PNG\r\n\x1a\nsea", "found a damaged PNG file; save the picture again"),
        (BDF.replace("ENCODING 65\n", "ENCODING -1\n").encode(),
         "found no glyph for $41 ('A'); a font has the printable characters of ASCII, $20 to $7E"),
        (BDF.replace("BOX 8 8", "BOX 9 8").encode(),
         "line 2: found cells of 9 x 8 pixels; give a font of up to 8 x 32"),
        (BDF.replace("BOX 8 8 0 -2", "BOX 8 8").encode(),
         'line 2: found FONTBOUNDINGBOX "8 8"; it takes 4 whole numbers'),
        (BDF.replace("BOX 8 8", "BOX 8 9999").encode(),
         "line 2: found 8 9999 0 -2; a font's boxes have up to 1024"),
        (BDF[: BDF.index('ENDCHAR')].encode(), "line 12: found the end of the file; ENDCHAR belongs"
         " there, so it is cut off"),
        (BDF.replace("ENDFONT", "").encode(),
         f"line {BDF.count(chr(10)):,}: found the end of the file; ENDFONT belongs there, so it is"
         " cut off"),
        (BDF.replace("BITMAP\n00", "BITMAP\nsea", 1).encode(),
         'line 12: found "sea"; a row of a glyph is up to 6 hex digits'),
        (BDF.replace("BITMAP\n00", "BITMAP\n00\n00", 1).encode(),
         "line 14: found 2 rows; BBX says 1"),
    ],
)  # fmt: skip
def test_other_files_are_refused(content: bytes, message: str, tmp_path: Path) -> None:
    path = tmp_path / "font"
    path.write_bytes(content)
    with pytest.raises(DescriptionError) as caught:
        read_font(path)
    assert str(caught.value) == f"{path}: {message}"


def test_picture_of_another_size_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "font.png"
    Image.new("L", (100, 128)).save(path)
    with pytest.raises(DescriptionError) as caught:
        read_font(path)
    assert str(caught.value) == (
        f"{path}: found 100 x 128 pixels; a picture of a font has 16 x 16 cells of up to 8 x 32"
        " pixels, such as 128 x 256"
    )
