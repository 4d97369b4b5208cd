"""The compiled core beside py65 and cc65's simulator, as ratios.

Run: python -m tests.bench.core_speed [--rounds N]

All runs of a comparison take turns, N times over, and each turn gives one ratio; printed are
the median and the range, since a machine's speed swings but a ratio of neighbours does not.
Then the time of a tick, and of starts with and without kept machine code.
"""

from __future__ import annotations

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from py65.devices import mpu65c02

from busplay.core.compiled.core import CompiledCore
from busplay.core.host_port import HostPortDevice
from busplay.core.instructions import MODE_BYTES, W65C02S, Access, Mode
from busplay.core.make import core_for_board
from busplay.core.memory_map import MemoryMap
from busplay.description import board as description
from busplay.description.board import Board, Memory
from busplay.link.load import load_board
from busplay.pipeline.pipeline import Pipeline
from busplay.program.loading import load_memory
from busplay.sender.encoder import Encoder
from tests.bench.test_bench_core import PROGRAM, py65_on_a_list, py65_with_a_write_hook

PROJECT = Path(__file__).parents[2]
C_PROGRAMS = Path(__file__).parent / "c_programs"
PIECE_CYCLES = 1_000_000

Run = Callable[[], int]
"""Runs a piece of a program; gives the cycles it ran."""


def timed(run: Run) -> float:
    """Run a piece; give the cycles of a microsecond."""
    start_ns = time.perf_counter_ns()
    cycles = run()
    return cycles * 1e3 / (time.perf_counter_ns() - start_ns)


@dataclass
class Comparison:
    """Two ways to run a program, and the ratio of their speeds that is wanted."""

    title: str
    fast: Run
    slow: Run
    goal: float

    def print_ratios(self, rounds: int) -> None:
        """Run both in turn and print."""
        self.fast()
        rates = [(timed(self.fast), timed(self.slow)) for _ in range(rounds)]
        ratios = [fast / slow for fast, slow in rates]
        fast, slow = (statistics.median(column) for column in zip(*rates, strict=True))
        print(
            f"{self.title:62} {statistics.median(ratios):7.1f}  ({min(ratios):.1f} to"
            f" {max(ratios):.1f}; {fast:.0f} and {slow:.2f} MHz)  goal {self.goal:g}"
        )


# Programs.


def core_with(board: Board, code: bytes, address: int) -> CompiledCore:
    core = CompiledCore(board.processor, MemoryMap.of_board(board))
    core.memory[address : address + len(code)] = np.frombuffer(code, np.uint8)
    core.pc, core.s = address, 0xFF
    return core


def ram_board(**changes: object) -> Board:
    """Return the shipped board with RAM everywhere and no host port."""
    board = load_board("dunlin")
    ram = (Memory("ram", 0, 0xFFFF),)
    windows = tuple(window for window in board.windows if window.unit == "panel")[:1]
    return replace(board, memory=ram, windows=windows, host_port=None, **changes)


def encoded(board: Board, core: CompiledCore, cycles: int) -> Run:
    """Run with stores captured and frames encoded."""
    encoder = Encoder(board)

    def run() -> int:
        done = core.run(cycles)
        encoder.feed(core.take_stores(), stop_cycle=core.cycle)
        return done

    return run


def hostile_code(rng: np.random.Generator) -> bytes:
    """Return 16 KiB of random instructions in a row, and a jump to the first.

    None of them writes where the code lies, so that it stays what it is.
    """
    anywhere = (Mode.INDIRECT_X, Mode.INDIRECT_Y, Mode.ZERO_PAGE_INDIRECT)
    rows = [
        row
        for row in W65C02S.values()
        if row.access not in (Access.CALL, Access.BREAK, Access.BIT_BRANCH)
        and row.mode is not Mode.RELATIVE
        and not (row.access is Access.WRITE and row.mode in anywhere)
        and row.mnemonic not in ("JMP", "RTS", "RTI", "WAI", "STP", "SED", "PLP")
    ]
    code = bytearray()
    while len(code) < 0x4000:
        row = rows[int(rng.integers(len(rows)))]
        operand = bytes([int(rng.integers(256)), int(rng.integers(0x02, 0x7F))])
        code += bytes([row.opcode]) + operand[: MODE_BYTES[row.mode] - 1]
    return bytes(code) + bytes([0x4C, 0x00, 0x80])


def hostile_on_py65(code: bytes) -> Run:
    memory = [0] * 0x10000
    memory[0x8000 : 0x8000 + len(code)] = list(code)
    mpu = mpu65c02.MPU(memory=memory)
    mpu.pc = 0x8000

    def run() -> int:
        first = mpu.processorCycles
        while mpu.processorCycles - first < 300_000:
            mpu.step()
        return int(mpu.processorCycles - first)

    return run


def with_refreshes(handler: str) -> Run:
    """Run a loop with a refresh interrupt, and so a handler, every 2,000 cycles."""
    port = HostPortDevice(description.HostPort(0xA400, refresh_hz=4000), clock_hz=8_000_000)
    memory_map = MemoryMap.of_board(load_board("dunlin"))
    core = CompiledCore("65c02", memory_map, port)
    for address, code in (
        (0x0200, "A901 8D08A4 58 E610 4C0602"),
        (0x0300, handler),
        (0xFFFC, "0002 0003"),
    ):
        data = bytes.fromhex(code)
        core.memory[address : address + len(data)] = list(data)
    core.reset()
    return lambda: core.run(6_000_000)


# cc65's simulator.


