"""How often the machine code returns to the host, which costs time besides the cycles."""

from __future__ import annotations

import pytest

from busplay.core.compiled.core import CompiledCore
from busplay.core.memory_map import MemoryMap
from busplay.core.reference import ReferenceCore
from busplay.description.board import HostPort
from tests.core.programs import HANDLER, MEMORY, PORT, PROGRAM, WINDOWS, port, put

CYCLES = 1_000_000
REFRESHES = 125  # of 8,000 cycles each


class Counting(CompiledCore):
    """A core that counts how often its machine code runs."""

    turns = 0

    def _run_kernel(self) -> None:
        self.turns += 1
        super()._run_kernel()


def turns_of(program: str, *, handler: str = "40") -> int:
    host_port = port(refresh_hz=1000)
    memory_map = MemoryMap.of_parts(MEMORY, windows=WINDOWS, host_port=HostPort(PORT))
    core = Counting("65c02", memory_map, host_port)
    put(core, PROGRAM, program)
    put(core, HANDLER, handler)
    put(core, 0xFFFC, "0002 0003")
    core.reset()
    core.run(CYCLES)
    assert core.stop is None
    return core.turns


# LDX #0, DEX, BNE: 1,281 cycles.
LONG = "A200 CA D0FD"
ENABLED = "A901 8D08A4"


@pytest.mark.parametrize(
    ("program", "handler", "turns_a_refresh"),
    [
        (f"{ENABLED} 58 4C0602", f"8D09A4 {LONG} 40", 4),
        # The line is active during the whole handler.
        (f"{ENABLED} 58 4C0602", f"{LONG} 8D09A4 40", 4),
        # BIT REFRESH, BPL, STA REFRESH_ACK: polled, interrupts disabled.
        (f"{ENABLED} 78 2C08A4 10FB {LONG} 8D09A4 4C0602", "40", 4),
        # Nothing acknowledges.
        (f"{ENABLED} 78 E610 4C0602", "40", 0),
    ],
    ids=["acknowledged first", "acknowledged last", "polled", "never acknowledged"],
)
def test_machine_code_returns_a_few_times_a_refresh(
    program: str, handler: str, turns_a_refresh: int
) -> None:
    """One instruction a turn, while a line was active and I set, took seven times as long."""
    assert turns_of(program, handler=handler) <= turns_a_refresh * REFRESHES + 10


def test_reference_core_runs_on_while_a_masked_line_is_active() -> None:
    """One instruction a turn took six times as long: 14.9 s instead of 2.0 s for 6 M cycles."""

    class CountingReference(ReferenceCore):
        turns = 0

        def _execute(self, limit: int) -> None:
            self.turns += 1
            super()._execute(limit)

    memory_map = MemoryMap.of_parts(MEMORY, windows=WINDOWS, host_port=HostPort(PORT))
    core = CountingReference("65c02", memory_map, port(refresh_hz=1000))
    put(core, PROGRAM, f"{ENABLED} 58 4C0602")
    put(core, HANDLER, f"{LONG} 8D09A4 40")
    put(core, 0xFFFC, "0002 0003")
    core.reset()
    core.run(CYCLES)
    assert core.counters.interrupts_taken == REFRESHES
    assert core.turns <= 5 * REFRESHES + 10
