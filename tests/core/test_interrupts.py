"""Interrupts as `busplay.core.interface` defines them, cycle by cycle."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.core.programs import HANDLER, NMI_HANDLER, plain_core, put, rows, small_machine

pytestmark = pytest.mark.usefixtures("core_kind")

HARDWARE_MANUAL = "MCS6500 Microcomputer Family Hardware Manual (1976)"
SHEET = "W65C02S data sheet"

I_CLEAR, I_SET, D = 0x30, 0x34, 0x08


def machine(code: str, *, processor: str = "65c02", p: int = I_CLEAR):  # type: ignore[no-untyped-def]
    """Make 64 KiB of RAM with a program at $0200 and handlers; the cycle counter at 0."""
    core = plain_core(processor)
    core.memory[:] = 0xEA
    put(core, 0x0200, code)
    put(core, HANDLER, "40")
    put(core, NMI_HANDLER, "40")
    put(core, 0xFFFA, "8003 0002 0003")
    core.pc, core.s, core.p = 0x0200, 0xFF, p
    return core


@pytest.mark.source(SHEET, part="interrupts clear D", kind="from memory")
@pytest.mark.source(
    HARDWARE_MANUAL, part="interrupt sequence: 7 cycles, PC and P pushed", kind="from memory"
)
@pytest.mark.parametrize("processor", ["6502", "65c02"])
def test_sequence_takes_seven_cycles_and_pushes_in_three_four_and_five(processor: str) -> None:
    core = machine("EA EA", processor=processor, p=I_CLEAR | D)
    core.irq = True
    assert core.step() == 2
    assert core.step() == 7
    assert core.pc == HANDLER
    # The flags are pushed with B clear and D as it was.
    assert rows(core) == [(4, 0x01FF, 0x02), (5, 0x01FE, 0x01), (6, 0x01FD, 0x28)]
    assert core.s == 0xFC
    assert core.p == (I_SET | D if processor == "6502" else I_SET)
    assert core.counters.interrupts_taken == 1


@pytest.mark.source(SHEET, part="BRK clears D", kind="from memory")
@pytest.mark.parametrize("processor", ["6502", "65c02"])
def test_brk_pushes_b_set_and_the_65c02_clears_d(processor: str) -> None:
    core = machine("00 00", processor=processor, p=I_CLEAR | D)
    assert core.step() == 7
    assert rows(core) == [(2, 0x01FF, 0x02), (3, 0x01FE, 0x02), (4, 0x01FD, 0x38)]
    assert core.p == (I_SET | D if processor == "6502" else I_SET)


@pytest.mark.source(
    HARDWARE_MANUAL, part="IRQ is sampled before the last cycle", kind="from memory"
)
@pytest.mark.parametrize(
    ("code", "cycles"),
    [("EA", 2), ("AD0010", 4), ("8D0010", 4), ("EE0010", 6), ("200004", 6), ("D000", 3)],
)
def test_line_is_sampled_before_the_last_cycle(code: str, cycles: int) -> None:
    for active_in_cycle in range(cycles + 1):
        # Reset, LDA, STA and CLI come before; the only refresh falls in the cycle wanted.
        first_cycle = 7 + 2 + 4 + 2
        core = small_machine(
            "A901 8D08A4 58" + code + "EA EA EA",
            refresh_hz=1,
            clock_hz=first_cycle + active_in_cycle,
        )
        put(core, 0x0400, "EA EA")
        core.run(first_cycle - core.cycle)
        assert core.cycle == first_cycle
        assert core.step() == cycles
        taken_at_once = core.step() == 7 and core.pc == HANDLER
        # The last cycle but one, counted from 0, is number cycles - 2.
        assert taken_at_once == (active_in_cycle <= cycles - 2), active_in_cycle


@pytest.mark.source(HARDWARE_MANUAL, part="CLI and the next instruction", kind="from memory")
def test_cli_takes_effect_one_instruction_later() -> None:
    core = machine("58 EA EA", p=I_SET)
    core.irq = True
    core.step()
    assert core.pc == 0x0201
    core.step()
    assert core.pc == 0x0202
    core.step()
    assert core.pc == HANDLER


def test_sei_is_too_late_for_an_active_line() -> None:
    core = machine("EA 78 EA", p=I_CLEAR)
    core.step()
    core.irq = True
    core.step()
    assert core.pc == 0x0202
    core.step()
    assert core.pc == HANDLER
    # The flags that SEI set are the ones pushed.
    assert core.memory[0x01FD] == I_SET & ~0x10


def test_cli_directly_before_sei_lets_one_interrupt_in() -> None:
    core = machine("58 78 EA", p=I_SET)
    core.irq = True
    core.run(2 + 2 + 7)
    assert core.pc == HANDLER
    assert core.memory[0x01FE] == 0x02


def test_plp_takes_effect_one_instruction_later() -> None:
    core = machine("28 EA EA", p=I_SET)
    core.s = 0xFE
    core.memory[0x01FF] = I_CLEAR
    core.irq = True
    core.step()
    core.step()
    assert core.pc == 0x0202
    core.step()
    assert core.pc == HANDLER


def test_rti_lets_the_next_interrupt_in_at_once() -> None:
    core = machine("40", p=I_SET)
    core.s = 0xFC
    put(core, 0x01FD, bytes([I_CLEAR, 0x00, 0x05]))
    core.irq = True
    core.step()
    assert core.pc == 0x0500
    core.step()
    assert core.pc == HANDLER


def test_masked_line_waits_until_i_is_clear() -> None:
    core = machine("EA EA 58 EA EA", p=I_SET)
    core.irq = True
    core.run(4)
    assert core.pc == 0x0202
    core.irq = False
    core.run(6)
    assert core.counters.interrupts_taken == 0


def test_first_instruction_of_the_handler_always_runs() -> None:
    core = machine("EA")
    put(core, HANDLER, "EA EA")
    core.irq = True
    core.nmi()
    core.step()
    core.step()
    assert core.pc == NMI_HANDLER
    core.step()
    core.step()
    core.step()
    assert core.counters.interrupts_taken == 2


@pytest.mark.source(
    HARDWARE_MANUAL, part="NMI is edge sensitive and not masked", kind="from memory"
)
def test_nmi_is_edge_triggered_has_priority_and_ignores_i() -> None:
    core = machine("EA EA EA", p=I_SET)
    core.irq = True
    core.nmi()
    core.nmi()
    core.step()
    assert core.step() == 7
    assert core.pc == NMI_HANDLER
    assert core.memory[0x01FD] == I_SET & ~0x10
    core.step()
    assert core.pc == 0x0201
    core.run(4)
    assert core.counters.interrupts_taken == 1


def test_refresh_interrupt_runs_its_handler_once_a_refresh() -> None:
    # Main: count up at $10 for ever. Handler: acknowledge, INC $4000, RTI.
    core = small_machine(
        "A901 8D08A4 58 E610 4C0602",
        clock_hz=6000,
        refresh_hz=60,
        handler="8D09A4 EE0040 40",
    )
    core.run(1050)
    stored = rows(core)
    assert [data for _, _, data in stored] == list(range(1, 11))
    for number, (cycle, address, _) in enumerate(stored, 1):
        assert address == 0x4000
        # At most the present instruction and one of 5 cycles precede the sequence.
        assert 100 * number + 7 + 4 + 5 < cycle <= 100 * number + 6 + 7 + 4 + 6


def test_unacknowledged_refresh_interrupts_again() -> None:
    core = small_machine(
        "A901 8D08A4 58 EA 4C0602", clock_hz=6000, refresh_hz=60, handler="EE0040 40"
    )
    core.run(200)
    assert len(rows(core)) > 4


def test_acknowledge_after_the_line_is_sampled_is_too_late() -> None:
    # STA REFRESH_ACK with I clear: the line was sampled before its write.
    core = small_machine("A901 8D08A4 58 8D09A4 EA EA", refresh_hz=1, clock_hz=15)
    core.run(8)
    assert core.cycle == 15
    core.step()
    assert core.step() == 7
    assert core.pc == HANDLER


@pytest.mark.source(
    SHEET, part="WAI: 3 cycles, until an interrupt line is active", kind="from memory"
)
def test_wai_waits_for_the_line_and_takes_the_interrupt() -> None:
    core = machine("CB EA EA", p=I_CLEAR)
    assert core.run(100) == 100
    assert core.pc == 0x0201
    core.irq = True
    # Active from cycle 100: sampled there, one more cycle, then the sequence.
    assert core.step() == 1
    assert core.step() == 1
    assert core.step() == 7
    assert core.pc == HANDLER
    assert core.cycle == 109
    assert rows(core)[0] == (104, 0x01FF, 0x02)


@pytest.mark.source(SHEET, part="WAI with I set goes on", kind="from memory")
def test_wai_with_i_set_continues_with_the_next_instruction() -> None:
    core = machine("CB E8 EA", p=I_SET)
    core.run(50)
    core.irq = True
    core.run(4)
    assert core.pc == 0x0202
    assert core.counters.interrupts_taken == 0


def test_wai_takes_three_cycles_if_the_line_is_active_already() -> None:
    core = machine("CB E8 EA", p=I_SET)
    core.irq = True
    assert core.step() == 3
    core.x = 5
    assert core.step() == 2
    assert core.x == 6


def test_wai_ends_with_an_nmi() -> None:
    core = machine("CB EA", p=I_SET)
    core.run(20)
    core.nmi()
    core.run(9)
    assert core.pc == NMI_HANDLER


def test_wai_waits_for_the_refresh_without_running_through_it_cycle_by_cycle() -> None:
    core = small_machine("A901 8D08A4 CB 8D09A4 8D0040 4C0502", refresh_hz=1, clock_hz=1_000_000)
    core.run(10_000_000)
    cycles = [cycle for cycle, _, _ in rows(core)]
    assert [cycle // 1_000_000 for cycle in cycles] == list(range(1, 11))[: len(cycles)]
    assert cycles[0] == 1_000_000 + 2 + 4 + 3


def test_reset_while_waiting_starts_again() -> None:
    core = machine("CB")
    core.run(30)
    assert core.reset() == 7
    assert core.pc == 0x0200
    assert core.cycle == 37


@settings(max_examples=60)
@given(
    cuts=st.lists(st.integers(1, 40), min_size=1, max_size=60),
    processor=st.sampled_from(["6502", "65c02"]),
)
def test_run_in_pieces_is_the_run_as_a_whole(cuts: list[int], processor: str) -> None:
    wait = "CB" if processor == "65c02" else "EA"
    program = f"A901 8D08A4 58 AE03A4 8E0040 E610 {wait} 5003 EE0140 78 58 4C0602"
    handler = "48 8D09A4 AD04A4 8D0240 68 40"

    def fresh():  # type: ignore[no-untyped-def]
        return small_machine(
            program, processor=processor, clock_hz=977, refresh_hz=11, handler=handler
        )

    pieces, whole = fresh(), fresh()
    for cut in cuts:
        pieces.run(cut)
    whole.run(pieces.cycle - whole.cycle)
    assert whole.cycle == pieces.cycle
    assert rows(whole) == rows(pieces)
    for name in ("pc", "a", "x", "y", "s", "p"):
        assert getattr(whole, name) == getattr(pieces, name), name
    assert (whole.memory == pieces.memory).all()
