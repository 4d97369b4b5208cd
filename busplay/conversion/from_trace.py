"""A trace's frames as rows, as packets, and as the stores that made them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from busplay.batch import UInt64Column
from busplay.conversion.carried_header import header_comment, require_edges_per_second
from busplay.conversion.store_finder import StoreFinder
from busplay.errors import InputError
from busplay.link.layout import FrameLayout
from busplay.trace.reader import TraceReader
from busplay.units import NS_PER_S
from busplay.whole_file import open_whole_file


@dataclass(frozen=True, slots=True)
class CarriedCount:
    """What a conversion wrote.

    Attributes:
        carried: frames (or stores) that were written.
        left_out: frames that the form cannot hold.
    """

    carried: int
    left_out: int = 0


def trace_to_frames_csv(reader: TraceReader, target: Path) -> CarriedCount:
    """Write a trace's frames as rows."""
    from busplay.formats.frames_csv import FramesCsvWriter

    header = reader.header
    layout = FrameLayout(header.link)
    rate = header.edges_per_second
    with open_whole_file(target) as stream:
        writer = FramesCsvWriter(
            stream,
            fields=[(one.name, one.bits) for one in header.link.fields],
            has_time=rate is not None,
        )
        for frames in reader.chunks():
            times = None if rate is None else edge_ns(frames.edge, rate)
            writer.write(frames, layout.unpack(frames.word), times)
    return CarriedCount(reader.frames)


def trace_to_pcapng(reader: TraceReader, target: Path) -> CarriedCount:
    """Write a trace's frames as packets."""
    from busplay.formats.pcapng import PcapngWriter

    header = reader.header
    rate = require_edges_per_second(header, file=str(reader.path))
    with open_whole_file(target) as stream:
        writer = PcapngWriter(
            stream, frame_bits=header.link.frame_bits, comment=header_comment(header)
        )
        for frames in reader.chunks():
            writer.write(edge_ns(frames.edge, rate), frames.word)
    return CarriedCount(reader.frames)


def trace_to_stores(reader: TraceReader, target: Path, *, binary: bool) -> CarriedCount:
    """Write the stores that a trace's frames stand for.

    Raises:
        InputError: the trace has no board, whose windows give addresses.
    """
    from busplay.formats.stores_binary import write_stores_binary
    from busplay.formats.stores_csv import write_stores_csv

    header = reader.header
    if header.board is None:
        raise InputError(
            file=str(reader.path),
            found="a trace without a board",
            wanted="a board's windows give the addresses of stores, so give --board",
        )
    finder = StoreFinder(header)
    batches = (finder.stores(frames) for frames in reader.chunks())
    with open_whole_file(target) as stream:
        (write_stores_binary if binary else write_stores_csv)(stream, batches)
    return CarriedCount(finder.found, finder.left_out)


def edge_ns(edge: UInt64Column, edges_per_second: int) -> UInt64Column:
    """Return the times of link edges in ns, exact and rounded down."""
    seconds, rest = np.divmod(edge, np.uint64(edges_per_second))
    return seconds * np.uint64(NS_PER_S) + rest * np.uint64(NS_PER_S) // np.uint64(edges_per_second)
