"""Every case of the open per-cycle test set: registers, memory, cycles, and each write's cycle.

The same cases go through the reference core and through py65 with the hook on it.
"""

from __future__ import annotations

import gzip
import json
from collections import defaultdict
from functools import cache
from pathlib import Path
from typing import TypedDict

import numpy as np
import pytest
from numpy.typing import NDArray
from py65.devices import mpu65c02, mpu6502
from py65.memory import ObservableMemory

from busplay.batch import StoreBatch
from busplay.core.cycles import timing_of
from busplay.core.instructions import INSTRUCTIONS
from busplay.core.interface import Core
from busplay.core.make import make_core
from busplay.core.py65_hook import hook_mpu

FOLDER = Path(__file__).parents[1] / "data" / "singlestep_65x02"
FILES = {"6502": "65x02-nmos6502.jsonl.gz", "65c02": "65x02-w65c02s.jsonl.gz"}
CASES_AN_OPCODE = 40

# Opcodes that py65's 65C02 does not have.
LACKING = {opcode for opcode, row in INSTRUCTIONS["65c02"].items() if row.mnemonic[:2] == "BB"}

source = pytest.mark.source(
    "SingleStepTests/65x02", part="registers, memory and bus of each cycle", kind="open data"
)


class Case(TypedDict):
    """One line of the set."""

    op: str
    name: str
    initial: list[int]
    ram: list[list[int]]
    final: list[int]
    final_ram: list[list[int]]
    bus: list[tuple[int, int, str]]


@cache
def cases_by_opcode(processor: str) -> dict[int, list[Case]]:
    cases: dict[int, list[Case]] = defaultdict(list)
    with gzip.open(FOLDER / FILES[processor], "rt", encoding="ascii") as lines:
        for line in lines:
            case: Case = json.loads(line)
            cases[int(case["op"], 16)].append(case)
    return dict(cases)


# Not zero anywhere, so that a missing write of zero shows.
FILL = (np.arange(65536) * 7 + 0x5A).astype(np.uint8) | 1

OPCODES = [
    pytest.param(processor, opcode, id=f"{processor}-{opcode:02X}-{row.mnemonic}")
    for processor, table in INSTRUCTIONS.items()
    for opcode, row in sorted(table.items())
    if row.mnemonic not in ("WAI", "STP") and not (processor == "65c02" and opcode in LACKING)
]
EVERY = [
    pytest.param(processor, opcode, id=f"{processor}-{opcode:02X}-{row.mnemonic}")
    for processor, table in INSTRUCTIONS.items()
    for opcode, row in sorted(table.items())
    if row.mnemonic not in ("WAI", "STP")
]


def memory_before(case: Case) -> NDArray[np.uint8]:
    memory = FILL.copy()
    for address, byte in case["ram"]:
        memory[address] = byte
    return memory


def memory_after(case: Case) -> NDArray[np.uint8]:
    memory = memory_before(case)
    for address, byte in case["final_ram"]:
        memory[address] = byte
    return memory


def writes_of(case: Case) -> list[tuple[int, int, int]]:
    """Return cycle, address and data of each write, the instruction's first cycle being 0."""
    return [
        (cycle, address, byte)
        for cycle, (address, byte, direction) in enumerate(case["bus"])
        if direction == "w"
    ]


def rows_of(stores: StoreBatch, first_cycle: int) -> list[tuple[int, int, int]]:
    cycle = (stores.cycle - np.uint64(first_cycle)).tolist()
    return list(zip(cycle, stores.address.tolist(), stores.data.tolist(), strict=True))


def load(core: Core, case: Case) -> None:
    core.memory[:] = memory_before(case)
    core.pc, core.s, core.a, core.x, core.y, core.p = case["initial"]


@cache
def reference_core(processor: str) -> Core:
    return make_core("reference", processor)


@source
@pytest.mark.parametrize("processor", FILES)
def test_set_has_40_cases_of_every_documented_opcode(processor: str) -> None:
    cases = cases_by_opcode(processor)
    without = {0xCB, 0xDB} if processor == "65c02" else set()
    assert set(cases) == set(INSTRUCTIONS[processor]) - without
    assert {len(rows) for rows in cases.values()} == {CASES_AN_OPCODE}


