"""Pages of banked memory in traces: what was written comes back, and what cannot be is refused."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.batch import FrameBatch, PageChanges
from busplay.description.banks import Bank
from busplay.errors import InputError
from busplay.trace.blocks import make_compressor, make_decompressor
from busplay.trace.container import TOTAL_MAX, Where
from busplay.trace.growing import GrowingTraceWriter
from busplay.trace.reader import TraceReader
from busplay.trace.shown_pages import pack_shown_pages, parse_shown_pages
from busplay.trace.writer import TraceFileWriter
from busplay.write_index.builder import WriteIndexBuilder
from tests.boards import GUARDED
from tests.naive.trace_reader import read_trace
from tests.trace.cases import header_for, piece, stream

HERE = Where("a.trace", "chunk 3 at byte 90")
BANKS = tuple(
    Bank(name, "ram", first, first + 0xFF, 4, latch_address=0xBF00, select=("latch 1", "latch 0"))
    for name, first in (("one", 0xB000), ("two", 0xB100), ("three", 0xB200))
)
PLAIN = header_for()
assert PLAIN.board is not None
HEADER = replace(PLAIN, board=replace(PLAIN.board, banks=BANKS))


def changes_of(rows: list[tuple[int, int, int]]) -> PageChanges:
    since, bank, page = zip(*rows, strict=True) if rows else ((), (), ())
    return PageChanges(
        np.array(since, np.uint64), np.array(bank, np.uint8), np.array(page, np.uint16)
    )


def rows_of(changes: PageChanges) -> list[tuple[int, int, int]]:
    columns = (changes.since, changes.bank, changes.page)
    return list(zip(*(one.tolist() for one in columns), strict=True))


def page_at(rows: list[tuple[int, int, int]], bank: int, edge: int) -> int:
    """Return a bank's page by going through all changes."""
    return ([-1] + [page for since, of, page in rows if of == bank and since <= edge])[-1]


@st.composite
def drawn_changes(draw: st.DrawFn) -> list[tuple[int, int, int]]:
    edges = sorted(draw(st.lists(st.integers(0, 4_000), max_size=30)))
    return [
        (edge, draw(st.integers(0, 2)), draw(st.sampled_from([0, 1, 3, 255, 256, 0xFFFF])))
        for edge in edges
    ]


@settings(max_examples=60, deadline=None)
@given(
    rows=drawn_changes(),
    cuts=st.lists(st.integers(0, 300), max_size=6),
    flushes=st.booleans(),
    seed=st.integers(0, 9),
)
def test_a_trace_has_the_pages_of_each_frame_however_it_was_written(
    tmp_path_factory: pytest.TempPathFactory,
    rows: list[tuple[int, int, int]],
    cuts: list[int],
    flushes: bool,
    seed: int,
) -> None:
    path = tmp_path_factory.mktemp("pages") / "a.trace"
    frames = stream(GUARDED, 300, seed=seed)
    with TraceFileWriter(path, header=HEADER) as writer:
        done = 0
        for stop in [*sorted(cuts), 300]:
            here = piece(frames, done, stop)
            edge = int(here.edge[-1]) + 1 if len(here) else 0
            if not len(here):
                continue
            begin = int(frames.edge[done - 1]) + 1 if done else 0
            mine = [one for one in rows if begin <= one[0] < edge]
            writer.write(here, stop_edge=edge, pages=changes_of(mine))
            done = stop
            if flushes:
                writer.flush()
    last = int(frames.edge[-1])
    kept = [one for one in rows if one[0] <= last]
    with TraceReader(path) as reader:
        reader.verify()
        assert rows_of(reader.shown_pages.all()) == kept
        for bank in range(3):
            found = reader.shown_pages.pages_at(bank, frames.edge).tolist()
            assert found == [page_at(kept, bank, edge) for edge in frames.edge.tolist()]
    assert read_trace(path.read_bytes())["pages"] == kept


