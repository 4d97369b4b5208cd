"""How fast the reference core runs, beside py65 itself on the same program.

`pytest tests/bench/test_bench_core.py --benchmark-enable` times each for itself;
`python -m tests.bench.test_bench_core` runs them in turn, many times, and prints the ratios,
which hold on a machine whose speed swings.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

import pytest
from py65.devices import mpu65c02
from py65.memory import ObservableMemory

from busplay.core.host_port import HostPortDevice
from busplay.core.memory_map import MemoryMap
from busplay.core.py65_hook import hook_mpu
from busplay.core.reference import ReferenceCore
from busplay.description import board as description
from busplay.description.board import Memory, Window

CYCLES = 400_000
PORT = description.HostPort(0xA400)
MEMORY = (Memory("ram", 0x0000, 0xA1FF), Memory("rom", 0xC000, 0xFFFF))
WINDOWS = (Window("picture", 0x4000, 0x9FFF, unit="panel", space="memory", lands_in_ram=True),)

# Fill the window through a pointer with a changing pattern: loads, arithmetic, a subroutine,
# counters in the zero page, one store to the window in some 50 cycles.
PROGRAM = bytes.fromhex(
    "A900 8510 A940 8511 A000"  # $0200 pointer to $4000
    "B90003 18 6512 8512 4513 9110 E613 204002 C8 D0EC"  # $020A the inner loop
    "E611 A511 C9A0 D0E4 A940 8511 4C0A02"  # $021E the next page
).ljust(0x40, b"\xea") + bytes.fromhex("48 A512 2A 6903 8514 A514 C512 68 60")  # $0240


def run_py65(memory: object) -> Callable[[], int]:
    mpu = mpu65c02.MPU(memory=memory)
    for offset, byte in enumerate(PROGRAM):
        memory[0x0200 + offset] = byte  # type: ignore[index]
    mpu.pc = 0x0200

    def run() -> int:
        first = mpu.processorCycles
        step = mpu.step
        while mpu.processorCycles - first < CYCLES:
            step()
        cycles: int = mpu.processorCycles - first
        return cycles

    return run


def py65_on_a_list() -> Callable[[], int]:
    return run_py65([0] * 0x10000)


def py65_with_a_write_hook() -> Callable[[], int]:
    memory = ObservableMemory()
    stores: list[tuple[int, int]] = []
    memory.subscribe_to_write(range(0x4000, 0xA000), lambda *store: stores.append(store))
    return run_py65(memory)


def py65_with_our_hook() -> Callable[[], int]:
    class Sink:
        last_cycle = 0

        def store(self, cycle: int, address: int, data: int) -> None:
            Sink.last_cycle = cycle

    mpu = mpu65c02.MPU(memory=[0] * 0x10000)
    for offset, byte in enumerate(PROGRAM):
        mpu.memory[0x0200 + offset] = byte
    mpu.pc = 0x0200
    hook = hook_mpu(mpu, Sink())

    def run() -> int:
        first = hook.cycle
        while hook.cycle - first < CYCLES:
            mpu.step()
        return hook.cycle - first

    return run


def reference_core(*, with_port: bool = False) -> Callable[[], int]:
    memory_map = MemoryMap.of_parts(MEMORY, windows=WINDOWS, host_port=PORT if with_port else None)
    port = HostPortDevice(PORT, clock_hz=8_000_000) if with_port else None
    core = ReferenceCore("65c02", memory_map, port)
    core.memory[0x0200 : 0x0200 + len(PROGRAM)] = list(PROGRAM)
    core.pc = 0x0200

    def run() -> int:
        cycles = core.run(CYCLES)
        core.take_stores()
        return cycles

    return run


RUNNERS: dict[str, Callable[[], Callable[[], int]]] = {
    "py65 on a list": py65_on_a_list,
    "py65 with a write hook": py65_with_a_write_hook,
    "py65 with our hook": py65_with_our_hook,
    "reference core": reference_core,
    "reference core, host port": lambda: reference_core(with_port=True),
}


@pytest.mark.benchmark(group="core")
@pytest.mark.parametrize("name", RUNNERS)
def test_bench_core(benchmark, name: str) -> None:  # type: ignore[no-untyped-def]
    run = RUNNERS[name]()
    cycles = benchmark(run)
    assert cycles >= CYCLES
    if benchmark.stats is not None:
        benchmark.extra_info["mhz"] = cycles / benchmark.stats.stats.median / 1e6


def main(rounds: int = 9) -> None:
    """Run all in turn and print clock rates and ratios of the medians."""
    runs = {name: make() for name, make in RUNNERS.items()}
    mhz: dict[str, list[float]] = {name: [] for name in runs}
    for run in runs.values():
        run()
    for _ in range(rounds):
        for name, run in runs.items():
            start_ns = time.perf_counter_ns()
            cycles = run()
            mhz[name].append(cycles * 1e3 / (time.perf_counter_ns() - start_ns))
    base = statistics.median(mhz["py65 with a write hook"])
    for name, rates in mhz.items():
        rate = statistics.median(rates)
        print(f"{name:28} {rate:6.2f} MHz  {rate / base:5.2f} x py65 with a write hook")


if __name__ == "__main__":
    main()
