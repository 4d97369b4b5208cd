"""Draw lists onto a surface: the only place where widgets meet pygame."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pygame

from busplay.view.picture import surface_colours, surface_pixels
from busplay.view.text import Texts
from busplay.view.theme import Colour
from busplay.view.widgets.drawing import Bitmap, Clip, Command, Fill, Outline, Polygon, Words


def paint_commands(target: pygame.Surface, commands: Iterable[Command], texts: Texts) -> None:
    """Paint commands in their order onto a surface of 32 bits a pixel.

    Letters that follow each other go in one call.
    """
    letters: list[tuple[pygame.Surface, tuple[int, int]]] = []
    for command in commands:
        if isinstance(command, Words):
            letters += _letters_of(command, texts)
            continue
        if letters:
            target.fblits(letters)
            letters = []
        if isinstance(command, Fill):
            target.fill(command.colour, command.box)
        elif isinstance(command, Outline):
            if command.box.width > 0 and command.box.height > 0:
                pygame.draw.rect(target, command.colour, command.box, width=command.width_px)
        elif isinstance(command, Polygon):
            pygame.draw.polygon(target, command.colour, command.points)
            pygame.draw.aalines(target, command.colour, closed=True, points=command.points)
        elif isinstance(command, Bitmap):
            _paint_bitmap(target, command)
        elif isinstance(command, Clip):
            target.set_clip(None if command.box is None else pygame.Rect(command.box))
    if letters:
        target.fblits(letters)
    target.set_clip(None)


def _letters_of(words: Words, texts: Texts) -> list[tuple[pygame.Surface, tuple[int, int]]]:
    left = words.left_px
    if words.align != "left":
        width = (texts.fixed_width if words.fixed else texts.width)(words.text, words.size_px)
        left -= width if words.align == "right" else width // 2
    return texts.letters(
        words.text,
        (left, words.top_px),
        size_px=words.size_px,
        colour=words.colour,
        ground=words.ground,
        fixed=words.fixed,
    )


def _paint_bitmap(target: pygame.Surface, bitmap: Bitmap) -> None:
    clip = target.get_clip()
    box = pygame.Rect(bitmap.box).clip(clip)
    if not box.width or not box.height:
        return
    left, top = box.left - bitmap.box.left, box.top - bitmap.box.top
    part = bitmap.indexes[top : top + box.height, left : left + box.width]
    height, width = part.shape
    pixels = surface_pixels(target)
    colours = _surface_colours(bitmap.colours, target)
    pixels[box.top : box.top + height, box.left : box.left + width] = colours[part]


def _surface_colours(
    colours: tuple[Colour, ...], target: pygame.Surface
) -> np.ndarray[tuple[int, ...], np.dtype[np.uint32]]:
    return surface_colours(np.array(colours, np.uint8).reshape(-1, 3), target)
