"""Opening and closing the screen through pygame; the error if there is none."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager

# pygame greets on standard output as it is imported, where our own figures go.
os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")

import pygame

from busplay.errors import NoScreenError
from busplay.view import theme

NO_SCREEN = "no screen to open a window on"
WAY_OUT = "--headless does without"
# Drivers that draw to nowhere; SDL must not take one that nobody asked for.
DRIVERS_WITHOUT_SCREEN = frozenset({"dummy", "offscreen", "evdev"})
LEAST_WIDTH_PX = 320
LEAST_HEIGHT_PX = 200
# Where the desktop does not tell its size.
USUAL_DESKTOP = (1024, 768)


def require_screen(environ: Mapping[str, str], platform: str) -> None:
    """Look whether there can be a screen at all.

    Raises:
        NoScreenError: on Linux and its like, if neither X nor Wayland is named and no driver
            is asked for.
    """
    if environ.get("SDL_VIDEODRIVER") or platform in {"win32", "darwin"}:
        return
    if not environ.get("DISPLAY") and not environ.get("WAYLAND_DISPLAY"):
        raise NoScreenError(f"{NO_SCREEN} (neither DISPLAY nor WAYLAND_DISPLAY is set); {WAY_OUT}")


@contextmanager
def open_screen(*, title: str) -> Iterator[None]:
    """Open pygame's display and close it in the end, whatever happens.

    Raises:
        NoScreenError: there is none.
    """
    require_screen(os.environ, sys.platform)
    try:
        pygame.display.init()
    except pygame.error as error:
        raise NoScreenError(f"{NO_SCREEN} ({error}); {WAY_OUT}") from None
    try:
        driver = pygame.display.get_driver()
        if driver in DRIVERS_WITHOUT_SCREEN and not os.environ.get("SDL_VIDEODRIVER"):
            raise NoScreenError(f"{NO_SCREEN} (only driver {driver!r} works here); {WAY_OUT}")
        if driver == "x11":
            # SDL would send each picture through OpenGL, which a machine without a graphics
            # card works out by itself: 4 to 9 ms for 1024 x 768, and 0.1 ms by shared memory.
            os.environ.setdefault("SDL_FRAMEBUFFER_ACCELERATION", "0")
        pygame.font.init()
        pygame.display.set_caption(title)
        pygame.display.set_icon(icon())
        yield
    finally:
        pygame.font.quit()
        pygame.display.quit()


def set_window(size: tuple[int, int], *, fullscreen: bool) -> pygame.Surface:
    """Make the window, or remake it, at a size; full screen takes the desktop's.

    Raises:
        NoScreenError: the screen refuses.
    """
    try:
        if fullscreen:
            return pygame.display.set_mode(desktop_size(), pygame.FULLSCREEN)
        width, height = max(LEAST_WIDTH_PX, size[0]), max(LEAST_HEIGHT_PX, size[1])
        return pygame.display.set_mode((width, height), pygame.RESIZABLE)
    except pygame.error as error:
        raise NoScreenError(f"{NO_SCREEN} ({error}); {WAY_OUT}") from None


def keep_on_desktop() -> None:
    """Move a window that reaches over the desktop's right or lower edge to its middle."""
    desktop = desktop_size()
    size = pygame.display.get_window_size()
    place = pygame.display.get_window_position()
    if any(place[i] + size[i] > desktop[i] for i in range(2)):
        pygame.display.set_window_position(
            (max(0, (desktop[0] - size[0]) // 2), max(0, (desktop[1] - size[1]) // 2))
        )


def desktop_size() -> tuple[int, int]:
    """Return width and height of the first screen."""
    sizes = pygame.display.get_desktop_sizes()
    return sizes[0] if sizes else USUAL_DESKTOP


def icon() -> pygame.Surface:
    """Draw the window's icon: a wire of pulses, and the pixels that it becomes."""
    image = pygame.Surface((32, 32), pygame.SRCALPHA)
    pygame.draw.rect(image, theme.BAR, (0, 0, 32, 32), border_radius=6)
    wire = [(4, 11), (8, 11), (8, 5), (14, 5), (14, 11), (20, 11), (20, 5), (24, 5), (24, 11)]
    pygame.draw.lines(image, theme.ACCENT, closed=False, points=[*wire, (28, 11)], width=2)
    for x, y, colour in (
        (4, 16, theme.RUNNING),
        (12, 16, theme.TEXT),
        (20, 16, theme.RUNNING),
        (8, 22, theme.PAUSED),
        (16, 22, theme.ERROR),
    ):
        image.fill(colour, (x, y, 6, 6))
    return image
