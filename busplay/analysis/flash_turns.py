"""Kernels: which pixels make a transition in a picture."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.jit.kernel_function import kernel

_Numbers = NDArray[np.int64]
_Floats = NDArray[np.float64]


@kernel
def luminance_turns(
    changed: _Numbers,
    indices: NDArray[np.uint32],
    luminance: _Floats,
    low: _Floats,
    high: _Floats,
    way: NDArray[np.int8],
    least: float,
    darker_below: float,
    turned: _Numbers,
) -> int:
    """Find the pixels whose luminance goes the other way, far enough from its last peak or valley.

    Args:
        changed: pixels that change.
        indices: palette index of each pixel.
        luminance: of each palette index.
        low, high: of each pixel, since its last transition; changed.
        way: of each pixel's last transition: up 1, down -1, none yet 0; changed.
        least: change of luminance that is a transition.
        darker_below: luminance below which the darker state must be.
        turned: room for as many pixels as change; filled.

    Returns:
        How many pixels make a transition.
    """
    count = 0
    for i in range(len(changed)):
        pixel = changed[i]
        now = luminance[indices[pixel]]
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
    changed: _Numbers,
    indices: NDArray[np.uint32],
    is_red: NDArray[np.uint8],
    place: _Floats,
    was_red: NDArray[np.uint8],
    was_place: _Floats,
    least: float,
    turned: _Numbers,
) -> int:
    """Find the pixels that go to or from a saturated red, far enough in the diagram of colours.

    Args:
        changed, indices, turned: as for `luminance_turns`.
        is_red, place: of each palette index: whether it is a saturated red, and float64[colours,
            2], where it stands in the diagram.
        was_red, was_place: of each pixel, at its last transition or later; changed.
        least: distance that a transition exceeds.

    Returns:
        How many pixels make a transition.
    """
    count = 0
    for i in range(len(changed)):
        pixel = changed[i]
        index = indices[pixel]
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
