"""How fast the history of a long recording answers.

Run: pytest tests/bench/test_bench_history.py --benchmark-enable -s
     python -m tests.bench.test_bench_history [FRAMES]     # all figures, with percentiles

The recording: 100 million frames on the guarded link (BUSPLAY_BENCH_FRAMES for others), in turns of
a million frames: rows of a picture drawn by a loop, a fill, a fill with idle slots between, and
random addresses and data, as `test_bench_trace` has them, every 16th turn, which nothing can
shorten.
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
from busplay.history.history import History, open_history
from busplay.history.places import Place
from busplay.pipeline.pipeline import Pipeline
from busplay.run.replay import Replay
from busplay.trace.reader import TraceReader
from busplay.trace.writer import TraceFileWriter, UnitStates
from busplay.write_index.builder import WriteIndexBuilder
from tests.bench.test_bench_trace import frames_of, header_of

FRAMES = int(os.environ.get("BUSPLAY_BENCH_FRAMES", "100000000"))
TURN = 1_000_000
TURNS = ["program", "fill", "program", "gaps"] * 4
TURNS[-1] = "scatter"
PROBES = 300


class KeyFramesAlone:
    """What a recorder did before there was an index: key frames, nothing else."""

    def __init__(self) -> None:
        board = header_of("guarded").board
        assert board is not None
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


def write(path: Path, frames: int, units: UnitStates) -> float:
    """Write the recording; return the seconds that the writer took."""
    spent = 0.0
    path.unlink(missing_ok=True)
    with TraceFileWriter(path, header=header_of("guarded"), units=units) as writer:
        for part in turns(frames):
            start = time.process_time()
            writer.write(part, stop_edge=int(part.edge[-1]) + 8)
            spent += time.process_time() - start
    return spent


def builder() -> WriteIndexBuilder:
    board = header_of("guarded").board
    assert board is not None
    return WriteIndexBuilder(board)


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("history") / "long.trace"
    write(path, FRAMES, builder())
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


@pytest.mark.parametrize("kind", ["with_index", "key_frames_alone"])
def test_write(benchmark: BenchmarkFixture, tmp_path: Path, kind: str) -> None:
    benchmark.group = "writing with and without an index"
    make = builder if kind == "with_index" else KeyFramesAlone
    benchmark.pedantic(
        lambda: write(tmp_path / "a.trace", min(FRAMES, 16_000_000), make()), rounds=3
    )


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


def compare_writing(path: Path, frames: int, *, pairs: int = 5) -> None:
    """Print what the index adds to writing: the median of pairs of runs, one after the other."""
    seen = []
    for _ in range(pairs):
        alone = write(path, frames, KeyFramesAlone()) * 1e9 / frames
        seen.append((alone, write(path, frames, builder()) * 1e9 / frames))
    alone, both = (median(column) for column in zip(*seen, strict=True))
    share = median(1 - one / other for one, other in seen)
    print(f"writing  {both:.1f} ns a frame, {alone:.1f} without the index: {share:.1%} of it")


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
        write(path, 2_000_000, builder())
        compare_writing(path, min(frames, 16_000_000))
        write(path, frames, builder())
        subprocess.run([sys.executable, "-m", __spec__.name, "--read", str(path)], check=True)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--read"]:
        read(Path(sys.argv[2]))
    else:
        main(int(sys.argv[1]) if len(sys.argv) > 1 else FRAMES)
