"""Draw lists: what a widget asks for, as plain values, and where it can be clicked.

How to think about it. A widget draws nothing. It returns a `Drawing`: commands, painted in their
order, and hot places, each with what happens there. Two drawings that are equal look the same, so a
panel whose drawing has not changed is not painted again; and a test reads a drawing as it is.

What a hot place does is an action: any frozen value, which the window knows how to do.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from busplay.view.theme import Colour, Sizes
from busplay.view.widgets.box import Box

Align = Literal["left", "right", "centre"]


@dataclass(frozen=True, slots=True)
class Fill:
    """A box of one colour."""

    box: Box
    colour: Colour


@dataclass(frozen=True, slots=True)
class Outline:
    """A line round a box, one pixel wide unless said otherwise, inside it."""

    box: Box
    colour: Colour
    width_px: int = 1


@dataclass(frozen=True, slots=True)
class Polygon:
    """A filled shape with smooth edges: arrows and the like."""

    points: tuple[tuple[int, int], ...]
    colour: Colour


@dataclass(frozen=True, slots=True)
class Words:
    """A line of text on a ground of one colour.

    Attributes:
        text: what it says.
        left_px, top_px: the corner; of a text aligned otherwise, its right edge or middle.
        size_px: of the letters.
        colour, ground: of the letters and of what lies behind them.
        align: which column of the text stands at `left_px`.
        fixed: digits and letters stand in cells of equal width, so that hex stands in columns.
    """

    text: str
    left_px: int
    top_px: int
    size_px: int
    colour: Colour
    ground: Colour
    align: Align = "left"
    fixed: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Bitmap:
    """A plot: palette indexes, painted at their size; equal only to itself.

    Attributes:
        box: its place; as large as `indexes`.
        indexes: uint8[height, width].
        colours: of the indexes, from 0 on.
    """

    box: Box
    indexes: NDArray[np.uint8]
    colours: tuple[Colour, ...]


@dataclass(frozen=True, slots=True)
class Clip:
    """What comes after it is cut to a box; None: cut no longer."""

    box: Box | None


Command = Fill | Outline | Polygon | Words | Bitmap | Clip


@dataclass(frozen=True, slots=True)
class Hot:
    """A place that answers the mouse.

    Attributes:
        box: where.
        action: what a click does; None: nothing, but it may tell something.
        tip: what hovering tells, with the keys that do the same; it may have several lines.
        cursor: shape of the mouse's pointer.
    """

    box: Box
    action: object
    tip: str = ""
    cursor: Literal["arrow", "hand", "across", "down", "cross"] = "hand"


@dataclass(slots=True)
class Drawing:
    """Commands in the order of painting, and hot places; later ones lie above earlier ones."""

    commands: list[Command] = field(default_factory=list)
    hots: list[Hot] = field(default_factory=list)

    def add(self, *others: Drawing) -> Drawing:
        """Put other drawings above this one; return this one."""
        for other in others:
            self.commands += other.commands
            self.hots += other.hots
        return self

    def draw(self, *commands: Command) -> Drawing:
        """Put commands above what is there; return this one."""
        self.commands += commands
        return self

    def heat(self, hot: Hot) -> Drawing:
        """Put a hot place above those that are there; return this one."""
        self.hots.append(hot)
        return self


def hot_at(hots: Iterable[Hot], x: int, y: int) -> Hot | None:
    """Return the uppermost hot place at a pixel, or None."""
    found = None
    for hot in hots:
        if hot.box.contains(x, y):
            found = hot
    return found


class Measure(Protocol):
    """Sizes of text, as the painter will paint it."""

    def width(self, text: str, size_px: int) -> int:
        """Return the width of a text in pixels."""

    def fixed_width(self, text: str, size_px: int) -> int:
        """Return the width of a text in cells of equal width."""

    def height(self, size_px: int) -> int:
        """Return the height of a line in pixels."""

    def shortened(self, text: str, size_px: int, room_px: int) -> str:
        """Cut a text that is too wide, and end it with three dots."""

    def wrapped(self, text: str, size_px: int, room_px: int) -> list[str]:
        """Break a text between words so that each line fits."""


@dataclass(frozen=True, slots=True)
class Look:
    """What every widget needs to know: how large text is, and how large things are."""

    measure: Measure
    sizes: Sizes

    @property
    def line_px(self) -> int:
        """Height of a line of text."""
        return self.measure.height(self.sizes.text_px)

    @property
    def row_px(self) -> int:
        """Height of a row of a list or a button."""
        return self.line_px + self.sizes.pad_px // 2

    def words(
        self,
        text: str,
        box: Box,
        colour: Colour,
        ground: Colour,
        *,
        align: Align = "left",
        small: bool = False,
        fixed: bool = False,
    ) -> Words:
        """Return a text in a box, in the middle of its height, cut to its width."""
        size_px = self.sizes.small_px if small else self.sizes.text_px
        width = self.measure.fixed_width if fixed else self.measure.width
        if width(text, size_px) > box.width:
            text = self.measure.shortened(text, size_px, box.width)
        left = {
            "left": box.left,
            "right": box.right,
            "centre": box.left + box.width // 2,
        }[align]
        top = box.top + (box.height - self.measure.height(size_px)) // 2
        return Words(text, left, top, size_px, colour, ground, align, fixed)
