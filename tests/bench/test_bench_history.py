"""How fast the history of a long recording answers.

Run: pytest tests/bench/test_bench_history.py --benchmark-enable -s
     python -m tests.bench.test_bench_history [FRAMES]     # all figures, with percentiles

The recording: 100 million frames on the guarded link (BUSPLAY_BENCH_FRAMES for others), in turns of
a million frames: rows of a picture drawn by a loop, a fill, a fill with idle slots between, and
random addresses and data, as `test_bench_trace` has them, every 16th turn, which nothing can
shorten. All of it is for one unit. The shipped programs' traces, one after another, again and
again, are a second recording, for several units and with registers.

What the index adds to writing: one process writes the recording twice at the same time, with the
index and with key frames alone, a million frames by turns, and the other writer first each time;
so whatever slows the machine slows both. Closing counts too. The figure is the median, over five
such runs, of the index's share of the processor time.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from busplay.batch import FrameBatch
from busplay.description.board import Board
from busplay.history.history import History, open_history
from busplay.history.places import Place
from busplay.link.layout import FrameLayout
from busplay.pipeline.pipeline import Pipeline
from busplay.run.replay import Replay
from busplay.trace.header import TraceHeader
from busplay.trace.reader import TraceReader
from busplay.trace.writer import TraceFileWriter, UnitStates
from busplay.write_index.builder import WriteIndexBuilder
from tests.bench.test_bench_trace import frames_of, header_of

FRAMES = int(os.environ.get("BUSPLAY_BENCH_FRAMES", "100000000"))
TURN = 1_000_000
TURNS = ["program", "fill", "program", "gaps"] * 4
TURNS[-1] = "scatter"
PROBES = 300
SHIPPED = Path(__file__).parents[2] / "traces"
PROGRAMS = ["tides", "stars", "waves", "rule30", "keys", "fill"]
PACKED = ["space", "unit", "address", "data"]


class KeyFramesAlone:
    """What a recorder did before there was an index: key frames, nothing else."""

    def __init__(self, board: Board) -> None:
        self._pipeline = Pipeline(board)

    def feed_frames(self, frames: FrameBatch, *, stop_edge: int, lost_edges: object = None) -> None:
        self._pipeline.feed_frames(frames, stop_edge=stop_edge)

    def states(self) -> dict[str, bytes]:
        return self._pipeline.states()

    def take_index(self, *, at_end: bool) -> bytes:
        return b""


def turns(frames: int) -> Iterator[FrameBatch]:
    """Make the recording's frames, a turn at a time."""
    kinds = {kind: frames_of("guarded", kind) for kind in set(TURNS)}
    edge = np.uint64(400)
    for number in range(-(-frames // TURN)):
        kind = kinds[TURNS[number % len(TURNS)]]
        count = min(TURN, frames - number * TURN)
        here = FrameBatch(kind.edge[:count] + edge, kind.word[:count])
        edge = here.edge[-1] + np.uint64(8)
        yield here


def turns_of_programs(frames: int) -> Iterator[FrameBatch]:
    """Make a recording of the shipped programs' frames, a turn at a time."""
    layout = FrameLayout(header_of_programs().link)
    parts, edge = [], np.uint64(0)
    for name in PROGRAMS:
        with TraceReader(SHIPPED / f"{name}.trace") as reader:
            for chunk in reader.chunks():
                parts.append(FrameBatch(chunk.edge + edge, chunk.word))
            edge += np.uint64(reader.stop_edge)
    once = FrameBatch.joined(parts)
    fields = {name: layout.unpack_field(once.word, name) for name in PACKED}
    kept = np.arange(TURN, dtype=np.uint64) % np.uint64(len(once))
    rounds = np.arange(TURN, dtype=np.uint64) // np.uint64(len(once))
    turn_edges = (rounds[-1] + np.uint64(1)) * edge
    index = np.arange(TURN, dtype=np.uint64)
    for number in range(-(-frames // TURN)):
        columns = {name: column[kept] for name, column in fields.items()}
        columns["sequence"] = (index + np.uint64(number * TURN)) % np.uint64(16)
        here = once.edge[kept] + rounds * edge + np.uint64(number) * turn_edges
        count = min(TURN, frames - number * TURN)
        yield FrameBatch(here[:count], layout.pack(**columns)[:count])


def header_of_programs() -> TraceHeader:
    """Return the header of the shipped traces."""
    with TraceReader(SHIPPED / f"{PROGRAMS[0]}.trace") as reader:
        return reader.header


def board_of(header: TraceHeader) -> Board:
    assert header.board is not None
    return header.board


class TimedWriter:
    """A writer, and the processor time that it took, in seconds."""

    def __init__(self, path: Path, header: TraceHeader, units: UnitStates) -> None:
        path.unlink(missing_ok=True)
        self._writer = TraceFileWriter(path, header=header, units=units)
        self.spent_s = 0.0

    def write(self, part: FrameBatch) -> None:
        start = time.process_time()
        self._writer.write(part, stop_edge=int(part.edge[-1]) + 8)
        self.spent_s += time.process_time() - start

    def close(self) -> None:
        start = time.process_time()
        self._writer.close()
        self.spent_s += time.process_time() - start


def write(path: Path, frames: int, kind: type[KeyFramesAlone | WriteIndexBuilder]) -> None:
    """Write the recording."""
    header = header_of("guarded")
    writer = TimedWriter(path, header, kind(board_of(header)))
    for part in turns(frames):
        writer.write(part)
    writer.close()


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("history") / "long.trace"
    write(path, FRAMES, WriteIndexBuilder)
    return path


class Probe:
    """Places and moments at random, the same ones each time."""

    def __init__(self, history: History) -> None:
        self.history = history
        self.random = np.random.default_rng(5)

    def pixel(self) -> Place:
        offset = int(self.random.integers(0, 24_576))
        return Place("panel", "memory", offset, offset + 1)

    def moment(self) -> int:
        return int(self.random.integers(1, self.history.frames))

    def last_write(self) -> None:
        self.history.last_write(self.pixel(), self.moment())

    def count(self) -> None:
        first, stop = sorted((self.moment(), self.moment()))
        self.history.count_writes(self.pixel(), first, stop)

    def timeline(self) -> None:
        end = self.history.reader.stop_edge
        width = max(2_000, int(end * 10 ** -self.random.uniform(0, 5)))
        first = int(self.random.integers(0, max(1, end - width)))
        self.history.timeline(first, first + width, 2_000)


@pytest.mark.parametrize("name", ["last_write", "count", "timeline"])
def test_answer(benchmark: BenchmarkFixture, recording: Path, name: str) -> None:
    benchmark.group = "history of a long recording"
    with TraceReader(recording) as reader:
        probe = Probe(open_history(reader))
        benchmark.pedantic(getattr(probe, name), rounds=PROBES, warmup_rounds=3)


def test_open(benchmark: BenchmarkFixture, recording: Path) -> None:
    benchmark.group = "history of a long recording"

    def run() -> None:
        with TraceReader(recording) as reader:
            open_history(reader)

    benchmark.pedantic(run, rounds=5, warmup_rounds=1)


def test_seek(benchmark: BenchmarkFixture, recording: Path) -> None:
    benchmark.group = "history of a long recording"
    with Replay(recording) as replay:
        random = np.random.default_rng(5)
        benchmark.pedantic(
            lambda: replay.seek(int(random.integers(0, replay.end_cycle))),
            rounds=PROBES,
            warmup_rounds=3,
        )


@pytest.mark.parametrize("kind", [WriteIndexBuilder, KeyFramesAlone])
def test_write(
    benchmark: BenchmarkFixture, tmp_path: Path, kind: type[KeyFramesAlone | WriteIndexBuilder]
) -> None:
    benchmark.group = "writing with and without an index"
    benchmark.pedantic(lambda: write(tmp_path / "a.trace", min(FRAMES, 16_000_000), kind), rounds=3)


def _percentiles(act: Callable[[], None], count: int) -> str:
    times = []
    for _ in range(count):
        start = time.process_time()
        act()
        times.append((time.process_time() - start) * 1e3)
    times.sort()
    return (
        f"median {median(times):7.3f} ms   95 % {times[int(0.95 * count)]:7.3f}"
        f"   99 % {times[int(0.99 * count)]:7.3f}   worst {times[-1]:7.3f}"
    )


def write_both(folder: Path, header: TraceHeader, parts: Iterator[FrameBatch]) -> list[float]:
    """Return the seconds of a writer with key frames alone, and of one with the index."""
    board = board_of(header)
    writers = [
        TimedWriter(folder / "alone.trace", header, KeyFramesAlone(board)),
        TimedWriter(folder / "indexed.trace", header, WriteIndexBuilder(board)),
    ]
    for number, part in enumerate(parts):
        for writer in writers[:: -1 if number % 2 else 1]:
            writer.write(part)
    for writer in writers:
        writer.close()
    return [writer.spent_s for writer in writers]


def compare_writing(folder: Path, frames: int, *, runs: int = 5) -> None:
    """Print what the index adds to writing."""
    for name, header, parts_of in (
        ("one unit", header_of("guarded"), turns),
        ("programs", header_of_programs(), turns_of_programs),
    ):
        seen = [write_both(folder, header, parts_of(frames)) for _ in range(runs + 1)]
        # The first run compiles, or loads what is compiled.
        alone, both = (median(column) * 1e9 / frames for column in zip(*seen[1:], strict=True))
        share = median(1 - one / other for one, other in seen[1:])
        print(
            f"writing  {name}: {both:.1f} ns a frame, {alone:.1f} without the index: "
            f"{share:.1%} of it"
        )


def read(path: Path) -> None:
    """Print the figures of opening and searching, in a process that has done nothing else."""
    before = most_memory_mb()
    start = time.process_time()
    with TraceReader(path) as reader:
        history = open_history(reader)
        opening = time.process_time() - start
        index = sum(row.stored_bytes for row in reader.chunk_rows() if row.kind == "wBLK")
        print(f"trace    {reader.frames:,} frames, {reader.file_bytes:,} bytes")
        print(f"index    {index:,} bytes, {index / reader.file_bytes:.2%}")
        print(f"opening  {opening:.3f} s")
        probe = Probe(history)
        for name in ("last_write", "count", "timeline"):
            print(f"{name:12}", _percentiles(getattr(probe, name), PROBES))
    with Replay(path) as replay:
        random = np.random.default_rng(5)
        seek = _percentiles(lambda: replay.seek(int(random.integers(0, replay.end_cycle))), PROBES)
        print(f"{'seek':12}", seek)
    print(f"memory   {most_memory_mb()} MB at most, {before} before opening")


def most_memory_mb() -> int:
    """Return the most memory that this process had; getrusage would count its parent's."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return int(status.split("VmHWM:")[1].split()[0]) // 1024


def main(frames: int) -> None:
    """Print all figures, in processor time, as machines are shared."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "long.trace"
        compare_writing(Path(folder), min(frames, 16_000_000))
        write(path, frames, WriteIndexBuilder)
        subprocess.run([sys.executable, "-m", __spec__.name, "--read", str(path)], check=True)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--read"]:
        read(Path(sys.argv[2]))
    else:
        main(int(sys.argv[1]) if len(sys.argv) > 1 else FRAMES)
