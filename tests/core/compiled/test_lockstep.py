"""The compiled core against the reference core: random programs, every instruction, the demos."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.core.host_port import HostPortDevice
from busplay.core.instructions import INSTRUCTIONS
from busplay.core.interface import Core
from busplay.core.make import core_for_board, find_core_class
from busplay.core.memory_map import MemoryMap
from busplay.description import board as description
from busplay.description.board import Memory, Window
from busplay.link.load import load_board
from busplay.program.loading import load_memory
from tests.core.compiled.pair import STP, Pair, shared_opcodes
from tests.core.programs import HANDLER, MEMORY, NMI_HANDLER, PORT, PROGRAM, WINDOWS, put

ROMS = Path(__file__).parents[3] / "roms"
PROCESSORS = ("6502", "65c02")

# Maps with special addresses where instructions hit them.
MAPS = {
    "usual": (MEMORY, WINDOWS, PORT),
    "plain": ((Memory("ram", 0, 0xFFFF),), (), None),
    "all one window": (
        (Memory("ram", 0, 0xFFFF),),
        (Window("all", 0, 0xFFFF, unit="u", space="memory", lands_in_ram=True),),
        None,
    ),
    "port in the zero page": (
        (Memory("ram", 0, 0x001F), Memory("ram", 0x0030, 0xFFFF)),
        (Window("low", 0x0040, 0x007F, unit="u", space="memory", lands_in_ram=False),),
        0x0020,
    ),
    "odd stack": (
        (Memory("ram", 0, 0x013F), Memory("rom", 0x0140, 0x017F), Memory("ram", 0x0190, 0xFFFF)),
        (Window("deep", 0x01C0, 0x01DF, unit="u", space="memory", lands_in_ram=True),),
        0x0180,
    ),
    "no memory at 0": ((Memory("rom", 0, 0x00FF), Memory("ram", 0x0100, 0xEFFF)), (), 0xF000),
}


def make_on_map(kind: str, processor: str, name: str, *, clock_hz: int = 60_000) -> Core:
    memory, windows, port_address = MAPS[name]
    described = None if port_address is None else description.HostPort(port_address)
    memory_map = MemoryMap.of_parts(
        memory, windows=windows, host_port=described, unmapped_read=0xEE
    )
    port = None if described is None else HostPortDevice(described, clock_hz=clock_hz)
    return find_core_class(kind)(processor, memory_map, port)


def fill_with_instructions(pair: Pair, rng: np.random.Generator, processor: str) -> None:
    """Fill memory with opcodes that both cores have."""
    memory = rng.choice(np.array(shared_opcodes(processor), np.uint8), 0x10000)
    pair.poke(0, memory.tobytes())


EVENTS = st.one_of(
    st.tuples(st.just("run"), st.integers(1, 400)),
    st.tuples(st.just("run"), st.integers(1, 4)),
    st.tuples(st.just("press"), st.integers(1, 255)),
    st.tuples(st.just("irq"), st.integers(0, 1)),
    st.tuples(st.just("nmi"), st.just(0)),
    st.tuples(st.just("reset"), st.just(0)),
    st.tuples(st.just("enable"), st.integers(0, 1)),
)


@settings(max_examples=300)
@given(
    seed=st.integers(0, 1 << 32),
    processor=st.sampled_from(PROCESSORS),
    name=st.sampled_from(sorted(MAPS)),
    events=st.lists(EVENTS, min_size=1, max_size=40),
)
def test_random_programs_run_alike(
    seed: int, processor: str, name: str, events: list[tuple[str, int]]
) -> None:
    pair = Pair(lambda kind: make_on_map(kind, processor, name))
    rng = np.random.default_rng(seed)
    fill_with_instructions(pair, rng, processor)
    pair.reset()
    has_port = MAPS[name][2] is not None
    for event, value in events:
        match event:
            case "run":
                pair.run(value)
            case "press" if has_port:
                pair.press(value, in_cycles=int(rng.integers(0, 50)))
            case "irq":
                pair.set_irq(bool(value))
            case "nmi":
                pair.nmi()
            case "reset":
                pair.reset()
            case "enable" if has_port:
                # As a program would, at the end of an instruction.
                for core in pair.both:
                    assert core.host_port is not None
                    core.host_port.write(8, value, cycle=core.cycle - 1)
        pair.compare()


MASKING = ["58", "78", "08", "28", "E610", "EA", "EE0040", "8D09A4", "AD08A4", "08 28", "78 58"]


@settings(max_examples=150)
@given(
    processor=st.sampled_from(PROCESSORS),
    program=st.lists(st.sampled_from(MASKING), min_size=3, max_size=12),
    # An unpaired push or pull would make RTI jump anywhere.
    handler=st.lists(
        st.sampled_from([one for one in MASKING if one not in ("08", "28")]), max_size=6
    ),
    events=st.lists(EVENTS, min_size=1, max_size=20),
    refresh_hz=st.sampled_from([3, 40, 200]),
)
def test_masked_lines_are_sampled_alike(
    processor: str,
    program: list[str],
    handler: list[str],
    events: list[tuple[str, int]],
    refresh_hz: int,
) -> None:
    """One instruction in three sets or clears I, and a line is active most of the time."""

    def make(kind: str) -> Core:
        described = description.HostPort(PORT, refresh_hz=refresh_hz, random_seed=1)
        memory_map = MemoryMap.of_parts(MEMORY, windows=WINDOWS, host_port=described)
        core = find_core_class(kind)(processor, memory_map, HostPortDevice(described, clock_hz=977))
        put(core, PROGRAM, f"A901 8D08A4 58 {' '.join(program)} 4C0602")
        put(core, HANDLER, f"{' '.join(handler)} 40")
        put(core, NMI_HANDLER, "40")
        put(core, 0xFFFA, "8003 0002 0003")
        return core

    pair = Pair(make)
    pair.reset()
    for event, value in events:
        match event:
            case "run":
                pair.run(value)
            case "irq":
                pair.set_irq(bool(value))
            case "nmi":
                pair.nmi()
            case _:
                pair.compare()


@pytest.mark.parametrize("name", sorted(MAPS))
@pytest.mark.parametrize("processor", PROCESSORS)
def test_each_instruction_does_the_same_from_random_states(processor: str, name: str) -> None:
    """Half of the operands and pointers are drawn at special addresses."""
    rng = np.random.default_rng(4)
    pair = Pair(lambda kind: make_on_map(kind, processor, name))
    special = np.flatnonzero(pair.reference.memory_map.actions != 1)
    if not len(special):
        special = np.arange(0xFFF0, 0x10010) & 0xFFFF
    ends = [0x0000, 0x00FE, 0x00FF, 0x0100, 0x01FE, 0x01FF, 0xFFFC, 0xFFFE, 0xFFFF]
    for opcode in shared_opcodes(processor):
        for _ in range(12):
            target = int(rng.choice(special)) if rng.random() < 0.5 else int(rng.choice(ends))
            pc = int(rng.integers(0x10000)) if rng.random() < 0.8 else int(rng.choice(ends))
            a, x, y, s, p = (int(one) for one in rng.integers(0, 256, 5))
            if pair.reference.host_port is not None and rng.random() < 0.2:
                pair.press(65)
            base = (target - int(rng.choice([0, x, y]))) & 0xFFFF
            word = base.to_bytes(2, "little")
            page_zero = int(rng.integers(256))
            for place in (page_zero, (page_zero + x) & 0xFF):
                pair.poke(place, word[:1])
                pair.poke((place + 1) & 0xFF, word[1:])
            operand = word if rng.random() < 0.6 else bytes([page_zero, word[1]])
            for offset, byte in enumerate((opcode, *operand)):
                pair.poke((pc + offset) & 0xFFFF, bytes([byte]))
            pair.set(pc=pc, a=a, x=x, y=y, s=s, p=p)
            pair.run(1)
            if pair.reference.stop is not None or opcode == 0xCB:
                pair.reset()


def test_stp_stops_both_alike() -> None:
    pair = Pair(lambda kind: make_on_map(kind, "65c02", "usual"))
    pair.poke(0x0200, bytes([0xEA, STP, 0xEA]))
    pair.set(pc=0x0200)
    pair.run(100)
    assert pair.compiled.stop is not None
    assert pair.compiled.stop.kind == "halted"


@pytest.mark.parametrize("processor", PROCESSORS)
def test_undocumented_opcodes_stop_both_alike(processor: str) -> None:
    for opcode in set(range(256)) - set(INSTRUCTIONS[processor]):
        pair = Pair(lambda kind: make_on_map(kind, processor, "usual"))
        pair.poke(0x0200, bytes([0xEA, opcode, 0xEA]))
        pair.set(pc=0x0200)
        pair.run(100)
        assert pair.compiled.stop is not None
        assert pair.compiled.stop.address == 0x0201


PROGRAMS = sorted(path.stem for path in ROMS.glob("*.bin"))
PROGRAM_CYCLES = 2_400_000


def test_there_are_programs_to_run() -> None:
    assert {"fill", "rule30", "tides"} <= set(PROGRAMS)


def program_pair(program: str) -> Pair:
    """Make the shipped board twice, with a shipped program."""
    board = load_board("dunlin")

    def make(kind: str) -> Core:
        core = core_for_board(board, kind=kind)
        load_memory(board, core.memory, ROMS / f"{program}.bin")
        core.reset()
        return core

    return Pair(make)


def press_now_and_then(pair: Pair, rng: np.random.Generator) -> None:
    if rng.random() < 0.3:
        pair.press(int(rng.choice([13, 27, 32, 65, 97, 128, 129, 130, 131])))


@pytest.mark.parametrize("program", PROGRAMS)
def test_shipped_programs_run_alike(program: str) -> None:
    pair = program_pair(program)
    rng = np.random.default_rng(len(program))
    while pair.compiled.cycle < PROGRAM_CYCLES and pair.compiled.stop is None:
        press_now_and_then(pair, rng)
        pair.run(int(rng.integers(1, 60_000)))
    assert pair.stores > 1000
