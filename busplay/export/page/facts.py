"""What a page knows of its recording besides the trace's bytes: one JSON object.

The player computes nothing that Python can say: where fields stand, when frames are shown, which
frames arrived, what the link and the board are, in words.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busplay.analysis.flashes import FlashReport
from busplay.description.board import Board, Unit
from busplay.description.full_address import address_text
from busplay.errors import printable
from busplay.explain.board import board_rows, map_rows, unit_rows, window_rows
from busplay.explain.board_facts import board_facts
from busplay.explain.link import field_rows, link_rows
from busplay.explain.link_facts import link_facts
from busplay.export.page.deliveries import OtherEvent
from busplay.export.page.origins import Origins
from busplay.history.history import History
from busplay.pipeline.pipeline import Pipeline
from busplay.player.marks import Mark
from busplay.program.symbols import ProgramSymbols
from busplay.trace import column_planes
from busplay.trace.columns import column_places, grid_edges
from busplay.trace.reader import TraceReader
from busplay.version import VERSION
from busplay.wording import counted
from busplay.write_index.stretch import SpanColumn

Facts = dict[str, object]

# What player.js does with them.
_KEYS = (
    ("Space", "play, pause"),
    ("b", "play back"),
    (", and .", "one store back, on"),
    ("[ and ]", "one refresh back, on"),
    ("+ and -", "zoom the time line"),
    ("arrow keys on a screen", "choose a pixel"),
)


@dataclass(frozen=True, slots=True)
class PageTable:
    """A table of the page: its caption, a head or none, and rows of texts."""

    caption: str
    head: tuple[str, ...] | None
    rows: Sequence[tuple[str, ...]]

    def as_list(self) -> list[object]:
        """Return it as JSON holds it."""
        return [self.caption, self.head, self.rows]


def page_facts(
    reader: TraceReader,
    history: History,
    pipeline: Pipeline,
    *,
    flashes: FlashReport,
    marks: Sequence[Mark],
    others: Sequence[OtherEvent],
    origins: Origins | str,
    fates_bytes: int,
) -> Facts:
    """Return the facts of a page.

    Args:
        reader: the trace.
        history: of it.
        pipeline: that replayed it.
        flashes: in its pictures.
        marks: kept beside it.
        others: events that are no frames sent.
        origins: of its stores, or why they are not known.
        fates_bytes: length of the fates that follow the facts.
    """
    board = history.board
    is_known = isinstance(origins, Origins)
    symbols = origins.symbols if isinstance(origins, Origins) else ProgramSymbols({})
    return {
        "busplay": VERSION,
        "file": printable(reader.path.name),
        "about": _about(reader, board),
        "frames": reader.frames,
        "stores": reader.stores,
        "trace_bytes": reader.file_bytes,
        "fates_bytes": fates_bytes,
        "others": others,
        "losses": _losses(history),
        "units": [unit_facts(one) for one in board.units],
        "fields": _fields(pipeline),
        "time": _times(reader, pipeline, board),
        "keys": [(press.cycle, press.code) for press in reader.key_presses()],
        "marks": [(mark.cycle, mark.note) for mark in marks],
        "windows": _windows(board, symbols),
        "instructions": _instructions(origins) if isinstance(origins, Origins) else [],
        "unknown": "" if is_known else origins,
        "caution": _caution(flashes),
        "places": _places(marks, flashes, board),
        "tables": [one.as_list() for one in _tables(board)],
    }


def unit_facts(unit: Unit) -> Facts:
    """Return what the player's displays need of a unit; a bitmap's cells are its bytes."""
    font = unit.font
    return {
        "name": unit.name,
        "number": unit.number,
        "width_px": unit.width_px,
        "height_px": unit.height_px,
        "border_px": unit.border_px,
        "border_index": unit.border_index,
        "bits_per_pixel": unit.bits_per_pixel,
        "high_first": unit.pixel_order == "high_first",
        "stride_bytes": unit.stride_bytes,
        "base_offset": unit.base_offset,
        "memory_bytes": unit.memory_bytes,
        "palette": unit.palette,
        "is_text": unit.is_text,
        "cell_width_px": 8 // unit.bits_per_pixel if font is None else font.width_px,
        "cell_height_px": 1 if font is None else font.height_px,
        "cell_bytes": unit.cell_bytes,
        "font": "" if font is None else font.rows.hex(),
        "font_offset": unit.font_offset,
        "page_bytes": unit.page_bytes,
    }


def _fields(pipeline: Pipeline) -> Facts:
    """Return where space and unit stand in the trace's column `others`, or their fixed values."""
    layout, fields = pipeline.layout, pipeline.bank.fields
    others = {place: bit for bit, place in enumerate(column_places(layout)[column_planes.OTHERS])}
    found: Facts = {"address_bits": len(layout.bit_places("address"))}
    for row, name in enumerate(("space", "unit")):
        if layout.link.field_named(name) is None:
            found[name] = int(fields.table[row, 2])
        else:
            found[name] = [others[place] for place in layout.bit_places(name)]
    return found


