"""How fast captures become changes, next to a plain read of the same bytes and to other readers.

Run: pytest tests/bench/test_bench_capture.py --benchmark-enable
`mb_per_s` and `samples_per_s` stand with --benchmark-json; for ratios without the machine's
moods, in which the rounds of all readers alternate:

    python -m tests.bench.test_bench_capture

The dump is what an analyser at 16 ns would write of a link with a clock and five lanes, both
edges, random data; the samples are the same at 12 and 3 samples a symbol, each symbol with a
change of the clock and one of the lanes half a symbol before.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from busplay.batch import ChangeBatch
from busplay.formats.capture import open_capture
from busplay.formats.writing.csv import CsvWriter
from busplay.formats.writing.vcd import VcdWriter

SYMBOLS = 2_000_000
SAMPLES = 48_000_000
ROUNDS = 7
WIRES = ["clk", "d0", "d1", "d2", "d3", "d4"]


def write_changes(path: Path) -> None:
    """Write the changes of the link as a VCD or CSV, after the suffix."""
    random = np.random.default_rng(1)
    lanes = np.repeat(random.integers(0, 32, SYMBOLS, dtype=np.uint64), 2)
    clock = np.roll(np.repeat(np.arange(SYMBOLS, dtype=np.uint64) & np.uint64(1), 2), 1)
    level = clock | lanes << np.uint64(1)
    time_ps = np.arange(2 * SYMBOLS, dtype=np.uint64) * np.uint64(31_250)
    keep = np.concatenate([[True], level[1:] != level[:-1]])
    changes = ChangeBatch(time_ps[keep], level[keep], np.zeros(int(keep.sum()), np.uint64))
    with path.open("wb") as stream:
        if path.suffix == ".vcd":
            VcdWriter(stream, wires=WIRES, tick_ps=10).write(changes)
        else:
            CsvWriter(stream, wires=WIRES).write(changes)


def write_samples(path: Path, per_symbol: int) -> None:
    """Write sample bytes: bit 5 the clock, bits 0 to 4 the lanes."""
    random = np.random.default_rng(1)
    symbols = SAMPLES // per_symbol
    lanes = np.repeat(random.integers(0, 32, symbols, dtype=np.uint8), per_symbol)
    clock = np.repeat((np.arange(symbols, dtype=np.uint8) & 1) << 5, per_symbol)
    (np.roll(lanes, -(per_symbol // 2)) | clock).tofile(path)


def read_changes(path: Path, rate_hz: int | None = None) -> int:
    """Read a capture whole, a batch at a time; give its rows."""
    rows = 0
    with open_capture(path, rate_hz=rate_hz, bits="0-5" if rate_hz else None) as capture:
        for batch in capture.batches():
            rows += len(batch)
    return rows


def read_bytes(path: Path) -> int:
    """Read the same bytes plainly, a block at a time, as the readers do."""
    buffer = bytearray(1 << 18)
    total = 0
    with path.open("rb", buffering=0) as stream:
        while count := stream.readinto(buffer):
            total += count
    return total


def read_with_pywellen(path: Path) -> int:
    """Load every signal with pywellen."""
    import pywellen

    return sum(len(one.tv) for one in pywellen.Waveform(str(path)).all_vars())


def read_with_vcdvcd(path: Path) -> int:
    """Load every signal with vcdvcd."""
    import vcdvcd

    dump = vcdvcd.VCDVCD(str(path))
    return sum(len(dump[name].tv) for name in dump.signals)


READERS: dict[str, Callable[[Path], int]] = {
    "busplay": read_changes,
    "plain read": read_bytes,
    "pywellen": read_with_pywellen,
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make the files once."""
    folder = tmp_path_factory.mktemp("captures")
    write_changes(folder / "link.vcd")
    write_changes(folder / "link.csv")
    for per_symbol in (12, 3):
        write_samples(folder / f"link{per_symbol}.bin", per_symbol)
    return folder


@pytest.mark.benchmark(group="VCD")
@pytest.mark.parametrize("reader", READERS)
def test_bench_vcd(benchmark: BenchmarkFixture, folder: Path, reader: str) -> None:
    if reader == "pywellen":
        pytest.importorskip("pywellen", reason="pywellen is not installed")
    path = folder / "link.vcd"
    benchmark.pedantic(READERS[reader], (path,), rounds=ROUNDS, warmup_rounds=1)
    if benchmark.enabled and benchmark.stats:
        benchmark.extra_info["mb_per_s"] = path.stat().st_size / benchmark.stats.stats.min / 1e6


