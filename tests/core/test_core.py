from __future__ import annotations

import numpy as np
import pytest

from busplay.core.host_port import HostPortDevice
from busplay.core.instructions import INSTRUCTIONS
from busplay.core.make import find_core_class
from busplay.core.memory_map import MemoryMap
from busplay.description import board as description
from tests.core.programs import plain_core, put, rows, small_machine

pytestmark = pytest.mark.usefixtures("core_kind")


def test_power_on_state() -> None:
    core = plain_core("65c02")
    assert (core.pc, core.a, core.x, core.y, core.s, core.p, core.cycle) == (0, 0, 0, 0, 0, 0x34, 0)
    assert core.stop is None
    assert not core.irq
    assert not core.memory.any()
    assert core.host_port is None
    assert core.processor == "65c02"


def test_memory_is_the_storage_itself() -> None:
    core = plain_core("6502")
    view = core.memory
    assert view.dtype == np.uint8
    assert view.shape == (65536,)
    put(core, 0x0200, "8D0040")
    core.a, core.pc = 0x12, 0x0200
    core.step()
    assert view[0x4000] == 0x12
    view[0x0200:0x0203] = [0xAD, 0x01, 0x40]
    view[0x4001] = 0x99
    core.pc = 0x0200
    core.step()
    assert core.a == 0x99


@pytest.mark.parametrize("name", ["a", "x", "y", "s", "p"])
def test_registers_are_set_and_read_and_refuse_what_does_not_fit(name: str) -> None:
    core = plain_core("6502")
    setattr(core, name, 0xC3)
    assert getattr(core, name) == (0xF3 if name == "p" else 0xC3)
    with pytest.raises(ValueError, match=f"{name} is 256; it must be 0 to 255"):
        setattr(core, name, 256)
    with pytest.raises(ValueError, match=f"{name} is -1; it must be 0 to 255"):
        setattr(core, name, -1)


def test_pc_refuses_what_does_not_fit() -> None:
    core = plain_core("6502")
    core.pc = 0xFFFF
    with pytest.raises(ValueError, match="pc is 65536; it must be 0 to 65535"):
        core.pc = 65536


def test_registers_take_numpy_integers() -> None:
    core = plain_core("6502")
    put(core, 0x0200, "E8 0A")
    core.pc, core.x, core.a = np.uint16(0x0200), np.uint8(255), np.uint8(0x80)
    core.run(4)
    assert (core.x, core.a) == (0, 0)


def test_run_ends_at_the_first_instruction_boundary_at_or_after_the_wanted_cycle() -> None:
    core = plain_core("6502")
    put(core, 0x0200, "EA AD0010 EA EA")
    core.pc = 0x0200
    assert core.run(3) == 6
    assert core.run(2) == 2
    assert core.run(0) == 0
    assert core.cycle == 8


UNDOCUMENTED_REASONS = {
    0x02: "opcode $02 (JAM) is undocumented and locks up the processor until a reset",
    0x03: 'opcode $03 (SLO) is undocumented and stops the core; undocumented = "run" in the board'
    " file lets the compiled core run it",
    0x80: 'opcode $80 (NOP) is undocumented and stops the core; undocumented = "run" in the board'
    " file lets the compiled core run it; it is BRA on the 65c02, so for a 65c02 program write"
    ' processor = "65c02" in the board file',
    0x9C: "opcode $9C (SHY) is undocumented and depends on the chip; the program cannot go"
    " on here; it is STZ on the 65c02, so for a 65c02 program write"
    ' processor = "65c02" in the board file',
    0x8B: "opcode $8B (ANE) is undocumented and depends on the chip; the program cannot go on here",
}


@pytest.mark.parametrize("opcode", UNDOCUMENTED_REASONS)
def test_undocumented_opcode_stops_with_address_and_opcode(opcode: int) -> None:
    core = plain_core("6502")
    core.memory[0x0200:0x0202] = [0xEA, opcode]
    core.pc = 0x0200
    assert core.run(100) == 2
    stop = core.stop
    assert stop is not None
    assert stop.kind == "opcode"
    assert (stop.address, stop.opcode, stop.cycle, stop.exit_status) == (0x0201, opcode, 2, None)
    assert str(stop.as_error()) == f"$0201: {UNDOCUMENTED_REASONS[opcode]}"
    assert core.pc == 0x0201


