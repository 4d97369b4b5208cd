"""Undocumented instructions: which run, which stop, and their effect, against slow versions."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.core.compiled.build import load_kernel
from busplay.core.compiled.core import CompiledCore
from busplay.core.instructions import (
    INSTRUCTIONS,
    LOCKING,
    MODE_BYTES,
    UNDOCUMENTED,
    UNSTABLE,
    instructions_of,
)
from busplay.core.interface import Core
from busplay.core.make import make_core
from busplay.core.memory_map import MemoryMap
from busplay.description import board as description
from tests.core import programs
from tests.core.programs import MEMORY, PORT, WINDOWS, port, put, rows
from tests.naive import undocumented as naive

CARRY, ZERO, DECIMAL, OVERFLOW, NEGATIVE = 0x01, 0x02, 0x08, 0x40, 0x80
NAIVE = naive.rows(set(INSTRUCTIONS["6502"]))
MODIFYING = sorted(code for code, row in NAIVE.items() if row.name in naive.PAIRS)
READING = sorted(code for code, row in NAIVE.items() if row.name in ("LAX", "NOP"))
READING_MEMORY = [code for code in READING if NAIVE[code].mode not in ("imp", "imm")]
STORING = sorted(code for code, row in NAIVE.items() if row.name == "SAX")
DOCUMENTED = {(row.mnemonic, str(row.mode)): opcode for opcode, row in INSTRUCTIONS["6502"].items()}


@cache
def running(processor: str) -> Core:
    return make_core("compiled", processor, undocumented="run")


@cache
def reference() -> Core:
    return make_core("reference", "6502")


def machine(code: str, *, processor: str = "6502") -> Core:
    """Make the small machine that runs undocumented instructions."""
    memory_map = MemoryMap.of_parts(
        MEMORY, windows=WINDOWS, host_port=description.HostPort(PORT), unmapped_read=0xEE
    )
    core = CompiledCore(processor, memory_map, port(), undocumented="run")
    put(core, programs.PROGRAM, code)
    put(core, programs.HANDLER, "40")
    put(core, 0xFFFA, "8003 0002 0003")
    core.reset()
    return core


# The instructions.


def test_every_nmos_opcode_is_documented_or_runs_or_stops() -> None:
    parts = (
        set(INSTRUCTIONS["6502"]),
        set(UNDOCUMENTED["6502"]),
        set(LOCKING["6502"]),
        set(UNSTABLE["6502"]),
    )
    assert [len(part) for part in parts] == [151, 85, 12, 8]
    assert set.union(*parts) == set(range(256))


def test_every_65c02_opcode_is_documented_or_runs() -> None:
    assert (len(INSTRUCTIONS["65c02"]), len(UNDOCUMENTED["65c02"])) == (212, 44)
    assert set(INSTRUCTIONS["65c02"]) | set(UNDOCUMENTED["65c02"]) == set(range(256))
    assert not LOCKING["65c02"] | set(UNSTABLE["65c02"])


def test_nmos_rows_are_those_that_the_opcodes_bits_say() -> None:
    ours = {
        code: naive.Row(row.mnemonic, str(row.mode)) for code, row in UNDOCUMENTED["6502"].items()
    }
    assert {code: row for code, row in NAIVE.items() if row.name not in ("JAM", "unstable")} == ours
    assert {code for code, row in NAIVE.items() if row.name == "JAM"} == LOCKING["6502"]
    assert {code for code, row in NAIVE.items() if row.name == "unstable"} == set(UNSTABLE["6502"])


def test_rows_say_whether_they_are_documented() -> None:
    for processor in INSTRUCTIONS:
        table = instructions_of(processor, undocumented=True)
        assert len(table) == len(INSTRUCTIONS[processor]) + len(UNDOCUMENTED[processor])
        for opcode, row in table.items():
            assert row.opcode == opcode
            assert row.undocumented == (opcode not in INSTRUCTIONS[processor])


@pytest.mark.parametrize("processor", sorted(INSTRUCTIONS))
def test_table_of_jumps_has_them_only_if_wanted(processor: str) -> None:
    stopping = load_kernel(processor).table
    running_them = load_kernel(processor, undocumented=True).table
    lacking = 256 - len(INSTRUCTIONS[processor])
    assert len(set(stopping)) == 256 - lacking + 1
    still_lacking = lacking - len(UNDOCUMENTED[processor])
    assert len(set(running_them)) == 256 - still_lacking + bool(still_lacking)


# Those that stop.


@pytest.mark.parametrize("opcode", sorted(LOCKING["6502"] | set(UNSTABLE["6502"])))
def test_opcodes_that_lock_up_or_depend_on_the_chip_stop_with_a_reason(opcode: int) -> None:
    core = make_core("compiled", "6502", undocumented="run")
    put(core, 0x0200, bytes([0xEA, opcode, 0x34, 0x12]))
    core.pc = 0x0200
    assert core.run(100) == 2
    stop = core.stop
    assert stop is not None
    assert (stop.kind, stop.address, stop.opcode, stop.cycle) == ("opcode", 0x0201, opcode, 2)
    name = UNSTABLE["6502"].get(opcode)
    assert stop.reason.split("; it is")[0] == f"$0201: opcode ${opcode:02X} " + (
        "(JAM) is undocumented and locks up the processor until a reset"
        if name is None
        else f"({name}) is undocumented and depends on the chip; the program cannot go on here"
    )
    assert core.pc == 0x0201
    assert core.run(100) == 0


# Their effect.

STATES = st.fixed_dictionaries(
    {
        "a": st.integers(0, 255),
        "x": st.integers(0, 255),
        "y": st.integers(0, 255),
        "s": st.integers(0, 255),
        "p": st.integers(0, 255),
        "pc": st.one_of(st.integers(0, 0xFFFF), st.sampled_from([0xFFFD, 0xFFFE, 0xFFFF])),
    }
)
State = dict[str, int]


def start(opcode: int, operand: bytes, state: State, seed: int) -> bytes:
    """Put a state and an instruction into the running core; return its memory."""
    core = running("6502")
    core.memory[:] = np.random.default_rng(seed).integers(0, 256, 0x10000, np.uint8)
    for offset, byte in enumerate((opcode, *operand)):
        core.memory[state["pc"] + offset & 0xFFFF] = byte
    for name, value in state.items():
        setattr(core, name, value)
    return core.memory.tobytes()


def on_reference(code: list[int], state: State, place: int, byte: int) -> Core:
    """Run two documented instructions on the reference core, with a byte at a place."""
    core = reference()
    program = 0x0400 if not 0x0400 <= place < 0x0500 else 0x0600
    put(core, program, bytes(code))
    core.memory[place] = byte
    for name, value in (state | {"pc": program}).items():
        setattr(core, name, value)
    core.step()
    core.step()
    assert core.pc == program + len(code)
    core.take_stores()
    return core


def registers(core: Core) -> tuple[int, ...]:
    return core.a, core.x, core.y, core.s, core.p


@settings(max_examples=400)
@given(
    opcode=st.sampled_from(MODIFYING),
    operand=st.binary(min_size=2, max_size=2),
    state=STATES,
    seed=st.integers(0, 1 << 16),
)
def test_modifying_ones_are_two_documented_instructions(
    opcode: int, operand: bytes, state: State, seed: int
) -> None:
    row = NAIVE[opcode]
    before = start(opcode, operand, state, seed)
    address, crossed = naive.address_of(
        row.mode, operand_as_read(before, state["pc"]), x=state["x"], y=state["y"], memory=before
    )
    core = running("6502")
    first_cycle = core.cycle
    cycles = core.step()
    expected = on_reference(
        [
            code
            for name in naive.PAIRS[row.name]
            for code in (DOCUMENTED[name, "abs"], address & 0xFF, address >> 8)
        ],
        state,
        address,
        before[address],
    )
    assert registers(core) == registers(expected)
    assert core.pc == state["pc"] + MODE_BYTES[UNDOCUMENTED["6502"][opcode].mode] & 0xFFFF
    assert cycles == naive.cycles_of(row, page_crossed=crossed)
    after = bytearray(before)
    after[address] = int(expected.memory[address])
    assert core.memory.tobytes() == after
    # As every read-modify-write of the NMOS 6502: the old byte first.
    assert rows(core) == [
        (first_cycle + cycles - 2, address, before[address]),
        (first_cycle + cycles - 1, address, after[address]),
    ]


def operand_as_read(memory: bytes, pc: int) -> bytes:
    return bytes(memory[pc + offset & 0xFFFF] for offset in (1, 2))


@settings(max_examples=200)
@given(
    opcode=st.sampled_from(READING_MEMORY + STORING),
    operand=st.binary(min_size=2, max_size=2),
    state=STATES,
    seed=st.integers(0, 1 << 16),
)
def test_reading_and_writing_ones_access_memory_once(
    opcode: int, operand: bytes, state: State, seed: int
) -> None:
    row = NAIVE[opcode]
    before = start(opcode, operand, state, seed)
    address, crossed = naive.address_of(
        row.mode, operand_as_read(before, state["pc"]), x=state["x"], y=state["y"], memory=before
    )
    core = running("6502")
    first_cycle = core.cycle
    cycles = core.step()
    assert cycles == naive.cycles_of(row, page_crossed=crossed)
    assert core.pc == state["pc"] + MODE_BYTES[UNDOCUMENTED["6502"][opcode].mode] & 0xFFFF
    expected, after, stores = dict(state), bytearray(before), []
    if row.name == "LAX":
        byte = before[address]
        expected |= {"a": byte, "x": byte, "p": state["p"] & ~(NEGATIVE | ZERO)}
        expected["p"] |= byte & NEGATIVE | (ZERO if byte == 0 else 0)
    elif row.name == "SAX":
        after[address] = state["a"] & state["x"]
        stores = [(first_cycle + cycles - 1, address, after[address])]
    assert registers(core) == (*(expected[name] for name in "axys"), expected["p"] | 0x30)
    assert core.memory.tobytes() == after
    assert rows(core) == stores


def flags(p: int, *, n: bool, z: bool, c: bool, v: bool | None = None) -> int:
    kept = p & ~(NEGATIVE | ZERO | CARRY)
    if v is not None:
        kept = kept & ~OVERFLOW | OVERFLOW * v
    return kept | NEGATIVE * n | ZERO * z | CARRY * c | 0x30


@settings(max_examples=60)
@given(opcode=st.sampled_from([0x0B, 0x2B, 0x4B, 0x6B, 0xCB, 0xEB]), state=STATES)
def test_immediate_ones_follow_their_definition_for_every_operand(
    opcode: int, state: State
) -> None:
    core, name = running("6502"), NAIVE[opcode].name
    a, x, p = state["a"], state["x"], state["p"]
    for byte in range(256):
        start_at_0200(core, bytes([opcode, byte]), state)
        assert core.step() == 2
        assert core.pc == 0x0202
        assert (core.y, core.s) == (state["y"], state["s"])
        both = a & byte
        match name:
            case "ANC":
                expected = both, x, flags(p, n=both > 127, z=both == 0, c=both > 127)
            case "ALR":
                expected = both >> 1, x, flags(p, n=False, z=both < 2, c=bool(both & 1))
            case "ARR":
                got = naive.arr(a, byte, carry=bool(p & CARRY), decimal=bool(p & DECIMAL))
                expected = got.byte, x, flags(p, n=got.n, z=got.z, c=got.c, v=got.v)
            case "SBX":
                less = (a & x) - byte
                n, z = bool(less & 0x80), less == 0
                expected = a, less & 0xFF, flags(p, n=n, z=z, c=less >= 0)
            case _:
                documented = on_reference([0xE9, byte, 0xEA], state, 0x1000, 0)
                expected = documented.a, x, documented.p
        assert (core.a, core.x, core.p) == expected, f"{name} #${byte:02X}"


def start_at_0200(core: Core, code: bytes, state: State) -> None:
    put(core, 0x0200, code)
    for name, value in (state | {"pc": 0x0200}).items():
        setattr(core, name, value)


@given(state=STATES, seed=st.integers(0, 1 << 16))
@settings(max_examples=20)
@pytest.mark.parametrize("processor", sorted(INSTRUCTIONS))
def test_nops_without_operand_in_memory_do_nothing(processor: str, state: State, seed: int) -> None:
    core = running(processor)
    operand = seed.to_bytes(3, "little")[:2]
    for opcode, row in UNDOCUMENTED[processor].items():
        if row.mnemonic == "NOP":
            start_at_0200(core, bytes([opcode]) + operand, state)
            memory = core.memory.tobytes()
            cycles = core.step()
            crosses = row.page_cycle and (operand[0] + state["x"]) > 0xFF
            assert cycles == row.cycles + crosses
            assert core.pc == 0x0200 + MODE_BYTES[row.mode]
            assert registers(core) == (*(state[name] for name in "axys"), state["p"] | 0x30)
            assert core.memory.tobytes() == memory
            assert rows(core) == []


# Windows, ROM, host port, interrupts.


def test_modifying_one_writes_twice_to_a_window_and_to_rom() -> None:
    core = machine("0F0041 0F00C0 0F0040")  # SLO to a window only, to ROM, to a window over RAM.
    core.memory[0x4000] = core.memory[0x4100] = 0x81
    assert [core.step() for _ in range(3)] == [6, 6, 6]
    assert rows(core) == [
        (11, 0x4100, 0x81),
        (12, 0x4100, 0x02),
        (23, 0x4000, 0x81),
        (24, 0x4000, 0x02),
    ]
    assert (core.memory[0x4000], core.memory[0x4100]) == (0x02, 0x81)
    assert core.counters.rom_writes_ignored == 2


@pytest.mark.parametrize("code", ["0C01A4", "AF01A4", "1C01A4"])
def test_operand_is_read_from_the_host_port(code: str) -> None:
    """NOP abs, LAX abs and NOP abs,X of KEY_CODE take the waiting key."""
    core = machine(code)
    assert core.host_port is not None
    core.host_port.press(65, cycle=0)
    assert core.step() == 4
    assert core.host_port.read(0, cycle=core.cycle) == 0
    assert core.x == (65 if code.startswith("AF") else 0)


def test_exit_by_an_undocumented_instruction_names_it() -> None:
    core = machine("A207 A9FF 8F0AA4")  # SAX EXIT
    core.run(100)
    assert core.stop is not None
    assert core.stop.exit_status == 7
    assert core.stop.reason == "$0204: opcode $8F (SAX) wrote 7 to the host port's EXIT"


def test_interrupt_is_taken_after_one_cycle_nops_by_the_general_rule() -> None:
    core = machine("0303030303", processor="65c02")
    core.p &= ~0x04
    assert core.step() == 1
    core.irq = True
    # The first ends in the line's first cycle, after sampling; then the sequence runs.
    assert [core.step() for _ in range(3)] == [1, 1, 7]
    assert core.pc == programs.HANDLER


def test_they_stand_in_the_log_of_instructions() -> None:
    core = machine("EF0040 4C0002")  # ISC in a loop.
    assert isinstance(core, CompiledCore)
    core.log_instructions(wanted=True)
    core.run(90)
    batch = core.take_instructions()
    assert batch.opcode.tolist() == [0xEF, 0x4C] * 10
    assert np.diff(batch.cycle).tolist() == [6, 3] * 9 + [6]
