"""A frame as an SVG picture: its bits by wire and edge, and a timing diagram below.

Colours are pale, and can be told apart with colour-blindness; each bit also carries its code, so
that no meaning hangs on colour.

Follows: SVG 1.1 (W3C), the elements rect, text, path, line, title and desc
"""

from __future__ import annotations

from html import escape

from busplay.analysis.pictures.timing import Timing, timing_of
from busplay.description.link import Link
from busplay.explain.link_facts import LinkFacts, link_facts
from busplay.wording import counted

CELL_PX = 38
ROW_PX = 26
LABEL_PX = 78
MARGIN_PX = 20
WAVE_PX = 16
LEGEND_PX = 20
LEAST_WIDTH_PX = 560
TITLE_PX = 20
EDGES_PX = 44
FILLS = (
    "#fde0c5",
    "#cfe8f7",
    "#d3eedd",
    "#fbf3b8",
    "#e6dcf3",
    "#f7d6e3",
    "#dfe3e8",
    "#e4efc6",
)
INK, GRID, IDLE_FILL = "#1b2733", "#8b97a3", "#f3f5f7"


def frame_svg(link: Link) -> str:
    """Draw a link's frame: fields by lane and edge, then one frame between idle frames.

    Returns:
        A whole SVG document.
    """
    facts = link_facts(link)
    timing = timing_of(link)
    title = _title(facts)
    grid, grid_bottom = _grid(facts, range(facts.frame_symbols), top=TITLE_PX)
    legend, legend_bottom = _legend(facts, top=grid_bottom)
    waves, height = _waves(timing, top=legend_bottom, heading=_between(timing))
    columns = max(facts.frame_symbols, len(timing.edges))
    heading = _text(MARGIN_PX, MARGIN_PX + 8, title, anchor="start", size=15)
    return _document(title, _description(facts), [heading, *grid, *legend, *waves], columns, height)


def layout_svg(link: Link, *, symbols_a_row: int) -> str:
    """Draw which bit of which field each lane carries on each edge, in rows of some edges."""
    facts = link_facts(link)
    lines: list[str] = []
    bottom = 0
    for first in range(0, facts.frame_symbols, symbols_a_row):
        symbols = range(first, min(first + symbols_a_row, facts.frame_symbols))
        grid, bottom = _grid(facts, symbols, top=bottom)
        lines += grid
    legend, bottom = _legend(facts, top=bottom)
    columns = min(facts.frame_symbols, symbols_a_row)
    return _document(_title(facts), _description(facts), [*lines, *legend], columns, bottom)


def timing_svg(timing: Timing, *, symbols_a_row: int) -> str:
    """Draw the levels of clock and wires, in rows of some symbols."""
    lines: list[str] = []
    bottom = 0
    for first in range(0, len(timing.edges), symbols_a_row):
        waves, bottom = _waves(timing.part(first, first + symbols_a_row), top=bottom)
        lines += waves
    columns = min(len(timing.edges), symbols_a_row)
    names = ", ".join(wire.name for wire in timing.wires)
    words = f"Levels of clock, {names} with each symbol; the clock's edges sample them."
    return _document(_between(timing), words, lines, columns, bottom)


def _document(title: str, description: str, lines: list[str], columns: int, bottom: int) -> str:
    """Return a whole SVG document."""
    width = max(LEAST_WIDTH_PX, LABEL_PX + columns * CELL_PX + 2 * MARGIN_PX)
    height = bottom + MARGIN_PX
    head = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}"'
        f' viewBox="0 0 {width} {height}" role="img" font-family="sans-serif"'
        f' font-size="12" fill="{INK}">',
        f"<title>{escape(title)}</title>",
        f"<desc>{escape(description)}</desc>",
        f'<rect width="{width}" height="{height}" fill="white" stroke="none"/>',
    ]
    return "\n".join([*head, *lines, "</svg>"]) + "\n"


def _title(facts: LinkFacts) -> str:
    bits, lanes = counted(facts.frame_bits, "bit"), counted(facts.lanes, "lane")
    return f"Frame of link {facts.name}: {bits} on {lanes}"


def _between(timing: Timing) -> str:
    return f"One frame between idle ones: {timing.caption}"


def _description(facts: LinkFacts) -> str:
    fields = ", ".join(f"{one.name} of {one.bits} bits" for one in facts.fields)
    return f"Fields in the order of the wire: {fields}."


def _text(x: float, y: float, words: str, *, anchor: str = "middle", size: int = 12) -> str:
    place = f'x="{x:g}" y="{y:g}" text-anchor="{anchor}" font-size="{size}"'
    return f'<text {place} stroke="none">{escape(words)}</text>'


def _fill(index: int) -> str:
    return FILLS[index % len(FILLS)]


