"""A menu: choices, one of them ticked, below or above what opened it.

They stand in one column, or in several where the window is too low for one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from busplay.view import theme
from busplay.view.widgets.box import Box
from busplay.view.widgets.drawing import Drawing, Fill, Hot, Look, Outline


@dataclass(frozen=True, slots=True)
class Choice:
    """One line of a menu.

    Attributes:
        label: its words.
        action: what a click does.
        keys: that do the same.
        ticked: it is the present one.
        enabled: it can be chosen; if not, `why` tells why.
        why: see `enabled`.
    """

    label: str
    action: object
    keys: str = ""
    ticked: bool = False
    enabled: bool = True
    why: str = ""


def draw_menu(
    choices: Sequence[Choice],
    at: tuple[int, int],
    window: Box,
    look: Look,
    *,
    chosen: int | None = None,
    hovered: object = None,
) -> Drawing:
    """Return a menu with its corner at a point, moved so that it stays inside the window."""
    sizes, measure = look.sizes, look.measure
    pad = sizes.pad_px
    tick_px = sizes.text_px
    label_px = max((measure.width(one.label, sizes.text_px) for one in choices), default=0)
    keys_px = max((measure.width(one.keys, sizes.small_px) for one in choices), default=0)
    rows = max(1, min(len(choices), (window.height - pad) // look.row_px))
    columns = max(1, -(-len(choices) // rows))
    rows = -(-len(choices) // columns)
    wanted = 2 * pad + tick_px + label_px + (pad + keys_px if keys_px else 0)
    column_px = min(wanted, (window.width - 2) // columns)
    width = columns * column_px
    height = rows * look.row_px + pad
    left = min(max(window.left, at[0]), max(window.left, window.right - width))
    top = min(max(window.top, at[1]), max(window.top, window.bottom - height))
    box = Box(left, top, width, height)
    drawing = Drawing([Fill(box, theme.TIP), Outline(box, theme.DIM)])
    for i, one in enumerate(choices):
        column, row = divmod(i, rows)
        line = Box(
            left + 1 + column * column_px,
            top + pad // 2 + row * look.row_px,
            column_px - 2,
            look.row_px,
        )
        lit = one.enabled and (i == chosen or one.action == hovered)
        ground = theme.CONTROL_HOVER if lit else theme.TIP
        if lit:
            drawing.draw(Fill(line, ground))
        inner = line.inset(pad - 1, 0)
        if one.ticked:
            side = tick_px // 2
            mark = Box(inner.left, line.top + (line.height - side) // 2, side, side)
            drawing.draw(Fill(mark, theme.ACCENT))
        inner = inner.cut_left(tick_px)[1]
        colour = theme.TEXT if one.enabled else theme.DISABLED
        if one.keys:
            inner, place = inner.cut_right(measure.width(one.keys, sizes.small_px))
            key_colour = theme.KEY if one.enabled else theme.DISABLED
            drawing.draw(look.words(one.keys, place, key_colour, ground, align="right", small=True))
            inner = inner.cut_right(pad // 2)[0]
        drawing.draw(look.words(one.label, inner, colour, ground))
        drawing.heat(Hot(line, one.action if one.enabled else None, one.why))
    return drawing
