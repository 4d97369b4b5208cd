"""Headers, frames and small traces that the trace tests share."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import numpy as np
from hypothesis import strategies as st

from busplay.batch import FrameBatch, UInt64Column
from busplay.description.link import Link
from busplay.link.layout import FrameLayout
from busplay.trace.container import CHUNK_OVERHEAD, HEAD, TOTAL_MAX
from busplay.trace.header import TraceHeader
from busplay.trace.reader import TraceReader
from busplay.trace.writer import TraceFileWriter
from tests.boards import GUARDED, board_with

DIGEST = "5e" * 32


def header_for(link: Link = GUARDED, *, with_board: bool = True) -> TraceHeader:
    """Make a header with a board of two displays, or with the link alone."""
    return TraceHeader(
        link=link,
        board=board_with(link) if with_board else None,
        program_name="tides.bin",
        program_sha256=DIGEST,
        busplay_version="0.1.0",
    )


def stream(link: Link, count: int, *, seed: int = 1, gap_slots: int = 1) -> FrameBatch:
    """Make frames of a link: a fill with rising addresses, random data, some longer gaps."""
    rng = np.random.default_rng(seed)
    layout = FrameLayout(link)
    fields: dict[str, np.ndarray | int] = {}
    index = np.arange(count, dtype=np.uint64)
    for one in link.fields:
        most = (1 << one.bits) - 1
        if one.name == "space":
            fields["space"] = 1
        elif one.name in ("unit", "quiet"):
            fields[one.name] = 0
        elif one.name == "sequence":
            fields["sequence"] = index & np.uint64(most)
        elif one.name == "address":
            fields["address"] = index % np.uint64(most)
        elif one.value is None and one.name != (link.check and link.check.field):
            fields[one.name] = rng.integers(0, most + 1, count, dtype=np.uint64)
    gaps = np.where(rng.random(count) < 0.05, 7, gap_slots).astype(np.uint64)
    edge = np.uint64(16 * layout.slot_symbols) + np.cumsum(gaps) * np.uint64(layout.slot_symbols)
    return FrameBatch(edge, layout.pack(**fields))


def piece(frames: FrameBatch, start: int, stop: int) -> FrameBatch:
    """Return a slice of a batch."""
    return FrameBatch(frames.edge[start:stop], frames.word[start:stop])


def joined(batches: list[FrameBatch]) -> FrameBatch:
    """Join batches in order."""
    if not batches:
        return FrameBatch.empty()
    return FrameBatch(
        np.concatenate([one.edge for one in batches]), np.concatenate([one.word for one in batches])
    )


def assert_same(found: FrameBatch, expected: FrameBatch) -> None:
    """Compare two batches, bit for bit."""
    np.testing.assert_array_equal(found.edge, expected.edge)
    np.testing.assert_array_equal(found.word, expected.word)


def write_trace(
    path: Path, frames: FrameBatch, header: TraceHeader, *, stop_edge: int | None = None
) -> None:
    """Write all frames in one call, by default up to a slot behind the last; close the trace."""
    if stop_edge is None:
        slot = FrameLayout(header.link).slot_symbols
        stop_edge = int(frames.edge[-1]) + slot if len(frames) else 0
    with TraceFileWriter(path, header=header) as writer:
        writer.write(frames, stop_edge=stop_edge)


def read_all(path: Path) -> FrameBatch:
    """Read all frames of a trace."""
    with TraceReader(path) as reader:
        return joined(list(reader.chunks()))


def pairs_of(frames: FrameBatch) -> list[tuple[int, int]]:
    """Return edge and word of each frame."""
    return list(zip(frames.edge.tolist(), frames.word.tolist(), strict=True))


def pairs_in(path: Path) -> list[tuple[int, int]]:
    """Return edge and word of each frame of a trace."""
    return pairs_of(read_all(path))


def sealed(raw: bytes) -> bytes:
    """Correct every checksum that the lengths lead to."""
    out = bytearray(raw)
    position = HEAD.size
    while position + CHUNK_OVERHEAD <= len(out):
        (length,) = struct.unpack_from("<I", out, position + 4)
        stop = position + 8 + length
        if stop + 4 > len(out):
            break
        struct.pack_into("<I", out, stop, zlib.crc32(out[position:stop]))
        position = stop + 4
    return bytes(out)


class CountingUnits:
    """States that depend on exactly the frames fed, for key frames."""

    def __init__(self) -> None:
        self.frames_seen = 0
        self.mix = 0
        self.stop_edge = 0

    def feed_frames(
        self, frames: FrameBatch, *, stop_edge: int, lost_edges: UInt64Column | None = None
    ) -> None:
        """Count and mix."""
        self.frames_seen += len(frames)
        for word in frames.word.tolist():
            self.mix = (self.mix * 31 + word) % (1 << 64)
        assert stop_edge >= self.stop_edge
        self.stop_edge = stop_edge

    def states(self) -> dict[str, bytes]:
        """Tell."""
        return {
            "panel": self.mix.to_bytes(8, "little"),
            "sign": self.frames_seen.to_bytes(8, "little"),
        }

    def take_index(self, *, at_end: bool) -> bytes:
        """Return no index, ever."""
        return b""


_U64 = (1 << 64) - 1


@st.composite
def any_frames(draw: st.DrawFn, *, most: int = 40) -> FrameBatch:
    """Draw frames with edges in order and any words."""
    count = draw(st.integers(0, most))
    gaps = st.one_of(
        st.integers(0, 64), st.integers(0, 1 << 26), st.integers(0, TOTAL_MAX // (most + 1))
    )
    edges = np.cumsum(np.array([draw(gaps) for _ in range(count)], np.uint64), dtype=np.uint64)
    words = st.one_of(st.integers(0, 255), st.integers(0, _U64))
    return FrameBatch(edges, np.array([draw(words) for _ in range(count)], np.uint64))
