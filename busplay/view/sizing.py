"""How large a window is, and the pixels in it."""

from __future__ import annotations

from busplay.view.draw import Drawn, Painter, Scene
from busplay.view.screen import ScreenWindow

DESKTOP_PERCENT = 85
INSTRUMENT_PX = (1280, 720)
"""Size of a window with its panels, at first, in points."""
BIG_INSTRUMENT_PX = (1920, 1080)
"""The same with letters for a projector."""

Size = tuple[int, int]


def first_size(scene: Scene, painter: Painter, desktop: Size) -> Size:
    """Fit a window to the units, as large as the desktop has room for with some to spare."""
    most = desktop[0] * DESKTOP_PERCENT // 100, desktop[1] * DESKTOP_PERCENT // 100
    if scene.instrument.is_open:
        kept = scene.instrument.state.kept
        usual = BIG_INSTRUMENT_PX if scene.big else INSTRUMENT_PX
        wanted = _points(scene, (kept.width_px or usual[0], kept.height_px or usual[1]))
        return min(wanted[0], desktop[0]), min(wanted[1], desktop[1])
    scale = scene.scale or 1
    size = painter.window_size_for(scene, scale, most)
    while scene.scale is None and scene.units:
        larger = painter.window_size_for(scene, scale + 1, most)
        if larger[0] > most[0] or larger[1] > most[1]:
            break
        size, scale = larger, scale + 1
    width = max(size[0], min(most[0], painter.status_width_for(scene, size)))
    return min(width, desktop[0]), min(size[1], desktop[1])


def _points(scene: Scene, size: Size) -> Size:
    """Return pixels for a size in points."""
    return round(size[0] * scene.density), round(size[1] * scene.density)


def make_room(window: ScreenWindow, scene: Scene) -> None:
    """Enlarge a window in which the panels would have little room."""
    wanted = _points(scene, INSTRUMENT_PX)
    desktop = window.desktop_size
    _enlarge(window, (min(wanted[0], desktop[0]), min(wanted[1], desktop[1])))


def _enlarge(window: ScreenWindow, wanted: Size) -> None:
    now = window.size
    larger = max(now[0], wanted[0]), max(now[1], wanted[1])
    if larger != now and not window.full_screen:
        window.resize(larger)


def set_scale(
    scale: int, window: ScreenWindow, scene: Scene, painter: Painter, drawn: Drawn | None
) -> str:
    """Show pixels at a scale, in a larger window if need be; return what to note.

    Args:
        scale: side of a pixel's square.
        window, scene, painter: the window's.
        drawn: the last picture.
    """
    if scale < 1:
        return "pixels cannot be smaller"
    is_larger = scale > (1 if drawn is None else drawn.scale)
    if scene.instrument.is_open:
        # The panels keep their room, so the screens have what they have.
        if is_larger and drawn is not None and not drawn.fits(scale):
            return f"no room for scale {scale}"
        scene.scale = scale
        return f"scale {scale}"
    needed = painter.window_size_for(scene, scale, window.size)
    most = window.size if window.full_screen else window.desktop_size
    if is_larger and (needed[0] > most[0] or needed[1] > most[1]):
        return f"no room for scale {scale}"
    scene.scale = scale
    _enlarge(window, needed)
    return f"scale {scale}"
