"""Reading: all frames, from any edge, cut anywhere, damaged anywhere."""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from busplay.batch import FrameBatch
from busplay.errors import InputError, printable
from busplay.pipeline.pipeline import Pipeline
from busplay.trace.columns import CHUNK_FRAMES
from busplay.trace.container import HEAD, Where, chunk_bytes
from busplay.trace.frame_chunk import Totals, parse_totals
from busplay.trace.header import TraceHeader
from busplay.trace.index import End, parse_end
from busplay.trace.inputs import KeyPress, pack_presses, pack_resets, parse_presses, parse_resets
from busplay.trace.reader import TraceReader
from busplay.trace.writer import TraceFileWriter
from busplay.write_index.builder import WriteIndexBuilder
from tests.boards import GUARDED, LEAN, board_with
from tests.fuzz.own import parse_trace
from tests.naive.trace_reader import read_trace
from tests.trace.cases import (
    CountingUnits,
    assert_same,
    header_for,
    joined,
    piece,
    sealed,
    stream,
    write_trace,
)

SECOND_EDGES = 16_000_000
HERE = Where("a.trace", "chunk 2 at byte 900")


def small_trace(path: Path) -> FrameBatch:
    """Write a trace with chunks of every type; return its frames."""
    edges = np.repeat(np.arange(70, dtype=np.uint64), 3) * np.uint64(SECOND_EDGES)
    edges += np.tile(np.array([0, 8, 24], np.uint64), 70)
    frames = FrameBatch(edges, stream(GUARDED, 210).word)
    with TraceFileWriter(path, header=header_for(), units=CountingUnits()) as writer:
        writer.press(7, 65)
        writer.press(300_000_000, 66)
        writer.reset(9)
        writer.reset(290_000_000)
        writer.keep_state(100_000_000, bytes(70_000) + b"state")
        writer.keep_state(200_000_000, bytes(70_000) + b"other")
        writer.write(frames, stop_edge=72 * SECOND_EDGES)
        lost = np.array([80, 8], np.uint64), np.array([1, 5], np.uint8)
        writer.close(summary={"exit_status": 0}, losses=lost)
    return frames


def without_file(header: TraceHeader) -> TraceHeader:
    """Remove the descriptions' files; a reader names the trace."""
    link = replace(header.link, file="")
    assert header.board is not None
    return replace(header, link=link, board=replace(header.board, link=link, file=""))


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> tuple[bytes, FrameBatch]:
    path = tmp_path_factory.mktemp("small") / "a.trace"
    frames = small_trace(path)
    return path.read_bytes(), frames


# -- complete


def test_trace_of_every_chunk_type_reads_completely(
    tmp_path: Path, small: tuple[bytes, FrameBatch]
) -> None:
    raw, frames = small
    (tmp_path / "a.trace").write_bytes(raw)
    with TraceReader(tmp_path / "a.trace") as reader:
        reader.verify()
        assert reader.complete
        assert reader.cut_reason == ""
        assert without_file(reader.header) == header_for()
        assert reader.frames == 210
        assert reader.file_bytes == len(raw)
        assert [press.code for press in reader.key_presses()] == [65, 66]
        assert reader.resets() == (9, 290_000_000)
        states = [(cycle, state[-5:], len(state)) for cycle, state, _ in reader.core_states()]
        assert states == [(100_000_000, b"state", 70_005), (200_000_000, b"other", 70_005)]
        assert reader.summary() == {"exit_status": 0}
        rows = list(reader.chunk_rows())
        kinds = {"HEAD", "KEYS", "rSET", "rCPU", "FRMS", "STAT", "rLST", "SUMM"}
        assert {row.kind for row in rows} == kinds
        assert [row.number for row in rows] == list(range(1, len(rows) + 1))
        assert rows[0].position == HEAD.size
        assert all(
            row.position + row.stored_bytes == after.position for row, after in pairwise(rows)
        )
        assert_same(joined(list(reader.chunks())), frames)


