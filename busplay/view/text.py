"""Words on the window: pygame's own font, drawn once and kept."""

from __future__ import annotations

import pygame

from busplay.view.theme import Colour

MOST_KEPT = 600
# Letters are drawn this much larger and then made small: the font's own hints space small
# letters unevenly.
OVERSIZE = 4


class Texts:
    """Draws text and keeps what it drew, since most of it stays for many pictures."""

    def __init__(self) -> None:
        self._fonts: dict[int, pygame.font.Font] = {}
        self._kept: dict[tuple[str, int, Colour], pygame.Surface] = {}

    def _font(self, size_px: int) -> pygame.font.Font:
        """Return pygame's bundled font, `OVERSIZE` times as large."""
        if size_px not in self._fonts:
            self._fonts[size_px] = pygame.font.Font(None, size_px * OVERSIZE)
        return self._fonts[size_px]

    def width(self, text: str, size_px: int) -> int:
        """Return the width of a text."""
        return -(-self._font(size_px).size(text)[0] // OVERSIZE)

    def height(self, size_px: int) -> int:
        """Return the height of a line."""
        return -(-self._font(size_px).get_linesize() // OVERSIZE)

    def draw(
        self,
        target: pygame.Surface,
        text: str,
        place: tuple[int, int],
        *,
        size_px: int,
        colour: Colour,
    ) -> int:
        """Draw a text with its top left corner at a place; return its width."""
        key = (text, size_px, colour)
        image = self._kept.get(key)
        if image is None:
            if len(self._kept) >= MOST_KEPT:
                self._kept.clear()
            large = self._font(size_px).render(text, True, colour)
            height = -(-large.get_height() // OVERSIZE)
            image = pygame.transform.smoothscale(large, (self.width(text, size_px), height))
            self._kept[key] = image
        target.blit(image, place)
        return image.get_width()

    def shortened(self, text: str, size_px: int, room_px: int) -> str:
        """Cut a text that is too wide, and end it with three dots."""
        if self.width(text, size_px) <= room_px:
            return text
        while text and self.width(text.rstrip() + "…", size_px) > room_px:
            text = text[:-1]
        return text.rstrip() + "…" if text else ""

    def wrapped(self, text: str, size_px: int, room_px: int) -> list[str]:
        """Break a text between words so that each line fits."""
        lines: list[str] = []
        line = ""
        for word in text.split():
            longer = f"{line} {word}" if line else word
            if line and self.width(longer, size_px) > room_px:
                lines.append(line)
                line = word
            else:
                line = longer
        return [*lines, line] if line else lines
