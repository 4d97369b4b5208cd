"""The whole window: screens, the instrument's panels round them, status line, help, a note.

How to think about it. What moves little is kept on a surface of its own, a part of it for each
panel, and painted again only where a part's key has changed. A picture of the window is the
screens, then these panels, then what lies above them: position, menus, what hovering tells. Where
none of that has changed, nothing is painted at all.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pygame
from numpy.typing import NDArray

from busplay.description.board import Unit
from busplay.display.display import Display
from busplay.player.flash_guard import HeldPicture
from busplay.view import theme
from busplay.view.help import HelpOverlay
from busplay.view.instrument.instrument import Instrument
from busplay.view.instrument.layout import Places, place_parts
from busplay.view.instrument.overlays import Layer, draw_legend
from busplay.view.instrument.panels import PanelPart
from busplay.view.instrument.state import Overlay
from busplay.view.paint import paint_commands
from busplay.view.screens import Layout, PlacedScreens, Screens, ShownScreen, layouts_compared
from busplay.view.status_line import StatusCell, StatusLine
from busplay.view.text import Texts
from busplay.view.theme import Colour, Sizes
from busplay.view.widgets.box import Box
from busplay.view.widgets.drawing import Drawing, Look, Outline
from busplay.view.widgets.message import draw_message

MOST_TRIES = 8


@dataclass(slots=True)
class Scene:
    """What the next picture of the window shows.

    Attributes:
        instrument: the panels, and the player with its displays and position.
        cells: of the status line.
        scale: side of a pixel's square, or None: as large as fits.
        stacked: units one below the other.
        big: letters for a projector.
        density: pixels to a point of the desktop.
        help_open: the help covers the picture.
        help_scroll_px: how far it is scrolled.
        note: a short line for a moment; empty if none.
        images: pictures to show in place of units' own, by name; new ones for each change.
        layer: what an overlay of the first unit stands for; None: no overlay.
        held: pictures that stand still in place of the displays', and of those beside them.
        caution: a line for as long as pictures flash; empty if they do not.
        message: lines over the screens, the first as a heading; empty if there are none.
    """

    instrument: Instrument
    cells: list[StatusCell] = field(default_factory=list)
    scale: int | None = None
    stacked: bool = False
    big: bool = False
    density: float = 1.0
    help_open: bool = False
    help_scroll_px: int = 0
    note: str = ""
    images: Mapping[str, NDArray[np.uint8]] | None = None
    layer: Layer | None = None
    held: Sequence[Mapping[str, HeldPicture]] | None = None
    caution: str = ""
    message: str = ""

    @property
    def layouts(self) -> list[Layout[ShownScreen]]:
        """The pictures in each layout that they may have."""
        displays = self.instrument.player.playable.displays
        actual = self.instrument.beside()
        if actual is not None:
            return layouts_compared(
                [
                    [
                        self._screen(display, f"{name}: expected"),
                        self._screen(actual[name], f"{name}: actual", side=1),
                        self._screen(display, f"{name}: difference", has_layer=True),
                    ]
                    for name, display in displays.items()
                    if name in actual
                ]
            )
        shown = [self._screen(display, name, has_layer=True) for name, display in displays.items()]
        in_column, in_row = [[shown]], [[[one] for one in shown]]
        return [in_column, in_row] if self.stacked else [in_row, in_column]

    def _screen(
        self, display: Display, title: str, *, side: int = 0, has_layer: bool = False
    ) -> ShownScreen:
        name = display.unit.name
        if self.held is not None and side < len(self.held):
            held = self.held[side][name]
            return ShownScreen(display, title, held.image, held.border_rgb)
        image = (self.images or {}).get(name) if has_layer else None
        return ShownScreen(display, title, image)

    @property
    def units(self) -> list[Unit]:
        """The units of the pictures."""
        return [one.display.unit for row in self.layouts[0] for column in row for one in column]

    def sizes(self, width_px: int, height_px: int) -> Sizes:
        """Return the sizes of letters and lines for a window."""
        if self.instrument.is_open:
            return Sizes.for_instrument(width_px, height_px, big=self.big, density=self.density)
        return Sizes.for_window(width_px, height_px, big=self.big, density=self.density)


@dataclass(frozen=True, slots=True)
class Drawn:
    """What stood where in the last picture: for the mouse, and for the next change of scale."""

    screens: PlacedScreens
    places: Places
    is_new: bool

    def fits(self, scale: int) -> bool:
        """Return whether the units have room at another scale."""
        now, box = self.screens.arrangement, self.screens.box
        return (
            now.width_px * scale <= box.width * self.scale
            and now.height_px * scale <= box.height * self.scale
        )

    @property
    def scale(self) -> int:
        """Side of a pixel's square."""
        return self.screens.scale


