"""The whole window: units side by side with their names, bars, help, a short note."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import pygame

from busplay.description.board import Unit
from busplay.display.arrangement import Arrangement, UnitPlace, arrange, largest_scale
from busplay.display.display import Display
from busplay.player.player import Player
from busplay.view import theme
from busplay.view.help import HelpOverlay
from busplay.view.picture import draw_display
from busplay.view.position_bar import PositionBar
from busplay.view.status_line import StatusCell, StatusLine
from busplay.view.text import Texts
from busplay.view.theme import Sizes

MOST_TRIES = 8


@dataclass(slots=True)
class Scene:
    """What the next picture of the window shows.

    Attributes:
        player: whose displays and position.
        cells: of the status line.
        scale: side of a pixel's square, or None: as large as fits.
        stacked: units one below the other.
        help_open: the help covers the picture.
        note: a short line for a moment; empty if none.
    """

    player: Player
    cells: list[StatusCell] = field(default_factory=list)
    scale: int | None = None
    stacked: bool = False
    help_open: bool = False
    note: str = ""

    @property
    def units(self) -> list[Unit]:
        """The units, in order."""
        return [display.unit for display in self.player.playable.displays.values()]


@dataclass(frozen=True, slots=True)
class Drawn:
    """What stood where in the last picture: for clicks, and for the next change of scale."""

    scale: int
    position_bar: PositionBar | None


class Painter:
    """Draws scenes; keeps only what saves drawing it again."""

    def __init__(self) -> None:
        self._texts = Texts()
        self._status_line = StatusLine(self._texts)
        self._help = HelpOverlay(self._texts)

    def paint(self, target: pygame.Surface, scene: Scene) -> Drawn:
        """Draw a whole picture of the window onto a surface of 32 bits a pixel."""
        width, height = target.get_size()
        sizes = Sizes.for_window(width, height)
        target.fill(theme.BACKGROUND)
        bottom = height - self._status_line.height(sizes)
        bar = self._position_bar(scene, width, bottom, sizes)
        if bar is not None:
            bottom = bar.top_px
        room = (width - 2 * sizes.margin_px, bottom - 2 * sizes.margin_px)
        scale = self.scale_that_fits(scene, room, sizes)
        self._draw_units(target, scene, scale, (width, bottom), sizes)
        if bar is not None:
            bar.draw(
                target,
                cycle=scene.player.playable.cycle,
                begin_mark=scene.player.begin_mark,
                end_mark=scene.player.end_mark,
                sizes=sizes,
            )
        self._status_line.draw(target, scene.cells, sizes)
        if scene.note and not scene.help_open:
            self._draw_note(target, scene.note, bottom, sizes)
        if scene.help_open:
            self._help.draw(target, sizes, replay=scene.player.playable.can_seek)
        return Drawn(scale, bar)

    def scale_that_fits(self, scene: Scene, room: tuple[int, int], sizes: Sizes) -> int:
        """Return the scale to draw at: the one asked for, or the largest that fits."""
        if scene.scale is not None:
            return scene.scale
        return largest_scale(
            scene.units,
            room_width_px=room[0],
            room_height_px=room[1],
            gap_px=self._gap(sizes),
            caption_px=self._caption_height(sizes),
            stacked=scene.stacked,
        )

    def window_size_for(self, scene: Scene, scale: int, near: tuple[int, int]) -> tuple[int, int]:
        """Return the size of a window in which the units just fit at a scale.

        Letters grow with the window, so the answer is looked for, from `near` on.
        """
        size = near
        for _ in range(MOST_TRIES):
            needed = self._needed_size(scene, scale, Sizes.for_window(*size))
            if needed == size:
                break
            size = needed
        return size

    def status_width_for(self, scene: Scene, near: tuple[int, int]) -> int:
        """Return the width of a window that shows the whole status line, in letters for a size."""
        return self._status_line.width(scene.cells, Sizes.for_window(*near))

    def _needed_size(self, scene: Scene, scale: int, sizes: Sizes) -> tuple[int, int]:
        arrangement = self._arrange(scene, scale, sizes)
        bars = self._status_line.height(sizes)
        bar = self._position_bar(scene, 0, 0, sizes)
        if bar is not None:
            bars += bar.height_px
        return (
            arrangement.width_px + 2 * sizes.margin_px,
            arrangement.height_px + 2 * sizes.margin_px + bars,
        )

    def _arrange(self, scene: Scene, scale: int, sizes: Sizes) -> Arrangement:
        return arrange(
            scene.units,
            scale=scale,
            gap_px=self._gap(sizes),
            caption_px=self._caption_height(sizes),
            stacked=scene.stacked,
        )

    def _gap(self, sizes: Sizes) -> int:
        return 2 * sizes.pad_px

    def _caption_height(self, sizes: Sizes) -> int:
        return self._texts.height(sizes.text_px) + sizes.pad_px // 2

    def _position_bar(
        self, scene: Scene, width: int, bottom: int, sizes: Sizes
    ) -> PositionBar | None:
        playable = scene.player.playable
        if not playable.can_seek or playable.end_cycle is None:
            return None
        return PositionBar.at(width, bottom, playable.end_cycle, sizes)

    def _draw_units(
        self,
        target: pygame.Surface,
        scene: Scene,
        scale: int,
        room: tuple[int, int],
        sizes: Sizes,
    ) -> None:
        arrangement = self._arrange(scene, scale, sizes)
        left = max(sizes.margin_px, (room[0] - arrangement.width_px) // 2)
        top = max(sizes.margin_px, (room[1] - arrangement.height_px) // 2)
        displays: Mapping[str, Display] = scene.player.playable.displays
        for place in arrangement.places:
            self._draw_unit(target, displays[place.unit.name], place, (left, top), scale, sizes)

    def _draw_unit(
        self,
        target: pygame.Surface,
        display: Display,
        place: UnitPlace,
        corner: tuple[int, int],
        scale: int,
        sizes: Sizes,
    ) -> None:
        unit = place.unit
        left, top = corner[0] + place.left_px, corner[1] + place.top_px
        caption_top = top - self._caption_height(sizes)
        width = self._texts.draw(
            target,
            self._texts.shortened(unit.name, sizes.text_px, place.width_px),
            (left, caption_top),
            size_px=sizes.text_px,
            colour=theme.TEXT,
        )
        facts = f"{unit.width_px} × {unit.height_px}, {1 << unit.bits_per_pixel} colours"
        facts_left = width + sizes.pad_px
        if facts_left + self._texts.width(facts, sizes.text_px) <= place.width_px:
            self._texts.draw(
                target,
                facts,
                (left + facts_left, caption_top),
                size_px=sizes.text_px,
                colour=theme.DIM,
            )
        # A line round it, so that a dark picture does not melt into the background.
        outline = (left - 1, top - 1, place.width_px + 2, place.height_px + 2)
        pygame.draw.rect(target, theme.LINE, outline, width=1)
        if place.border_px:
            target.fill(display.border_rgb, (left, top, place.width_px, place.height_px))
        draw_display(
            display,
            target,
            left_px=left + place.border_px,
            top_px=top + place.border_px,
            scale=scale,
        )

    def _draw_note(self, target: pygame.Surface, note: str, bottom: int, sizes: Sizes) -> None:
        pad = sizes.pad_px
        text = self._texts.shortened(note, sizes.text_px, target.get_width() - 4 * pad)
        width = self._texts.width(text, sizes.text_px) + 2 * pad
        height = self._texts.height(sizes.text_px) + pad
        box = pygame.Rect((target.get_width() - width) // 2, bottom - height - pad, width, height)
        pygame.draw.rect(target, theme.PANEL, box, border_radius=pad // 2)
        pygame.draw.rect(target, theme.LINE, box, width=1, border_radius=pad // 2)
        self._texts.draw(
            target,
            text,
            (box.left + pad, box.top + pad // 2),
            size_px=sizes.text_px,
            colour=theme.TEXT,
        )