def build_c_program(name: str, folder: Path) -> Path:
    (folder / f"{name}.c").write_bytes((C_PROGRAMS / f"{name}.c").read_bytes())
    program = folder / name
    command = ["cl65", "-O", "-t", "sim65c02", "-o", program, f"{name}.c"]
    subprocess.run(command, cwd=folder, check=True)
    return program


def in_simulator(program: Path) -> Run:
    def run() -> int:
        done = subprocess.run(["sim65", "-c", program], capture_output=True, check=True)
        return int((done.stdout + done.stderr).split()[-2])

    return run


def fresh_core(board: Board, program: Path) -> CompiledCore:
    image = program.read_bytes()
    core = core_with(board, image[12:], int.from_bytes(image[8:10], "little"))
    # The simulator's calls return at once; the last one ends the program.
    core.memory[0xFFF4:0xFFF9] = 0x60
    core.memory[0xFFF9] = 0xDB
    return core


def on_core(board: Board, program: Path) -> Run:
    def run() -> int:
        core = fresh_core(board, program)
        while core.stop is None:
            core.run(PIECE_CYCLES)
            core.take_stores()
        return core.cycle

    return run


def over_the_pipeline(board: Board, program: Path) -> Run:
    def run() -> int:
        core, pipeline = fresh_core(board, program), Pipeline(board)
        while core.stop is None:
            core.run(PIECE_CYCLES)
            pipeline.feed(core.take_stores(), stop_cycle=core.cycle)
        return core.cycle

    return run


# Ticks and starts.


def print_ticks() -> None:
    """Time ticks of 1/60 s of the shipped board at 8 MHz: run, send, receive, show.

    Both by the clock on the wall and by that of this thread, which leaves out the time in which
    a busy machine ran something else.
    """
    board = load_board("dunlin")
    clocks = {"wall": time.perf_counter_ns, "thread": time.thread_time_ns}
    for program in ("tides", "stars"):
        core = core_for_board(board, kind="compiled")
        load_memory(board, core.memory, PROJECT / "roms" / f"{program}.bin")
        core.reset()
        pipeline = Pipeline(board)
        taken_ms: dict[str, list[float]] = {name: [] for name in clocks}
        for _ in range(2000):
            starts_ns = {name: clock() for name, clock in clocks.items()}
            core.run(board.clock_hz // 60)
            pipeline.feed(core.take_stores(), stop_cycle=core.cycle)
            for name, clock in clocks.items():
                taken_ms[name].append((clock() - starts_ns[name]) / 1e6)
        figures = ", ".join(
            f"{name} {np.percentile(times, 50):.3f} and {np.percentile(times, 99):.3f} ms"
            for name, times in taken_ms.items()
        )
        print(f"tick of 1/60 s, {program}, median and 99th percentile: {figures}  goal 1 ms")


START = (
    "from busplay.core.make import make_core\n"
    "core = make_core('compiled', '65c02')\n"
    "core.memory[:] = 0xEA\n"
    "core.run(1000)\n"
)


def print_starts(folder: Path) -> None:
    """Time starts: the core alone in a new Python, and the command for one machine second."""
    command = ["-m", "busplay", "run", "dunlin", str(PROJECT / "roms" / "tides.bin")]
    command += ["--headless", "--cycles", "8000000"]
    for what, arguments in (("core", ["-c", START]), ("busplay run, 1 s", command)):
        kept = folder / what.split()[0]
        environment = os.environ | {
            "BUSPLAY_CACHE_DIR": str(kept),
            "PYTHONPATH": str(PROJECT),
        }
        seconds = []
        for _ in range(4):
            start_ns = time.perf_counter_ns()
            subprocess.run(
                [sys.executable, *arguments], env=environment, check=True, capture_output=True
            )
            seconds.append((time.perf_counter_ns() - start_ns) / 1e9)
        print(f"start, {what}: cold {seconds[0]:.2f} s, warm {min(seconds[1:]):.2f} s")


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=7)
    rounds = parser.parse_args().rounds
    board = ram_board()
    compiled = encoded(board, core_with(board, PROGRAM, 0x0200), 20_000_000)
    code = hostile_code(np.random.default_rng(3))
    comparisons = [
        Comparison(
            "compiled, frames encoded / py65, hook", compiled, py65_with_a_write_hook(), 450
        ),
        Comparison("the same / py65 on a list", compiled, py65_on_a_list(), 170),
        Comparison(
            "hostile code / py65 on a list",
            encoded(board, core_with(board, code, 0x8000), 10_000_000),
            hostile_on_py65(code),
            90,
        ),
        Comparison(
            "handler of 1,000 cycles acknowledges last / first",
            with_refreshes("A2C8 CA D0FD 8D09A4 40"),
            with_refreshes("8D09A4 A2C8 CA D0FD 40"),
            0.9,
        ),
    ]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if shutil.which("sim65"):
            sieve, picture = (build_c_program(name, folder) for name in ("sieve", "picture"))
            for program in (sieve, picture):
                title = f"compiled / sim65, {program.name}"
                comparisons.append(
                    Comparison(title, on_core(board, program), in_simulator(program), 3.3)
                )
            comparisons += [
                Comparison(
                    "whole pipeline / sim65, picture",
                    over_the_pipeline(board, picture),
                    in_simulator(picture),
                    3.0,
                ),
            ]
        else:
            print("cc65 is not installed: no comparison with its simulator")
        for comparison in comparisons:
            comparison.print_ratios(rounds)
        print_ticks()
        print_starts(folder)


if __name__ == "__main__":
    main()
