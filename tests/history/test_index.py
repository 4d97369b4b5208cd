"""The write index as it stands in traces: against the naive reader, damaged, and of odd traces."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.batch import FrameBatch
from busplay.errors import InputError
from busplay.history.history import open_history
from busplay.history.places import Place
from busplay.link.layout import FrameLayout
from busplay.pipeline.pipeline import Pipeline
from busplay.trace.columns import CHUNK_FRAMES
from busplay.trace.container import CHUNK_HEAD, WRITES
from busplay.trace.header import TraceHeader
from busplay.trace.reader import TraceReader
from busplay.trace.writer import TraceFileWriter
from busplay.write_index import builder
from busplay.write_index import cells as cells_of_boards
from busplay.write_index.builder import WriteIndexBuilder
from busplay.write_index.cells import Cells
from busplay.write_index.stretch import ChunkKind, SpanColumn
from tests.boards import GUARDED, board_with
from tests.history.cases import Case, cases, naive_of, record
from tests.naive.history import spans_of
from tests.naive.trace_reader import read_trace
from tests.trace.cases import sealed, stream


def naive_cells(case: Case) -> dict[tuple[str, str, int], int]:
    """Number the cells of a board as traces/README.md says."""
    address = case.board.link.field_named("address")
    assert address is not None
    numbers = {}
    for unit in case.board.units:
        for offset in range(min(unit.memory_bytes, 1 << address.bits)):
            numbers[unit.name, "memory", offset] = len(numbers)
        for offset in range(8):
            numbers[unit.name, "registers", offset] = len(numbers)
    return numbers


@pytest.fixture
def short_too(monkeypatch: pytest.MonkeyPatch) -> None:
    """Have an index written into short traces too."""
    monkeypatch.setattr(builder, "SHORT_BLOCKS", 0)


@given(case=cases(), chunk_frames=st.sampled_from((None, 1, 2, 9)))
@settings(max_examples=60)
def test_index_that_the_recorder_writes_says_what_the_frames_do(
    case: Case, chunk_frames: int | None
) -> None:
    with TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.setattr(builder, "SHORT_BLOCKS", 0)
        path = Path(folder) / "a.trace"
        record(path, case, chunk_frames=chunk_frames)
        with TraceReader(path) as reader:
            naive = naive_of(reader, case.board)
            counts = [len(part) for part in reader.chunks()]
        trace = read_trace(path.read_bytes())
    numbers = naive_cells(case)
    chunk_of = [number for number, count in enumerate(counts) for _ in range(count)]
    written: list[set[int]] = [set() for _ in counts]
    totals: list[dict[int, int]] = [{} for _ in trace["writes"]]
    stretch_of = [number for number, part in enumerate(trace["writes"]) for _ in part["kinds"]]
    for one in naive.writes:
        cell, chunk = numbers[one.unit, one.space, one.offset], chunk_of[one.frame]
        written[chunk].add(cell)
        of_stretch = totals[stretch_of[chunk]]
        of_stretch[cell] = of_stretch.get(cell, 0) + 1
    sizes = [size for part in trace["writes"] for size in part["blocks"]]
    assert sum(sizes) == len(counts)
    stops = np.cumsum([0, *sizes]).tolist()
    blocks = [set().union(*written[first:stop]) for first, stop in pairwise(stops)]
    assert [cells for part in trace["writes"] for cells in part["written"]] == blocks
    for part, of_stretch in zip(trace["writes"], totals, strict=True):
        assert (part["counts"] is None) == (len(part["kinds"]) < 48)
        if part["counts"] is not None:
            found = {cell: count for cell, count in enumerate(part["counts"]) if count}
            assert found == of_stretch
    columns = [
        [one for part in trace["writes"] for one in part["columns"][row]] for row in range(9)
    ]
    at = 0
    for span, count in enumerate(spans_of(counts, 1024)):
        fates = naive.fates[at : at + count]
        assert columns[SpanColumn.CHANGED_BYTES][span] == sum(naive.changed[at : at + count])
        assert columns[SpanColumn.FRAMES_MISSED][span] == sum(naive.missed[at : at + count])
        assert columns[SpanColumn.LOST_AT_RECEIVER][span] == fates.count("OVERRUN")
        assert columns[SpanColumn.LATE][span] == fates.count("LATE")
        at += count


def big_case(count: int = 200_000) -> Case:
    board = board_with(GUARDED)
    frames = stream(GUARDED, count)
    return Case(board, frames, int(frames.edge[-1]) + 8)


def test_index_made_on_opening_equals_the_recorded_one(tmp_path: Path) -> None:
    # A stretch of 64 chunks and one of 49, so that both have their counts in the trace.
    case = big_case(113 * 1_770)
    for name, with_index in (("with", True), ("without", False)):
        record(tmp_path / name, case, with_index=with_index, chunk_frames=1_770)
    with TraceReader(tmp_path / "with") as one, TraceReader(tmp_path / "without") as other:
        first, second = open_history(one).index, open_history(other).index
        assert (first.chunks_in_trace, second.chunks_in_trace) == (113, 0)
        assert first.kinds == second.kinds == [ChunkKind.PLAIN] * 113
        names = ("written", "block_first", "counted_chunks", "counts_before")
        for name in (*names, "spans", "sums_before", "frames_before"):
            assert (getattr(first, name) == getattr(second, name)).all(), name
        assert first.sums_before[SpanColumn.CHANGED_BYTES, -1] > 70_000


def test_trace_of_up_to_four_blocks_has_no_index_and_is_searched_all_the_same(
    tmp_path: Path,
) -> None:
    indexed = {}
    for chunks in (4, 5):
        path = tmp_path / f"{chunks}.trace"
        case = big_case(chunks * CHUNK_FRAMES)
        record(path, case)
        with TraceReader(path) as reader:
            indexed[chunks] = reader.frames_indexed
            last = open_history(reader).last_write(Place("panel", "memory", 7, 8))
            assert last is not None
            wanted = [
                frame for frame, offset in naive_of_plain(big_case(reader.frames)) if offset == 7
            ]
            assert last.frame == wanted[-1]
    assert indexed == {4: 0, 5: 5 * CHUNK_FRAMES}


def test_chunks_of_a_slow_program_share_a_block(tmp_path: Path) -> None:
    case = big_case(400_000)
    record(tmp_path / "a.trace", case, chunk_frames=40_000)
    with TraceReader(tmp_path / "a.trace") as reader:
        index = open_history(reader).index
    # A block ends with 131,072 frames or more; the last is as short as the trace.
    assert index.block_first.tolist() == [0, 4, 8, 10]
    assert index.written.shape[0] == 3


@pytest.mark.usefixtures("short_too")
def test_index_says_where_stores_were_lost_at_the_sender(tmp_path: Path) -> None:
    case = big_case(3_000)
    lost = case.frames.edge[[0, 1_023, 1_024, 2_999]] + np.uint64(1)
    header = TraceHeader(link=case.board.link, board=case.board)
    path = tmp_path / "a.trace"
    with TraceFileWriter(path, header=header, units=WriteIndexBuilder(case.board)) as writer:
        writer.write(case.frames, stop_edge=case.stop_edge, lost_edges=lost)
    (part,) = read_trace(path.read_bytes())["writes"]
    assert part["columns"][SpanColumn.LOST_AT_SENDER] == [1, 2, 1]


def damaged_frames(case: Case, places: list[int], flips: int) -> FrameBatch:
    word = case.frames.word.copy()
    word[places] ^= np.uint64(flips)
    return FrameBatch(case.frames.edge, word)


def test_frames_missed_before_a_chunk_count_in_its_first_span(tmp_path: Path) -> None:
    case = big_case(140_000)
    fields = FrameLayout(GUARDED).unpack(case.frames.word)
    # Three frames are missing before the second chunk, one before the third's span 2.
    after = np.arange(140_000)
    gaps = 3 * (after >= 65_536) + (after >= 131_072 + 2_048)
    fields["sequence"] = (fields["sequence"] + gaps.astype(np.uint64)) % np.uint64(16)
    del fields["check"]
    word = FrameLayout(GUARDED).pack(**fields)
    record(tmp_path / "a.trace", replace(case, frames=FrameBatch(case.frames.edge, word)))
    with TraceReader(tmp_path / "a.trace") as reader:
        index = open_history(reader).index
    assert set(index.kinds) == {ChunkKind.PLAIN}
    missed = index.spans[SpanColumn.FRAMES_MISSED]
    assert {int(at): int(missed[at]) for at in np.flatnonzero(missed)} == {64: 3, 130: 1}


@pytest.mark.parametrize("correct", [True, False], ids=["corrected", "refused"])
def test_words_that_the_receiver_corrects_or_refuses_are_found_by_a_replay(
    tmp_path: Path, correct: bool
) -> None:
    case = big_case(70_000)
    receiver = replace(case.board.receiver, correct_one_bit=correct)
    board = replace(case.board, receiver=receiver)
    # One bit of the data; the frame before the first says where writing begins.
    frames = damaged_frames(case, [5, 30_000, 66_000], 1 << 8)
    odd = Case(board, frames, case.stop_edge)
    path = tmp_path / "a.trace"
    record(path, odd)
    pipeline = Pipeline(board)
    reached: list[FrameBatch] = []
    pipeline.watch_delivered(reached.append)
    pipeline.feed_frames(frames, stop_edge=case.stop_edge)
    expected = FrameBatch.joined(reached)
    with TraceReader(path) as reader:
        history = open_history(reader)
        kind = ChunkKind.REPLAYED if correct else ChunkKind.FATES
        assert history.index.kinds == [kind, kind]
        everything = Place("panel", "memory", 0, 24_576)
        found = list(history.writes(everything, newest_first=False))
        offsets = FrameLayout(board.link).unpack(expected.word)["address"]
        inside = offsets < np.uint64(24_576)
        word = np.concatenate([part.word for part in found])
        assert (word == expected.word[inside]).all()
        assert history.count_writes(everything) == int(np.count_nonzero(inside))
        undelivered = history.timeline(0, reader.stop_edge, 1).undelivered
        assert undelivered.tolist() == [0 if correct else 3]
        memory: dict[int, int] = {}
        changes = 0
        data = FrameLayout(board.link).unpack(expected.word)["data"]
        for offset, byte in zip(offsets[inside].tolist(), data[inside].tolist(), strict=True):
            changes += memory.get(offset, 0) != byte
            memory[offset] = byte
        assert history.index.sums_before[SpanColumn.CHANGED_BYTES, -1] == changes


def test_frames_before_the_receiver_is_in_sync_are_no_writes(tmp_path: Path) -> None:
    case = big_case(3_000)
    early = FrameBatch(case.frames.edge - case.frames.edge[0], case.frames.word)
    path = tmp_path / "a.trace"
    record(path, Case(case.board, early, case.stop_edge))
    with TraceReader(path) as reader:
        history = open_history(reader)
        assert history.index.kinds == [ChunkKind.FATES]
        missing = int(history.timeline(0, reader.stop_edge, 1).undelivered[0])
        assert missing > 0
        assert history.count_writes(Place("panel", "memory", 0, 24_576)) == 3_000 - missing


def test_cells_of_large_memories_stand_for_several_bytes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cells_of_boards, "CELLS_MAX", 7_000)
    case = big_case(70_000)
    assert Cells(case.board, FrameLayout(case.board.link)).shift == 2
    record(tmp_path / "a.trace", case)
    with TraceReader(tmp_path / "a.trace") as reader:
        history, naive = open_history(reader), naive_of_plain(case)
        for first, stop in ((17, 18), (24_575, 24_576), (100, 205)):
            place = Place("panel", "memory", first, stop)
            wanted = [frame for frame, offset in naive if first <= offset < stop]
            assert history.count_writes(place, 10, 65_600) == sum(
                10 <= one < 65_600 for one in wanted
            )
            last = history.last_write(place)
            assert last is not None
            assert last.frame == wanted[-1]


def naive_of_plain(case: Case) -> list[tuple[int, int]]:
    """Frame and offset of every frame of a fill of the guarded link, by the bits of its words."""
    return [(frame, word >> 16 & 0xFFFF) for frame, word in enumerate(case.frames.word.tolist())]


@pytest.mark.parametrize(
    ("offset", "message"),
    [
        (0, "an index of 99 frame chunks; it is of up to 64, and 1 are left"),
        (4, "99 frames before; here it is 0"),
        (12, "99 cells; here it is 25,104"),
        (16, "99 cell shift; here it is 0"),
        (17, "99 spans; here it is 3"),
        (21, "kinds 63; each is 0, 1 or 2"),
        (22, "coding 99; 0 (raw) or 1 (Zstandard) belongs here"),
    ],
)
@pytest.mark.usefixtures("short_too")
def test_damaged_index_is_refused_by_a_search_and_never_by_a_replay(
    tmp_path: Path, offset: int, message: str
) -> None:
    path = tmp_path / "a.trace"
    record(path, big_case(3_000))
    raw = bytearray(path.read_bytes())
    payload = raw.index(WRITES) + CHUNK_HEAD.size
    raw[payload + offset : payload + offset + (1 if offset > 15 and offset != 17 else 4)] = (
        99
    ).to_bytes(1 if offset > 15 and offset != 17 else 4, "little")
    path.write_bytes(sealed(bytes(raw)))
    with TraceReader(path) as reader:
        assert sum(len(part) for part in reader.chunks()) == 3_000
        with pytest.raises(InputError) as caught:
            open_history(reader)
    assert f"{caught.value.found}; {caught.value.wanted}" == message
    assert caught.value.file == str(path)


def test_trace_without_a_board_has_no_history(tmp_path: Path) -> None:
    case = big_case(10)
    path = tmp_path / "a.trace"
    with TraceFileWriter(path, header=TraceHeader(link=GUARDED)) as writer:
        writer.write(case.frames, stop_edge=case.stop_edge)
    with TraceReader(path) as reader, pytest.raises(InputError, match="a trace without a board"):
        open_history(reader)
