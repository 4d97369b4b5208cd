"""Kernels: which pixels make a transition in a picture, and how many a field holds."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.jit.kernel_function import kernel

_Pixels = NDArray[np.int32]
_Floats = NDArray[np.float64]
_Colours = NDArray[np.uint32]
_Flags = NDArray[np.uint8]


@kernel
def luminance_turns(
    colours: _Colours,
    indices: NDArray[np.uint32],
    before: _Colours,
    luminance: _Floats,
    low: _Floats,
    high: _Floats,
    way: NDArray[np.int8],
    least: float,
    darker_below: float,
    turned: _Pixels,
) -> int:
    """Find the pixels whose luminance goes the other way, far enough from its last peak or valley.

    Args:
        colours: of each palette index, as numbers.
        indices: palette index of each pixel.
        before: colour of each pixel in the picture before; pixels of the same are passed over.
        luminance: of each palette index.
        low, high: of each pixel, since its last transition; changed.
        way: of each pixel's last transition: up 1, down -1, none yet 0; changed.
        least: change of luminance that is a transition.
        darker_below: luminance below which the darker state must be.
        turned: room for all pixels; filled with those that make a transition.

    Returns:
        How many pixels make a transition.
    """
    count = 0
    for pixel in range(len(indices)):
        index = indices[pixel]
        if colours[index] == before[pixel]:
            continue
        now = luminance[index]
        low[pixel] = min(low[pixel], now)
        high[pixel] = max(high[pixel], now)
        new_way = 0
        if way[pixel] >= 0 and high[pixel] - now >= least and now < darker_below:
            new_way = -1
        elif way[pixel] <= 0 and now - low[pixel] >= least and low[pixel] < darker_below:
            new_way = 1
        if new_way != 0:
            way[pixel] = new_way
            low[pixel] = now
            high[pixel] = now
            turned[count] = pixel
            count += 1
    return count


@kernel
def red_turns(
    colours: _Colours,
    indices: NDArray[np.uint32],
    before: _Colours,
    is_red: _Flags,
    place: _Floats,
    was_red: _Flags,
    was_place: _Floats,
    least: float,
    turned: _Pixels,
) -> int:
    """Find the pixels that go to or from a saturated red, far enough in the diagram of colours.

    Args:
        colours, indices, turned: as for `luminance_turns`.
        before: as for `luminance_turns`; set to the colours of this picture.
        is_red, place: of each palette index: whether it is a saturated red, and float64[colours,
            2], where it stands in the diagram.
        was_red, was_place: of each pixel, at its last transition or later; changed.
        least: distance that a transition exceeds.

    Returns:
        How many pixels make a transition.
    """
    count = 0
    for pixel in range(len(indices)):
        index = indices[pixel]
        if colours[index] == before[pixel]:
            continue
        before[pixel] = colours[index]
        if is_red[index] != was_red[pixel]:
            right = place[index, 0] - was_place[pixel, 0]
            up = place[index, 1] - was_place[pixel, 1]
            # What crosses the border of red by little is still measured from where it was.
            if right * right + up * up <= least * least:
                continue
            turned[count] = pixel
            count += 1
        was_red[pixel] = is_red[index]
        was_place[pixel, 0] = place[index, 0]
        was_place[pixel, 1] = place[index, 1]
    return count


@kernel
def add_turns(turns: NDArray[np.uint16], turned: _Pixels, change: int) -> int:
    """Add to the transitions of some pixels; return the most of these, 0 for none."""
    most = 0
    for i in range(len(turned)):
        now = turns[turned[i]] + change
        turns[turned[i]] = now
        most = max(most, now)
    return most


@kernel
def most_in_a_field(
    turns: NDArray[np.uint16],
    columns: int,
    width: int,
    height: int,
    least: int,
    sums: NDArray[np.int32],
) -> int:
    """Return how many pixels with enough transitions the field holds that has the most of them.

    Args:
        turns: transitions of each pixel, row by row.
        columns: of the picture.
        width, height: of a field, at most those of the picture.
        least: transitions that are enough.
        sums: room for int32[rows + 1, columns + 1]; pixels above and left of each corner.
    """
    rows = len(turns) // columns
    most = 0
    for column in range(columns + 1):
        sums[0, column] = 0
    for row in range(rows):
        along = 0
        sums[row + 1, 0] = 0
        for column in range(columns):
            if turns[row * columns + column] >= least:
                along += 1
            sums[row + 1, column + 1] = sums[row, column + 1] + along
        if row + 1 < height:
            continue
        above = row + 1 - height
        for right in range(width, columns + 1):
            held = (
                sums[row + 1, right]
                - sums[row + 1, right - width]
                - sums[above, right]
                + sums[above, right - width]
            )
            most = max(most, held)
    return most
