"""The recorder: same frames, same bytes; existing files are kept; full disks."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.batch import FrameBatch
from busplay.errors import OutputError
from busplay.trace.columns import CHUNK_FRAMES
from busplay.trace.inputs import KeyPress
from busplay.trace.reader import TraceReader
from busplay.trace.writer import KEY_FRAME_CHUNKS, TraceFileWriter
from tests.boards import GUARDED, LEAN
from tests.trace.cases import (
    CountingUnits,
    any_frames,
    assert_same,
    header_for,
    joined,
    piece,
    read_all,
    stream,
    write_trace,
)

REPOSITORY = Path(__file__).parent.parent.parent
SECOND_EDGES = 16_000_000  # 8 MHz, both edges


def spread(count: int) -> FrameBatch:
    """Frames over some seconds of link time."""
    frames = stream(LEAN, count)
    return FrameBatch(np.arange(count, dtype=np.uint64) * np.uint64(1_000_000), frames.word)


# -- contents


def test_frames_of_several_chunks_round_trip(tmp_path: Path) -> None:
    frames = stream(GUARDED, 3 * CHUNK_FRAMES + 17)
    write_trace(tmp_path / "a.trace", frames, header_for())
    assert_same(read_all(tmp_path / "a.trace"), frames)


def test_trace_of_no_frames_is_complete(tmp_path: Path) -> None:
    write_trace(tmp_path / "a.trace", FrameBatch.empty(), header_for(), stop_edge=4_000)
    with TraceReader(tmp_path / "a.trace") as reader:
        assert (reader.complete, reader.frames, reader.stop_edge) == (True, 0, 4_000)
        assert list(reader.chunks()) == []


@settings(max_examples=60, deadline=None)
@given(frames=any_frames(), with_board=st.booleans())
def test_any_frames_round_trip(
    tmp_path_factory: pytest.TempPathFactory, frames: FrameBatch, with_board: bool
) -> None:
    path = tmp_path_factory.mktemp("any") / "a.trace"
    write_trace(path, frames, header_for(with_board=with_board))
    assert_same(read_all(path), frames)


def write_in_pieces(path: Path, frames: FrameBatch, cuts: list[int]) -> None:
    """Write frames in parts, each up to the next frame's edge."""
    stop = int(frames.edge[-1]) + 5_000_000
    bounds = [0, *sorted(cuts), len(frames)]
    with TraceFileWriter(path, header=header_for(LEAN), units=CountingUnits()) as writer:
        writer.press(3, 65)
        writer.press(9_000_000, 66)
        for start, end in pairwise(bounds):
            following = int(frames.edge[end]) if end < len(frames) else stop
            writer.write(piece(frames, start, end), stop_edge=following)


@settings(max_examples=25, deadline=None)
@given(cuts=st.lists(st.integers(0, 400), max_size=30))
def test_same_frames_give_same_bytes_however_batches_are_cut(
    tmp_path_factory: pytest.TempPathFactory, cuts: list[int]
) -> None:
    folder = tmp_path_factory.mktemp("cuts")
    frames = spread(400)
    write_in_pieces(folder / "whole.trace", frames, [])
    write_in_pieces(folder / "cut.trace", frames, cuts)
    assert (folder / "cut.trace").read_bytes() == (folder / "whole.trace").read_bytes()


@pytest.mark.parametrize("step", [1_000, 4_095, 65_535, 65_536, 65_537, 200_000])
def test_full_chunks_are_the_same_for_every_batch_size(tmp_path: Path, step: int) -> None:
    frames = stream(LEAN, 330_000)
    write_in_pieces(tmp_path / "whole.trace", frames, [])
    write_in_pieces(tmp_path / "cut.trace", frames, list(range(step, 330_000, step)))
    assert (tmp_path / "cut.trace").read_bytes() == (tmp_path / "whole.trace").read_bytes()


def test_trace_has_no_folder_or_file_names(tmp_path: Path) -> None:
    frames = stream(GUARDED, 1_000)
    for name in ("here/a.trace", "elsewhere/deeper/b.trace"):
        (tmp_path / name).parent.mkdir(parents=True)
        write_trace(tmp_path / name, frames, header_for())
    raw = (tmp_path / "here/a.trace").read_bytes()
    assert raw == (tmp_path / "elsewhere/deeper/b.trace").read_bytes()
    assert str(tmp_path).encode() not in raw


