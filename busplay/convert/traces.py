"""Recordings from one form to another: trace, wires, frames as rows or packets, stores.

Everything goes by way of a trace. What comes in becomes one (a capture is decoded, stores are
encoded, frames are checked against their link), and what goes out is drawn from one. What a
form cannot carry is listed, so that the user is told.
"""

from __future__ import annotations

import base64
import binascii
import re
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np

from busplay.batch import FrameBatch, StoreBatch, UInt64Column
from busplay.description.board import Board
from busplay.description.link import SPACE_MEMORY, SPACE_REGISTERS, Link
from busplay.errors import InputError
from busplay.formats.byte_source import ByteSource, open_unpacked, plain_suffix
from busplay.link.layout import FrameLayout
from busplay.pipeline.pipeline import Pipeline
from busplay.trace.columns import grid_edges
from busplay.trace.container import MAGIC as TRACE_MAGIC
from busplay.trace.container import Where
from busplay.trace.header import TraceHeader, pack_header, parse_header
from busplay.trace.reader import TraceReader
from busplay.trace.writer import TraceWriter
from busplay.version import VERSION
from busplay.whole_file import open_whole_file

NS_PER_S = 10**9
InputKind = Literal["trace", "pcapng", "frames", "stores", "capture"]

# What each form cannot hold, in words.
NOT_CARRIED = {
    "frames": ("board, link and program", "keys pressed", "stores lost before they were sent"),
    "packets": ("keys pressed", "stores lost before they were sent"),
    "stores": (
        "when a frame waited: a store's cycle is the last that gives the frame's edge",
        "board, link and program",
        "keys pressed",
        "frames to no window, idle and damaged frames",
    ),
    "wires": ("keys pressed", "stores lost before they were sent"),
    "samples": (
        "board, link and program",
        "keys pressed",
        "stores lost before they were sent",
    ),
}
_HEADER_MARK = "busplay-header:"
_HEADER_LOOK_BYTES = 1 << 20
# A comment of a packet file has a 16-bit length.
_COMMENT_BYTES_MAX = 60_000


@dataclass(frozen=True, slots=True)
class Losses:
    """What a conversion left out.

    Attributes:
        carried: frames (or stores) that were written.
        left_out: frames that the form cannot hold.
    """

    carried: int
    left_out: int = 0


# -- headers that travel in comments


def header_comment(header: TraceHeader) -> str:
    """Write a header as one word for the comment of another form."""
    payload = pack_header(header)
    if len(payload) * 4 // 3 > _COMMENT_BYTES_MAX:
        payload = pack_header(TraceHeader(link=header.link, busplay_version=VERSION))
    return _HEADER_MARK + base64.b64encode(payload).decode("ascii")


def find_header(content: bytes, *, file: str) -> TraceHeader | None:
    """Find a header that `header_comment` wrote; None where there is none, or it is damaged."""
    match = re.search(re.escape(_HEADER_MARK).encode() + rb"([A-Za-z0-9+/=]+)", content)
    if match is None:
        return None
    try:
        payload = base64.b64decode(match[1], validate=True)
        return parse_header(memoryview(payload), where=Where(file, "comment"))
    except (binascii.Error, InputError):
        return None


# -- what comes in


def find_kind(path: Path, *, has_rate: bool) -> InputKind:
    """Tell what a file is by its first bytes.

    Raises:
        InputError: it cannot be read.
    """
    from busplay.formats.frames_csv import is_frames_header
    from busplay.formats.pcapng import MAGIC as PCAPNG_MAGIC
    from busplay.formats.stores_csv import COLUMNS as STORE_COLUMNS

    head = _read_head(path, 4096)
    if head.startswith(TRACE_MAGIC):
        return "trace"
    if head.startswith(PCAPNG_MAGIC):
        return "pcapng"
    suffix = plain_suffix(path)
    if suffix == ".stores":
        return "stores"
    line = head.removeprefix(b"\xef\xbb\xbf").split(b"\n", 1)[0].strip()
    if suffix == ".csv" and not has_rate:
        names = [name.strip().lower() for name in line.decode("utf-8", "replace").split(",")]
        if all(name in names for name in STORE_COLUMNS):
            return "stores"
        if is_frames_header(line):
            return "frames"
    return "capture"


