"""The palettes that a board file can name, and the default of each depth: facts.

A colour is (red, green, blue), 0 to 255 each, in sRGB.
"""

# Follows: HTML 4.01, 6.5 "Colors": sixteen names with their sRGB values
# Read in: a copy of the section's table; its order goes down the left column, then the right
# Follows: RGB332, common practice: three bits red, three green, two blue, red highest
# Departs: a narrow colour is widened to 8 bits by repeating its bits (3 bits abc give
#          abcabcab), which for these widths equals round(value * 255 / (2 ** bits - 1))

from __future__ import annotations

from typing import Literal, TypeAlias

Colour: TypeAlias = tuple[int, int, int]
PaletteName = Literal["html16", "rgb332", "gray"]

HTML16_NAMES: dict[str, Colour] = {
    "black": (0x00, 0x00, 0x00),
    "silver": (0xC0, 0xC0, 0xC0),
    "gray": (0x80, 0x80, 0x80),
    "white": (0xFF, 0xFF, 0xFF),
    "maroon": (0x80, 0x00, 0x00),
    "red": (0xFF, 0x00, 0x00),
    "purple": (0x80, 0x00, 0x80),
    "fuchsia": (0xFF, 0x00, 0xFF),
    "green": (0x00, 0x80, 0x00),
    "lime": (0x00, 0xFF, 0x00),
    "olive": (0x80, 0x80, 0x00),
    "yellow": (0xFF, 0xFF, 0x00),
    "navy": (0x00, 0x00, 0x80),
    "blue": (0x00, 0x00, 0xFF),
    "teal": (0x00, 0x80, 0x80),
    "aqua": (0x00, 0xFF, 0xFF),
}
HTML16: tuple[Colour, ...] = tuple(HTML16_NAMES.values())


def _widen(value: int, bits: int) -> int:
    """Widen a value of 1 to 8 bits to 8 by repeating its bits."""
    repeated = value
    width = bits
    while width < 8:
        repeated = repeated << bits | value
        width += bits
    return repeated >> (width - 8)


RGB332: tuple[Colour, ...] = tuple(
    (_widen(index >> 5, 3), _widen(index >> 2 & 7, 3), _widen(index & 3, 2)) for index in range(256)
)

# Evenly spaced from black to white. 2 ** bits - 1 divides 255 for 1, 2, 4 and 8 bits, so
# every step is exact.
GRAYS: dict[int, tuple[Colour, ...]] = {
    bits: tuple((level, level, level) for level in range(0, 256, 255 // ((1 << bits) - 1)))
    for bits in (1, 2, 4, 8)
}

# What a unit shows when its board file names no palette: black and white, four greys,
# the colours of HTML 4.01, RGB332.
DEFAULT_OF_DEPTH: dict[int, tuple[Colour, ...]] = {
    1: GRAYS[1],
    2: GRAYS[2],
    4: HTML16,
    8: RGB332,
}


def named_palette(name: PaletteName, bits_per_pixel: int) -> tuple[Colour, ...]:
    """Return a palette by name; `gray` has as many colours as the depth."""
    if name == "gray":
        return GRAYS[bits_per_pixel]
    return HTML16 if name == "html16" else RGB332