def test_chunk_ends_with_the_second_of_link_time_in_which_its_first_frame_falls(
    tmp_path: Path,
) -> None:
    edges = np.array([0, 8, SECOND_EDGES - 8, SECOND_EDGES, 5 * SECOND_EDGES + 16], np.uint64)
    frames = FrameBatch(edges, stream(GUARDED, 5).word)
    with TraceFileWriter(tmp_path / "a.trace", header=header_for()) as writer:
        writer.write(frames, stop_edge=6 * SECOND_EDGES)
        stored = writer.stored_bytes
    with TraceReader(tmp_path / "a.trace") as reader:
        rows = [(row.frames, row.stop_edge) for row in reader.chunk_rows() if row.frames]
        assert rows == [
            (3, SECOND_EDGES),
            (1, 2 * SECOND_EDGES),
            (1, 6 * SECOND_EDGES),
        ]
        # The last second has passed too, so nothing waits for the end.
        assert stored == sum(row.stored_bytes for row in reader.chunk_rows()) + 12


def test_frame_across_the_second_belongs_to_the_chunk_it_starts_in(tmp_path: Path) -> None:
    frames = FrameBatch(np.array([SECOND_EDGES - 2], np.uint64), stream(GUARDED, 1).word)
    with TraceFileWriter(tmp_path / "a.trace", header=header_for()) as writer:
        writer.write(frames, stop_edge=2 * SECOND_EDGES)
    with TraceReader(tmp_path / "a.trace") as reader:
        assert [row.stop_edge for row in reader.chunk_rows()] == [0, SECOND_EDGES + 6]


def test_key_presses_stand_before_the_frames_of_their_time(tmp_path: Path) -> None:
    frames = spread(100)
    with TraceFileWriter(tmp_path / "a.trace", header=header_for(LEAN)) as writer:
        for cycle in (5, 5, 12_000_000, 70_000_000):
            writer.press(cycle, cycle % 199)
        writer.write(frames, stop_edge=100_000_000)
        writer.close()
    with TraceReader(tmp_path / "a.trace") as reader:
        assert reader.key_presses() == tuple(
            KeyPress(cycle, cycle % 199) for cycle in (5, 5, 12_000_000, 70_000_000)
        )
        kinds = [row.kind for row in reader.chunk_rows()]
        assert kinds[:6] == ["HEAD", "KEYS", "FRMS", "KEYS", "FRMS", "FRMS"]
        assert kinds[-1] == "KEYS"


def test_key_known_beforehand_is_placed_like_one_pressed_live(tmp_path: Path) -> None:
    """Link time runs ahead of the processor by what the sender FIFO holds."""
    header = header_for(LEAN)
    frames = FrameBatch(np.array([0, SECOND_EDGES + 32], np.uint64), stream(LEAN, 2).word)
    cycle = header.cycles_at(SECOND_EDGES - 8)
    with TraceFileWriter(tmp_path / "known.trace", header=header) as writer:
        writer.press(cycle, 32)
        writer.write(frames, stop_edge=3 * SECOND_EDGES)
    with TraceFileWriter(tmp_path / "live.trace", header=header) as writer:
        writer.write(piece(frames, 0, 1), stop_edge=SECOND_EDGES + 16)
        writer.press(cycle, 32)
        writer.write(piece(frames, 1, 2), stop_edge=3 * SECOND_EDGES)
    assert (tmp_path / "live.trace").read_bytes() == (tmp_path / "known.trace").read_bytes()


def test_totals_given_last_are_at_the_end(tmp_path: Path) -> None:
    frames = stream(GUARDED, 10)
    with TraceFileWriter(tmp_path / "a.trace", header=header_for()) as writer:
        writer.write(piece(frames, 0, 5), stop_edge=int(frames.edge[5]), stores=6, cycles=40)
        writer.write(piece(frames, 5, 10), stop_edge=50_000, stores=13, cycles=99)
        writer.close(summary={"frames_overrun": 3, "exit_status": 7})
    with TraceReader(tmp_path / "a.trace") as reader:
        assert (reader.frames, reader.stores, reader.cycles) == (10, 13, 99)
        assert reader.stop_edge == 50_000
        assert reader.summary() == {"frames_overrun": 3, "exit_status": 7}