def test_naive_reader_from_the_document_agrees(
    tmp_path: Path, small: tuple[bytes, FrameBatch]
) -> None:
    raw, frames = small
    (tmp_path / "a.trace").write_bytes(raw)
    naive = read_trace(raw)
    assert naive["frames"] == list(zip(frames.edge.tolist(), frames.word.tolist(), strict=True))
    with TraceReader(tmp_path / "a.trace") as reader:
        assert naive["complete"]
        assert naive["totals"] == (reader.frames, reader.stores, reader.cycles, reader.stop_edge)
        assert naive["keys"] == [(press.cycle, press.code) for press in reader.key_presses()]
        assert naive["resets"] == list(reader.resets())
        assert naive["cores"] == [one[:2] for one in reader.core_states()]
        edge, cause = reader.losses()
        expected = list(zip(edge.tolist(), cause.tolist(), strict=True))
        assert naive["losses"] == expected == [(80, 1), (8, 5)]
        assert naive["summary"] == reader.summary()
        for frames_before, edge, states in naive["states"]:
            point = reader.seek(edge)
            assert (point.frames_before, point.states) == (frames_before, states)
        index = [(row.kind.encode(), row.stored_bytes - 12) for row in reader.chunk_rows()]
        assert [entry[:2] for entry in naive["index"]] == index


