"""What hovering tells: some lines in a box beside the mouse, kept inside the window."""

from __future__ import annotations

from collections.abc import Sequence

from busplay.view import theme
from busplay.view.widgets.box import Box
from busplay.view.widgets.drawing import Drawing, Fill, Look, Outline


def fits(lines: Sequence[str], window: Box, look: Look) -> bool:
    """Return whether no line has to be cut in a window."""
    widest = max((look.measure.width(line, look.sizes.text_px) for line in lines), default=0)
    return widest + 2 * look.sizes.pad_px <= window.width


def draw_tooltip(lines: Sequence[str], at: tuple[int, int], window: Box, look: Look) -> Drawing:
    """Return the box with its lines, below and right of a point or where there is room.

    Args:
        lines: what it tells; none: nothing is drawn.
        at: the mouse.
        window: where it must stay.
        look: sizes.
    """
    if not lines:
        return Drawing()
    pad, size = look.sizes.pad_px, look.sizes.text_px
    room = window.width - 2 * pad
    shown = [look.measure.shortened(line, size, room) for line in lines]
    width = max(look.measure.width(line, size) for line in shown) + 2 * pad
    height = len(shown) * look.line_px + pad
    x, y = at
    reach = look.sizes.text_px
    left = x + reach if x + reach + width <= window.right else x - reach - width
    top = y + reach if y + reach + height <= window.bottom else y - reach - height
    left = min(max(window.left, left), max(window.left, window.right - width))
    top = min(max(window.top, top), max(window.top, window.bottom - height))
    box = Box(left, top, width, height)
    drawing = Drawing([Fill(box, theme.TIP), Outline(box, theme.DIM)])
    for i, line in enumerate(shown):
        place = Box(left + pad, top + pad // 2 + i * look.line_px, width - 2 * pad, look.line_px)
        drawing.draw(look.words(line, place, theme.TEXT, theme.TIP))
    return drawing