def test_totals_that_are_not_given_are_computed(tmp_path: Path) -> None:
    frames = stream(GUARDED, 10)
    with TraceFileWriter(tmp_path / "a.trace", header=header_for()) as writer:
        writer.write(frames, stop_edge=16_128, lost_edges=np.array([200, 300], np.uint64))
    with TraceReader(tmp_path / "a.trace") as reader:
        # 16 idle frames of 8 edges come before cycle 0, and a cycle has 2 edges.
        assert (reader.frames, reader.stores, reader.cycles) == (10, 12, 8_000)


def test_chunks_count_the_stores_that_were_lost_up_to_them(tmp_path: Path) -> None:
    frames = spread(40)
    lost = np.array([3, SECOND_EDGES - 1, SECOND_EDGES, 39_000_000], np.uint64)
    with TraceFileWriter(tmp_path / "a.trace", header=header_for(LEAN)) as writer:
        writer.write(frames, stop_edge=40_000_000, lost_edges=lost)
        writer.abandon()
    with TraceReader(tmp_path / "a.trace") as reader:
        assert (reader.frames, reader.stores) == (40, 44)
    raw = (tmp_path / "a.trace").read_bytes()
    at = raw.index(b"FRMS") + 8
    assert int.from_bytes(raw[at + 4 : at + 12], "little") == 16
    assert int.from_bytes(raw[at + 12 : at + 20], "little") == 18


def test_key_frame_holds_the_state_after_exactly_the_frames_before_it(tmp_path: Path) -> None:
    frames = stream(LEAN, 9 * CHUNK_FRAMES + 5)
    with TraceFileWriter(tmp_path / "a.trace", header=header_for(LEAN), units=CountingUnits()) as w:
        w.write(frames, stop_edge=1 << 40)
    with TraceReader(tmp_path / "a.trace") as reader:
        kinds = [row.kind for row in reader.chunk_rows()]
        assert kinds == ["HEAD", *["FRMS", "FRMS", "STAT"] * 4, "FRMS", "FRMS"]
        for count in (4, 8):
            edge = int(frames.edge[count * CHUNK_FRAMES])
            point = reader.seek(edge)
            expected = CountingUnits()
            expected.feed_frames(piece(frames, 0, count * CHUNK_FRAMES), stop_edge=0)
            assert point.states == expected.states()
            assert point.frames_before == count * CHUNK_FRAMES


def test_many_small_chunks_get_a_key_frame_too(tmp_path: Path) -> None:
    count = 2 * KEY_FRAME_CHUNKS + 2
    edges = np.arange(count, dtype=np.uint64) * np.uint64(SECOND_EDGES)
    with TraceFileWriter(tmp_path / "a.trace", header=header_for(LEAN), units=CountingUnits()) as w:
        w.write(FrameBatch(edges, stream(LEAN, count).word), stop_edge=1 << 40)
    with TraceReader(tmp_path / "a.trace") as reader:
        states = [row.number for row in reader.chunk_rows() if row.kind == "STAT"]
        assert states == [KEY_FRAME_CHUNKS + 2, 2 * KEY_FRAME_CHUNKS + 3]


def test_states_too_large_for_a_key_frame_are_left_out(tmp_path: Path) -> None:
    class Large(CountingUnits):
        def states(self) -> dict[str, bytes]:
            return {"panel": bytes(1 << 26), "sign": b"1"}

    with TraceFileWriter(tmp_path / "a.trace", header=header_for(LEAN), units=Large()) as writer:
        writer.write(stream(LEAN, 5 * CHUNK_FRAMES), stop_edge=1 << 40)
    with TraceReader(tmp_path / "a.trace") as reader:
        assert {row.kind for row in reader.chunk_rows()} == {"HEAD", "FRMS"}


# -- refusals