def _times(reader: TraceReader, pipeline: Pipeline, board: Board) -> Facts:
    encoder = pipeline.encoder
    return {
        "clock_hz": board.clock_hz,
        "refresh_hz": board.refresh_hz,
        "end_cycle": reader.cycles,
        "edges": encoder.edges_per_cycle.numerator,
        "cycles": encoder.edges_per_cycle.denominator,
        "lead_edges": encoder.lead_edges,
        "grid_edges": encoder.grid_edges,
        "column_edges": grid_edges(pipeline.layout),
        "slot_edges": encoder.step_edges,
    }


def _about(reader: TraceReader, board: Board) -> str:
    """Return a line on what is in the recording."""
    program = reader.header.program_name
    parts = [
        f"board {board.name}",
        *([] if program is None else [f"program {program}"]),
        f"{counted(reader.frames, 'frame')} in {reader.cycles / board.clock_hz:.3f} s",
        *([reader.cut_reason] if reader.cut_reason else []),
    ]
    return ", ".join(parts)


def _caution(flashes: FlashReport) -> str:
    """Return what a page says before it plays pictures that flash; empty if none do."""
    if flashes.is_below:
        return ""
    return (
        f"Caution, pictures flash: {'. '.join(flashes.cautions())}. It starts paused. This is no"
        " medical test: pictures below these thresholds can harm people, too."
    )


def _places(marks: Sequence[Mark], flashes: FlashReport, board: Board) -> list[tuple[int, str]]:
    """Return cycles to go to, with what is there."""
    spans = (*flashes.general, *flashes.red)
    return [
        *((mark.cycle, mark.note or "mark") for mark in marks),
        *((int(span.start_s * board.clock_hz), "flashing") for span in spans),
    ]


def _losses(history: History) -> list[tuple[int, int]]:
    """Return frames before which frames are missing or stores were lost, by 1,024 frames; how many.

    Frames that were not shown are not among them.
    """
    spans, before = history.index.spans, history.index.frames_before
    lost = (spans[SpanColumn.FRAMES_MISSED] + spans[SpanColumn.LOST_AT_SENDER]).astype(np.int64)
    return [(int(before[at]), int(lost[at])) for at in np.flatnonzero(lost).tolist()]


def _windows(board: Board, symbols: ProgramSymbols) -> list[Facts]:
    """Return the windows onto units' memories, with the labels in them."""
    names = [one.name for one in board.units]
    return [
        {
            "unit": names.index(window.unit),
            "first_address": window.first_address,
            "last_address": window.last_address,
            "first_offset": window.first_offset,
            "labels": [
                (address, labels[0])
                for address, labels in sorted(symbols.labels.items())
                if window.first_address <= address <= window.last_address
            ],
        }
        for window in board.windows
        if window.space == "memory"
    ]


def _instructions(origins: Origins) -> list[str]:
    """Return address, label and source line of each instruction, as far as known."""
    symbols = origins.symbols
    return [
        " ".join(
            part
            for part in (
                address_text(address),
                symbols.name_of(address),
                str(symbols.line_of(address) or ""),
            )
            if part
        )
        for address in origins.addresses
    ]


def _tables(board: Board) -> list[PageTable]:
    facts, link = board_facts(board), link_facts(board.link, processor_hz=board.clock_hz)
    lists = [
        ("Fields of a frame, first one first", field_rows(link)),
        ("Memory map", map_rows(board, facts, full=True)),
        ("Windows: stores that go out on the link", window_rows(facts)),
        ("Units", unit_rows(facts)),
    ]
    return [
        PageTable(f"Link {board.link.name}", None, link_rows(board.link, link)),
        PageTable(f"Board {board.name}", None, board_rows(facts)),
        *(PageTable(caption, rows[0], rows[1:]) for caption, rows in lists),
        PageTable("Keys of this page", None, _KEYS),
    ]
