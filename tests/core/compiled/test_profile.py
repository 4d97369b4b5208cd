"""Profiles equal counts made step by step on the reference core."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from busplay.core.compiled.core import CompiledCore
from busplay.core.interface import Core
from busplay.core.make import core_for_board
from busplay.core.memory_map import ADDRESSES, MemoryMap
from busplay.core.profile import CoreProfile
from busplay.core.reference import ReferenceCore
from busplay.description import board as description
from busplay.link.load import load_board
from busplay.program.loading import load_memory
from tests.core.programs import HANDLER, MEMORY, PORT, WINDOWS, port, put

ROMS = Path(__file__).parents[3] / "roms"


def counted_by_steps(core: Core, cycles: int) -> CoreProfile:
    """Run a core an instruction at a time and count as `CoreProfile` defines it."""
    columns = [np.zeros(ADDRESSES, np.uint64) for _ in range(3)]
    spent, stores, unchanged = columns
    shown: dict[int, int] = {}
    windows = core.memory_map.windows
    stop_cycle = core.cycle + cycles
    waiting_at = None
    while core.cycle < stop_cycle and core.stop is None:
        place = core.pc
        interrupts = core.counters.interrupts_taken
        took = core.step()
        if core.counters.interrupts_taken > interrupts:
            place = core.pc
            waiting_at = None
        elif waiting_at is not None and took == 1:
            place = waiting_at
        waiting_at = place if core.memory[place] == 0xCB and core.pc == place + 1 else None
        spent[place] += np.uint64(took)
        batch = core.take_stores()
        for address, byte in zip(batch.address.tolist(), batch.data.tolist(), strict=True):
            stores[place] += np.uint64(1)
            window = windows[core.memory_map.window_index[address]]
            if window.space == "memory" and shown.get(address, 0) == byte:
                unchanged[place] += np.uint64(1)
            shown[address] = byte
    return CoreProfile(*columns)


def assert_alike(ours: CoreProfile | None, theirs: CoreProfile) -> None:
    assert ours is not None
    for name in ("cycles", "stores", "stores_unchanged"):
        our_column, their_column = getattr(ours, name), getattr(theirs, name)
        places = np.flatnonzero(our_column != their_column)
        assert not len(places), [
            (f"${at:04X}", int(our_column[at]), int(their_column[at])) for at in places[:5]
        ]


@pytest.mark.parametrize("program", ["tides", "fill", "keys"])
def test_profile_of_a_program_is_what_steps_give(program: str) -> None:
    board = load_board("dunlin")
    cores = []
    for kind in ("reference", "compiled"):
        core = core_for_board(board, kind=kind)
        load_memory(board, core.memory, ROMS / f"{program}.bin")
        core.reset()
        cores.append(core)
    reference, compiled = cores
    assert isinstance(compiled, CompiledCore)
    compiled.start_profile()
    theirs = counted_by_steps(reference, 300_000)
    compiled.run(300_000)
    assert compiled.cycle == reference.cycle
    assert_alike(compiled.profile(), theirs)


def machine(kind: type[Core], code: str, *, handler: str = "40") -> Core:
    memory_map = MemoryMap.of_parts(
        MEMORY, windows=WINDOWS, host_port=description.HostPort(PORT), unmapped_read=0xEE
    )
    core = kind("65c02", memory_map, port(clock_hz=6000, refresh_hz=60))
    put(core, 0x0200, code)
    put(core, HANDLER, handler)
    put(core, 0xFFFC, "0002 0003")
    core.reset()
    return core


def profiled(code: str, cycles: int, *, handler: str = "40") -> tuple[CompiledCore, CoreProfile]:
    core = machine(CompiledCore, code, handler=handler)
    assert isinstance(core, CompiledCore)
    core.start_profile()
    core.run(cycles)
    profile = core.profile()
    assert profile is not None
    return core, profile


def test_cycles_add_up_and_every_piece_of_a_run_counts() -> None:
    core = machine(CompiledCore, "A901 8D08A4 58 E610 8D0040 4C0602", handler="8D09A4 40")
    assert isinstance(core, CompiledCore)
    core.start_profile()
    for cycles in (1, 2, 3, 5, 8, 1000, 1):
        core.run(cycles)
    profile = core.profile()
    assert profile is not None
    assert int(profile.cycles.sum()) == core.cycle - 7


def test_waiting_counts_at_the_wai_and_the_sequence_at_the_handler() -> None:
    # LDA #1, STA REFRESH, CLI, WAI, JMP back to WAI; handler: STA REFRESH_ACK, RTI.
    core, profile = profiled("A901 8D08A4 58 CB 4C0602", 1050, handler="8D09A4 40")
    assert core.counters.interrupts_taken == 10
    assert profile.cycles[0x0300] == 10 * (7 + 4)
    assert profile.cycles[0x0303] == 10 * 6
    assert profile.cycles[0x0207] == 10 * 3
    assert profile.cycles[0x0206] == core.cycle - 7 - (2 + 4 + 2) - 10 * (7 + 4 + 6 + 3)


def test_stores_that_change_nothing_are_counted_by_address() -> None:
    # Zeros on zeros; a byte; the same again; another address.
    _, profile = profiled("9C0040 A955 8D0040 8D0040 8D0140 80FE", 40)
    assert profile.stores[[0x0200, 0x0205, 0x0208, 0x020B]].tolist() == [1, 1, 1, 1]
    assert profile.stores_unchanged[[0x0200, 0x0205, 0x0208, 0x020B]].tolist() == [1, 0, 1, 0]


def test_stores_to_registers_always_change_something() -> None:
    _, profile = profiled("9C00A3 9C00A3 9C00A3 80FE", 40)
    assert profile.stores[0x0200:0x0209:3].tolist() == [1, 1, 1]
    assert not profile.stores_unchanged.any()


def test_stores_outside_windows_are_not_counted() -> None:
    _, profile = profiled("9C0010 9C00C0 80FE", 40)
    assert not profile.stores.any()


def test_profile_begun_late_knows_nothing_of_the_bytes_before() -> None:
    core = machine(CompiledCore, "9C0040 80FB")
    assert isinstance(core, CompiledCore)
    core.run(100)
    core.start_profile()
    core.run(70)
    profile = core.profile()
    assert profile is not None
    assert profile.stores[0x0200] == 10
    assert profile.stores_unchanged[0x0200] == 9


def test_restart_clears_the_counts_and_a_copy_stays() -> None:
    core, first = profiled("E610 4C0002", 80)
    core.start_profile()
    core.run(8)
    second = core.profile()
    assert second is not None
    assert first.cycles[0x0200] == 50
    assert second.cycles[0x0200] == 5


def test_without_a_start_there_is_no_profile() -> None:
    core = machine(CompiledCore, "EA")
    assert isinstance(core, CompiledCore)
    assert core.profile() is None


def test_counting_changes_nothing_that_the_program_does() -> None:
    runs = []
    for count in (False, True):
        core = machine(CompiledCore, "A901 8D08A4 58 E610 8D0040 4C0602", handler="8D09A4 40")
        assert isinstance(core, CompiledCore)
        if count:
            core.start_profile()
        core.run(5000)
        stores = core.take_stores()
        runs.append((core.cycle, core.pc, stores.cycle.tolist(), core.memory.tobytes()))
    assert runs[0] == runs[1]
    assert len(runs[0][2]) > 100


def test_profile_of_a_masked_line_is_what_steps_give() -> None:
    program, handler = "A901 8D08A4 58 E610 08 78 EE0040 28 4C0602", "E611 8D09A4 E612 40"
    _, ours = profiled(program, 3000, handler=handler)
    theirs = counted_by_steps(machine(ReferenceCore, program, handler=handler), 3000)
    assert_alike(ours, theirs)