@pytest.mark.parametrize(
    ("first", "second", "message"),
    [
        (([5], 9), ([7], 20), "frames of edges 7 to 7 are not within 9 to 20"),
        (([5], 9), ([20], 20), "frames of edges 20 to 20 are not within 9 to 20"),
        (([5], 9), ([], 8), "stop_edge 8 comes after 9"),
        (([], 0), ([5, 4, 6], 9), "edges of frames decrease"),
    ],
)
def test_frames_out_of_order_are_refused(
    tmp_path: Path,
    first: tuple[list[int], int],
    second: tuple[list[int], int],
    message: str,
) -> None:
    with TraceFileWriter(tmp_path / "a.trace", header=header_for()) as writer:
        for (edges, stop), fails in ((first, False), (second, True)):
            batch = FrameBatch(np.array(edges, np.uint64), np.zeros(len(edges), np.uint64))
            if not fails:
                writer.write(batch, stop_edge=stop)
                continue
            with pytest.raises(ValueError, match=message):
                writer.write(batch, stop_edge=stop)


def test_inputs_out_of_order_or_range_are_refused(tmp_path: Path) -> None:
    with TraceFileWriter(tmp_path / "a.trace", header=header_for()) as writer:
        writer.press(9, 65)
        with pytest.raises(ValueError, match="cycle 8 comes after cycle 9"):
            writer.press(8, 65)
        for code in (0, 256):
            with pytest.raises(ValueError, match=f"a key's code is 1 to 255, not {code}"):
                writer.press(9, code)
        writer.reset(7)
        with pytest.raises(ValueError, match="cycle 6 comes after cycle 7"):
            writer.reset(6)


def test_closed_trace_takes_nothing_more(tmp_path: Path) -> None:
    writer = TraceFileWriter(tmp_path / "a.trace", header=header_for())
    writer.close()
    writer.close()
    writer.abandon()
    with pytest.raises(ValueError, match="the trace is closed"):
        writer.write(FrameBatch.empty(), stop_edge=1)
    with TraceReader(tmp_path / "a.trace") as reader:
        assert reader.complete


# -- files


def test_existing_file_stays_until_the_new_trace_is_complete(tmp_path: Path) -> None:
    path = tmp_path / "a.trace"
    old = stream(GUARDED, 50, seed=1)
    new = stream(GUARDED, 70, seed=2)
    write_trace(path, old, header_for())
    path.chmod(0o640)
    writer = TraceFileWriter(path, header=header_for())
    assert writer.recording_path == tmp_path / "a.trace.part"
    writer.write(new, stop_edge=1 << 30)
    assert_same(read_all(path), old)
    writer.close()
    assert_same(read_all(path), new)
    assert [one.name for one in tmp_path.iterdir()] == ["a.trace"]
    assert path.stat().st_mode & 0o777 == 0o640


def child(code: str, *arguments: str | Path) -> subprocess.Popen[str]:
    """Start a process that runs Python code."""
    return subprocess.Popen(
        [sys.executable, "-c", code, *map(str, arguments)],
        cwd=REPOSITORY,
        env={**os.environ, "PYTHONPATH": str(REPOSITORY)},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )


LOCK_AND_WAIT = """
import sys
from busplay.trace.writer import TraceFileWriter
from tests.boards import GUARDED
from tests.trace.cases import header_for, stream
with TraceFileWriter(sys.argv[1], header=header_for()) as writer:
    print("locked", flush=True)
    sys.stdin.read()
    writer.write(stream(GUARDED, 30), stop_edge=1 << 30)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="there are no such locks")
@pytest.mark.parametrize("is_new", [True, False])
def test_second_recorder_on_a_file_is_refused(tmp_path: Path, is_new: bool) -> None:
    path = tmp_path / "a.trace"
    if not is_new:
        write_trace(path, stream(GUARDED, 5), header_for())
    first = child(LOCK_AND_WAIT, path)
    assert first.stdout is not None
    assert first.stdout.readline() == "locked\n"
    with pytest.raises(OutputError) as refused:
        TraceFileWriter(path, header=header_for())
    assert str(refused.value) == (
        f"{path}: found a recording in progress; wait for its end, or give another file"
    )
    first.communicate("", timeout=60)
    assert first.returncode == 0
    assert_same(read_all(path), stream(GUARDED, 30))
    write_trace(path, stream(GUARDED, 6), header_for())
    assert [one.name for one in tmp_path.iterdir()] == ["a.trace"]


def test_trace_that_keeps_the_old_one_is_complete_beside_it(tmp_path: Path) -> None:
    path = tmp_path / "a.trace"
    old, new = stream(GUARDED, 5), stream(GUARDED, 30, seed=4)
    write_trace(path, old, header_for())
    writer = TraceFileWriter(path, header=header_for())
    writer.write(new, stop_edge=1 << 30)
    writer.close(keeps_old=True)
    assert writer.recording_path == tmp_path / "a.trace.part"
    assert_same(read_all(path), old)
    assert_same(read_all(writer.recording_path), new)


def test_write_protected_trace_is_not_replaced(tmp_path: Path) -> None:
    path = tmp_path / "a.trace"
    write_trace(path, stream(GUARDED, 5), header_for())
    path.chmod(0o444)
    with pytest.raises(OutputError, match="found a write-protected file"):
        TraceFileWriter(path, header=header_for())


def test_unfinished_recording_beside_a_trace_is_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "a.trace"
    write_trace(path, stream(GUARDED, 50), header_for())
    first = TraceFileWriter(path, header=header_for())
    first.write(stream(GUARDED, 10, seed=4), stop_edge=1 << 30)
    first.abandon()
    second = TraceFileWriter(path, header=header_for())
    assert second.recording_path.name == "a.trace.part2"
    second.close()
    assert_same(read_all(tmp_path / "a.trace.part"), stream(GUARDED, 10, seed=4))


def test_new_and_empty_files_are_written_in_place(tmp_path: Path) -> None:
    (tmp_path / "empty.trace").touch()
    for name in ("new.trace", "empty.trace"):
        writer = TraceFileWriter(tmp_path / name, header=header_for())
        assert writer.recording_path == tmp_path / name
        writer.abandon()
        with TraceReader(tmp_path / name) as reader:
            assert not reader.complete


def test_link_to_a_trace_stays_a_link(tmp_path: Path) -> None:
    target = tmp_path / "deep" / "a.trace"
    target.parent.mkdir()
    write_trace(target, stream(GUARDED, 5), header_for())
    (tmp_path / "b.trace").symlink_to(target)
    write_trace(tmp_path / "b.trace", stream(GUARDED, 6), header_for())
    assert (tmp_path / "b.trace").is_symlink()
    assert_same(read_all(target), stream(GUARDED, 6))


def test_exception_leaves_what_was_recorded(tmp_path: Path) -> None:
    frames = stream(GUARDED, 700)

    def break_off() -> None:
        with TraceFileWriter(tmp_path / "a.trace", header=header_for()) as writer:
            writer.write(frames, stop_edge=1 << 20)
            raise RuntimeError

    with pytest.raises(RuntimeError):
        break_off()
    with TraceReader(tmp_path / "a.trace") as reader:
        assert not reader.complete
        assert_same(joined(list(reader.chunks())), frames)


@pytest.mark.parametrize(
    ("name", "reason"),
    [("missing/a.trace", "no such file or directory"), (".", "is a directory")],
)
def test_place_that_cannot_be_written_is_named(tmp_path: Path, name: str, reason: str) -> None:
    with pytest.raises(OutputError) as refused:
        TraceFileWriter(tmp_path / name, header=header_for())
    assert str(refused.value) == (
        f"{tmp_path / name}: found {reason}; "
        "give the name of a file in an existing, writable folder"
    )


# -- full disks


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no /dev/full")
def test_full_disk_at_the_header_is_named() -> None:
    with pytest.raises(OutputError) as refused:
        TraceFileWriter("/dev/full", header=header_for())
    assert str(refused.value) == (
        "/dev/full: found no space left on device; "
        "nothing was recorded; choose a place that can be written"
    )


FILE_LIMIT = """
import resource, sys
from busplay.errors import OutputError
from busplay.trace.columns import CHUNK_FRAMES
from busplay.trace.writer import TraceFileWriter
from tests.boards import GUARDED
from tests.trace.cases import header_for, piece, stream
path, limit = sys.argv[1], int(sys.argv[2])
resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
frames = stream(GUARDED, 4 * CHUNK_FRAMES)
try:
    with TraceFileWriter(path, header=header_for()) as writer:
        for start in range(0, len(frames), 10_000):
            part = piece(frames, start, start + 10_000)
            writer.write(part, stop_edge=int(part.edge[-1]) + 1)
        writer.close()
