"""How fast boards with devices run, beside one without.

`pytest tests/bench/test_bench_devices.py --benchmark-enable` times each for itself;
`python -m tests.bench.test_bench_devices` runs them in turn and prints the ratios.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from busplay.core.devices.load_banks import settle_banks
from busplay.core.interface import Core
from busplay.core.make import core_for_board
from busplay.link.load import parse_board
from tests.core.devices.machines import OWN, VIA, alarm, machine, via

CYCLES = 20_000_000
_LOW, _HIGH = VIA & 0xFF, VIA >> 8


def _at(offset: int) -> str:
    return f"{_LOW + offset:02X}{_HIGH:02X}"


# A timer at 8 MHz that times out 1,000 times a second; its handler acknowledges by a read.
_TIMER = f"A940 8D{_at(11)} A93E 8D{_at(4)} A91F 8D{_at(5)}"
_LOOP = "E610 A510 4511 8512"
_HANDLER = f"48 AD{_at(4)} E611 68 40"


def _looped(setup: str, loop: str) -> str:
    """Return a setup, then a loop for ever."""
    start = 0x0200 + len(bytes.fromhex(setup))
    return f"{setup} {loop} 4C{start & 0xFF:02X}{start >> 8:02X}"


_BANKS = """
name = "pages"
processor = "65c02"
clock_hz = 1_000_000
link = "guarded"
[[memory]]
kind = "ram"
first_address = 0x0000
last_address = 0x3FFF
[[banks]]
name = "pages"
kind = "ram"
first_address = 0x4000
last_address = 0x5FFF
pages = 4
latch_address = 0x8000
[[windows]]
name = "screen"
first_address = 0x6000
last_address = 0x607F
unit = "screen"
space = "memory"
[units.screen]
width_px = 32
height_px = 32
bits_per_pixel = 1
"""


def paged_by_port() -> Core:
    """Make the same, but for the latch: port B of a 6522 chooses the page."""
    text = _BANKS.replace("latch_address = 0x8000", 'select = ["ports.pb1", "ports.pb0"]')
    device = f'[[devices]]\nkind = "via_6522"\nname = "ports"\nfirst_address = {VIA}\n'
    core = core_for_board(parse_board(text + device, file="pages.toml", folder=Path()))
    code = f"A903 8D{_at(2)} E8 8E{_at(0)} 4C0502"
    core.memory[0x0200:0x020C] = list(bytes.fromhex(code))
    settle_banks(core)
    core.pc = 0x0200
    return core


def paged() -> Core:
    """Make a machine that stores to a latch every 7 cycles, which changes a page of 8 KiB."""
    core = core_for_board(parse_board(_BANKS, file="pages.toml", folder=Path()))
    core.memory[0x0200:0x0207] = list(bytes.fromhex("E8 8E0080 4C0002"))
    settle_banks(core)
    core.pc = 0x0200
    return core


MACHINES: dict[str, Callable[[], Core]] = {
    "without devices": lambda: machine("compiled", _looped("58", _LOOP), list),
    "6522, silent": lambda: machine("compiled", _looped("58", _LOOP), lambda: [via()]),
    "6522, 1,000 interrupts a second": lambda: machine(
        "compiled", _looped(f"{_TIMER} A9C0 8D{_at(14)} 58", _LOOP), lambda: [via()],
        handler=_HANDLER,
    ),
    "loop that reads a counter": lambda: machine(
        "compiled", _looped(f"{_TIMER} 58", f"AD{_at(4)} 8510"), lambda: [via()]
    ),
    "loop that writes a port": lambda: machine(
        "compiled", _looped("58", f"8D{_at(1)} E610"), lambda: [via()]
    ),
    "loop that changes pages of 8 KiB": paged,
    "loop that changes pages by a port": paged_by_port,
    "loop that reads a Python device": lambda: machine(
        "compiled", _looped("58", f"AD{OWN & 0xFF:02X}{OWN >> 8:02X} 8510"), lambda: [alarm()]
    ),
}  # fmt: skip


def cycles_of(name: str) -> int:
    return CYCLES // 100 if "Python" in name or "pages" in name else CYCLES


@pytest.mark.benchmark(group="devices")
@pytest.mark.parametrize("name", MACHINES)
def test_bench_devices(benchmark, name: str) -> None:  # type: ignore[no-untyped-def]
    core = MACHINES[name]()
    wanted = cycles_of(name)
    cycles = benchmark(lambda: core.run(wanted))
    assert cycles >= wanted
    if benchmark.stats is not None:
        benchmark.extra_info["mhz"] = cycles / benchmark.stats.stats.median / 1e6


def main(rounds: int = 15) -> None:
    """Run all in turn and print clock rates and ratios of the medians."""
    cores = {name: make() for name, make in MACHINES.items()}
    mhz: dict[str, list[float]] = {name: [] for name in cores}
    for name, core in cores.items():
        core.run(cycles_of(name))
    for _ in range(rounds):
        for name, core in cores.items():
            start_ns = time.perf_counter_ns()
            cycles = core.run(cycles_of(name))
            mhz[name].append(cycles * 1e3 / (time.perf_counter_ns() - start_ns))
    base = statistics.median(mhz["without devices"])
    for name, rates in mhz.items():
        rate = statistics.median(rates)
        print(f"{name:34} {rate:8.2f} MHz  {rate / base:6.4f} of that without devices")


if __name__ == "__main__":
    main()
