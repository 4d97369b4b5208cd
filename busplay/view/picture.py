"""Displays straight into the pixels of a surface: no picture in between."""

from __future__ import annotations

import numpy as np
import pygame
from numpy.typing import NDArray

from busplay.display.display import Display

PIXEL_BYTES = 4


def surface_pixels(surface: pygame.Surface) -> NDArray[np.uint32]:
    """Return a surface of 32 bits a pixel as uint32[height, pitch / 4], C order.

    The surface stays locked as long as the array lives: drop it before blitting. Columns from
    the surface's width on are padding, which nobody sees.
    """
    if surface.get_bytesize() != PIXEL_BYTES:
        raise ValueError(f"a surface of {surface.get_bitsize()} bits a pixel has no such pixels")
    columns = surface.get_pitch() // PIXEL_BYTES
    # pygame's type of the buffer does not say that it is one.
    pixels: NDArray[np.uint32] = np.frombuffer(surface.get_buffer(), np.uint32)  # type: ignore[call-overload]
    return pixels.reshape(surface.get_height(), columns)


def surface_colours(palette: NDArray[np.uint8], surface: pygame.Surface) -> NDArray[np.uint32]:
    """Return the pixel values of a palette's colours on a surface of 32 bits: uint32[colours]."""
    red, green, blue, _ = surface.get_shifts()
    parts = palette.astype(np.uint32)
    colours: NDArray[np.uint32] = (
        parts[:, 0] << np.uint32(red)
        | parts[:, 1] << np.uint32(green)
        | parts[:, 2] << np.uint32(blue)
    )
    alpha = np.uint32(surface.get_masks()[3] & 0xFFFFFFFF)
    return np.bitwise_or(colours, alpha)


def draw_display(
    display: Display, surface: pygame.Surface, *, left_px: int, top_px: int, scale: int
) -> None:
    """Draw a unit's picture, without border, onto a surface of 32 bits a pixel.

    What does not fit is left out, in whole pixels of the unit.
    """
    display.draw(
        surface_pixels(surface),
        surface_colours(display.palette, surface),
        left_px=left_px,
        top_px=top_px,
        scale=scale,
    )


def shrunk(image: NDArray[np.uint8], shrink: int) -> NDArray[np.uint8]:
    """Return uint8[height, width, 3] with so many pixels each way as one: their mean."""
    rows, columns = (-(-side // shrink) * shrink for side in image.shape[:2])
    # What does not fill the last ones repeats the edge.
    margin = ((0, rows - image.shape[0]), (0, columns - image.shape[1]), (0, 0))
    blocks = np.pad(image, margin, mode="edge").astype(np.uint16)
    blocks = blocks.reshape(rows // shrink, shrink, columns // shrink, shrink, 3)
    means: NDArray[np.uint8] = blocks.mean(axis=(1, 3)).round().astype(np.uint8)
    return means


def draw_image(
    image: NDArray[np.uint8], surface: pygame.Surface, *, left_px: int, top_px: int, scale: int
) -> None:
    """Draw uint8[height, width, 3] onto a surface of 32 bits; what does not fit is left out."""
    columns = min(image.shape[1], max(0, surface.get_width() - left_px) // scale)
    rows = min(image.shape[0], max(0, surface.get_height() - top_px) // scale)
    if columns <= 0 or rows <= 0:
        return
    part = image[:rows, :columns].reshape(-1, 3)
    colours = surface_colours(part, surface).reshape(rows, columns)
    large = colours.repeat(scale, axis=0).repeat(scale, axis=1)
    pixels = surface_pixels(surface)
    pixels[top_px : top_px + rows * scale, left_px : left_px + columns * scale] = large
