"""Words on the window: pygame's own font, each letter drawn once and kept.

A list that runs shows some thousand letters that change with every picture, and few of its texts
are ever seen twice: so letters are kept, not texts. A letter on a known ground is kept without
transparency, which makes blitting it a copy.
"""

from __future__ import annotations

import pygame

from busplay.view.theme import Colour

LETTERS_MAX = 8_000
WIDTHS_MAX = 8_000
# Letters are drawn this much larger and then made small: the font's own hints space small
# letters unevenly.
OVERSIZE = 4
# The widest of what stands in columns: hex digits and bits.
FIXED_SAMPLE = "0123456789ABCDEF$"

_Letter = tuple[str, int, Colour, Colour | None]


class Texts:
    """Draws text, and keeps every letter that it drew."""

    def __init__(self) -> None:
        self._fonts: dict[int, pygame.font.Font] = {}
        self._letters: dict[_Letter, pygame.Surface] = {}
        self._advances: dict[tuple[str, int], int] = {}
        self._widths: dict[tuple[str, int], int] = {}
        self._heights: dict[int, int] = {}
        self._cells: dict[int, int] = {}

    def _font(self, size_px: int) -> pygame.font.Font:
        """Return pygame's bundled font, `OVERSIZE` times as large."""
        if size_px not in self._fonts:
            self._fonts[size_px] = pygame.font.Font(None, size_px * OVERSIZE)
        return self._fonts[size_px]

    def _advance(self, letter: str, size_px: int) -> int:
        """Return the room of a letter, in parts of a pixel; whole pixels for a digit.

        Figures that stand above each other must not drift by parts of pixels.
        """
        key = (letter, size_px)
        found = self._advances.get(key)
        if found is None:
            found = self._font(size_px).size(letter)[0]
            if letter.isdigit():
                found = -(-found // OVERSIZE) * OVERSIZE
            if len(self._advances) >= WIDTHS_MAX:
                self._advances.clear()
            self._advances[key] = found
        return found

    def width(self, text: str, size_px: int) -> int:
        """Return the width of a text."""
        key = (text, size_px)
        found = self._widths.get(key)
        if found is None:
            found = -(-sum(self._advance(letter, size_px) for letter in text) // OVERSIZE)
            if len(self._widths) >= WIDTHS_MAX:
                self._widths.clear()
            self._widths[key] = found
        return found

    def cell_width(self, size_px: int) -> int:
        """Return the width of a cell of text in columns."""
        if size_px not in self._cells:
            self._cells[size_px] = max(self.width(letter, size_px) for letter in FIXED_SAMPLE)
        return self._cells[size_px]

    def fixed_width(self, text: str, size_px: int) -> int:
        """Return the width of a text in cells of equal width."""
        return len(text) * self.cell_width(size_px)

    def height(self, size_px: int) -> int:
        """Return the height of a line."""
        if size_px not in self._heights:
            self._heights[size_px] = -(-self._font(size_px).get_linesize() // OVERSIZE)
        return self._heights[size_px]

    def _letter(
        self, letter: str, size_px: int, colour: Colour, ground: Colour | None
    ) -> pygame.Surface:
        key = (letter, size_px, colour, ground)
        image = self._letters.get(key)
        if image is None:
            if len(self._letters) >= LETTERS_MAX:
                self._letters.clear()
            large = self._font(size_px).render(letter, True, colour)
            width = max(1, -(-large.get_width() // OVERSIZE))
            height = -(-large.get_height() // OVERSIZE)
            image = pygame.transform.smoothscale(large, (width, height))
            if ground is not None:
                opaque = pygame.Surface(image.get_size(), depth=32)
                opaque.fill(ground)
                opaque.blit(image, (0, 0))
                image = opaque
            self._letters[key] = image
        return image

    def letters(
        self,
        text: str,
        place: tuple[int, int],
        *,
        size_px: int,
        colour: Colour,
        ground: Colour | None = None,
        fixed: bool = False,
    ) -> list[tuple[pygame.Surface, tuple[int, int]]]:
        """Return the letters of a text and where each goes, for one call that blits them all."""
        left, top = place
        blits: list[tuple[pygame.Surface, tuple[int, int]]] = []
        cell = self.cell_width(size_px) if fixed else 0
        along = 0
        for letter in text:
            if letter != " ":
                image = self._letter(letter, size_px, colour, ground)
                shift = (cell - image.get_width()) // 2 if fixed else 0
                blits.append((image, (left + along // OVERSIZE + shift, top)))
            along += cell * OVERSIZE if fixed else self._advance(letter, size_px)
        return blits

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
        target.fblits(self.letters(text, place, size_px=size_px, colour=colour))
        return self.width(text, size_px)

    def shortened(self, text: str, size_px: int, room_px: int) -> str:
        """Cut a text that is too wide, and end it with three dots."""
        if self.width(text, size_px) <= room_px:
            return text
        low, high = 0, len(text)
        while low < high:
            middle = (low + high + 1) // 2
            if self.width(text[:middle].rstrip() + "…", size_px) <= room_px:
                low = middle
            else:
                high = middle - 1
        return text[:low].rstrip() + "…" if low else ""

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