@pytest.mark.benchmark(group="CSV")
@pytest.mark.parametrize("reader", ["busplay", "plain read"])
def test_bench_csv(benchmark: BenchmarkFixture, folder: Path, reader: str) -> None:
    path = folder / "link.csv"
    benchmark.pedantic(READERS[reader], (path,), rounds=ROUNDS, warmup_rounds=1)
    if benchmark.enabled and benchmark.stats:
        benchmark.extra_info["mb_per_s"] = path.stat().st_size / benchmark.stats.stats.min / 1e6


@pytest.mark.parametrize("reader", ["busplay", "plain read"])
@pytest.mark.parametrize("per_symbol", [12, 3])
def test_bench_samples(
    benchmark: BenchmarkFixture, folder: Path, reader: str, per_symbol: int
) -> None:
    benchmark.group = f"samples, {per_symbol} a symbol"
    path = folder / f"link{per_symbol}.bin"
    if reader == "busplay":
        call, arguments = read_changes, (path, 100_000_000)
    else:
        call, arguments = read_bytes, (path,)  # type: ignore[assignment]
    benchmark.pedantic(call, arguments, rounds=ROUNDS, warmup_rounds=1)
    if benchmark.enabled and benchmark.stats:
        benchmark.extra_info["samples_per_s"] = SAMPLES / benchmark.stats.stats.min


def alternate(calls: dict[str, Callable[[], int]], amount: float, unit: str) -> None:
    """Time calls in turn, so that a slow moment of the machine meets all of them.

    Rates are by the clock on the wall; processor time, of all threads, stands behind them, since
    on a machine that others use it is the steadier one.
    """
    wall: dict[str, list[float]] = {name: [] for name in calls}
    busy: dict[str, list[float]] = {name: [] for name in calls}
    for _ in range(ROUNDS + 1):
        for name, call in calls.items():
            begin, begin_busy = time.perf_counter(), time.process_time()
            call()
            wall[name].append(time.perf_counter() - begin)
            busy[name].append(time.process_time() - begin_busy)
    first = next(iter(calls))

    def ratio(seconds: dict[str, list[float]], name: str) -> float:
        pairs = zip(seconds[name][1:], seconds[first][1:], strict=True)
        return statistics.median(other / one for other, one in pairs)

    for name in calls:
        warm = wall[name][1:]
        print(
            f"  {name:11} {amount / min(warm):6.0f} {unit} at best,"
            f" {amount / statistics.median(warm):6.0f} median, {first} {ratio(wall, name):.2f}"
            f" times that; by processor time {amount / statistics.median(busy[name][1:]):6.0f},"
            f" {ratio(busy, name):.2f} times"
        )


def main() -> None:
    """Print rates and ratios."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        dump, table = folder / "link.vcd", folder / "link.csv"
        write_changes(dump)
        calls = {name: lambda read=read: read(dump) for name, read in READERS.items()}
        if "--slow" in sys.argv:
            calls["vcdvcd"] = lambda: read_with_vcdvcd(dump)
        print(f"VCD, {dump.stat().st_size / 1e6:.0f} MB, {2 * SYMBOLS:,} times")
        alternate(calls, dump.stat().st_size / 1e6, "MB/s")
        write_changes(table)
        print(f"CSV, {table.stat().st_size / 1e6:.0f} MB")
        calls = {"busplay": lambda: read_changes(table), "plain read": lambda: read_bytes(table)}
        alternate(calls, table.stat().st_size / 1e6, "MB/s")
        for per_symbol in (12, 3):
            path = folder / "link.bin"
            write_samples(path, per_symbol)
            for rate_hz in (100_000_000, 24_000_000):
                print(f"samples, {per_symbol} a symbol, at {rate_hz / 1e6:g} MHz")
                calls = {
                    "busplay": partial(read_changes, path, rate_hz),
                    "plain read": partial(read_bytes, path),
                }
                alternate(calls, SAMPLES / 1e6, "MS/s")


if __name__ == "__main__":
    main()
