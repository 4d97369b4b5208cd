"""Buttons: a picture or words, with the keys that do the same."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, auto

from busplay.view import theme
from busplay.view.theme import Colour
from busplay.view.widgets.box import Box
from busplay.view.widgets.drawing import Command, Drawing, Fill, Hot, Look, Outline, Polygon


class Icon(Enum):
    """Pictures on buttons."""

    NONE = auto()
    PLAY = auto()
    PLAY_BACK = auto()
    PAUSE = auto()
    STEP = auto()
    STEP_BACK = auto()
    TO_BEGIN = auto()
    TO_END = auto()


@dataclass(frozen=True, slots=True)
class Button:
    """What a button shows and does.

    Attributes:
        action: what a click does.
        icon: its picture, if it has one.
        label: its words; a button has an icon, a label or both.
        keys: shown small beside it; empty: no key does the same.
        tip: what hovering tells.
        active: it is switched on.
        enabled: it can be clicked.
        widest: room is kept for this label, so that a change moves nothing.
    """

    action: object
    icon: Icon = Icon.NONE
    label: str = ""
    keys: str = ""
    tip: str = ""
    active: bool = False
    enabled: bool = True
    widest: str = ""


def button_width(button: Button, look: Look) -> int:
    """Return the width of a button in pixels."""
    sizes, measure = look.sizes, look.measure
    width = 2 * sizes.pad_px
    parts = 0
    if button.icon is not Icon.NONE:
        width += _icon_px(look)
        parts += 1
    if button.label or button.widest:
        width += max(
            measure.width(button.label, sizes.text_px), measure.width(button.widest, sizes.text_px)
        )
        parts += 1
    if button.keys:
        width += measure.width(button.keys, sizes.small_px)
        parts += 1
    return width + max(0, parts - 1) * (sizes.pad_px // 2)


def draw_button(button: Button, box: Box, look: Look, *, hovered: bool = False) -> Drawing:
    """Return a button's drawing."""
    ground = theme.CONTROL_ACTIVE if button.active else theme.CONTROL
    if hovered and button.enabled:
        ground = theme.CONTROL_HOVER
    colour = theme.TEXT if button.enabled else theme.DISABLED
    drawing = Drawing([Fill(box, ground)])
    if button.active:
        drawing.draw(Outline(box, theme.ACCENT))
    inner = box.inset(look.sizes.pad_px, 0)
    gap = look.sizes.pad_px // 2
    if button.icon is not Icon.NONE:
        side = _icon_px(look)
        place = Box(inner.left, box.top + (box.height - side) // 2, side, side)
        drawing.draw(*icon_commands(button.icon, place, colour))
        inner = inner.cut_left(side + gap)[1]
    if button.keys:
        inner, keys = inner.cut_right(look.measure.width(button.keys, look.sizes.small_px))
        key_colour = theme.KEY if button.enabled else theme.DISABLED
        drawing.draw(look.words(button.keys, keys, key_colour, ground, align="right", small=True))
        inner = inner.cut_right(gap)[0]
    if button.label:
        drawing.draw(look.words(button.label, inner, colour, ground))
    if button.enabled:
        tip = f"{button.tip}  ({button.keys})" if button.keys and button.tip else button.tip
        drawing.heat(Hot(box, button.action, tip))
    return drawing


def draw_buttons(
    buttons: list[Button | None], box: Box, look: Look, hovered: object = None
) -> Drawing:
    """Return buttons in a row from the left, as many as there is room for; None is a gap.

    Args:
        buttons: the most needed first within what is left out last.
        box: the row.
        look: sizes.
        hovered: action of the hot place under the mouse.
    """
    drawing = Drawing()
    left = box.left
    gap = max(2, look.sizes.pad_px // 4)
    for button in buttons:
        if button is None:
            left += look.sizes.pad_px
            continue
        width = button_width(button, look)
        if left + width > box.right:
            break
        place = Box(left, box.top, width, box.height)
        drawing.add(draw_button(button, place, look, hovered=hovered == button.action))
        left += width + gap
    return drawing


def _icon_px(look: Look) -> int:
    return look.sizes.text_px * 3 // 4


def icon_commands(icon: Icon, box: Box, colour: Colour) -> list[Command]:
    """Return the shapes of a button's picture."""
    left, top, side, _ = box
    right, bottom, middle = left + side, top + side, top + side // 2
    bar = max(2, side // 5)

    def arrow(first: int, last: int, *, back: bool) -> Polygon:
        tip, base = (first, last) if back else (last, first)
        return Polygon(((base, top), (tip, middle), (base, bottom)), colour)

    if icon is Icon.PLAY:
        return [arrow(left + bar // 2, right, back=False)]
    if icon is Icon.PLAY_BACK:
        return [arrow(left, right - bar // 2, back=True)]
    if icon is Icon.PAUSE:
        third = side // 3
        return [
            Fill(Box(left + bar // 2, top, third, side), colour),
            Fill(Box(right - third - bar // 2, top, third, side), colour),
        ]
    if icon is Icon.STEP:
        return [Fill(Box(left, top, bar, side), colour), arrow(left + 2 * bar, right, back=False)]
    if icon is Icon.STEP_BACK:
        return [
            Fill(Box(right - bar, top, bar, side), colour),
            arrow(left, right - 2 * bar, back=True),
        ]
    if icon is Icon.TO_BEGIN:
        return [
            Fill(Box(left, top, bar, side), colour),
            arrow(left + bar, left + bar + (side - bar) // 2, back=True),
            arrow(left + bar + (side - bar) // 2, right, back=True),
        ]
    if icon is Icon.TO_END:
        return [
            Fill(Box(right - bar, top, bar, side), colour),
            arrow(left, left + (side - bar) // 2, back=False),
            arrow(left + (side - bar) // 2, right - bar, back=False),
        ]
    return []
