"""What the starter's programs show, drawn from their description and not by them.

These are the expected pictures of the starter's tests. A test builds and runs the programs for
every choice, so they cannot drift apart.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

TIDE_ROWS = 6
# Bits that are 1 are pixels of the bird, the left one in the highest.
BIRD = (0x06, 0x07, 0x0C, 0x7C, 0x38, 0x10, 0x10, 0x30)


class BeachColours(NamedTuple):
    """Palette indexes of what is drawn."""

    bird: int
    sea: int
    sand: int
    sky: int
    foam: int


def beach(
    width_px: int, height_px: int, colours: BeachColours, *, tide_rows: int = 0
) -> NDArray[np.uint8]:
    """Return the beach as uint8[height_px, width_px] palette indexes, with the sea so far in."""
    rows = np.full(height_px, colours.sand, np.uint8)
    sky_rows = height_px // 4
    foam_row = sky_rows + height_px // 8 + tide_rows
    rows[:sky_rows] = colours.sky
    rows[sky_rows:foam_row] = colours.sea
    rows[foam_row] = colours.foam
    return np.repeat(rows[:, None], width_px, axis=1)


def beach_with_bird(width_px: int, height_px: int, colours: BeachColours) -> NDArray[np.uint8]:
    """Return the beach with the bird in its lower left corner."""
    image = beach(width_px, height_px, colours)
    bits = np.unpackbits(np.array(BIRD, np.uint8)[:, None], axis=1)
    image[-len(BIRD) :, :8] = np.where(bits, colours.bird, colours.sand)
    return image
