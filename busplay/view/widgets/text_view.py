"""A text view: lines of labels and values, headings, and lines that can be clicked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from busplay.view import theme
from busplay.view.theme import Colour
from busplay.view.widgets.box import Box
from busplay.view.widgets.drawing import Align, Clip, Drawing, Fill, Hot, Look, Outline
from busplay.view.widgets.table import draw_scroll_bar


@dataclass(frozen=True, slots=True)
class Line:
    """A line of a text view.

    Attributes:
        text: its words, or the label where there is a value.
        value: stands in a column of its own.
        colour: of the value, or of the words where there is none.
        swatch: a patch of this colour stands before the value.
        heading: it stands apart, and begins a part.
        fixed: the value's letters stand in cells of equal width.
        figure: the value is a number, which stands right in its column.
        action: what a click does.
        tip: what hovering tells.
    """

    text: str
    value: str = ""
    colour: Colour = theme.TEXT
    swatch: Colour | None = None
    heading: bool = False
    fixed: bool = False
    figure: bool = False
    action: object = None
    tip: str = ""


def lines_seen(box: Box, look: Look) -> int:
    """Return how many lines have room."""
    return max(0, box.inset(0, look.sizes.pad_px // 2).height // look.row_px)


def draw_text_view(
    lines: Sequence[Line],
    box: Box,
    look: Look,
    *,
    first: int = 0,
    chosen: int | None = None,
    scroll_action: object = None,
    hovered: object = None,
) -> Drawing:
    """Return the lines from `first` on, as many as there is room for.

    Args:
        lines: all of them.
        box, look: where, and how large.
        first: the uppermost.
        chosen: the line that the keyboard has chosen.
        scroll_action: of the wheel, and of the scroll bar that stands beside too many lines.
        hovered: action under the mouse.
    """
    drawing = Drawing([Clip(box), Fill(box, theme.PANEL)])
    pad = look.sizes.pad_px
    seen = lines_seen(box, look)
    if scroll_action is not None and len(lines) > seen:
        drawing.heat(Hot(box, scroll_action, cursor="arrow"))
        body, bar = box.cut_right(pad)
        drawing.add(draw_scroll_bar(len(lines), first, seen, bar))
    else:
        body = box
    inner = body.inset(pad, pad // 2)
    labels = [line.text for line in lines if line.value and not line.heading]
    label_px = max((look.measure.width(text, look.sizes.text_px) for text in labels), default=0)
    label_px = min(label_px + pad, inner.width // 2)
    figures = [line.value for line in lines if line.figure]
    figure_px = max((look.measure.width(text, look.sizes.text_px) for text in figures), default=0)
    for number, line in enumerate(lines[first : first + seen]):
        place = Box(inner.left, inner.top + number * look.row_px, inner.width, look.row_px)
        drawing.add(_draw_line(line, place, label_px, figure_px, look, hovered=hovered))
        if first + number == chosen:
            edge = Box(body.left, place.top, max(3, pad // 3), place.height)
            drawing.draw(Fill(edge, theme.ACCENT))
    return drawing.draw(Clip(None))


def _draw_line(
    line: Line, box: Box, label_px: int, figure_px: int, look: Look, *, hovered: object
) -> Drawing:
    drawing = Drawing()
    tip = line.tip
    ground = theme.PANEL
    if line.action is not None and line.action == hovered:
        ground = theme.CONTROL_HOVER
        drawing.draw(Fill(box, ground))
    if line.heading:
        drawing.draw(look.words(line.text, box, theme.ACCENT, ground))
        rest = box.cut_left(look.measure.width(line.text, look.sizes.text_px) + look.sizes.pad_px)[
            1
        ]
        middle = box.top + box.height // 2
        drawing.draw(Fill(Box(rest.left, middle, rest.width, 1), theme.LINE))
    elif not line.value:
        words = look.words(line.text, box, line.colour, ground)
        drawing.draw(words)
        if words.text != line.text:
            tip = "\n".join(filter(None, (line.text, line.tip)))
    else:
        label, value = box.cut_left(label_px)
        drawing.draw(look.words(line.text, label, theme.DIM, ground))
        if line.swatch is not None:
            side = look.sizes.text_px * 3 // 4
            patch = Box(value.left, box.top + (box.height - side) // 2, side, side)
            drawing.draw(Fill(patch, line.swatch), Outline(patch, theme.DIM))
            value = value.cut_left(side + look.sizes.pad_px // 2)[1]
        align: Align = "left"
        if line.figure:
            value, align = value.cut_left(figure_px)[0], "right"
        words = look.words(line.value, value, line.colour, ground, align=align, fixed=line.fixed)
        drawing.draw(words)
        if words.text != line.value:
            tip = "\n".join(filter(None, (line.value, line.tip)))
    if line.action is not None or tip:
        drawing.heat(Hot(box, line.action, tip, cursor="arrow" if line.action is None else "hand"))
    return drawing
