"""A desktop that places windows in points of two pixels each."""

from __future__ import annotations

from pathlib import Path

import pygame
import pytest

from busplay.player.player import Player
from busplay.view.instrument.state import Kept, Pixel, Tab
from busplay.view.theme import Sizes
from busplay.view.window import PlayerWindow
from tests.player.fake_inspector import FakeInspector
from tests.player.fakes import FakePlayable, HandClock
from tests.view.conftest import two_displays

DENSITY = 2


class DenseWindow:
    """Stands for a window of pygame on such a desktop, which no test has."""

    def __init__(self, title: str, size: tuple[int, int], **options: bool) -> None:
        assert options == {"resizable": True, "allow_high_dpi": True}
        self.title, self.size, self.position = title, size, (0, 0)

    def get_surface(self) -> pygame.Surface:
        size = self.size[0] * DENSITY, self.size[1] * DENSITY
        if not hasattr(self, "_surface") or self._surface.get_size() != size:
            self._surface = pygame.Surface(size, depth=32)
        return self._surface

    def set_icon(self, icon: pygame.Surface) -> None:
        pass

    def flip(self) -> None:
        pass

    def destroy(self) -> None:
        pass


@pytest.fixture
def window(opened: None, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> PlayerWindow:
    monkeypatch.setattr(pygame, "Window", DenseWindow)
    monkeypatch.setattr(pygame.display, "get_desktop_sizes", lambda: [(1440, 900)])
    clock = HandClock()
    playable = FakePlayable(clock, displays=two_displays(), can_seek=True)
    window = PlayerWindow(
        Player(playable, clock),
        title="made up",
        clock=clock,
        scale=None,
        stacked=False,
        fullscreen=False,
        picture_folder=tmp_path,
        picture_stem="tide",
        inspector=FakeInspector(playable),
        kept=Kept(tab=Tab.FRAMES, width_px=1280, height_px=720),
    )
    window.paint()
    return window


def test_everything_is_drawn_in_the_pixels_of_the_screen(window: PlayerWindow) -> None:
    assert window._window.size == (2560, 1440)
    sizes = window._scene.sizes(2560, 1440)
    plain = Sizes.for_instrument(1280, 720, big=False)
    assert sizes.text_px == 2 * plain.text_px
    assert sizes.small_px == 2 * plain.small_px
    assert sizes.pad_px == 2 * plain.pad_px


def test_parts_have_the_places_of_a_plain_screen(
    window: PlayerWindow, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert window._drawn is not None
    dense = window._drawn.places
    window._scene.density = 1.0
    plain = window._painter.places(window._scene, 1280, 720, window._scene.sizes(1280, 720))
    for one, other in zip(
        (dense.tools, dense.screens, dense.side, dense.below, dense.status),
        (plain.tools, plain.screens, plain.side, plain.below, plain.status),
        strict=True,
    ):
        for dense_px, plain_px in zip(one, other, strict=True):
            assert abs(dense_px - 2 * plain_px) <= 12


def test_the_mouse_points_at_the_pixel_that_is_seen_there(window: PlayerWindow) -> None:
    assert window._drawn is not None
    (box,) = window._drawn.screens.boxes_of("panel", 20, 10)
    point = (box.left + box.width // 2) // DENSITY, (box.top + box.height // 2) // DENSITY
    pygame.event.post(
        pygame.event.Event(pygame.MOUSEMOTION, pos=point, rel=(0, 0), buttons=(0, 0, 0))
    )
    window.handle_events()
    assert window.instrument.state.pixel == Pixel("panel", 20, 10)
    pygame.event.post(
        pygame.event.Event(pygame.MOUSEBUTTONDOWN, pos=point, button=pygame.BUTTON_LEFT)
    )
    window.handle_events()
    assert window.instrument.state.pinned == Pixel("panel", 20, 10)


def test_the_size_that_is_kept_is_in_points(window: PlayerWindow) -> None:
    kept = window.kept_layout()
    assert (kept.width_px, kept.height_px) == (1280, 720)


def test_moving_to_another_screen_takes_up_its_pixels(
    window: PlayerWindow, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tests.view.test_density.DENSITY", 1)
    pygame.event.post(pygame.event.Event(pygame.WINDOWDISPLAYCHANGED))
    window.handle_events()
    window.paint()
    assert window._window.size == (1280, 720)
    assert window._scene.sizes(1280, 720) == Sizes.for_instrument(1280, 720, big=False)
