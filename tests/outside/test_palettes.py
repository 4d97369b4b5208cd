"""Palettes against published ones."""

from __future__ import annotations

from fractions import Fraction

import pytest
from PIL import Image, ImageColor

from busplay.description.palettes import GRAYS, HTML16, HTML16_NAMES, RGB332


@pytest.mark.source("HTML 4.01", part="6.5, the sixteen colour names and values", kind="standard")
def test_html16_has_the_specifications_names_values_and_order() -> None:
    # The section's table has two columns of eight; ours goes down the left, then the right.
    left = (
        "black 000000 silver C0C0C0 gray 808080 white FFFFFF "
        "maroon 800000 red FF0000 purple 800080 fuchsia FF00FF"
    )
    right = (
        "green 008000 lime 00FF00 olive 808000 yellow FFFF00 "
        "navy 000080 blue 0000FF teal 008080 aqua 00FFFF"
    )
    words = f"{left} {right}".split()
    published = {
        name: tuple(bytes.fromhex(digits))
        for name, digits in zip(words[::2], words[1::2], strict=True)
    }
    assert list(HTML16_NAMES.items()) == list(published.items())
    assert tuple(published.values()) == HTML16


@pytest.mark.source("Pillow", part="ImageColor, HTML colour names", kind="library")
@pytest.mark.parametrize("name", HTML16_NAMES)
def test_html16_equals_pillows_colour_of_that_name(name: str) -> None:
    assert HTML16_NAMES[name] == ImageColor.getrgb(name)


@pytest.mark.source("common practice, no source", part="RGB332: RRRGGGBB in a byte")
@pytest.mark.source("computed", part="round(value * 255 / (2^bits - 1))", kind="computed")
def test_rgb332_is_the_nearest_colour_of_eight_bits() -> None:
    # Repeating bits and rounding the exact ratio agree for 2 and 3 bits.
    def nearest(value: int, bits: int) -> int:
        return round(Fraction(value * 255, 2**bits - 1))

    assert len(RGB332) == 256
    for index, colour in enumerate(RGB332):
        red, green, blue = index // 32, index // 4 % 8, index % 4
        assert colour == (nearest(red, 3), nearest(green, 3), nearest(blue, 2))


@pytest.mark.source("common practice, no source", part="RGB332: well-known bytes")
@pytest.mark.parametrize(
    ("byte", "colour"),
    [
        (0x00, (0, 0, 0)),
        (0xE0, (255, 0, 0)),
        (0x1C, (0, 255, 0)),
        (0x03, (0, 0, 255)),
        (0x92, (146, 146, 170)),
        (0xFF, (255, 255, 255)),
    ],
)
def test_rgb332_of_a_byte(byte: int, colour: tuple[int, int, int]) -> None:
    assert RGB332[byte] == colour


@pytest.mark.source(
    "Pillow", part='raw decoders "L", "L;2", "L;4": widening of greys', kind="library"
)
@pytest.mark.parametrize(("bits", "raw_mode"), [(2, "L;2"), (4, "L;4"), (8, "L")])
def test_greys_are_spaced_as_pillow_widens_them(bits: int, raw_mode: str) -> None:
    levels = 1 << bits
    bit_string = "".join(f"{level:0{bits}b}" for level in range(levels))
    raw = int(bit_string, 2).to_bytes(len(bit_string) // 8, "big")
    image = Image.frombytes("L", (levels, 1), raw, "raw", raw_mode)
    assert [red for red, _, _ in GRAYS[bits]] == list(image.tobytes())
    assert all(red == green == blue for red, green, blue in GRAYS[bits])
