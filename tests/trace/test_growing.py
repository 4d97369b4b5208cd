"""A trace that is read while it grows, in parts of which the oldest are dropped."""

from __future__ import annotations

import gc
from pathlib import Path

import numpy as np
import pytest

from busplay.batch import FrameBatch
from busplay.errors import InputError
from busplay.pipeline.pipeline import Pipeline
from busplay.trace.growing import GrowingTraceWriter
from busplay.trace.reader import TraceReader
from busplay.trace.writer import TraceFileWriter
from busplay.write_index.builder import WriteIndexBuilder
from tests.boards import GUARDED
from tests.trace.cases import header_for, piece, stream

HEADER = header_for(GUARDED)
# Each is a chunk, as `write_pieces` flushes; an index of writes comes after 64 of them.
PIECE_FRAMES = 50


def growing(path: Path, *, bytes_max: int) -> GrowingTraceWriter:
    assert HEADER.board is not None
    units = WriteIndexBuilder(HEADER.board)
    return GrowingTraceWriter(path, header=HEADER, units=units, bytes_max=bytes_max)


def write_pieces(trace: TraceFileWriter, frames: FrameBatch, first: int, stop: int) -> None:
    for start in range(first, stop, PIECE_FRAMES):
        here = piece(frames, start, min(start + PIECE_FRAMES, stop))
        trace.write(here, stop_edge=int(here.edge[-1]) + 1)
        trace.flush()


def joined(reader: TraceReader) -> FrameBatch:
    return FrameBatch.joined(list(reader.chunks()))


def test_what_is_written_so_far_can_be_read_at_any_time(tmp_path: Path) -> None:
    frames = stream(GUARDED, 2_000)
    trace = growing(tmp_path / "run.trace", bytes_max=1 << 30)
    for stop in range(0, 2_000, 500):
        write_pieces(trace, frames, stop, stop + 500)
        with TraceReader(trace.grown()) as reader:
            assert reader.frames == stop + 500
            np.testing.assert_array_equal(joined(reader).word, frames.word[: stop + 500])
            assert reader.begin_edge == 0
            assert not reader.complete
            reader.verify()
    trace.abandon()


def test_it_is_the_same_file_as_one_that_does_not_grow(tmp_path: Path) -> None:
    frames = stream(GUARDED, 500)
    assert HEADER.board is not None
    units = WriteIndexBuilder(HEADER.board)
    plain = TraceFileWriter(tmp_path / "plain.trace", header=HEADER, units=units)
    trace = growing(tmp_path / "run.trace", bytes_max=1 << 30)
    for one in (plain, trace):
        write_pieces(one, frames, 0, 500)
        one.close()
    assert (tmp_path / "run.trace").read_bytes() == (tmp_path / "plain.trace").read_bytes()


@pytest.mark.thorough
def test_the_latest_parts_are_kept_and_play_as_the_whole(tmp_path: Path) -> None:
    frames = stream(GUARDED, 20_000)
    trace = growing(tmp_path / "run.trace", bytes_max=60_000)
    whole = growing(tmp_path / "whole.trace", bytes_max=1 << 30)
    begins = set()
    for start in range(0, 20_000, 1_000):
        for one in (trace, whole):
            write_pieces(one, frames, start, start + 1_000)
        assert trace.stored_bytes - trace._parts[0].first_byte <= 90_000
        with TraceReader(trace.grown()) as reader, TraceReader(whole.grown()) as all_of_it:
            begin = int(reader.frames_before[0])
            begins.add(begin)
            kept = joined(reader)
            np.testing.assert_array_equal(kept.edge, frames.edge[begin : start + 1_000])
            np.testing.assert_array_equal(kept.word, frames.word[begin : start + 1_000])
            assert reader.frames == start + 1_000
            middle = int(kept.edge[len(kept) // 2])
            assert states_at(reader, middle) == states_at(all_of_it, middle)
            assert states_at(reader, reader.begin_edge) == states_at(all_of_it, reader.begin_edge)
            assert reader.frames_before_edge(middle) == all_of_it.frames_before_edge(middle)
    assert len(begins) > 3
    assert len(trace._parts) > 1
    names = sorted(path.name for path in tmp_path.iterdir() if path.name.startswith("run."))
    gc.collect()
    assert len(names) == len(trace._parts)
    trace.abandon()
    whole.abandon()


def states_at(reader: TraceReader, edge: int) -> dict[str, bytes]:
    assert HEADER.board is not None
    pipeline = Pipeline(HEADER.board)
    point = reader.seek(edge)
    if point.states:
        pipeline.restore(point.states, edge=point.edge, frames_carried=point.frames_before)
    for frames in reader.frames_between(point.edge, edge):
        pipeline.feed_frames(frames, stop_edge=0)
    pipeline.feed_frames(FrameBatch.empty(), stop_edge=edge)
    return {name: state for name, state in pipeline.states().items() if name.startswith("unit ")}


def test_a_dropped_part_stays_for_whoever_reads_it(tmp_path: Path) -> None:
    frames = stream(GUARDED, 20_000)
    trace = growing(tmp_path / "run.trace", bytes_max=50_000)
    write_pieces(trace, frames, 0, 4_000)
    reader = TraceReader(trace.grown())
    begin = int(reader.frames_before[0])
    write_pieces(trace, frames, 4_000, 20_000)
    assert int(TraceReader(trace.grown()).frames_before[0]) > 4_000
    np.testing.assert_array_equal(joined(reader).word, frames.word[begin:4_000])
    reader.close()
    del reader
    gc.collect()
    assert not (tmp_path / "run.trace").exists()
    trace.abandon()


def test_a_part_that_is_cut_short_is_an_error_with_its_place(tmp_path: Path) -> None:
    trace = growing(tmp_path / "run.trace", bytes_max=1 << 30)
    write_pieces(trace, stream(GUARDED, 500), 0, 500)
    reader = TraceReader(trace.grown())
    with (tmp_path / "run.trace").open("r+b") as file:
        file.truncate(file.seek(0, 2) // 2)
    with pytest.raises(InputError, match=r"run\.trace: chunk \d+ at byte"):
        reader.verify()
    trace.abandon()
