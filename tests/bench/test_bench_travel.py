"""How long time travel takes in a run of ten minutes at 8 MHz: figures, never asserted.

`python -m tests.bench.test_bench_travel` prints a table: making the run, then reverse steps and
other moves from drawn cycles, median and 99th of 100; then the same in a recording that is only
opened, and `why` near its end.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from busplay.analysis.profile.passage import profile_passage
from busplay.chain.why import why
from busplay.history.breakpoints import AtAddress, MemoryIs, RegisterIs, WriteTo
from busplay.history.program_history import ProgramHistory
from busplay.link.load import load_board
from busplay.run.session import Session
from busplay.trace.container import CORE
from busplay.trace.reader import TraceReader
from busplay.units import PS_PER_S

MINUTES = 10
CLOCK_HZ = 8_000_000


def travelled(program: str, seconds: float) -> ProgramHistory:
    """Return a history that has been to the end of a run."""
    end_cycle = int(seconds * CLOCK_HZ)
    travel = ProgramHistory(load_board("dunlin"), program, end_cycle=end_cycle)
    travel.go_to(end_cycle)
    return travel


@pytest.mark.parametrize("move", ["step_back", "store_before", "step"])
def test_moves_from_drawn_cycles(benchmark: BenchmarkFixture, move: str) -> None:
    travel = travelled("tides.bin", 20)
    cycles = iter(np.random.default_rng(3).integers(1000, 20 * CLOCK_HZ, 1 << 20).tolist())

    def away() -> tuple[tuple[()], dict[str, object]]:
        travel.go_to(next(cycles))
        return (), {}

    benchmark.pedantic(getattr(travel, move), setup=away, rounds=50)


def _times(travel: ProgramHistory, move: Callable[[], object], rounds: int = 200) -> str:
    rng = np.random.default_rng(5)
    seen = []
    for cycle in rng.integers(1000, travel.end_cycle or 0, rounds).tolist():
        # From elsewhere, so that nothing near is known.
        travel.go_to(int(rng.integers(1000, travel.end_cycle or 0)))
        began = time.perf_counter()
        travel.go_to(cycle)
        arrived = time.perf_counter()
        move()
        seen.append((arrived - began, time.perf_counter() - arrived))
    gone, moved = (np.array(column) * 1e3 for column in zip(*seen, strict=True))
    return (
        f"go there {np.median(gone):6.2f} ms, 99 of 100 under {np.percentile(gone, 99):6.2f};"
        f" move {np.median(moved):6.2f} ms, 99 of 100 under {np.percentile(moved, 99):6.2f},"
        f" at most {moved.max():6.2f}"
    )


def recorded(path: Path, program: str, seconds: float) -> Path:
    """Record a run."""
    with Session("dunlin", program=program, record=path) as session:
        session.run(int(seconds * CLOCK_HZ))
    return path


def test_why_near_the_end_of_a_recording(benchmark: BenchmarkFixture, tmp_path: Path) -> None:
    trace = recorded(tmp_path / "a.trace", "tides.bin", 20)
    benchmark(why, trace, unit="panel", pixel=(120, 40), at_ps=19 * PS_PER_S)


def _print_of_recording(program: str) -> None:
    """Print the figures of a recording: its program was never run here."""
    with TemporaryDirectory() as folder:
        trace = recorded(Path(folder) / "a.trace", f"{program}.bin", 60 * MINUTES)
        with TraceReader(trace) as reader:
            began = time.perf_counter()
            travel = ProgramHistory.of_trace(reader)
            took = time.perf_counter() - began
            kept = sum(len(payload) for _, payload in reader.payloads(CORE))
            print(
                f"{program}, recorded: states are {kept / reader.file_bytes:.2%} of the trace;"
                f" opened in {took * 1e3:.0f} ms"
            )
            for name in ("step_back", "store_before"):
                print(f"  {name:13}{_times(travel, getattr(travel, name), 50)}")
            first_cycle = (60 * MINUTES - 10) * CLOCK_HZ
            began = time.perf_counter()
            profile_passage(travel, first_cycle=first_cycle, stop_cycle=first_cycle + CLOCK_HZ)
            print(f"  profile of a second near the end: {time.perf_counter() - began:.2f} s")
        began = time.perf_counter()
        why(trace, unit="panel", pixel=(120, 40), at_ps=(60 * MINUTES - 5) * PS_PER_S)
        print(f"  why 5 s before the end: {time.perf_counter() - began:.2f} s")


def main(programs: list[str]) -> None:
    """Print the figures of ten minutes of each program."""
    for program in programs:
        began = time.perf_counter()
        travel = travelled(f"{program}.bin", 60 * MINUTES)
        took = time.perf_counter() - began
        kept = travel.snapshots
        print(
            f"{program}: {travel.cycle:,} cycles in {took:.1f} s; {len(kept):,} snapshots,"
            f" {kept.used_bytes / 1e6:.0f} MB, gaps up to {kept.longest_gap_cycles:,} cycles"
        )
        for name in ("step_back", "step", "store_before", "store_after"):
            print(f"  {name:13}{_times(travel, getattr(travel, name))}")
        travel.go_to(60 * MINUTES * CLOCK_HZ)
        for name, stop_at in (
            ("write", WriteTo(0x2FFF, 0x2FFF)),
            ("value", MemoryIs(0x2FFF, 77)),
            ("address", AtAddress({0x2FFF})),
            ("register", RegisterIs("s", 0x03)),
        ):
            began = time.process_time()
            found = travel.run_back_to(stop_at)
            took = (time.process_time() - began) * 1e3 / (60 * MINUTES * CLOCK_HZ / 80e6)
            print(f"  {name} that {'came' if found else 'never came'}: {took:.0f} ms a 80 M cycles")
        _print_of_recording(program)


if __name__ == "__main__":
    main(sys.argv[1:] or ["tides", "stars", "waves"])