def carried_header(path: Path) -> TraceHeader | None:
    """Return the header that a file of ours carries in a comment, if it does.

    Raises:
        InputError: the file cannot be read.
    """
    return find_header(_read_head(path, _HEADER_LOOK_BYTES), file=str(path))


def _read_head(path: Path, count: int) -> bytes:
    try:
        with closing(ByteSource(path)) as source:
            head = source.head(count)
            if not head and source.cut_reason:
                raise InputError(source.cut_reason, file=str(path))
            return head
    except InputError as error:
        if path.is_file():
            raise
        raise InputError(
            file=str(path),
            found=error.message.removeprefix("cannot be read: ").lower(),
            wanted="give a trace, a capture, packets, or CSV of frames or stores",
        ) from None


def frames_to_trace(
    source: Path, target: Path, *, kind: Literal["pcapng", "frames"], header: TraceHeader
) -> Losses:
    """Make a trace of frames as rows or packets.

    Raises:
        InputError: the file is damaged, or a frame cannot stand where it does.
        OutputError: the trace cannot be written.
    """
    layout = FrameLayout(header.link)
    board = header.board
    units = None if board is None else Pipeline(board)
    count = 0
    with TraceWriter(target, header=header, units=units) as writer:
        stop = 0
        grid = grid_edges(layout)
        step = -(-layout.slot_symbols // grid) * grid
        for frames in _read_frames(source, kind, header, layout):
            _require_places(frames, layout, stop, file=str(source))
            stop = int(frames.edge[-1]) + step
            writer.write(frames, stop_edge=stop)
            count += len(frames)
    return Losses(count)


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

        rate = _edges_per_second(header, file=file)
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


def stores_to_trace(source: Path, target: Path, *, board: Board) -> Losses:
    """Make a trace of stores: what the board's sender makes of them.

    Raises:
        InputError: the file is damaged.
        OutputError: the trace cannot be written.
    """
    from busplay.formats.stores import read_stores
    from busplay.run.tap import Tap

    with open_unpacked(source) as stream, Tap(board, record=target) as tap:
        # Records have no head, so a file without any is empty.
        is_empty = plain_suffix(source) == ".stores" and not _read_head(source, 1)
        for batch in () if is_empty else read_stores(stream, str(source)):
            tap.stores(batch)
        tap.flush()
        counters = tap.counters()
    return Losses(counters.frames_sent, counters.frames_overrun)


def rewrite_trace(source: Path, target: Path, *, header: TraceHeader | None) -> Losses:
    """Write a trace anew: a cut one whole, or one without a board with the board given.

    Raises:
        InputError: the trace is damaged, or the board's link is another.
        OutputError: the trace cannot be written.
    """
    with TraceReader(source) as reader:
        old = reader.header
        new = old
        if header is not None and old.board is None:
            if replace(header.link, file="") != replace(old.link, file=""):
                raise InputError(
                    file=str(source),
                    found=f"frames of link {old.link.name}",
                    wanted=f"the link given is {header.link.name}, and it is another",
                )
            new = replace(header, program_name=old.program_name, program_sha256=old.program_sha256)
        units = None if new.board is None else Pipeline(new.board)
        with TraceWriter(target, header=new, units=units) as writer:
            for press in reader.key_presses():
                writer.press(press.cycle, press.code)
            stop = 0
            for frames in reader.chunks():
                stop = int(frames.edge[-1]) + 1
                writer.write(frames, stop_edge=stop)
            stop = max(stop, reader.stop_edge)
            writer.write(
                FrameBatch.empty(),
                stop_edge=stop,
                stores=reader.stores,
                cycles=reader.cycles or None,
            )
            writer.close(summary=reader.summary())
        return Losses(reader.frames)


# -- what goes out


def trace_to_frames_csv(reader: TraceReader, target: Path) -> Losses:
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
    return Losses(reader.frames)


def trace_to_pcapng(reader: TraceReader, target: Path) -> Losses:
    """Write a trace's frames as packets."""
    from busplay.formats.pcapng import PcapngWriter

    header = reader.header
    rate = _edges_per_second(header, file=str(reader.path))
    with open_whole_file(target) as stream:
        writer = PcapngWriter(
            stream, frame_bits=header.link.frame_bits, comment=header_comment(header)
        )
        for frames in reader.chunks():
            writer.write(edge_ns(frames.edge, rate), frames.word)
    return Losses(reader.frames)


def trace_to_stores(reader: TraceReader, target: Path, *, binary: bool) -> Losses:
    """Write the stores that a trace's frames stand for.

    Raises:
        InputError: the trace has no board, whose windows tell addresses.
    """
    from busplay.formats.stores_binary import write_stores_binary
    from busplay.formats.stores_csv import write_stores_csv

    header = reader.header
    if header.board is None:
        raise InputError(
            file=str(reader.path),
            found="a trace without a board",
            wanted="addresses of stores are told by a board's windows; give --board",
        )
    finder = StoreFinder(header)
    batches = (finder.stores(frames) for frames in reader.chunks())
    with open_whole_file(target) as stream:
        (write_stores_binary if binary else write_stores_csv)(stream, batches)
    return Losses(finder.found, finder.left_out)


class StoreFinder:
    """Turns frames back to stores, by the board's windows.

    Args:
        header: of the trace; it has a board.

    Attributes:
        found, left_out: frames that a window explains, and those that none does.
    """

    def __init__(self, header: TraceHeader) -> None:
        if header.board is None:
            raise ValueError("a header with a board is needed")
        self._header = header
        self._layout = FrameLayout(header.link)
        self._board = header.board
        self.found = self.left_out = 0

    def stores(self, frames: FrameBatch) -> StoreBatch:
        """Return the stores of some frames."""
        layout, board = self._layout, self._board
        words = frames.word
        right = layout.is_right(words) & ~layout.is_idle(words)
        space = self._field("space", words, SPACE_MEMORY)
        number = board.units[0].number if len(board.units) == 1 else 0
        unit = self._field("unit", words, number)
        offset = layout.unpack_field(words, "address").astype(np.int64)
        address = np.full(len(words), -1, np.int64)
        for window in reversed(board.windows):
            length = window.last_address - window.first_address
            away = offset - window.first_offset
            numbers = {"memory": SPACE_MEMORY, "registers": SPACE_REGISTERS}
            fits = (
                (space == np.uint64(numbers[window.space]))
                & (unit == np.uint64(board.unit_named(window.unit).number))
                & (away >= 0)
                & (away <= length)
            )
            address = np.where(fits, window.first_address + away, address)
        keep = right & (address >= 0)
        self.found += int(np.count_nonzero(keep))
        self.left_out += int(np.count_nonzero(~keep))
        data = layout.unpack_field(words, "data")[keep].astype(np.uint8)
        edges = frames.edge[keep].tolist()
        cycle = [max(0, self._header.cycles_at(edge) - 1) for edge in edges]
        return StoreBatch(np.array(cycle, np.uint64), address[keep].astype(np.uint16), data)

    def _field(self, name: str, words: UInt64Column, otherwise: int) -> UInt64Column:
        if self._header.link.field_named(name) is None:
            return np.full(len(words), otherwise, np.uint64)
        return self._layout.unpack_field(words, name)


def edge_ns(edge: UInt64Column, edges_per_second: int) -> UInt64Column:
    """Return the times of link edges in ns, exact and rounded down."""
    seconds, rest = np.divmod(edge, np.uint64(edges_per_second))
    return seconds * np.uint64(NS_PER_S) + rest * np.uint64(NS_PER_S) // np.uint64(edges_per_second)


def ns_edge(time_ns: UInt64Column, edges_per_second: int, *, grid: int) -> UInt64Column:
    """Return the edges of times that `edge_ns` made: the first on the grid at or after them."""
    seconds, rest = np.divmod(time_ns.astype(np.int64), NS_PER_S)
    edge = seconds * edges_per_second - (-rest * edges_per_second // NS_PER_S)
    return np.asarray(-(-edge // grid) * grid, np.uint64)


def _edges_per_second(header: TraceHeader, *, file: str) -> int:
    rate = header.edges_per_second
    if rate is None:
        raise InputError(
            file=file,
            found="a link on the processor's clock, and no board that tells it",
            wanted="give --board, or the clock with --clock",
        )
    return rate


def with_clock(header: TraceHeader, clock_hz: int | None) -> TraceHeader:
    """Return the header with a clock for a link that has none of its own."""
    if clock_hz is None or header.edges_per_second is not None:
        return header
    link: Link = replace(header.link, clock_hz=clock_hz)
    return replace(header, link=link)