@pytest.mark.parametrize("processor", ["6502", "65c02"])
def test_every_opcode_without_a_row_stops(processor: str) -> None:
    for opcode in set(range(256)) - set(INSTRUCTIONS[processor]):
        core = plain_core(processor)
        core.memory[0] = opcode
        assert core.step() == 0
        assert core.stop is not None
        assert core.stop.kind == "opcode"


def test_reset_ends_a_stop_and_keeps_the_cycle_count() -> None:
    core = plain_core("6502")
    core.memory[0x0200] = 0x02
    put(core, 0xFFFC, "0003")
    core.memory[0x0300] = 0xEA
    core.pc, core.a, core.x, core.y = 0x0200, 1, 2, 3
    core.run(10)
    assert core.stop is not None
    assert core.reset() == 7
    assert core.stop is None
    assert (core.pc, core.a, core.x, core.y, core.cycle) == (0x0300, 1, 2, 3, 7)
    assert core.step() == 2


def test_stp_stops_the_processor_until_reset() -> None:
    core = small_machine("EA DB EA")
    core.irq = True
    core.nmi()
    core.p |= 0x04
    assert core.run(100) == 2 + 7 + 6 + 3
    assert core.stop is not None
    assert core.stop.kind == "halted"
    assert core.stop.reason == "$0201: opcode $DB (STP) stopped the processor until a reset"
    core.reset()
    assert core.stop is None


def test_addresses_wrap_at_the_end_of_memory() -> None:
    # LDA $FFFF,X with X 1 reads $0000; an operand that begins at $FFFF goes on at $0000.
    core = plain_core("65c02")
    put(core, 0x0200, "BDFFFF")
    core.memory[0x0000] = 0x5A
    core.pc, core.x = 0x0200, 1
    assert core.step() == 5
    assert core.a == 0x5A
    core = plain_core("65c02")
    core.memory[0xFFFE:0x10000] = [0xAD, 0x34]
    core.memory[0x0000] = 0x12
    core.memory[0x1234] = 0x77
    core.pc = 0xFFFE
    core.step()
    assert (core.a, core.pc) == (0x77, 0x0001)


def test_zero_page_indirect_pointer_wraps_within_the_zero_page() -> None:
    core = plain_core("65c02")
    put(core, 0x0200, "B2FF")
    core.memory[0x00FF] = 0x34
    core.memory[0x0000] = 0x12
    core.memory[0x0100] = 0x99
    core.memory[0x1234] = 0x66
    core.pc = 0x0200
    core.step()
    assert core.a == 0x66


def test_jsr_onto_its_own_stack_reads_the_high_byte_after_its_pushes() -> None:
    # The instruction lies at $01FD-$01FF; the return address goes to $01FF and $01FE.
    core = plain_core("6502")
    core.memory[0x01FD:0x0200] = [0x20, 0x34, 0x12]
    core.pc, core.s = 0x01FD, 0xFF
    core.step()
    assert core.pc == 0x0134


def test_pushes_into_a_window_are_tapped() -> None:
    core = plain_core("6502")
    put(core, 0x0200, "48")
    core.pc, core.s, core.a = 0x0200, 0x80, 0x21
    core.step()
    assert rows(core) == [(2, 0x0180, 0x21)]


def test_nmos_double_write_to_a_window_without_ram_puts_back_what_was_read() -> None:
    core = small_machine("EE00A3 EE0041", processor="6502")
    core.memory[0x4100] = 0x40
    core.run(12)
    assert rows(core) == [
        (7 + 4, 0xA300, 0xEE),
        (7 + 5, 0xA300, 0xEF),
        (13 + 4, 0x4100, 0x40),
        (13 + 5, 0x4100, 0x41),
    ]
    assert core.memory[0x4100] == 0x40


def test_stores_are_returned_once() -> None:
    core = small_machine("8D0040 8D0140")
    core.run(8)
    assert len(core.take_stores()) == 2
    assert len(core.take_stores()) == 0


def test_wrong_processor_and_misplaced_port_are_refused(core_kind: str) -> None:
    core_class = find_core_class(core_kind)
    with pytest.raises(ValueError, match=r"processor is '6809'; it is one of \['6502', '65c02'\]"):
        core_class("6809", MemoryMap.plain_ram())
    port = HostPortDevice(description.HostPort(0xA400), clock_hz=1000)
    with pytest.raises(ValueError, match="host_port is not where memory_map has it"):
        core_class("6502", MemoryMap.plain_ram(), port)
