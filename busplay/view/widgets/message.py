"""A message of several lines over the screens: what went wrong, word for word."""

from __future__ import annotations

from busplay.view import theme
from busplay.view.widgets.box import Box
from busplay.view.widgets.drawing import Drawing, Fill, Look, Outline


def draw_message(text: str, room: Box, look: Look) -> Drawing:
    """Return a panel at the top of a box, as high as its lines, which are broken where they must.

    Args:
        text: lines; the first is the heading. Those without room are counted in the last line.
        room: where the panel may be.
        look: sizes.
    """
    pad, size = look.sizes.pad_px, look.sizes.text_px
    room = room.inset(pad)
    inner_px = room.width - 3 * pad
    fitting = (room.height - 2 * pad) // look.line_px
    if not text or inner_px <= 0 or fitting <= 0:
        return Drawing()
    lines: list[tuple[str, bool]] = []
    for number, line in enumerate(text.rstrip().splitlines()):
        # Blanks in front of a line show where a compiler's mark stands.
        indent = line[: len(line) - len(line.lstrip())]
        indent_px = look.measure.width(indent, size)
        broken = look.measure.wrapped(line.strip(), size, inner_px - indent_px) or [""]
        lines += [(indent + part, number == 0) for part in broken]
    if len(lines) > fitting:
        left_out = len(lines) - fitting + 1
        lines = [*lines[: fitting - 1], (f"… {left_out:,} more lines", False)]
    height = len(lines) * look.line_px + 2 * pad
    box = room.cut_top(height)[0]
    drawing = Drawing([Fill(box, theme.TIP), Outline(box, theme.ERROR)])
    drawing.draw(Fill(box.cut_left(max(3, pad // 2))[0], theme.ERROR))
    inner = box.inset(pad).cut_left(pad)[1]
    for line, is_heading in lines:
        row, inner = inner.cut_top(look.line_px)
        colour = theme.ERROR if is_heading else theme.TEXT
        drawing.draw(look.words(line, row, colour, theme.TIP))
    return drawing