@source
@pytest.mark.parametrize(("processor", "opcode"), OPCODES)
def test_reference_core_agrees_with_every_case(processor: str, opcode: int) -> None:
    core = reference_core(processor)
    for case in cases_by_opcode(processor)[opcode]:
        load(core, case)
        first_cycle = core.cycle
        cycles = core.step()
        assert core.stop is None
        got = [core.pc, core.s, core.a, core.x, core.y, core.p & 0xCF]
        assert got == [*case["final"][:5], case["final"][5] & 0xCF], case["name"]
        assert cycles == core.cycle - first_cycle == len(case["bus"]), case["name"]
        assert rows_of(core.take_stores(), first_cycle) == writes_of(case), case["name"]
        assert np.array_equal(core.memory, memory_after(case)), case["name"]


@source
@pytest.mark.parametrize("opcode", sorted(LACKING))
def test_reference_core_stops_clearly_at_instructions_that_it_lacks(opcode: int) -> None:
    case = cases_by_opcode("65c02")[opcode][0]
    core = make_core("reference", "65c02")
    load(core, case)
    assert core.step() == 0
    name = INSTRUCTIONS["65c02"][opcode].mnemonic
    assert core.stop is not None
    assert core.stop.reason == (
        f"${case['initial'][0]:04X}: opcode ${opcode:02X} ({name}) is not in the reference core of"
        " the 65c02; the program cannot go on here"
    )
    assert core.pc == case["initial"][0]
    assert np.array_equal(core.memory, memory_before(case))
    assert core.run(100) == 0


@source
@pytest.mark.parametrize(("processor", "opcode"), EVERY)
def test_tables_give_every_length_and_write_cycle(processor: str, opcode: int) -> None:
    timing = timing_of(processor)
    for case in cases_by_opcode(processor)[opcode]:
        cycles = len(case["bus"])
        base = timing.base_cycles[opcode]
        most = base + timing.page_cycle[opcode] + 2 * timing.branch_cycles[opcode]
        assert base <= cycles <= most + timing.decimal_cycle[opcode], case["name"]
        from_end = tuple(cycles - cycle for cycle, _, _ in writes_of(case))
        assert from_end == timing.write_positions[opcode], case["name"]
        if timing.read_position[opcode] and not timing.branch_cycles[opcode]:
            behind = timing.decimal_cycle[opcode] and bool(case["initial"][5] & 0x08)
            read = case["bus"][cycles - behind - timing.read_position[opcode]]
            assert read[2] == "r", case["name"]


@source
@pytest.mark.parametrize(("processor", "opcode"), OPCODES)
def test_read_position_is_where_the_operand_is_read(processor: str, opcode: int) -> None:
    timing = timing_of(processor)
    if timing.mnemonics[opcode] not in ("LDA", "LDX", "LDY"):
        return
    register = {"LDA": 2, "LDX": 3, "LDY": 4}[timing.mnemonics[opcode]]
    for case in cases_by_opcode(processor)[opcode]:
        _, byte, _ = case["bus"][len(case["bus"]) - timing.read_position[opcode]]
        assert byte == case["final"][register], case["name"]


class Noted:
    """Takes stores and keeps them."""

    def __init__(self) -> None:
        self.rows: list[tuple[int, int, int]] = []

    @property
    def last_cycle(self) -> int:
        return self.rows[-1][0] if self.rows else 0

    def store(self, cycle: int, address: int, data: int) -> None:
        self.rows.append((cycle, address, data))


@source
@pytest.mark.parametrize(("processor", "opcode"), OPCODES)
def test_hooked_py65_shows_the_writes_of_every_fourth_case(processor: str, opcode: int) -> None:
    mpu_class = {"6502": mpu6502.MPU, "65c02": mpu65c02.MPU}[processor]
    for number, case in enumerate(cases_by_opcode(processor)[opcode][::4]):
        # py65 takes a list, a bytearray or its own memory with callbacks.
        plain = memory_before(case).tolist()
        kinds = (plain, bytearray(plain), ObservableMemory(plain))
        mpu = mpu_class(memory=kinds[number % 3])
        mpu.pc, mpu.sp, mpu.a, mpu.x, mpu.y, mpu.p = case["initial"]
        noted = Noted()
        hook = hook_mpu(mpu, noted)
        mpu.step()
        assert noted.rows == writes_of(case), case["name"]
        assert hook.cycle == len(case["bus"]), case["name"]
