"""Two screens and what differs between them, as one picture."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from busplay.display.arrangement import GAP_PX, GAP_RGB

# What differs is bright; all else is the expected picture in dark grey, so that one sees where.
DIFFERENT_RGB = (255, 138, 60)
DIMMED_MOST = 88

Image = NDArray[np.uint8]


def pixels_different(expected: Image, actual: Image) -> int:
    """Count pixels that have another colour."""
    return int(np.count_nonzero((expected != actual).any(axis=2)))


def difference_image(expected: Image, actual: Image) -> Image:
    """Show which pixels of two pictures of one size differ.

    Args:
        expected, actual: uint8[rows, columns, 3].
    """
    # Luma of ITU-R BT.601, in whole numbers.
    luma = expected.astype(np.uint32) @ np.array([299, 587, 114], np.uint32) // 1000
    image = np.repeat((luma * DIMMED_MOST // 255).astype(np.uint8)[:, :, None], 3, axis=2)
    image[(expected != actual).any(axis=2)] = DIFFERENT_RGB
    return image


def compose_differences(pairs: Sequence[tuple[Image, Image]]) -> Image:
    """Put expected, actual and difference of each unit in a row, the units below each other."""
    rows = [(expected, actual, difference_image(expected, actual)) for expected, actual in pairs]
    column_px = max(row[0].shape[1] for row in rows) + GAP_PX
    height = sum(row[0].shape[0] for row in rows) + GAP_PX * (len(rows) - 1)
    out = np.empty((height, 3 * column_px - GAP_PX, 3), np.uint8)
    out[:] = GAP_RGB
    top = 0
    for row in rows:
        for column, image in enumerate(row):
            left = column * column_px
            out[top : top + image.shape[0], left : left + image.shape[1]] = image
        top += row[0].shape[0] + GAP_PX
    return out
