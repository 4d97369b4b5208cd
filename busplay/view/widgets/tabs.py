"""Tabs: one of several panels, chosen by its name."""

from __future__ import annotations

from collections.abc import Callable

from busplay.view import theme
from busplay.view.widgets.box import Box
from busplay.view.widgets.drawing import Drawing, Fill, Hot, Look


def draw_tabs(
    names: tuple[str, ...],
    chosen: str,
    box: Box,
    look: Look,
    action_of: Callable[[str], object],
    *,
    keys: tuple[str, ...] = (),
    hovered: object = None,
) -> Drawing:
    """Return a row of tabs over the whole width of a box.

    Args:
        names: of the panels; the letters shrink to dots where there is no room.
        chosen: which is open.
        box: the row.
        look: sizes.
        action_of: returns what a click on a name does.
        keys: shown beside the names, where there is room.
        hovered: action under the mouse.
    """
    drawing = Drawing([Fill(box, theme.BAR)])
    pad, small, text = look.sizes.pad_px, look.sizes.small_px, look.sizes.text_px
    keys = keys or ("",) * len(names)
    wanted = [look.measure.width(name, text) + pad for name in names]
    hints = [look.measure.width(key, small) + pad // 2 if key else 0 for key in keys]
    with_keys = sum(wanted) + sum(hints) <= box.width
    widths = [a + (b if with_keys else 0) for a, b in zip(wanted, hints, strict=True)]
    spare = box.width - sum(widths)
    left = box.left
    for i, name in enumerate(names):
        width = widths[i] + spare // len(names) if spare >= 0 else box.width // len(names)
        if i == len(names) - 1:
            width = box.right - left
        place = Box(left, box.top, width, box.height)
        action = action_of(name)
        is_chosen = name == chosen
        ground = theme.PANEL if is_chosen else theme.BAR
        if hovered == action and not is_chosen:
            ground = theme.CONTROL_HOVER
        drawing.draw(Fill(place, ground))
        if is_chosen:
            drawing.draw(Fill(Box(left, box.top, width, max(2, look.sizes.line_px)), theme.ACCENT))
        inner = place.inset(pad // 2, 0)
        if with_keys and keys[i]:
            # Beside the name: at the end of its tab it would seem to belong to the next.
            hint = inner.cut_left(look.measure.width(name, text) + pad // 2)[1]
            drawing.draw(look.words(keys[i], hint, theme.KEY, ground, small=True))
        colour = theme.TEXT if is_chosen else theme.DIM
        drawing.draw(look.words(name, inner, colour, ground))
        drawing.heat(Hot(place, action, f"{name}  ({keys[i]})" if keys[i] else name))
        left += width
    return drawing