def test_opening_reads_the_end_and_the_header_only(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.trace"
    write_trace(path, stream(GUARDED, 6 * CHUNK_FRAMES), header_for())
    from busplay.trace.container import ChunkSource

    read = []
    plain = ChunkSource._read

    def counted(source: ChunkSource, position: int, count: int) -> bytes:
        read.append(count)
        return plain(source, position, count)

    monkeypatch.setattr(ChunkSource, "_read", counted)
    with TraceReader(path) as reader:
        assert reader.frames == 6 * CHUNK_FRAMES
    assert sum(read) < 8_000 < path.stat().st_size


# -- from any edge on


def test_seek_equals_reading_from_the_start(tmp_path: Path) -> None:
    frames = stream(LEAN, 9 * CHUNK_FRAMES)
    with TraceFileWriter(tmp_path / "a.trace", header=header_for(LEAN), units=CountingUnits()) as w:
        w.write(frames, stop_edge=1 << 40)
    rng = np.random.default_rng(5)
    picked = rng.choice(frames.edge, 12).tolist()
    with TraceReader(tmp_path / "a.trace") as reader:
        for edge in [0, *picked, int(frames.edge[-1]), 1 << 50]:
            point = reader.seek(edge)
            assert point.edge <= edge
            rest = joined(list(point.chunks))
            assert_same(rest, piece(frames, point.frames_before, len(frames)))
            # A jump feeds little more than two chunks.
            before = np.searchsorted(frames.edge, np.uint64(edge)) - point.frames_before
            assert before <= 3 * CHUNK_FRAMES
            assert reader.frames_before_edge(edge) == np.count_nonzero(frames.edge < edge)


def test_seek_decodes_up_to_its_edge_and_the_rest_when_it_is_needed(tmp_path: Path) -> None:
    frames = stream(GUARDED, 2 * CHUNK_FRAMES)
    write_trace(tmp_path / "a.trace", frames, header_for())
    edge = int(frames.edge[CHUNK_FRAMES + 3_000])
    with TraceReader(tmp_path / "a.trace") as reader:
        for visit in range(3):
            parts = list(reader.seek(edge).chunks)
            assert_same(joined(parts), frames)
            # What is visited again is kept.
            assert len(parts) == (3 if visit == 0 else 2)
        first = reader.frames_before_edge(edge)
    with TraceReader(tmp_path / "a.trace") as reader:
        assert reader.frames_before_edge(edge) == first == CHUNK_FRAMES + 3_000


@pytest.mark.parametrize("link", [GUARDED, LEAN], ids=lambda link: link.name)
def test_units_after_a_jump_equal_units_after_playing(tmp_path: Path, link) -> None:  # type: ignore[no-untyped-def]
    board = board_with(link)
    frames = stream(link, 6 * CHUNK_FRAMES)
    with TraceFileWriter(
        tmp_path / "a.trace", header=header_for(link), units=WriteIndexBuilder(board)
    ) as writer:
        writer.write(frames, stop_edge=int(frames.edge[-1]) + 8)
    with TraceReader(tmp_path / "a.trace") as reader:
        for count in (4 * CHUNK_FRAMES, 4 * CHUNK_FRAMES + 1, 5 * CHUNK_FRAMES + 999):
            edge = int(frames.edge[count])
            played, jumped = Pipeline(board), Pipeline(board)
            for part in reader.frames_between(0, edge):
                played.feed_frames(part, stop_edge=0)
            point = reader.seek(edge)
            assert point.frames_before == 4 * CHUNK_FRAMES
            jumped.restore(point.states, edge=point.edge, frames_carried=point.frames_before)
            for part in reader.frames_between(point.edge, edge):
                jumped.feed_frames(part, stop_edge=0)
            assert jumped.states() == played.states()
            assert jumped.edge == played.edge


def test_frames_between_two_edges_are_all_that_start_there(tmp_path: Path) -> None:
    frames = stream(GUARDED, 2 * CHUNK_FRAMES + 500)
    write_trace(tmp_path / "a.trace", frames, header_for())
    first, last = int(frames.edge[0]), int(frames.edge[-1])
    middle = int(frames.edge[CHUNK_FRAMES])
    spans = [
        (0, first),
        (0, first + 1),
        (middle, middle),
        (middle - 300, middle + 300),
        (middle, middle + 8),
        (last, last + 1),
        (last + 1, 1 << 62),
        (0, 1 << 62),
    ]
    with TraceReader(tmp_path / "a.trace") as reader:
        for start, stop in spans:
            found = joined(list(reader.frames_between(start, stop)))
            inside = (frames.edge >= start) & (frames.edge < stop)
            assert_same(found, FrameBatch(frames.edge[inside], frames.word[inside]))


# -- cut


@pytest.mark.thorough
def test_trace_cut_at_any_byte_reads_up_to_its_last_complete_chunk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("busplay.trace.writer.KEY_FRAME_CHUNKS", 2)
    path = tmp_path / "a.trace"
    edges = np.arange(12, dtype=np.uint64) * np.uint64(SECOND_EDGES // 4)
    frames = FrameBatch(edges, stream(GUARDED, 12).word)
    with TraceFileWriter(
        path, header=header_for(with_board=False), units=CountingUnits()
    ) as writer:
        writer.press(0, 65)
        writer.write(frames, stop_edge=5 * SECOND_EDGES)
        writer.close(summary={"exit_status": 0})
    raw = path.read_bytes()
    with TraceReader(path) as reader:
        rows = list(reader.chunk_rows())
    assert {row.kind for row in rows} == {"HEAD", "KEYS", "FRMS", "STAT", "SUMM"}
    stops = [row.position + row.stored_bytes for row in rows]
    for cut in range(len(raw)):
        path.write_bytes(raw[:cut])
        if cut < stops[0]:
            with pytest.raises(InputError):
                TraceReader(path)
            continue
        kept = sum(row.frames for row, stop in zip(rows, stops, strict=True) if stop <= cut)
        with TraceReader(path) as reader:
            assert not reader.complete
            assert reader.cut_reason
            assert reader.frames == kept
            assert_same(joined(list(reader.chunks())), piece(frames, 0, kept))
            reader.verify()


def test_cut_trace_reports_where_it_ends(tmp_path: Path, small: tuple[bytes, FrameBatch]) -> None:
    raw, _ = small
    path = tmp_path / "a.trace"
    path.write_bytes(raw)
    with TraceReader(path) as reader:
        fourth = list(reader.chunk_rows())[3]
    for kept, reason in [
        (0, f"byte {fourth.position:,}: the file ends without an end chunk"),
        (
            3,
            f"chunk 4 at byte {fourth.position:,}: found 3 bytes; a chunk's type and length take 8",
        ),
        (
            20,
            f"chunk 4 at byte {fourth.position:,}: found 20 of its {fourth.stored_bytes:,} bytes; "
            "the file ends before the chunk does",
        ),
    ]:
        path.write_bytes(raw[: fourth.position + kept])
        with TraceReader(path) as reader:
            assert reader.cut_reason == reason
    path.write_bytes(raw[: fourth.position] + bytes(200_000))
    with TraceReader(path) as reader:
        assert reader.cut_reason == (
            f"chunk 4 at byte {fourth.position:,}: found only zeros up to the end of the file; "
            "a chunk's type belongs here"
        )


def test_cut_trace_has_its_totals(tmp_path: Path, small: tuple[bytes, FrameBatch]) -> None:
    raw, _ = small
    path = tmp_path / "a.trace"
    path.write_bytes(raw[:-1])
    with TraceReader(path) as reader:
        assert (reader.frames, reader.stores) == (210, 210)
        assert reader.stop_edge == 70 * SECOND_EDGES
        assert reader.cycles == (70 * SECOND_EDGES - 128) // 2
        assert len(reader.key_presses()) == 2


# -- damaged


def damaged(raw: bytes, at: int) -> bytes:
    return raw[:at] + bytes([raw[at] ^ 1]) + raw[at + 1 :]


def test_damaged_chunk_is_named_with_both_checksums(tmp_path: Path) -> None:
    path = tmp_path / "tide.trace"
    write_trace(path, stream(GUARDED, 3 * CHUNK_FRAMES), header_for())
    raw = path.read_bytes()
    with TraceReader(path) as reader:
        row = list(reader.chunk_rows())[3]
    chunk = damaged(raw, row.position + 99)[row.position : row.position + row.stored_bytes]
    path.write_bytes(damaged(raw, row.position + 99))
    stored = int.from_bytes(chunk[-4:], "little")
    message = (
        f"{path}: chunk 4 at byte {row.position:,}: "
        f"CRC is {zlib.crc32(chunk[:-4]):08X}, stored {stored:08X}; "
        "the 3 chunks before it are intact"
    )
    with TraceReader(path) as reader:
        assert reader.frames == 3 * CHUNK_FRAMES
        chunks = reader.chunks()
        assert len(next(chunks)) == len(next(chunks)) == CHUNK_FRAMES
        with pytest.raises(InputError) as refused:
            next(chunks)
        assert str(refused.value) == message
        with pytest.raises(InputError) as refused:
            reader.verify()
        assert str(refused.value) == message


def test_first_damaged_chunk_is_named_even_after_a_jump(tmp_path: Path) -> None:
    path = tmp_path / "tide.trace"
    frames = stream(GUARDED, 4 * CHUNK_FRAMES)
    write_trace(path, frames, header_for())
    with TraceReader(path) as reader:
        rows = list(reader.chunk_rows())
    raw = damaged(damaged(path.read_bytes(), rows[4].position + 50), rows[2].position + 50)
    path.write_bytes(raw)
    with (
        TraceReader(path) as reader,
        pytest.raises(InputError, match=r"chunk 3 at byte .*; the 2 chunks before it are intact"),
    ):
        list(reader.frames_between(int(frames.edge[-1]), 1 << 60))


def test_damage_in_a_cut_trace_is_refused_unless_asked_to_keep_going(
    tmp_path: Path, small: tuple[bytes, FrameBatch]
) -> None:
    raw, frames = small
    path = tmp_path / "a.trace"
    path.write_bytes(raw)
    with TraceReader(path) as reader:
        rows = list(reader.chunk_rows())
    path.write_bytes(damaged(raw[:-10], rows[5].position + 30))
    with pytest.raises(InputError, match=r"chunk 6 at byte .*; the 5 chunks before it are intact"):
        TraceReader(path)
    with TraceReader(path, keep_going=True) as reader:
        assert not reader.complete
        assert reader.cut_reason.startswith(f"chunk 6 at byte {rows[5].position:,}: CRC is ")
        kept = sum(row.frames for row in rows[:5])
        assert reader.frames == kept > 0
        assert_same(joined(list(reader.chunks())), piece(frames, 0, kept))


def test_bytes_after_the_end_are_refused(tmp_path: Path, small: tuple[bytes, FrameBatch]) -> None:
    raw, _ = small
    path = tmp_path / "a.trace"
    path.write_bytes(raw + b"more")
    with pytest.raises(InputError) as refused:
        TraceReader(path)
    assert str(refused.value) == (
        f"{path}: byte {len(raw):,}: found 4 bytes after the end chunk; "
        "nothing belongs there; the trace before them is complete"
    )
    with TraceReader(path, keep_going=True) as reader:
        assert reader.complete


@pytest.mark.parametrize(
    ("raw", "message"),
    [
        (b"", "found an empty file; give a trace"),
        (
            b"PK\x03\x04 and so on",
            "byte 0: found 50 4B 03 04 20 61 6E 64; a trace begins with 89 42 50 54 0D 0A 1A 0A",
        ),
        (
            b"\x89BPT\n\x1a\n and so on",
            "byte 0: found 89 42 50 54 0A 1A 0A 20; a trace begins with 89 42 50 54 0D 0A 1A 0A",
        ),
        (
            b"\x89BPT\r\n",
            "byte 6: found the end of the file; a trace has a head and a header chunk, "
            "so nothing of this one can be read",
        ),
        (
            HEAD.pack(b"\x89BPT\r\n\x1a\n", 2),
            "byte 8: found version 2; this busplay reads version 1, so take a later one",
        ),
        (
            HEAD.pack(b"\x89BPT\r\n\x1a\n", 1),
            "byte 12: the file ends without an end chunk; nothing of this trace can be read",
        ),
        (
            HEAD.pack(b"\x89BPT\r\n\x1a\n", 1) + chunk_bytes(b"KEYS", bytes(9)),
            "chunk 1 at byte 12: found type KEYS; the first chunk, and no other, is HEAD; "
            "nothing of this trace can be read",
        ),
        (
            HEAD.pack(b"\x89BPT\r\n\x1a\n", 1) + chunk_bytes(b"HEAD", b"{}"),
            "chunk 1 at byte 12: link: found nothing; a table belongs here",
        ),
        (
            HEAD.pack(b"\x89BPT\r\n\x1a\n", 1) + chunk_bytes(b"HEAD", b"[" * 100_000),
            "chunk 1 at byte 12: found JSON nested too deeply; an object of objects belongs here",
        ),
        (
            HEAD.pack(b"\x89BPT\r\n\x1a\n", 1) + chunk_bytes(b"ZZZZ", b""),
            "chunk 1 at byte 12: found type ZZZZ; "
            "this busplay does not know it, so take a later one",
        ),
    ],
)
def test_file_that_is_not_a_trace_is_refused_with_the_reason(
    tmp_path: Path, raw: bytes, message: str
) -> None:
    path = tmp_path / "x.trace"
    path.write_bytes(raw)
    with pytest.raises(InputError) as refused:
        TraceReader(path)
    assert str(refused.value) == f"{path}: {message}"


@pytest.mark.parametrize(
    ("name", "found"),
    [("", "a folder"), ("missing.trace", "no such file"), ("x\0y", "embedded null byte")],
)
def test_path_that_is_not_a_file_is_refused(tmp_path: Path, name: str, found: str) -> None:
    with pytest.raises(InputError) as refused:
        TraceReader(f"{tmp_path}/{name}")
    assert str(refused.value) == f"{tmp_path}/{printable(name)}: found {found}; give a trace"


def test_device_is_refused_and_does_not_block() -> None:
    with pytest.raises(InputError, match="/dev/null: found a device or pipe; give a trace"):
        TraceReader("/dev/null")


def test_unknown_chunk_in_lower_case_is_skipped(
    tmp_path: Path, small: tuple[bytes, FrameBatch]
) -> None:
    raw, frames = small
    path = tmp_path / "a.trace"
    at = raw.index(b"FRMS")
    path.write_bytes(raw[:at] + chunk_bytes(b"note", b"hello") + raw[at : raw.index(b"INDX")])
    with TraceReader(path) as reader:
        assert not reader.complete
        assert_same(joined(list(reader.chunks())), frames)
        reader.verify()


@pytest.mark.parametrize(
    ("parse", "found"),
    [
        (lambda large: parse_totals(Totals(1, large, 0, 0, 0, 0).pack(), where=HERE), "frames"),
        (lambda large: parse_totals(Totals(1, 1, 0, 0, 0, large).pack(), where=HERE), "stop edge"),
        (lambda large: parse_presses(pack_presses([KeyPress(large, 1)]), where=HERE), "cycle"),
        (lambda large: parse_resets(pack_resets([large]), where=HERE), "cycle"),
        (lambda large: parse_end(End(0, 0, 0, large, 0).pack(), where=HERE), "cycles"),
    ],
)
def test_impossible_total_is_refused(parse: Callable[[int], object], found: str) -> None:
    """An edge of 2**63 and more was an OverflowError when the trace was played."""
    with pytest.raises(InputError) as refused:
        parse(1 << 62)
    assert refused.value.found == f"{found} {1 << 62:,}"
    assert refused.value.wanted == f"up to {(1 << 62) - 1:,} belongs here"
    assert parse((1 << 62) - 1)


def test_memory_stays_bounded_for_any_lengths(small: tuple[bytes, FrameBatch]) -> None:
    """Lengths of gigabytes are checked against the file before anything is allocated."""
    import tracemalloc

    raw = small[0]
    at = raw.index(b"STAT") + 8
    state_bytes = at + 18 + 6
    for position, width in [
        (at - 4, 4),
        (at + 16, 2),
        (state_bytes, 4),
        (raw.index(b"FRMS") + 8, 4),
    ]:
        changed = bytearray(raw)
        changed[position : position + width] = b"\xff" * width
        tracemalloc.start()
        with pytest.raises(InputError):
            parse_trace(sealed(changed))
        _, most = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert most < 64 << 20
