"""Plots: columns of figures as bars, in surfaces of 8 bits."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.view.theme import Colour
from busplay.view.widgets.box import Box
from busplay.view.widgets.drawing import Bitmap


def bars(
    values: NDArray[np.float64], box: Box, *, most: float, ground: Colour, colour: Colour
) -> Bitmap:
    """Return one bar a column, from the bottom up.

    Args:
        values: float64[columns], as many as the box is wide; 0 draws nothing, and whatever is
            more than 0 is at least one pixel high, so that nothing rare is lost.
        box: its place.
        most: the value of a bar of full height.
        ground, colour: of what is behind, and of the bars.
    """
    height = box.height
    scaled = np.zeros(len(values)) if most <= 0 else values * height / most
    tops = np.minimum(np.round(scaled), height)
    tops = np.where(values > 0, np.maximum(tops, 1), 0)
    rows = np.arange(height, 0, -1)[:, None]
    return Bitmap(box, (rows <= tops[None, :]).astype(np.uint8), (ground, colour))


def stripes(which: NDArray[np.uint8], box: Box, *, colours: tuple[Colour, ...]) -> Bitmap:
    """Return a band whose columns have the colour of their index, 0 the ground."""
    return Bitmap(box, np.repeat(which[None, :], box.height, axis=0), colours)
