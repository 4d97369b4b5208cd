"""Both cores run programs that use devices alike, cycle by cycle."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from busplay.core.devices.bus import PinWire
from busplay.core.interface import Core, RunsToAddress, bus_of
from busplay.core.memory_map import MemoryMap
from busplay.core.rewind import RewindableCore
from tests.core.compiled.pair import Pair, shared_opcodes
from tests.core.devices.machines import (
    OTHER_VIA,
    OWN,
    SERIAL,
    VIA,
    MadeDevice,
    acia,
    alarm,
    machine,
    via,
)
from tests.core.programs import HANDLER, PROGRAM, put

BOARDS: dict[str, tuple[Callable[[], Sequence[MadeDevice]], Sequence[PinWire]]] = {
    "via": (lambda: [via()], ()),
    "two vias": (
        lambda: [via(pa0="random", pb0="low"), via(first_address=OTHER_VIA, name="b", irq=True)],
        (),
    ),
    "via without irq": (lambda: [via(irq=False)], ()),
    "via on nmi": (lambda: [via(irq=False, nmi=True)], ()),
    "alarm": (lambda: [alarm(repeats=True)], ()),
    "alarm and via": (lambda: [via(), alarm(repeats=True)], ()),
    "alarm on nmi, via": (lambda: [via(), alarm(irq=False, nmi=True, repeats=True)], ()),
    "acia": (lambda: [acia()], ()),
    "acia, via and alarm": (lambda: [acia(part="w65c51n"), via(), alarm()], ()),
    "acia wired to via": (
        lambda: [acia(), via()],
        (
            PinWire(1, "pb0", 0, "cts"),
            PinWire(1, "pb7", 0, "dcd"),
            PinWire(1, "ca2", 0, "dsr"),
            PinWire(0, "rts", 1, "ca1"),
            PinWire(0, "dtr", 1, "pb6"),
        ),
    ),
    "wired": (
        lambda: [via(), via(first_address=OTHER_VIA, name="b")],
        (PinWire(0, "pb7", 1, "ca1"), PinWire(0, "pb7", 0, "pb6"), PinWire(1, "ca2", 0, "cb1")),
    ),
}


class DevicePair(Pair):
    """Two cores whose devices are compared too."""

    def compare(self) -> None:
        """See `Pair`."""
        super().compare()
        buses = [bus_of(core) for core in self.both]
        for ours, theirs in zip(*(bus.slots for bus in buses if bus is not None), strict=True):
            # Bring both to one cycle; machine code asks later.
            for slot in (ours, theirs):
                slot.device.advance(self.reference.cycle - 1)
            assert ours.device.snapshot() == theirs.device.snapshot()


def pair_of(name: str, code: str, handler: str, *, processor: str = "65c02") -> DevicePair:
    make, wires = BOARDS[name]

    def made(kind: str) -> Core:
        return machine(
            kind,
            code,
            make,
            wires=wires,
            handler=handler,
            nmi_handler=handler,
            processor=processor,
            refresh_hz=700,
        )

    return DevicePair(made)


def access(offset: int, base: int = VIA) -> str:
    return (base + offset).to_bytes(2, "little").hex()


# Start timers with small counts, enable interrupts, read and clear flags, mask and unmask.
SNIPPETS = [
    *(f"A9{count:02X} 8D{access(4)} A900 8D{access(5)}" for count in (0, 1, 2, 9, 40, 200)),
    *(f"A9{count:02X} 8D{access(8)} A900 8D{access(9)}" for count in (0, 3, 77)),
    *(f"A9{mode:02X} 8D{access(11)}" for mode in (0x00, 0x40, 0xC0, 0xE0, 0x18, 0x14, 0x10)),
    *(f"A9{bits:02X} 8D{access(14)}" for bits in (0xFF, 0x7F, 0xC0, 0xA0, 0x84, 0x40)),
    *(f"AD{access(offset)}" for offset in (0, 1, 4, 5, 8, 9, 10, 13, 14)),
    *(f"EE{access(offset)}" for offset in (0, 1, 4, 13)),
    f"8E{access(0)}", f"8E{access(1)}", f"8D{access(10)}", f"A9FF 8D{access(2)}",
    f"A9AA 8D{access(12)}", f"A9FF 8D{access(13)}",
    *(f"A9{count:02X} 8D{access(0, OWN)}" for count in (1, 3, 12)),
    f"A905 8D{access(2, OWN)}", f"A900 8D{access(2, OWN)}", f"8D{access(1, OWN)}",
    f"AD{access(1, OWN)}", f"AD{access(3, OWN)}", f"EE{access(1, OWN)}",
    f"A9C0 8D{access(14, OTHER_VIA)}", f"A902 8D{access(14, OTHER_VIA)}",
    f"A982 8D{access(14, OTHER_VIA)}", f"AD{access(1, OTHER_VIA)}",
    f"A908 8D{access(12, OTHER_VIA)}", f"AD{access(4, OTHER_VIA)}",
    f"A909 8D{access(4, OTHER_VIA)} A900 8D{access(5, OTHER_VIA)}",
    *(f"A9{mode:02X} 8D{access(2, SERIAL)}" for mode in (0x05, 0x09, 0x0B, 0x1D)),
    f"A91F 8D{access(3, SERIAL)}", f"8D{access(0, SERIAL)}", f"AD{access(0, SERIAL)}",
    f"AD{access(1, SERIAL)}", f"8D{access(1, SERIAL)}",
    "58", "78", "EA", "E610", "EE0040", "0828", "A5 10", "A901 8D08A4", "8D09A4", "AE04A4 8E0041",
]  # fmt: skip
ACKNOWLEDGE = [
    f"AD{access(4)}", f"AD{access(8)}", f"A97F 8D{access(13)}", f"8D{access(1, OWN)}",
    f"A97F 8D{access(13, OTHER_VIA)}", "8D09A4", "EE0040", "EA", f"AD{access(10)}", "58",
    f"AD{access(1, SERIAL)}", f"AD{access(0, SERIAL)}",
]  # fmt: skip


@settings(max_examples=80)
@example(
    # A byte comes in while another device is accessed: its interrupt was taken late.
    name="acia, via and alarm",
    program=["A909 8D52a8", "A900 8D0ba8", "8D01a9"],
    handler=[],
    pieces=[22],
    processor="6502",
    waits=False,
)
@given(
    name=st.sampled_from(sorted(BOARDS)),
    program=st.lists(st.sampled_from(SNIPPETS), min_size=3, max_size=14),
    handler=st.lists(st.sampled_from(ACKNOWLEDGE), max_size=5),
    pieces=st.lists(st.integers(1, 1500), min_size=1, max_size=8),
    processor=st.sampled_from(["6502", "65c02"]),
    waits=st.booleans(),
)
def test_programs_with_devices_run_alike(
    name: str,
    program: list[str],
    handler: list[str],
    pieces: list[int],
    processor: str,
    waits: bool,
) -> None:
    wait = "CB" if waits and processor == "65c02" else ""
    code = f"58 {' '.join(program)} {wait} 4C0002"
    pair = pair_of(name, code, f"48 {' '.join(handler)} 68 40", processor=processor)
    for piece in pieces:
        pair.run(piece)


@settings(max_examples=60)
@given(
    seed=st.integers(0, 1 << 32),
    name=st.sampled_from(sorted(BOARDS)),
    processor=st.sampled_from(["6502", "65c02"]),
    pieces=st.lists(st.integers(1, 400), min_size=1, max_size=20),
)
def test_random_instructions_on_devices_run_alike(
    seed: int, name: str, processor: str, pieces: list[int]
) -> None:
    rng = np.random.default_rng(seed)
    pair = pair_of(name, "", "", processor=processor)
    memory = rng.choice(np.array(shared_opcodes(processor), np.uint8), 0x10000)
    # Addresses in the devices' page, a quarter of the time; all bytes are opcodes too.
    low = np.array([opcode for opcode in shared_opcodes(processor) if opcode < 64], np.uint8)
    memory[1::4] = rng.choice(low, len(memory[1::4]))
    memory[2::4] = 0xA8
    pair.poke(0, memory.tobytes())
    pair.reset()
    for piece in pieces:
        pair.run(piece)


@pytest.mark.parametrize("name", sorted(BOARDS))
def test_run_in_pieces_and_with_a_log_is_the_run_as_a_whole(name: str) -> None:
    program = " ".join(SNIPPETS[index] for index in (5, 10, 13, 45, 48, 25, 30, 40, 17))
    code, handler = f"58 {program} 4C0002", f"48 {ACKNOWLEDGE[0]} {ACKNOWLEDGE[2]} 68 40"
    whole, cut = pair_of(name, code, handler), pair_of(name, code, handler)
    cut.compiled.log_instructions(wanted=True)  # type: ignore[attr-defined]
    for piece in range(1, 60):
        cut.run(piece)
    whole.run(cut.compiled.cycle - whole.compiled.cycle)
    for ours, theirs in zip(whole.both, cut.both, strict=True):
        assert (ours.cycle, ours.pc, ours.p) == (theirs.cycle, theirs.pc, theirs.p)
        assert (ours.memory == theirs.memory).all()
        assert ours.counters == theirs.counters


def test_map_of_devices_reads_as_none_of_memory() -> None:
    made = BOARDS["via"][0]()
    memory_map = MemoryMap.of_parts((), devices=tuple(one for one, _ in made))
    assert memory_map.power_on_memory()[VIA] == 0
    with pytest.raises(ValueError, match="overlaps"):
        MemoryMap.of_parts((), devices=tuple(one for one, _ in made * 2))


def test_plain_memory_between_registers_is_read_as_it_is() -> None:
    pair = pair_of("alarm and via", "AD00A6 8D0040 4C0002", "40")
    for core in pair.both:
        put(core, 0xA600, "37")
    pair.run(40)
    assert pair.compiled.memory[0x4000] == 0x37
    assert PROGRAM < HANDLER


@settings(max_examples=40)
@given(
    name=st.sampled_from(sorted(BOARDS)),
    program=st.lists(st.sampled_from(SNIPPETS), min_size=3, max_size=10),
    handler=st.lists(st.sampled_from(ACKNOWLEDGE), max_size=4),
    pieces=st.lists(st.integers(1, 900), min_size=2, max_size=6),
    drawn=st.data(),
)
def test_core_with_devices_that_is_restored_does_again_what_it_did(
    name: str,
    program: list[str],
    handler: list[str],
    pieces: list[int],
    drawn: st.DataObject,
) -> None:
    def fresh(kind: str) -> RewindableCore:
        make, wires = BOARDS[name]
        code = f"58 {' '.join(program)} 4C0002"
        core = machine(kind, code, make, wires=wires, handler=f"48 {' '.join(handler)} 68 40")
        assert isinstance(core, RewindableCore)
        return core

    def seen(core: RewindableCore) -> tuple[object, ...]:
        state = core.state
        assert state.devices is not None
        return state.registers, state.due_vector, state.interrupts_taken, core.memory.tobytes()

    kinds = st.sampled_from(["reference", "compiled"])
    core = fresh(drawn.draw(kinds))
    kept = [(core.state, core.memory.copy())]
    there = [seen(core)]
    for piece in pieces:
        core.run(piece)
        kept.append((core.state, core.memory.copy()))
        there.append(seen(core))
    # By itself, and by one that ran nothing.
    for other in (core, fresh(drawn.draw(kinds))):
        place = drawn.draw(st.integers(0, len(pieces)))
        other.restore(kept[place][0])
        other.memory[:] = kept[place][1]
        for ahead in range(place, len(pieces)):
            other.run(pieces[ahead])
            assert seen(other) == there[ahead + 1]


@pytest.mark.parametrize("name", ["via", "alarm and via", "acia, via and alarm"])
def test_run_to_an_address_stops_both_cores_alike(name: str) -> None:
    program = " ".join(SNIPPETS[index] for index in (5, 10, 13, 45, 48, 25, 30, 40, 17))
    pair = pair_of(name, f"58 {program} 4C0002", f"48 {ACKNOWLEDGE[0]} {ACKNOWLEDGE[2]} 68 40")
    for address in (HANDLER, HANDLER, PROGRAM + 6, HANDLER):
        for core in pair.both:
            assert isinstance(core, RunsToAddress)
            core.step()
            core.run_to(address, 5_000)
        pair.compare()
