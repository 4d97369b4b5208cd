"""What a data sheet is made of; both its forms render the same blocks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar


@dataclass(frozen=True, slots=True)
class Paragraph:
    """Running text."""

    kind: ClassVar[str] = "paragraph"
    text: str


@dataclass(frozen=True, slots=True)
class Caution:
    """Text that protects parts or people."""

    kind: ClassVar[str] = "caution"
    text: str


@dataclass(frozen=True, slots=True)
class Grid:
    """A table.

    Attributes:
        head: names of the columns.
        rows: cells.
        numbers: columns that are set to the right.
    """

    kind: ClassVar[str] = "grid"
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class SheetFigure:
    """A drawing.

    Attributes:
        name: of its file beside the Markdown.
        svg: a whole document.
        caption: what one sees.
    """

    kind: ClassVar[str] = "figure"
    name: str
    svg: str
    caption: str


Block = Paragraph | Caution | Grid | SheetFigure


@dataclass(frozen=True, slots=True)
class Section:
    """A part with a heading.

    Attributes:
        title: the heading.
        blocks: in order.
        level: 2, or 3 for a part of a part.
    """

    title: str
    blocks: tuple[Block, ...]
    level: int = 2

    @property
    def anchor(self) -> str:
        """What links to it name."""
        return "".join(one if one.isalnum() else "-" for one in self.title.lower())


def pair_grid(rows: list[tuple[str, str]]) -> Grid:
    """Return a table of names and texts."""
    return Grid(("", ""), tuple(rows))