class Painter:
    """Draws scenes; keeps only what saves drawing it again."""

    def __init__(self) -> None:
        self.texts = Texts()
        self._status_line = StatusLine(self.texts)
        self._help = HelpOverlay(self.texts)
        self._screens = Screens(self.texts)
        self._panels: pygame.Surface | None = None
        self._keys: dict[str, tuple[object, ...]] = {}
        self._last: tuple[object, ...] = ()
        self._drawn: Drawn | None = None

    def forget(self) -> None:
        """Paint everything next time, as after the window was covered."""
        self._keys.clear()
        self._last = ()

    def paint(self, target: pygame.Surface, scene: Scene, now_ns: int = 0) -> Drawn:
        """Draw a picture of the window onto a surface of 32 bits a pixel, if it is a new one."""
        width, height = target.get_size()
        sizes = scene.sizes(width, height)
        look = Look(self.texts, sizes)
        places = self.places(scene, width, height, sizes)
        room = places.screens
        if scene.instrument.is_open:
            # The legend's room is kept, so that an overlay that comes or goes moves nothing.
            room = room.cut_bottom(look.row_px)[0]
        layouts = scene.layouts
        units = [_units_of(one) for one in layouts]
        if scene.instrument.beside() is None and self._screens.has_room(units[0], room, sizes):
            # The way that was asked for, even where the other shows them larger.
            units = units[:1]
        chosen, placed = self._screens.choose(units, room, sizes, scale=scene.scale)
        parts = scene.instrument.parts(places, look, now_ns)
        is_resized = self._panels is None or self._panels.get_size() != (width, height)
        panels = self._panels
        if panels is None or is_resized:
            panels = self._panels = pygame.Surface((width, height), depth=32)
            self._keys.clear()
        is_changed = self._paint_parts(panels, scene, parts)
        above_key, above = scene.instrument.above(Box(0, 0, width, height))
        key = (
            placed,
            id(scene.held) if scene.held is not None else scene.instrument.screens_key,
            id(scene.images),
            above_key,
            tuple(scene.cells),
            scene.note,
            scene.caution,
            scene.message,
            scene.help_open,
            scene.help_scroll_px,
            tuple(scene.instrument.marked_pixels),
        )
        if not is_changed and not is_resized and key == self._last and self._drawn is not None:
            return Drawn(placed, places, is_new=False)
        self._last = key
        target.fill(theme.BACKGROUND, places.screens)
        shown = [one for row in layouts[chosen] for column in row for one in column]
        self._screens.draw(target, shown, placed, sizes)
        self._paint_pins(target, scene, placed, look)
        paint_commands(target, draw_message(scene.message, room, look).commands, self.texts)
        for part in parts.values():
            target.blit(panels, part.box[:2], pygame.Rect(part.box))
        hots = self._status_line.draw(target, scene.cells, sizes)
        scene.instrument.take_status(hots)
        paint_commands(target, above.commands, self.texts)
        if not scene.help_open:
            lines = [(scene.caution, theme.PAUSED), (scene.note, theme.TEXT)]
            self._draw_notes(target, lines, room, sizes)
        if scene.help_open:
            rows, scroll_px = scene.instrument.help_rows, scene.help_scroll_px
            scene.help_scroll_px = self._help.draw(target, sizes, rows, scroll_px=scroll_px)
        self._drawn = Drawn(placed, places, is_new=True)
        return self._drawn

    def _paint_parts(
        self, panels: pygame.Surface, scene: Scene, parts: Mapping[str, PanelPart]
    ) -> bool:
        is_changed = set(self._keys) != set(parts)
        self._keys = {name: key for name, key in self._keys.items() if name in parts}
        for name, part in parts.items():
            key = (part.box, part.key)
            if self._keys.get(name) != key:
                drawing = part.draw()
                scene.instrument.take_hots(name, drawing)
                paint_commands(panels, drawing.commands, self.texts)
                self._keys[name] = key
                is_changed = True
        return is_changed

    def _paint_pins(
        self, target: pygame.Surface, scene: Scene, placed: PlacedScreens, look: Look
    ) -> None:
        drawing = Drawing()
        for pixel, colour in scene.instrument.marked_pixels:
            for box in placed.boxes_of(pixel.unit, pixel.x, pixel.y):
                drawing.draw(
                    Outline(box.inset(-2), theme.BACKGROUND, 1), Outline(box.inset(-1), colour, 1)
                )
        overlay = scene.instrument.overlay
        if overlay is not Overlay.NONE and scene.layer is not None:
            box = Box(placed.box.left, placed.box.bottom, placed.box.width, look.row_px)
            drawing.add(draw_legend(overlay, scene.layer, box, look))
        paint_commands(target, drawing.commands, self.texts)

    # -- sizes

    def places(self, scene: Scene, width: int, height: int, sizes: Sizes) -> Places:
        """Return the boxes of the window's parts."""
        status_px = self._status_line.height(sizes)
        look = Look(self.texts, sizes)
        if scene.instrument.is_open:
            kept = scene.instrument.state.kept
            return place_parts(
                width,
                height,
                look,
                status_px=status_px,
                side_permille=kept.side_permille,
                below_permille=kept.below_permille,
            )
        rest, status = Box(0, 0, width, height).cut_bottom(status_px)
        rest, below = rest.cut_bottom(self._thin_line_height(scene, sizes))
        none = Box(0, 0, 0, 0)
        return Places(none, rest, none, none, none, below, status)

    def _thin_line_height(self, scene: Scene, sizes: Sizes) -> int:
        # A program's own screen is all there is: it had no bar before one could go back in it.
        if not scene.instrument.has_line or scene.instrument.player.playable.hears_keys:
            return 0
        return 2 * self.texts.height(sizes.small_px) + sizes.pad_px

    def window_size_for(self, scene: Scene, scale: int, near: tuple[int, int]) -> tuple[int, int]:
        """Return the size of a window in which the units alone just fit at a scale.

        Letters grow with the window, so the answer is looked for, from `near` on.
        """
        size = near
        for _ in range(MOST_TRIES):
            needed = self._needed_size(scene, scale, scene.sizes(*size))
            if needed == size:
                break
            size = needed
        return size

    def status_width_for(self, scene: Scene, near: tuple[int, int]) -> int:
        """Return the width of a window that shows the whole status line, in letters for a size."""
        return self._status_line.width(scene.cells, scene.sizes(*near))

    def _needed_size(self, scene: Scene, scale: int, sizes: Sizes) -> tuple[int, int]:
        arrangement = self._screens.arrange(_units_of(scene.layouts[0]), scale, sizes)
        bars = self._status_line.height(sizes) + self._thin_line_height(scene, sizes)
        return (
            arrangement.width_px + 2 * sizes.margin_px,
            arrangement.height_px + 2 * sizes.margin_px + bars,
        )

    def draw_note(self, target: pygame.Surface, scene: Scene) -> None:
        """Draw the scene's note alone, over the last picture."""
        if self._drawn is not None:
            sizes = scene.sizes(*target.get_size())
            lines = [(scene.note, theme.TEXT)]
            self._draw_notes(target, lines, self._drawn.places.screens, sizes)

    def _draw_notes(
        self,
        target: pygame.Surface,
        lines: Sequence[tuple[str, Colour]],
        room: Box,
        sizes: Sizes,
    ) -> None:
        """Draw short lines over the foot of the screens, the first of them lowest."""
        pad = sizes.pad_px
        height = self.texts.height(sizes.text_px) + pad
        bottom = room.bottom - pad
        for line, colour in lines:
            text = self.texts.shortened(line, sizes.text_px, room.width - 4 * pad)
            if not text:
                continue
            width = self.texts.width(text, sizes.text_px) + 2 * pad
            left = room.left + (room.width - width) // 2
            box = pygame.Rect(left, bottom - height, width, height)
            pygame.draw.rect(target, theme.PANEL, box, border_radius=pad // 2)
            pygame.draw.rect(target, theme.LINE, box, width=1, border_radius=pad // 2)
            place = box.left + pad, box.top + pad // 2
            self.texts.draw(target, text, place, size_px=sizes.text_px, colour=colour)
            bottom -= height + pad // 2


def _units_of(layout: Layout[ShownScreen]) -> list[list[list[Unit]]]:
    return [[[one.display.unit for one in column] for column in row] for row in layout]
