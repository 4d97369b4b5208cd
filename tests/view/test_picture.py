from __future__ import annotations

import numpy as np
import pygame
import pytest

from busplay.display.display import Display
from busplay.view.picture import draw_display, surface_colours, surface_pixels
from tests.display.cases import unit_with


@pytest.mark.parametrize("width", [1, 7, 64])
@pytest.mark.parametrize("flags", [0, pygame.SRCALPHA])
def test_display_s_pixels_stand_on_the_surface_as_squares(width: int, flags: int) -> None:
    display = Display(unit_with(width_px=5, height_px=3, bits_per_pixel=8))
    display.write_memory(range(15), [i * 17 for i in range(15)])
    surface = pygame.Surface((width + 12, 12), flags, 32)
    surface.fill((1, 2, 3))
    draw_display(display, surface, left_px=2, top_px=1, scale=2)
    found = pygame.surfarray.array3d(surface).swapaxes(0, 1)
    wanted = np.full((12, width + 12, 3), (1, 2, 3))
    wanted[1:7, 2:12] = display.image().repeat(2, axis=0).repeat(2, axis=1)
    assert (found == wanted).all()
    assert not surface.get_locked()


def test_colours_are_those_that_pygame_maps() -> None:
    palette = np.random.default_rng(3).integers(0, 256, (20, 3)).astype(np.uint8)
    for masks in (None, (0xFF, 0xFF00, 0xFF0000, 0), (0xFF000000, 0xFF0000, 0xFF00, 0)):
        surface = (
            pygame.Surface((1, 1), 0, 32) if masks is None else pygame.Surface((1, 1), 0, 32, masks)
        )
        mapped = [surface.map_rgb(colour) & 0xFFFFFFFF for colour in palette.tolist()]
        assert surface_colours(palette, surface).tolist() == mapped


def test_surface_of_fewer_bits_is_refused() -> None:
    with pytest.raises(ValueError, match="16 bits a pixel"):
        surface_pixels(pygame.Surface((4, 4), 0, 16))
