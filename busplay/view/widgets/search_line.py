"""A line to type into: what to search for, a note, a breakpoint."""

from __future__ import annotations

from dataclasses import dataclass, replace

from busplay.view import theme
from busplay.view.widgets.box import Box
from busplay.view.widgets.drawing import Drawing, Fill, Hot, Look, Outline

TEXT_MAX = 200
BOX_EM = 40
"""The width of a line in a box of its own, in letters' heights, where there is room."""


@dataclass(frozen=True, slots=True)
class Typing:
    """What has been typed, and where the next letter goes.

    Attributes:
        text: so far.
        cursor: letters before it.
        hint: stands there while nothing is typed.
        answer: what became of it: `3 of 17`, or why nothing was found.
        letters_max: more cannot be typed.
    """

    text: str = ""
    cursor: int = 0
    hint: str = ""
    answer: str = ""
    letters_max: int = TEXT_MAX

    def typed(self, text: str) -> Typing:
        """Return it with printable text put in at the cursor."""
        new = "".join(letter for letter in text if letter.isprintable())
        new = new[: max(0, self.letters_max - len(self.text))]
        joined = self.text[: self.cursor] + new + self.text[self.cursor :]
        return replace(self, text=joined, cursor=self.cursor + len(new), answer="")

    def erased(self, *, ahead: bool = False) -> Typing:
        """Return it without the letter before the cursor, or the one behind it."""
        at = self.cursor + ahead
        if not 1 <= at <= len(self.text):
            return self
        joined = self.text[: at - 1] + self.text[at:]
        return replace(self, text=joined, cursor=at - 1, answer="")

    def moved(self, letters: int) -> Typing:
        """Return it with the cursor moved, within the text."""
        return replace(self, cursor=min(max(0, self.cursor + letters), len(self.text)))


def draw_search_line(
    typing: Typing, box: Box, look: Look, *, active: bool, action: object, keys: str = ""
) -> Drawing:
    """Return the line; while it is `active` it has a cursor."""
    ground = theme.BACKGROUND
    drawing = Drawing([Fill(box, ground), Outline(box, theme.ACCENT if active else theme.LINE)])
    pad, size = look.sizes.pad_px, look.sizes.text_px
    inner = box.inset(pad // 2, 0)
    told = typing.answer or ("" if active else keys)
    if told:
        told_px = min(look.measure.width(told, look.sizes.small_px), inner.width // 2)
        inner, place = inner.cut_right(told_px)
        colour = theme.DIM if typing.answer else theme.KEY
        drawing.draw(look.words(told, place, colour, ground, align="right", small=True))
        inner = inner.cut_right(pad // 2)[0]
    if typing.text:
        # The part before the cursor is always seen; what does not fit is left out on the left.
        before = typing.text[: typing.cursor]
        while before and look.measure.width(before, size) > inner.width - 2:
            before = before[1:]
        shown = before + typing.text[typing.cursor :]
        drawing.draw(look.words(shown, inner, theme.TEXT, ground))
    else:
        before = ""
        hint = typing.hint
        if look.measure.width(hint, size) > inner.width:
            hint = hint.partition(" ")[0].rstrip(",")
        drawing.draw(look.words(hint, inner, theme.DIM, ground))
    if active:
        left = inner.left + look.measure.width(before, size)
        drawing.draw(Fill(Box(left, box.top + 3, 2, box.height - 6), theme.TEXT))
    return drawing.heat(Hot(box, action, typing.hint))


def draw_typing_box(
    title: str, typing: Typing, top_px: int, window: Box, look: Look, *, action: object
) -> Drawing:
    """Return a line to type into in a box of its own, over whatever is below `top_px`."""
    pad, row = look.sizes.pad_px, look.row_px
    width = min(window.width - 2 * pad, BOX_EM * look.sizes.text_px)
    left = window.left + (window.width - width) // 2
    box = Box(left, min(top_px, max(0, window.bottom - 3 * row)), width, 2 * row + pad * 3 // 2)
    drawing = Drawing([Fill(box, theme.TIP), Outline(box, theme.DIM)])
    head, line = box.inset(pad, pad // 2).cut_top(row)
    keys = "Return  Esc"
    head, place = head.cut_right(look.measure.width(keys, look.sizes.small_px))
    drawing.draw(look.words(title, head, theme.DIM, theme.TIP))
    drawing.draw(look.words(keys, place, theme.KEY, theme.TIP, align="right", small=True))
    line = line.cut_top(row)[0]
    return drawing.add(draw_search_line(typing, line, look, active=True, action=action))
