"""A timing diagram in plain text: four characters a symbol, sampled in the middle of it."""

from __future__ import annotations

from busplay.analysis.pictures.timing import Timing, timing_of
from busplay.description.link import Link
from busplay.explain.text_layout import INDENT, LINE_CHARACTERS, heading

CELL = 4
LOW, HIGH, RISE, FALL = "_", "~", "/", "\\"


def timing_text(link: Link) -> str:
    """Draw one frame between idle frames; a column of four characters is one symbol."""
    timing = timing_of(link)
    rows = [("clock", _clock(timing))]
    rows += [(wire.name, _wave(wire.levels)) for wire in timing.wires]
    rows.insert(0, ("", _ruler(timing)))
    label = max(len(name) for name, _ in rows) + 1
    in_a_line = (LINE_CHARACTERS - len(INDENT) - label) // CELL * CELL
    lines = heading(f"One frame between idle ones: {timing.caption}")[1:]
    total = len(timing.edges) * CELL
    for first in range(0, total, in_a_line):
        if first:
            lines.append("")
        for name, drawn in rows:
            part = drawn[first : first + in_a_line]
            lines.append(f"{INDENT}{name.ljust(label)}{part}".rstrip())
    return "\n".join(lines)


def _ruler(timing: Timing) -> str:
    """Number the frame's symbols; what is idle has dots."""
    cells = []
    for index in range(len(timing.edges)):
        inside = timing.frame_first <= index < timing.frame_stop
        cells.append(str(index - timing.frame_first) if inside else ".")
    return "".join(cell.center(CELL) for cell in cells)


def _clock(timing: Timing) -> str:
    cells = []
    for index, edge in enumerate(timing.edges):
        if timing.halves:
            cells.append(f"__{RISE}~" if edge == "rising" else f"~~{FALL}_")
        else:
            before, sampled, after = (FALL, RISE, HIGH) if edge == "rising" else (RISE, FALL, LOW)
            level = LOW if edge == "rising" else HIGH
            cells.append(f"{level if index == 0 else before}{level}{sampled}{after}")
    return "".join(cells)


def _wave(levels: tuple[int, ...]) -> str:
    cells = []
    before = levels[0]
    for level in levels:
        flat = HIGH if level else LOW
        start = flat if level == before else RISE if level else FALL
        cells.append(start + flat * (CELL - 1))
        before = level
    return "".join(cells)