@pytest.mark.thorough
def test_pages_go_before_the_frames_that_they_are_for_so_a_cut_trace_has_them(
    tmp_path: Path,
) -> None:
    frames = stream(GUARDED, 200)
    path = tmp_path / "a.trace"
    with TraceFileWriter(path, header=HEADER) as writer:
        for first in (0, 100):
            here = piece(frames, first, first + 100)
            pages = changes_of([(int(here.edge[50]), 1, first // 50)])
            writer.write(here, stop_edge=int(here.edge[-1]) + 1, pages=pages)
            writer.flush()
    whole = path.read_bytes()
    for cut in range(whole.find(b"rPAG"), whole.find(b"INDX"), 7):
        path.write_bytes(whole[:cut])
        with TraceReader(path) as reader:
            edges = np.concatenate([np.empty(0, np.uint64), *(one.edge for one in reader.chunks())])
            found = reader.shown_pages.pages_at(1, edges).tolist()
        assert found == ([-1] * 50 + [0] * 100 + [2] * 50)[: len(edges)]


def test_a_trace_without_banks_is_the_same_byte_for_byte(tmp_path: Path) -> None:
    frames = stream(GUARDED, 50)
    contents = []
    for pages in (None, PageChanges.empty()):
        path = tmp_path / f"{len(contents)}.trace"
        with TraceFileWriter(path, header=PLAIN) as writer:
            writer.write(frames, stop_edge=int(frames.edge[-1]) + 1, pages=pages)
        contents.append(path.read_bytes())
    assert contents[0] == contents[1]
    assert b"rPAG" not in contents[0]
    with TraceReader(path) as reader:
        assert reader.shown_pages.pages_at(0, frames.edge).tolist() == [-1] * 50


@pytest.mark.thorough
def test_a_part_of_a_growing_trace_knows_the_pages_of_the_parts_before(tmp_path: Path) -> None:
    assert HEADER.board is not None
    frames = stream(GUARDED, 50 * 64 * 20)
    units = WriteIndexBuilder(HEADER.board)
    trace = GrowingTraceWriter(tmp_path / "run.trace", header=HEADER, units=units, bytes_max=60_000)
    pages: PageChanges | None = changes_of([(int(frames.edge[0]), 2, 3)])
    for start in range(0, len(frames), 50):
        here = piece(frames, start, start + 50)
        trace.write(here, stop_edge=int(here.edge[-1]) + 1, pages=pages)
        trace.flush()
        pages = None
    with TraceReader(trace.grown()) as reader:
        assert reader.begin_edge > int(frames.edge[0])
        kept = FrameBatch.joined(list(reader.chunks()))
        assert set(reader.shown_pages.pages_at(2, kept.edge).tolist()) == {3}
    trace.abandon()


def packed(rows: list[tuple[int, int, int]], before: dict[int, int] | None = None) -> bytes:
    first = rows[0][0] if rows else 7
    return pack_shown_pages(
        changes_of(rows), before or {}, edge=first, compressor=make_compressor()
    )


@pytest.mark.parametrize(
    ("payload", "message"),
    [
        (b"\1", "found 1 bytes; pages begin with 13"),
        (bytes([1, 0, 1, 0]) + bytes(9), "found 65,537 changes of pages; a chunk has up to 65,536"),
        (packed([(8, 0, 1)])[:-1], "found a block of"),
        (packed([(8, 0, 1)]) + b"x", "found 1 bytes after the pages; none belong there"),
        (packed([(8, 3, 1)]), "found bank 3; the board has 3, counted from 0"),
        (packed([], {7: 1}), "found bank 7; the board has 3, counted from 0"),
        (packed([], {1: 1})[:-1], "found the end of the chunk; a bank's page belongs here"),
        (packed([], {0: 1, 1: 1}).replace(b"\1\1\0", b"\0\1\0"), "found two pages of bank 0"),
        (packed([(TOTAL_MAX, 0, 1), (TOTAL_MAX + 1, 0, 1)]), "found edge 4,611,686,018,427,387,90"),
        (packed([(9, 0, 1), (8, 0, 1)]), "found step 18,446,744,073,709,551,615; up to"),
    ],
)  # fmt: skip
def test_impossible_pages_are_refused(payload: bytes, message: str) -> None:
    with pytest.raises(InputError) as refused:
        parse_shown_pages(memoryview(payload), make_decompressor(), banks=3, where=HERE)
    assert str(refused.value).startswith(f"a.trace: chunk 3 at byte 90: {message}")


def test_pages_of_a_trace_without_a_board_are_refused(tmp_path: Path) -> None:
    frames = stream(GUARDED, 50)
    path = tmp_path / "a.trace"
    with TraceFileWriter(path, header=header_for(with_board=False)) as writer:
        pages = changes_of([(int(frames.edge[0]), 0, 1)])
        writer.write(frames, stop_edge=int(frames.edge[-1]) + 1, pages=pages)
    with (
        TraceReader(path) as reader,
        pytest.raises(InputError, match="found bank 0; the board has 0, counted from 0"),
    ):
        reader.verify()
