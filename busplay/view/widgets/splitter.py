"""Splitters: the line between two panels, which the mouse moves."""

from __future__ import annotations

from typing import Literal

from busplay.view import theme
from busplay.view.widgets.box import Box
from busplay.view.widgets.drawing import Drawing, Fill, Hot, Look

PERMILLE = 1000


def split_px(whole_px: int, permille: int, *, least_first_px: int, least_second_px: int) -> int:
    """Return the size of the first of two parts; the leasts win over the ratio, the first's first.

    Args:
        whole_px: both parts together.
        permille: the first part's share that is wanted.
        least_first_px, least_second_px: what the parts need.
    """
    most = max(0, whole_px - least_second_px)
    return min(max(min(most, whole_px * permille // PERMILLE), least_first_px), whole_px)


def draw_splitter(
    box: Box, look: Look, action: object, *, along: Literal["across", "down"], hovered: bool
) -> Drawing:
    """Return the line between two panels; `along` is the way in which it moves."""
    drawing = Drawing([Fill(box, theme.ACCENT if hovered else theme.LINE)])
    grip = max(12, 2 * look.sizes.text_px)
    if along == "across":
        place = Box(box.left, box.top + (box.height - grip) // 2, box.width, grip)
        hot = Box(box.left - 2, box.top, box.width + 4, box.height)
    else:
        place = Box(box.left + (box.width - grip) // 2, box.top, grip, box.height)
        hot = Box(box.left, box.top - 2, box.width, box.height + 4)
    drawing.draw(Fill(place, theme.DIM))
    return drawing.heat(Hot(hot, action, cursor=along))
