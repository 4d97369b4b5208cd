"""How fast traces are written and read, next to a plain copy of the frames' columns.

Run: pytest tests/bench/test_bench_trace.py --benchmark-enable
Each group holds writing, reading and the copy for one kind of frames on one link; the column in
brackets is the ratio. `frames_per_s` and `bytes_per_frame` stand with --benchmark-json. Writing
goes through the recorder into a file, with checksums and index; reading gives decoded columns
of every chunk, from the file, each dropped before the next as a replay does.

The kinds: `fill` rising addresses, random data, every slot; `gaps` the same with idle slots
between; `scatter` random addresses and data, which is 24 bits that nothing can shorten;
`program` rows of a picture drawn by a loop, with what a row's end costs.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from busplay.batch import FrameBatch
from busplay.link.layout import FrameLayout
from busplay.link.load import load_link
from busplay.trace.header import TraceHeader
from busplay.trace.reader import TraceReader
from busplay.trace.writer import TraceFileWriter
from tests.boards import board_with

FRAMES = 2_000_000
ROUNDS = 7
CASES = [
    (link, kind)
    for link in ("guarded", "lean", "serial")
    for kind in ("fill", "gaps", "scatter", "program")
]


def frames_of(name: str, kind: str) -> FrameBatch:
    """Make the frames of a kind."""
    link = load_link(name)
    layout = FrameLayout(link)
    random = np.random.default_rng(6)
    index = np.arange(FRAMES, dtype=np.uint64)
    slots = index
    address = index % np.uint64(24_576)
    data = random.integers(0, 256, FRAMES, dtype=np.uint64)
    if kind == "gaps":
        slots = np.cumsum(random.integers(1, 5, FRAMES, dtype=np.uint64))
    elif kind == "scatter":
        address = random.integers(0, 1 << 16, FRAMES, dtype=np.uint64)
    elif kind == "program":
        row, column = index // np.uint64(32) % np.uint64(192), index % np.uint64(32)
        address = row * np.uint64(128) + column
        shape = (row + column + index // np.uint64(6_144)) % np.uint64(7)
        data = np.where(shape < 3, np.uint64(0x11), row * np.uint64(5) + column & np.uint64(0xFF))
        slots = (index * np.uint64(11) + index // np.uint64(32) * np.uint64(23)) // np.uint64(4)
    fields = {"space": np.ones(FRAMES, np.uint64), "address": address, "data": data}
    if link.field_named("sequence") is not None:
        fields["sequence"] = index % np.uint64(16)
    return FrameBatch(slots * np.uint64(layout.slot_symbols), layout.pack(**fields))


def header_of(name: str) -> TraceHeader:
    """Make the header of a trace of the two displays behind a link."""
    board = board_with(load_link(name))
    return TraceHeader(link=board.link, board=board)


def write(path: Path, header: TraceHeader, frames: FrameBatch) -> int:
    """Write a trace anew; give its length."""
    path.unlink(missing_ok=True)
    with TraceFileWriter(path, header=header) as writer:
        writer.write(frames, stop_edge=int(frames.edge[-1]) + 1_000)
    return path.stat().st_size


def note(benchmark: BenchmarkFixture, file_bytes: int = 0) -> None:
    if benchmark.enabled and benchmark.stats:
        benchmark.extra_info["frames_per_s"] = FRAMES / benchmark.stats.stats.min
        if file_bytes:
            benchmark.extra_info["bytes_per_frame"] = file_bytes / FRAMES


@pytest.mark.parametrize(("name", "kind"), CASES)
def test_write(benchmark: BenchmarkFixture, tmp_path: Path, name: str, kind: str) -> None:
    benchmark.group = f"trace, {name}, {kind}"
    frames = frames_of(name, kind)
    path = tmp_path / "a.trace"
    file_bytes = benchmark.pedantic(
        write, args=(path, header_of(name), frames), rounds=ROUNDS, warmup_rounds=1
    )
    note(benchmark, file_bytes)


@pytest.mark.parametrize(("name", "kind"), CASES)
def test_read(benchmark: BenchmarkFixture, tmp_path: Path, name: str, kind: str) -> None:
    benchmark.group = f"trace, {name}, {kind}"
    path = tmp_path / "a.trace"
    write(path, header_of(name), frames_of(name, kind))

    def read() -> int:
        with TraceReader(path) as reader:
            return sum(len(frames) for frames in reader.chunks())

    assert benchmark.pedantic(read, rounds=ROUNDS, warmup_rounds=1) == FRAMES
    note(benchmark)


@pytest.mark.parametrize(("name", "kind"), CASES)
def test_copy(benchmark: BenchmarkFixture, name: str, kind: str) -> None:
    benchmark.group = f"trace, {name}, {kind}"
    frames = frames_of(name, kind)
    into = FrameBatch(np.empty_like(frames.edge), np.empty_like(frames.word))

    def copy() -> None:
        np.copyto(into.edge, frames.edge)
        np.copyto(into.word, frames.word)

    benchmark.pedantic(copy, rounds=ROUNDS, warmup_rounds=1)
    note(benchmark)
