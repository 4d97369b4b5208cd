"""A report's page as data, and the one way from there to HTML."""

from __future__ import annotations

import base64
import hashlib
from dataclasses import dataclass, field
from importlib.util import find_spec
from pathlib import Path
from typing import TypeAlias

from busplay.errors import BusplayError

FOLDER = Path(__file__).parent
_STYLE = "report.css"
_TEMPLATE = "report.html.in"


@dataclass(frozen=True, slots=True)
class FactList:
    """Labels and texts; an empty label goes on from the one above."""

    rows: tuple[tuple[str, str], ...]
    kind: str = field(default="facts", init=False)


@dataclass(frozen=True, slots=True)
class ReportTable:
    """A table.

    Attributes:
        caption: what it shows.
        head: of each column.
        rows: cells, as many a row as there are columns.
        left: columns that are set to the left; the others hold numbers.
        more: what is said below it.
    """

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    left: frozenset[int] = frozenset({0})
    more: str = ""
    kind: str = field(default="table", init=False)


@dataclass(frozen=True, slots=True)
class ReportFigure:
    """A picture within the file.

    Attributes:
        title: above it.
        source: a `data:` address.
        alt: what it shows, for who cannot see it.
        note: below it.
        width_px, height_px: size at which it is shown where there is room.
        is_screen: made of a display's pixels, which stay squares.
    """

    title: str
    source: str
    alt: str
    note: str
    width_px: int
    height_px: int
    is_screen: bool = False
    kind: str = field(default="figure", init=False)


@dataclass(frozen=True, slots=True)
class FigureRow:
    """Figures side by side where there is room."""

    figures: tuple[ReportFigure, ...]
    kind: str = field(default="row", init=False)


@dataclass(frozen=True, slots=True)
class ReportProse:
    """A paragraph; a warning is set apart."""

    text: str
    is_warning: bool = False
    kind: str = field(default="prose", init=False)


@dataclass(frozen=True, slots=True)
class CommandList:
    """Commands, each with what it is for."""

    rows: tuple[tuple[str, str], ...]
    kind: str = field(default="commands", init=False)


ReportPart: TypeAlias = (
    FactList | ReportTable | ReportFigure | FigureRow | ReportProse | CommandList
)


@dataclass(frozen=True, slots=True)
class ReportSection:
    """A part of the page under a heading."""

    title: str
    parts: tuple[ReportPart, ...]

    @property
    def name(self) -> str:
        """The heading as a fragment of the page's address."""
        return "-".join(self.title.lower().split())


@dataclass(frozen=True, slots=True)
class ReportPage:
    """A report.

    Attributes:
        title: what it is of.
        verdict: the most important, in a sentence.
        is_fine: nothing was wrong.
        sections: in order.
    """

    title: str
    verdict: str
    is_fine: bool
    sections: tuple[ReportSection, ...]

    @property
    def figures(self) -> int:
        """How many pictures it has."""
        count = 0
        for section in self.sections:
            for part in section.parts:
                if isinstance(part, FigureRow):
                    count += len(part.figures)
                count += isinstance(part, ReportFigure)
        return count


def require_can_report() -> None:
    """Refuse a report for want of a package, before anything is worked out.

    Raises:
        BusplayError: Matplotlib is missing; names the extra that brings it.
    """
    if find_spec("matplotlib") is None:
        raise BusplayError(
            "report needs Matplotlib; install it with: pip install 'busplay[analysis]'"
        )


def data_address(kind: str, content: bytes) -> str:
    """Return content as an address that holds it.

    Args:
        kind: media type, such as `image/png`.
        content: the bytes.
    """
    return f"data:{kind};base64,{base64.b64encode(content).decode()}"


def render(page: ReportPage) -> str:
    """Return a page as HTML.

    No text of the page is markup: all of it is escaped. The style is allowed by its digest, images
    within the file, and nothing else.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(FOLDER),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    style = (FOLDER / _STYLE).read_text(encoding="utf-8")
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    return environment.get_template(_TEMPLATE).render(page=page, style=style, style_digest=digest)
