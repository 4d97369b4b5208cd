"""How long a capture of one second of an 8 MHz link takes to become a trace, beside a plain read.

Run: pytest tests/bench/test_bench_decode.py --benchmark-enable
or, with all inputs in turn, by the library and by the command:

    python -m tests.bench.test_bench_decode

Sixteen million symbols of the guarded link, every slot full of a frame with random address and
data: raw samples at 12 and at 3 a symbol (192 and 48 MS/s), and a VCD as our own writer makes it.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from busplay.batch import FrameBatch
from busplay.capture.report import DecodeReport
from busplay.capture.wires import SymbolStretch, WireDrawer
from busplay.conversion import decode as decoding
from busplay.formats.writing.vcd import VcdWriter
from busplay.link.layout import FrameLayout
from busplay.link.load import load_link
from busplay.wire.expander import expand
from tests.bench.test_bench_capture import read_bytes

SYMBOLS = 16_000_000
EDGES_PER_SECOND = 16_000_000
ROUNDS = 5
MAP = "clock=D0,lane0=D1,lane1=D2,lane2=D3,lane3=D4,lane4=D5"
STRETCH = 1 << 17
# Name of the file: samples a symbol, or None where the file tells its times.
INPUTS = {"link12.bin": 12, "link3.bin": 3, "link.vcd": None}


def full_link(layout: FrameLayout, symbols: int) -> SymbolStretch:
    """Spell out a stretch in which every slot has a frame."""
    random = np.random.default_rng(1)
    slots = symbols // layout.slot_symbols
    words = layout.pack(
        space=1,
        unit=0,
        sequence=np.arange(slots, dtype=np.uint64) % np.uint64(16),
        address=random.integers(0, 0x6000, slots, dtype=np.uint64),
        data=random.integers(0, 256, slots, dtype=np.uint64),
    )
    edges = np.arange(slots, dtype=np.uint64) * np.uint64(layout.slot_symbols)
    frames = FrameBatch(edges, words)
    return SymbolStretch(0, expand(frames, layout, first_edge=0, stop_edge=symbols))


def write_capture(path: Path, layout: FrameLayout, per_symbol: int | None, symbols: int) -> None:
    """Write the wires as samples, or as a VCD."""
    whole = full_link(layout, symbols)
    drawer = WireDrawer(layout, EDGES_PER_SECOND)
    with path.open("wb") as stream:
        writer = None if per_symbol else VcdWriter(stream, wires=list(drawer.wires), tick_ps=10)
        for first in range(0, symbols, STRETCH):
            stretch = SymbolStretch(first, whole.symbols[first : first + STRETCH])
            if writer is not None:
                writer.write(drawer.draw(stretch))
                continue
            assert per_symbol is not None
            levels = drawer.levels(stretch).astype(np.uint8)
            counts = np.tile([per_symbol // 2, per_symbol - per_symbol // 2], len(levels) // 2)
            np.repeat(levels, counts).tofile(stream)


def decode(path: Path, layout: FrameLayout, per_symbol: int | None, symbols: int) -> DecodeReport:
    """Decode a capture to a trace beside it."""
    rate_hz = None if per_symbol is None else per_symbol * EDGES_PER_SECOND
    bits = None if per_symbol is None else "0-5"
    report = decoding.decode(
        path,
        link=layout.link,
        output=path.with_suffix(".trace"),
        lane_map=None if bits is None else MAP,
        rate_hz=rate_hz,
        bits=bits,
    ).health
    assert report.receiver.frames_received > symbols // layout.slot_symbols - 20
    return report


def run_command(path: Path, per_symbol: int | None) -> int:
    """Decode by the command, in a process of its own; gives its exit status."""
    words = [sys.executable, "-m", "busplay", "decode", str(path), "--link", "guarded"]
    words += ["-o", str(path.with_suffix(".trace")), "--json"]
    if per_symbol is not None:
        words += ["--in-rate", f"{per_symbol * 16}MHz", "--in-bits", "0-5", "--map", MAP]
    return subprocess.run(words, check=False, stdout=subprocess.DEVNULL).returncode


@pytest.fixture(scope="module")
def layout() -> FrameLayout:
    """Return the guarded link's."""
    return FrameLayout(load_link("guarded"))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a place for captures of hundreds of megabytes; they are written when asked for."""
    return tmp_path_factory.mktemp("captures")


@pytest.mark.parametrize("pipeline", ["decode", "command", "plain read"])
@pytest.mark.parametrize("name", INPUTS)
def test_bench_decode(
    benchmark: BenchmarkFixture, folder: Path, layout: FrameLayout, name: str, pipeline: str
) -> None:
    # Among the tests it only shows that it works, on a hundredth of a second.
    symbols = SYMBOLS if benchmark.enabled else SYMBOLS // 100
    benchmark.group = f"one second of an 8 MHz link, {name}"
    path, per_symbol = folder / name, INPUTS[name]
    if not path.exists():
        write_capture(path, layout, per_symbol, symbols)
    if pipeline == "decode":
        given = (path, layout, per_symbol, symbols)
        benchmark.pedantic(decode, given, rounds=ROUNDS, warmup_rounds=1)
    elif pipeline == "command":
        status = benchmark.pedantic(run_command, (path, per_symbol), rounds=2, warmup_rounds=1)
        assert status == 0
    else:
        benchmark.pedantic(read_bytes, (path,), rounds=ROUNDS, warmup_rounds=1)


def main() -> None:
    """Print seconds, and processor time beside them."""
    layout = FrameLayout(load_link("guarded"))
    with tempfile.TemporaryDirectory() as name:
        for file, per_symbol in INPUTS.items():
            path = Path(name) / file
            write_capture(path, layout, per_symbol, SYMBOLS)
            print(f"{file}, {path.stat().st_size / 1e6:.0f} MB, {SYMBOLS:,} symbols")
            decode(path, layout, per_symbol, SYMBOLS)
            rows: dict[str, list[tuple[float, float]]] = {}
            for _ in range(ROUNDS):
                for pipeline in ("library", "command", "plain read"):
                    begin, spent = time.perf_counter(), os.times()
                    if pipeline == "library":
                        decode(path, layout, per_symbol, SYMBOLS)
                    elif pipeline == "command":
                        run_command(path, per_symbol)
                    else:
                        read_bytes(path)
                    used = os.times()
                    cpu = sum(used[:4]) - sum(spent[:4])
                    rows.setdefault(pipeline, []).append((time.perf_counter() - begin, cpu))
            for pipeline, seconds in rows.items():
                best, cpu = min(one for one, _ in seconds), min(one for _, one in seconds)
                print(f"  {pipeline:10} {best:6.2f} s at best, {cpu:6.2f} s of processor time")
            path.unlink()


if __name__ == "__main__":
    main()
