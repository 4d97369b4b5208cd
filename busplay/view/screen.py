"""Opening and closing the screen through pygame; the error if there is none."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from math import ceil
from weakref import WeakSet

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
def open_screen() -> Iterator[None]:
    """Open the screen for windows and close it in the end, whatever happens.

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
        yield
    finally:
        # pygame would destroy a window that lives longer once more, after SDL has.
        for window in list(_windows):
            window.close()
        pygame.font.quit()
        pygame.display.quit()


class ScreenWindow:
    """A window on the desktop that can be resized, or take the whole screen.

    It is one of `pygame.Window`: that of `pygame.display` stays as large as the screen when it
    leaves full screen under X11.

    The desktop may place windows in points of several pixels each. Everything here is in pixels,
    as the window is drawn, except what a new window asks for, as its screen is not known before.

    Args:
        title: stands on its frame.
        size: of its inside, in points; it is not smaller than letters need.

    Attributes:
        density: pixels to a point of the desktop: 1, or more on a screen of many small pixels.

    Raises:
        NoScreenError: the screen refuses.
    """

    def __init__(self, title: str, size: tuple[int, int]) -> None:
        try:
            self._window = pygame.Window(
                title, _readable(size), resizable=True, allow_high_dpi=True
            )
        except pygame.error as error:
            raise NoScreenError(f"{NO_SCREEN} ({error}); {WAY_OUT}") from None
        _windows.add(self)
        self.find_density()
        self._window.set_icon(icon())
        self._window.minimum_size = LEAST_WIDTH_PX, LEAST_HEIGHT_PX
        self._put_at = self._window.position
        self._windowed: tuple[tuple[int, int], tuple[int, int]] | None = None

    @property
    def title(self) -> str:
        """What stands on its frame."""
        return self._window.title

    @title.setter
    def title(self, title: str) -> None:
        self._window.title = title

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of its inside."""
        return self.surface.get_size()

    def find_density(self) -> None:
        """Take up how many pixels a point has on the screen where the window is now."""
        # Not with every picture: while a window is resized, the two disagree for a moment.
        self.density = max(1.0, self.surface.get_width() / max(1, self._window.size[0]))

    @property
    def desktop_size(self) -> tuple[int, int]:
        """Width and height of the first screen."""
        width, height = desktop_size()
        return round(width * self.density), round(height * self.density)

    def place_of(self, point: tuple[int, int]) -> tuple[int, int]:
        """Return the pixel at a point of the window, as the mouse tells it."""
        return int(point[0] * self.density), int(point[1] * self.density)

    @property
    def full_screen(self) -> bool:
        """It takes the whole screen."""
        return self._windowed is not None

    @property
    def surface(self) -> pygame.Surface:
        """What is drawn on; `show` shows it."""
        return self._window.get_surface()

    def close(self) -> None:
        """Take it from the screen; nothing can be done with it afterwards."""
        self._window.destroy()
        _windows.discard(self)

    def show(self) -> None:
        """Show what was drawn."""
        self._window.flip()

    def resize(self, size: tuple[int, int]) -> None:
        """Resize it, and move it to the desktop's middle if it would reach over an edge."""
        window, desktop = self._window, desktop_size()
        density = self.density
        window.size = _readable((ceil(size[0] / density), ceil(size[1] / density)))
        if any(window.position[i] + window.size[i] > desktop[i] for i in range(2)):
            left, top = (max(0, (desktop[i] - window.size[i]) // 2) for i in range(2))
            self._put(left, top)

    def toggle_full_screen(self) -> None:
        """Take the whole screen, or go back to the size and place from before."""
        window = self._window
        if self._windowed is None:
            self._windowed = window.size, window.position
            # A window manager's frame moves a window away from where it was put. Where none has,
            # there may be no manager, and X asks a manager alone to make a window fill the screen.
            if window.position == self._put_at:
                window.size = desktop_size()
                window.position = 0, 0
            window.set_fullscreen(desktop=True)
            return
        (size, position), self._windowed = self._windowed, None
        window.set_windowed()
        if window.size != size:
            window.size = size
            self._put(*position)

    def _put(self, left: int, top: int) -> None:
        self._window.position = self._put_at = left, top


_windows: WeakSet[ScreenWindow] = WeakSet()


def _readable(size: tuple[int, int]) -> tuple[int, int]:
    return max(LEAST_WIDTH_PX, size[0]), max(LEAST_HEIGHT_PX, size[1])


_CURSORS = {
    "arrow": pygame.SYSTEM_CURSOR_ARROW,
    "hand": pygame.SYSTEM_CURSOR_HAND,
    "across": pygame.SYSTEM_CURSOR_SIZEWE,
    "down": pygame.SYSTEM_CURSOR_SIZENS,
    "cross": pygame.SYSTEM_CURSOR_CROSSHAIR,
}
_cursor = ["arrow"]


def set_cursor(name: str) -> None:
    """Set the shape of the mouse pointer, where the screen has one."""
    if name != _cursor[0]:
        _cursor[0] = name
        with suppress(pygame.error):
            pygame.mouse.set_cursor(_CURSORS[name])


def desktop_size() -> tuple[int, int]:
    """Return width and height of the first screen, in points."""
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
