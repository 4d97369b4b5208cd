"""A core that is put into an earlier state does what it did, and its logs tell all of it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.core.interface import Registers
from busplay.core.rewind import CoreState, RewindableCore, StepKind
from tests.core.compiled.pair import shared_opcodes
from tests.core.compiled.test_lockstep import MAPS, PROCESSORS, make_on_map
from tests.core.programs import HANDLER, PROGRAM, put

KINDS = ("compiled", "reference")


def random_machine(kind: str, seed: int, processor: str, name: str) -> RewindableCore:
    """Return a core whose memory is full of instructions that both cores have."""
    core = make_on_map(kind, processor, name)
    rng = np.random.default_rng(seed)
    core.memory[:] = rng.choice(np.array(shared_opcodes(processor), np.uint8), 0x10000)
    if core.host_port is not None:
        for number, cycle in enumerate(sorted(rng.integers(0, 3000, 12).tolist())):
            core.host_port.press(65 + number, cycle=cycle)
    core.reset()
    if core.host_port is not None:
        core.host_port.write(8, 1, cycle=core.cycle - 1)
    assert isinstance(core, RewindableCore)
    return core


def kept(core: RewindableCore) -> tuple[CoreState, bytes]:
    return core.state, core.memory.tobytes()


def go_back(core: RewindableCore, place: tuple[CoreState, bytes]) -> None:
    state, memory = place
    core.restore(state)
    core.memory[:] = np.frombuffer(memory, np.uint8)


machines = st.tuples(
    st.integers(0, 1 << 32), st.sampled_from(PROCESSORS), st.sampled_from(sorted(MAPS))
)


@settings(max_examples=150)
@given(
    machine=machines,
    pieces=st.lists(st.integers(1, 300), min_size=2, max_size=12),
    kind=st.sampled_from(KINDS),
    drawn=st.data(),
)
def test_a_restored_core_does_again_what_it_did(
    machine: tuple[int, str, str], pieces: list[int], kind: str, drawn: st.DataObject
) -> None:
    core = random_machine(kind, *machine)
    places = [kept(core)]
    stores = []
    for piece in pieces:
        core.run(piece)
        batch = core.take_stores()
        stores.append((batch.cycle.tolist(), batch.address.tolist(), batch.data.tolist()))
        places.append(kept(core))
    # Onto any place, by this core, by one that ran nothing, and by the other kind.
    other = random_machine(drawn.draw(st.sampled_from(KINDS)), *machine)
    for one in (core, other):
        index = drawn.draw(st.integers(0, len(pieces) - 1))
        go_back(one, places[index])
        assert kept(one) == places[index]
        for at in range(index, len(pieces)):
            one.run(pieces[at])
            batch = one.take_stores()
            assert (batch.cycle.tolist(), batch.address.tolist(), batch.data.tolist()) == stores[at]
            assert kept(one) == places[at + 1]


def stepped(core: RewindableCore, cycles: int) -> list[tuple[Registers, StepKind]]:
    """Return what runs, by looking before each step."""
    found: list[tuple[Registers, StepKind]] = []
    stop_cycle = core.cycle + cycles
    while core.cycle < stop_cycle and core.stop is None:
        before, state = Registers.of(core), core.state
        if state.due_vector:
            kind = StepKind.INTERRUPT
        else:
            kind = StepKind.WAITING if state.is_waiting else StepKind.INSTRUCTION
        core.step()
        has_run = core.stop is None or core.stop.kind != "opcode"
        if has_run and not (kind is found[-1][1] is StepKind.WAITING if found else False):
            found.append((before, kind))
    return found


@settings(max_examples=100)
@given(machine=machines, kind=st.sampled_from(KINDS), pieces=st.lists(st.integers(1, 900)))
def test_the_log_of_instructions_is_what_steps_see(
    machine: tuple[int, str, str], kind: str, pieces: list[int]
) -> None:
    core = random_machine(kind, *machine)
    core.log_instructions(wanted=True)
    found: list[tuple[Registers, StepKind]] = []
    for piece in pieces:
        core.run(piece)
        batch = core.take_instructions()
        for index in range(len(batch)):
            one = StepKind(int(batch.kind[index]))
            if not (found and one is found[-1][1] is StepKind.WAITING):
                found.append((batch.registers(index), one))
    walked = random_machine("reference", *machine)
    steps = stepped(walked, core.cycle - walked.cycle)
    assert found == steps
    if core.stop is not None:
        # It may be an instruction that no core has, in the cycle up to which the steps went.
        walked.step()
    assert core.memory.tobytes() == walked.memory.tobytes()
    assert Registers.of(core) == Registers.of(walked)


@pytest.mark.parametrize("kind", KINDS)
def test_columns_of_the_log_are_the_registers(kind: str) -> None:
    core = random_machine(kind, 5, "6502", "plain")
    core.log_instructions(wanted=True)
    core.run(500)
    batch = core.take_instructions()
    assert len(batch) > 100
    rows = [batch.registers(index) for index in range(len(batch))]
    for name in ("a", "x", "y", "s", "p"):
        assert batch.register(name).tolist() == [getattr(row, name) for row in rows]
    assert batch.pc.tolist() == [row.pc for row in rows]
    assert batch.cycle.tolist() == [row.cycle for row in rows]
    assert not len(core.take_instructions())
    core.log_instructions(wanted=False)
    core.run(500)
    assert not len(core.take_instructions())


@settings(max_examples=60)
@given(
    seed=st.integers(0, 1 << 32),
    processor=st.sampled_from(PROCESSORS),
    kind=st.sampled_from(KINDS),
    cycles=st.integers(1, 2000),
)
def test_watched_writes_are_those_that_a_window_over_all_of_memory_takes(
    seed: int, processor: str, kind: str, cycles: int
) -> None:
    core = random_machine(kind, seed, processor, "plain")
    everything = random_machine("reference", seed, processor, "all one window")
    core.watch_writes(np.ones(0x10000, np.bool_))
    core.run(cycles)
    everything.run(cycles)
    ours, theirs = core.take_stores(), everything.take_stores()
    assert ours.cycle.tolist() == theirs.cycle.tolist()
    assert ours.address.tolist() == theirs.address.tolist()
    assert ours.data.tolist() == theirs.data.tolist()
    assert core.memory.tobytes() == everything.memory.tobytes()


@pytest.mark.parametrize("kind", KINDS)
def test_writes_to_rom_and_to_the_host_port_are_watched_and_do_what_they_do(kind: str) -> None:
    core = make_on_map(kind, "65c02", "usual")
    assert isinstance(core, RewindableCore)
    # LDA #5; STA $C000 (ROM); STA $A402 (CONSOLE); STA $10; STA $4000 (window); STA $B000 (none)
    put(core, PROGRAM, "A905 8D00C0 8D02A4 8510 8D0040 8D00B0 80FE")
    put(core, 0xFFFC, "0002")
    core.reset()
    watched = np.zeros(0x10000, np.bool_)
    watched[[0xC000, 0xA402, 0x10, 0x11, 0xB000]] = True
    core.watch_writes(watched)
    core.run(40)
    assert core.take_stores().address.tolist() == [0xC000, 0xA402, 0x10, 0x4000, 0xB000]
    assert core.memory[[0xC000, 0x10, 0x4000, 0xB000]].tolist() == [0, 5, 5, 0xEE]
    assert core.host_port is not None
    assert core.host_port.take_console() == b"\x05"
    assert core.counters.rom_writes_ignored == core.counters.unmapped_writes_ignored == 1
    core.watch_writes(None)
    core.reset()
    core.run(40)
    assert core.take_stores().address.tolist() == [0x4000]


@pytest.mark.parametrize("kind", KINDS)
def test_an_interrupt_and_a_wait_stand_in_the_log(kind: str) -> None:
    core = make_on_map(kind, "65c02", "usual")
    assert isinstance(core, RewindableCore)
    put(core, PROGRAM, "A901 8D08A4 58 CB 80FD")
    put(core, HANDLER, "8D09A4 40")
    put(core, 0xFFFC, "0002 0003")
    core.reset()
    core.log_instructions(wanted=True)
    core.run(2100)
    batch = core.take_instructions()
    shown = list(zip(batch.pc.tolist(), batch.kind.tolist(), strict=True))
    again = [(0x0206, 0), (0x0207, 2), (0x0207, 1), (0x0300, 0), (0x0303, 0), (0x0207, 0)]
    assert shown[:3] == [(0x0200, 0), (0x0202, 0), (0x0205, 0)]
    assert shown[3:15] == again * 2
    # 60,000 Hz and 60 refreshes: one in 1,000 cycles.
    waits = batch.cycle[batch.kind == StepKind.INTERRUPT]
    assert np.diff(waits).tolist() == [1000]
