"""The help over the picture: keys, and the caution about pictures that flash."""

from __future__ import annotations

from collections.abc import Sequence

import pygame

from busplay.view import theme
from busplay.view.keys import HelpRow
from busplay.view.text import Texts
from busplay.view.theme import Sizes

# Follows: WCAG 2.2, 2.3.1: no more than three flashes within any one second.
CAUTION_TITLE = "Caution: pictures may flash"
CAUTION = (
    "Flashing light can bring on seizures in people with photosensitive epilepsy, also in "
    "people who do not know that they have it. The guideline WCAG 2.3.1 asks for no more than "
    "three flashes in any one second. The window warns where a program flashes more, and with "
    "--calm it holds the picture then. If you or anybody who watches may be at risk, do not watch "
    "programs that you do not know. F2 stops the picture at once."
)
CLOSING = "any key closes this"
CLOSING_SCROLLED = "wheel and arrows scroll; any other key closes this"

LEAST_TEXT_PX = 9
COLUMNS_MAX = 3
MOST_LINE_EM = 62


class HelpOverlay:
    """Draws the help in the middle of the window, in letters that make it fit."""

    def __init__(self, texts: Texts) -> None:
        self._texts = texts

    def draw(
        self, target: pygame.Surface, sizes: Sizes, rows: Sequence[HelpRow], *, scroll_px: int = 0
    ) -> int:
        """Shade what is there and draw the help over it.

        Args:
            target: the window.
            sizes: of its letters.
            rows: the keys.
            scroll_px: how far it is scrolled.

        Returns:
            How far it is scrolled, as far as there is something to see.
        """
        shade = pygame.Surface(target.get_size(), pygame.SRCALPHA)
        shade.fill((*theme.BACKGROUND, theme.SHADE_ALPHA))
        target.blit(shade, (0, 0))
        width, height = target.get_size()
        text_px = sizes.text_px + 2
        while True:
            panel = self._panel(text_px, width, rows)
            if panel.get_height() <= height and panel.get_width() <= width:
                break
            if text_px <= LEAST_TEXT_PX:
                break
            text_px -= 1
        left = max(0, (width - panel.get_width()) // 2)
        top = max(0, (height - panel.get_height()) // 2)
        scroll_px = min(max(0, scroll_px), max(0, panel.get_height() - height))
        target.blit(panel, (left, top - scroll_px))
        if panel.get_height() > height:
            self._draw_closing(target, CLOSING_SCROLLED, text_px)
        return scroll_px

    def _draw_closing(self, target: pygame.Surface, text: str, text_px: int) -> None:
        """Draw at the window's foot what has no room below the help in a tiny window."""
        small = max(LEAST_TEXT_PX, text_px * 3 // 4)
        height = self._texts.height(small)
        width, bottom = target.get_size()
        place = pygame.Rect(0, bottom - height - 2, width, height + 2)
        target.fill(theme.PANEL, place)
        left = max(0, (width - self._texts.width(text, small)) // 2)
        self._texts.draw(target, text, (left, place.top), size_px=small, colour=theme.DIM)

    def _panel(self, text_px: int, window_width_px: int, rows: Sequence[HelpRow]) -> pygame.Surface:
        texts = self._texts
        pad = text_px
        for count in range(COLUMNS_MAX, 0, -1):
            length = -(-len(rows) // count)
            columns = [rows[first : first + length] for first in range(0, len(rows), length)]
            widths = [self._column_width(column, text_px) for column in columns]
            if sum(widths) + 3 * pad * (len(columns) - 1) + 2 * pad <= window_width_px:
                break
        gap = 3 * pad
        inner = sum(widths) + gap * (len(widths) - 1)
        inner = min(max(inner, 20 * text_px), max(1, window_width_px - 2 * pad))
        line = texts.height(text_px) * 5 // 4
        caution = texts.wrapped(CAUTION, text_px, inner - 2 * pad)
        caution_height = line * (len(caution) + 1) + pad
        rows_height = line * max(len(column) for column in columns)
        height = pad + caution_height + pad + rows_height + line + pad
        panel = pygame.Surface((inner + 2 * pad, height), pygame.SRCALPHA)
        pygame.draw.rect(panel, theme.PANEL, panel.get_rect(), border_radius=pad // 2)
        pygame.draw.rect(panel, theme.LINE, panel.get_rect(), width=1, border_radius=pad // 2)
        self._draw_caution(panel, caution, (pad, pad, inner, caution_height), text_px, line)
        top = pad + caution_height + pad
        left = pad
        for column, width in zip(columns, widths, strict=True):
            self._draw_column(panel, column, left, top, text_px, line)
            left += width + gap
        small = max(LEAST_TEXT_PX, text_px * 3 // 4)
        closing_width = texts.width(CLOSING, small)
        texts.draw(
            panel,
            CLOSING,
            (pad + inner - closing_width, height - pad // 2 - texts.height(small)),
            size_px=small,
            colour=theme.DIM,
        )
        return panel

    def _draw_caution(
        self,
        panel: pygame.Surface,
        lines: list[str],
        box: tuple[int, int, int, int],
        text_px: int,
        line_px: int,
    ) -> None:
        left, top, _, height = box
        pygame.draw.rect(panel, theme.BACKGROUND, box, border_radius=text_px // 3)
        panel.fill(theme.PAUSED, (left, top, max(3, text_px // 4), height))
        left += text_px
        top += text_px // 2
        self._texts.draw(panel, CAUTION_TITLE, (left, top), size_px=text_px, colour=theme.PAUSED)
        for i, line in enumerate(lines, start=1):
            self._texts.draw(
                panel, line, (left, top + i * line_px), size_px=text_px, colour=theme.TEXT
            )

    def _column_width(self, rows: Sequence[HelpRow], text_px: int) -> int:
        does = max(self._texts.width(row.does, text_px) for row in rows)
        return self._keys_width(rows, text_px) + text_px + does

    def _keys_width(self, rows: Sequence[HelpRow], text_px: int) -> int:
        return max(self._texts.width(row.keys, text_px) for row in rows)

    def _draw_column(
        self,
        panel: pygame.Surface,
        rows: Sequence[HelpRow],
        left: int,
        top: int,
        text_px: int,
        line_px: int,
    ) -> None:
        does_left = left + self._keys_width(rows, text_px) + text_px
        for i, row in enumerate(rows):
            y = top + i * line_px
            self._texts.draw(panel, row.keys, (left, y), size_px=text_px, colour=theme.ACCENT)
            self._texts.draw(panel, row.does, (does_left, y), size_px=text_px, colour=theme.TEXT)
