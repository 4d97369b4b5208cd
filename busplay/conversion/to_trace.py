"""A trace of what is no capture: frames as rows or packets, stores, another trace."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Literal

import numpy as np

from busplay.batch import FrameBatch, PageChanges, UInt64Column
from busplay.conversion.carried_header import require_edges_per_second
from busplay.conversion.from_trace import CarriedCount
from busplay.conversion.kinds import read_head
from busplay.description.board import Board
from busplay.errors import InputError
from busplay.formats.byte_source import open_unpacked, plain_suffix
from busplay.link.layout import FrameLayout
from busplay.run.trace_writer import TraceWriter
from busplay.trace.columns import grid_edges
from busplay.trace.header import TraceHeader
from busplay.trace.reader import TraceReader
from busplay.units import NS_PER_S


def frames_to_trace(
    source: Path, target: Path, *, kind: Literal["pcapng", "frames"], header: TraceHeader
) -> CarriedCount:
    """Make a trace of frames as rows or packets.

    Raises:
        InputError: the file is damaged, or a frame cannot stand where it does.
        OutputError: the trace cannot be written.
    """
    layout = FrameLayout(header.link)
    with TraceWriter(target, header=header) as writer:
        stop = 0
        grid = grid_edges(layout)
        step = -(-layout.slot_symbols // grid) * grid
        for frames in _read_frames(source, kind, header, layout):
            _require_places(frames, layout, stop, file=str(source))
            stop = int(frames.edge[-1]) + step
            writer.write(frames, stop_edge=stop)
    return CarriedCount(writer.frames)


def _read_frames(
    source: Path, kind: Literal["pcapng", "frames"], header: TraceHeader, layout: FrameLayout
) -> Iterator[FrameBatch]:
    file = str(source)
    with open_unpacked(source) as stream:
        if kind == "frames":
            from busplay.formats.frames_csv import read_frames_csv

            yield from read_frames_csv(stream, file=file, word_bits=layout.frame_bits)
            return
        from busplay.formats.pcapng import PcapngReader

        rate = require_edges_per_second(header, file=file)
        for packets in PcapngReader(stream, file=file).packets():
            if packets.bits != -(-layout.frame_bits // 8) * 8:
                raise InputError(
                    file=file,
                    found=f"packets of {packets.bits // 8} bytes",
                    wanted=f"a frame of link {header.link.name} has {layout.frame_bits} bits",
                )
            word = packets.word >> np.uint64(packets.bits - layout.frame_bits)
            yield FrameBatch(ns_edge(packets.time_ns, rate, grid=grid_edges(layout)), word)


def _require_places(frames: FrameBatch, layout: FrameLayout, earliest: int, *, file: str) -> None:
    """Refuse frames that overlap, or that begin where none can."""
    grid = grid_edges(layout)
    edges = frames.edge.astype(np.int64)
    before = np.concatenate([[earliest], edges[:-1] + layout.slot_symbols])
    wrong = (edges % grid != 0) | (edges < before)
    if not wrong.any():
        return
    place = int(np.argmax(wrong))
    edge = int(edges[place])
    reason = (
        f"frames of link {layout.link.name} start at multiples of {grid} edges"
        if edge % grid
        else f"the frame before it lasts up to edge {int(before[place])}"
    )
    raise InputError(file=file, found=f"a frame at edge {edge}", wanted=reason)


def stores_to_trace(source: Path, target: Path, *, board: Board) -> CarriedCount:
    """Make a trace of stores: what the board's sender makes of them.

    Raises:
        InputError: the file is damaged.
        OutputError: the trace cannot be written.
    """
    from busplay.formats.stores import read_stores
    from busplay.run.tap import Tap

    with open_unpacked(source) as stream, Tap(board, record=target) as tap:
        # Records have no head, so a file without any is empty.
        is_empty = plain_suffix(source) == ".stores" and not read_head(source, 1)
        for batch in () if is_empty else read_stores(stream, str(source)):
            tap.stores(batch)
        tap.flush()
        counters = tap.counters()
    return CarriedCount(counters.frames_sent, counters.frames_overrun)


def rewrite_trace(source: Path, target: Path, *, header: TraceHeader | None) -> CarriedCount:
    """Write a trace anew: a cut one whole, or one without a board with the board given.

    Raises:
        InputError: the trace is damaged, or the board's link is another.
        OutputError: the trace cannot be written.
    """
    with TraceReader(source) as reader:
        old = reader.header
        new = old
        if header is not None and old.board is None:
            if header.wire_digest != old.wire_digest:
                raise InputError(
                    file=str(source),
                    found=f"frames of link {old.link.name}, wire digest {old.wire_digest}",
                    wanted=f"the given link, {header.link.name}, has another wire format,"
                    f" {header.wire_digest}",
                )
            new = replace(header, program_name=old.program_name, program_sha256=old.program_sha256)
        with TraceWriter(target, header=new) as writer:
            for press in reader.key_presses():
                writer.press(press.cycle, press.code)
            for cycle in reader.resets():
                writer.reset(cycle)
            for cycle, state, _ in reader.core_states():
                writer.keep_state(cycle, state)
            stop = 0
            pages: PageChanges | None = reader.shown_pages.all()
            for frames in reader.chunks():
                stop = int(frames.edge[-1]) + 1
                writer.write(frames, stop_edge=stop, pages=pages)
                pages = None
            stop = max(stop, reader.stop_edge)
            writer.write(
                FrameBatch.empty(),
                stop_edge=stop,
                stores=reader.stores,
                cycles=reader.cycles or None,
            )
            writer.close(summary=reader.summary(), losses=reader.losses())
        return CarriedCount(reader.frames)


def ns_edge(time_ns: UInt64Column, edges_per_second: int, *, grid: int) -> UInt64Column:
    """Return the edges of times that `edge_ns` made: the first on the grid at or after them."""
    seconds, rest = np.divmod(time_ns.astype(np.int64), NS_PER_S)
    edge = seconds * edges_per_second - (-rest * edges_per_second // NS_PER_S)
    return np.asarray(-(-edge // grid) * grid, np.uint64)