def _grid(facts: LinkFacts, symbols: range, *, top: int) -> tuple[list[str], int]:
    """Draw the bits of some symbols, a row for each lane and a column for each edge.

    Returns:
        Elements, and where they end.
    """
    left, top = MARGIN_PX + LABEL_PX, top + EDGES_PX
    lines = []
    for column, symbol in enumerate(symbols):
        lines.append(_text(left + (column + 0.5) * CELL_PX, top - 6, str(symbol)))
    lines.append(_text(left - 8, top - 6, "edge", anchor="end"))
    lanes = facts.lanes
    for lane in range(lanes):
        y = top + (lanes - 1 - lane) * ROW_PX
        lines.append(_text(left - 8, y + ROW_PX - 8, f"lane {lane}", anchor="end"))
    for index, field in enumerate(facts.fields):
        for wire in field.wire:
            if wire.symbol not in symbols:
                continue
            x = left + (wire.symbol - symbols.start) * CELL_PX
            y = top + (lanes - 1 - wire.lane) * ROW_PX
            lines.append(
                f'<rect x="{x}" y="{y}" width="{CELL_PX}" height="{ROW_PX}"'
                f' fill="{_fill(index)}" stroke="{GRID}"/>'
            )
            lines.append(_text(x + CELL_PX / 2, y + ROW_PX - 8, f"{field.code}{wire.bit}"))
    return lines, top + lanes * ROW_PX


def _legend(facts: LinkFacts, *, top: int) -> tuple[list[str], int]:
    """Return the legend of the fields, and where it ends."""
    left, y = MARGIN_PX + LABEL_PX, top + 14
    lines = []
    for index, field in enumerate(facts.fields):
        lines.append(
            f'<rect x="{left}" y="{y}" width="14" height="14" fill="{_fill(index)}"'
            f' stroke="{GRID}"/>'
        )
        words = f"{field.code}: {field.name}, {counted(field.bits, 'bit')}; {field.meaning}"
        lines.append(_text(left + 22, y + 11, words, anchor="start"))
        y += LEGEND_PX
    return lines, y + 10


def _waves(timing: Timing, *, top: int, heading: str = "") -> tuple[list[str], int]:
    """Draw clock and wires over the symbols shown; return where they end, too."""
    left = MARGIN_PX + LABEL_PX
    lines = []
    if heading:
        lines.append(_text(MARGIN_PX, top + 14, heading, anchor="start", size=13))
    first_row = top + EDGES_PX
    count = len(timing.edges)
    bottom = first_row + (len(timing.wires) + 1) * ROW_PX
    for first, stop, words in (
        (0, timing.frame_first, "idle"),
        (timing.frame_stop, count, "idle"),
    ):
        begin, wide = left + first * CELL_PX, (stop - first) * CELL_PX
        if wide:
            lines.append(
                f'<rect x="{begin}" y="{first_row - 18}" width="{wide}"'
                f' height="{bottom - first_row + 18}" fill="{IDLE_FILL}" stroke="none"/>'
            )
            lines.append(_text(begin + wide / 2, first_row - 6, words))
    for index in range(timing.frame_first, timing.frame_stop):
        x = left + (index + 0.5) * CELL_PX
        symbol = index - timing.frame_first + timing.first_symbol
        lines.append(_text(x, first_row - 6, str(symbol)))
    for index in range(count):
        x = left + (index + 0.5) * CELL_PX
        lines.append(
            f'<line x1="{x:g}" y1="{first_row}" x2="{x:g}" y2="{bottom}" stroke="{GRID}"'
            ' stroke-width="0.6" stroke-dasharray="2 3"/>'
        )
    lines.append(_text(left - 8, first_row + ROW_PX - 9, "clock", anchor="end"))
    lines.append(_path(_clock_points(timing, left, first_row)))
    for row, wire in enumerate(timing.wires, start=1):
        y = first_row + row * ROW_PX
        lines.append(_text(left - 8, y + ROW_PX - 9, wire.name, anchor="end"))
        points: list[tuple[float, float]] = []
        for index, level in enumerate(wire.levels):
            height = _level(y, level)
            points += [(left + index * CELL_PX, height), (left + (index + 1) * CELL_PX, height)]
        lines.append(_path(points))
    lines.append(
        _text(left, bottom + 16, "dotted: where the lanes are sampled", anchor="start", size=11)
    )
    return lines, bottom + 24


def _level(row_top: float, level: int) -> float:
    return row_top + ROW_PX - 6 - (WAVE_PX if level else 0)


def _clock_points(timing: Timing, left: int, top: float) -> list[tuple[float, float]]:
    points: list[tuple[float, float]] = []
    for index, edge in enumerate(timing.edges):
        start = left + index * CELL_PX
        middle, stop = start + CELL_PX / 2, start + CELL_PX
        before, after = (0, 1) if edge == "rising" else (1, 0)
        points += [
            (start, _level(top, before)),
            (middle, _level(top, before)),
            (middle, _level(top, after)),
            (stop, _level(top, after)),
        ]
    return points


def _path(points: list[tuple[float, float]]) -> str:
    steps = " ".join(f"{'M' if i == 0 else 'L'}{x:g} {y:g}" for i, (x, y) in enumerate(points))
    return f'<path d="{steps}" fill="none" stroke="{INK}" stroke-width="1.6"/>'