except OutputError as error:
    print(error)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX limits on file sizes")
@pytest.mark.parametrize("chunks_that_fit", [0, 1, 3])
def test_file_that_may_not_grow_keeps_its_complete_chunks(
    tmp_path: Path, chunks_that_fit: int
) -> None:
    frames = stream(GUARDED, 4 * CHUNK_FRAMES)
    write_trace(tmp_path / "whole.trace", frames, header_for())
    with TraceReader(tmp_path / "whole.trace") as reader:
        rows = list(reader.chunk_rows())
    stops = [row.position + row.stored_bytes for row in rows]
    limit = stops[chunks_that_fit] + 1_000
    path = tmp_path / "a.trace"
    said, _ = child(FILE_LIMIT, path, str(limit)).communicate(timeout=120)
    kept = chunks_that_fit * CHUNK_FRAMES
    assert said == (
        f"{path}: byte {stops[chunks_that_fit]:,}: found file too large; "
        f"the {kept:,} frames before it are complete and can be read\n"
    )
    assert path.stat().st_size == stops[chunks_that_fit]
    assert_same(read_all(path), piece(frames, 0, kept))


@pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX limits on file sizes")
def test_header_that_does_not_fit_leaves_no_file(tmp_path: Path) -> None:
    said, _ = child(FILE_LIMIT, tmp_path / "a.trace", "100").communicate(timeout=120)
    assert said == (
        f"{tmp_path / 'a.trace'}: found file too large; "
        "nothing was recorded; choose a place that can be written\n"
    )
    assert list(tmp_path.iterdir()) == []


def test_failed_recording_beside_a_trace_says_where_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.trace"
    write_trace(path, stream(GUARDED, 5), header_for())
    writer = TraceFileWriter(path, header=header_for())
    writer.write(stream(GUARDED, 30), stop_edge=SECOND_EDGES)

    def no_space(descriptor: int, data: bytes) -> int:
        raise OSError(28, "No space left on device")

    position = writer.stored_bytes
    monkeypatch.setattr(os, "write", no_space)
    with pytest.raises(OutputError) as refused:
        writer.close()
    monkeypatch.undo()
    assert str(refused.value) == (
        f"{path}: byte {position:,}: found no space left on device; "
        f"the 30 frames before it are complete and can be read, in {path}.part"
    )
    with pytest.raises(OutputError, match="no space left"):
        writer.write(FrameBatch.empty(), stop_edge=1 << 40)
    writer.close()
    assert_same(read_all(path), stream(GUARDED, 5))
    assert_same(read_all(tmp_path / "a.trace.part"), stream(GUARDED, 30))


# -- killed

KILLED = """
import sys, time
from busplay.trace.writer import TraceFileWriter
from tests.boards import GUARDED
from tests.trace.cases import header_for, piece, stream
frames = stream(GUARDED, 200_000)
writer = TraceFileWriter(sys.argv[1], header=header_for())
for start in range(0, len(frames), 1_000):
    part = piece(frames, start, start + 1_000)
    writer.write(part, stop_edge=int(part.edge[-1]) + 1)
print("written", flush=True)
time.sleep(600)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX signals")
def test_killed_recording_reads_up_to_its_last_complete_chunk(tmp_path: Path) -> None:
    path = tmp_path / "a.trace"
    recorder = child(KILLED, path)
    assert recorder.stdout is not None
    assert recorder.stdout.readline() == "written\n"
    recorder.send_signal(signal.SIGKILL)
    recorder.communicate(timeout=60)
    frames = stream(GUARDED, 200_000)
    with TraceReader(path) as reader:
        assert not reader.complete
        assert reader.cut_reason == (
            f"byte {path.stat().st_size:,}: the file ends without an end chunk"
        )
        assert reader.frames == reader.stores == 3 * CHUNK_FRAMES
        assert reader.cycles == reader.header.cycles_at(reader.stop_edge) > 0
        assert_same(joined(list(reader.chunks())), piece(frames, 0, 3 * CHUNK_FRAMES))
