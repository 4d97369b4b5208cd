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
    grid, grid_height = _grid(facts)
    waves, wave_height = _waves(timing, top=grid_height)
    columns = max(facts.frame_symbols, len(timing.edges))
    width = max(LEAST_WIDTH_PX, LABEL_PX + columns * CELL_PX + 2 * MARGIN_PX)
    height = grid_height + wave_height + MARGIN_PX
    bits, lanes = counted(facts.frame_bits, "bit"), counted(facts.lanes, "lane")
    title = f"Frame of link {facts.name}: {bits} on {lanes}"
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}"'
        f' viewBox="0 0 {width} {height}" role="img" font-family="sans-serif"'
        f' font-size="12" fill="{INK}">',
        f"<title>{escape(title)}</title>",
        f"<desc>{escape(_description(facts))}</desc>",
        f'<rect width="{width}" height="{height}" fill="white" stroke="none"/>',
        _text(MARGIN_PX, MARGIN_PX + 8, title, anchor="start", size=15),
        *grid,
        *waves,
        "</svg>",
    ]
    return "\n".join(lines) + "\n"


def _description(facts: LinkFacts) -> str:
    fields = ", ".join(f"{one.name} of {one.bits} bits" for one in facts.fields)
    return f"Fields in the order of the wire: {fields}."


def _text(x: float, y: float, words: str, *, anchor: str = "middle", size: int = 12) -> str:
    place = f'x="{x:g}" y="{y:g}" text-anchor="{anchor}" font-size="{size}"'
    return f'<text {place} stroke="none">{escape(words)}</text>'


def _fill(index: int) -> str:
    return FILLS[index % len(FILLS)]


def _grid(facts: LinkFacts) -> tuple[list[str], int]:
    """Draw the bits, a row for each lane and a column for each edge; return their height too."""
    left, top = MARGIN_PX + LABEL_PX, MARGIN_PX + 44
    lines = []
    for symbol in range(facts.frame_symbols):
        lines.append(_text(left + (symbol + 0.5) * CELL_PX, top - 6, str(symbol)))
    lines.append(_text(left - 8, top - 6, "edge", anchor="end"))
    lanes = facts.lanes
    for lane in range(lanes):
        y = top + (lanes - 1 - lane) * ROW_PX
        lines.append(_text(left - 8, y + ROW_PX - 8, f"lane {lane}", anchor="end"))
    for index, field in enumerate(facts.fields):
        for wire in field.wire:
            x = left + wire.symbol * CELL_PX
            y = top + (lanes - 1 - wire.lane) * ROW_PX
            lines.append(
                f'<rect x="{x}" y="{y}" width="{CELL_PX}" height="{ROW_PX}"'
                f' fill="{_fill(index)}" stroke="{GRID}"/>'
            )
            lines.append(_text(x + CELL_PX / 2, y + ROW_PX - 8, f"{field.code}{wire.bit}"))
    y = top + lanes * ROW_PX + 14
    for index, field in enumerate(facts.fields):
        lines.append(
            f'<rect x="{left}" y="{y}" width="14" height="14" fill="{_fill(index)}"'
            f' stroke="{GRID}"/>'
        )
        bits = "1 bit" if field.bits == 1 else f"{field.bits} bits"
        words = f"{field.code}: {field.name}, {bits}; {field.meaning}"
        lines.append(_text(left + 22, y + 11, words, anchor="start"))
        y += LEGEND_PX
    return lines, y + 10


def _waves(timing: Timing, *, top: int) -> tuple[list[str], int]:
    """Draw clock and wires over the symbols shown; return them and their height."""
    left = MARGIN_PX + LABEL_PX
    lines = [
        _text(
            MARGIN_PX,
            top + 14,
            f"One frame between idle ones: {timing.caption}",
            anchor="start",
            size=13,
        )
    ]
    first_row = top + 44
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
        lines.append(_text(x, first_row - 6, str(index - timing.frame_first)))
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
    return lines, bottom + 24 - top


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
