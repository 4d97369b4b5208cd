"""The 6522 in every mode of its control lines, and where timers, latches and accesses meet."""

from __future__ import annotations

import pytest

from busplay.core.devices import via_state
from busplay.core.devices.via_6522 import ViaDevice
from busplay.description.devices import ViaPart
from tests.outside.test_via_6522 import (
    ACR,
    CA1,
    CA2,
    CB2,
    DDRA,
    DDRB,
    IER,
    IFR,
    ORA,
    ORB,
    PCR,
    ROCKWELL,
    SHIFT,
    SR,
    T1,
    T1CH,
    T1CL,
    T1LH,
    T2,
    T2CH,
    T2CL,
    WDC,
    device,
    drive_all_pins,
)

PORTS = {"a": (0, ORA, CA2), "b": (4, ORB, CB2)}


# PCR bits 3-1 and 7-5: whether the rising edge is the active one, and whether an access of the
# port clears the flag.
@pytest.mark.source(ROCKWELL, part="table: CA2 and CB2 input modes 000 to 011", kind="from memory")
@pytest.mark.source(WDC, part="table: CA2 and CB2 input modes 000 to 011", kind="from memory")
@pytest.mark.parametrize("part", ["r6522", "w65c22"])
@pytest.mark.parametrize("port", PORTS)
@pytest.mark.parametrize(
    ("mode", "rises", "is_cleared"), [(0, 0, True), (1, 0, False), (2, 1, True), (3, 1, False)]
)
def test_input_mode_flags_its_edge_and_clears_as_the_table_says(
    part: ViaPart, port: str, mode: int, rises: int, is_cleared: bool
) -> None:
    shift, data, flag = PORTS[port]
    pin = f"c{port}2"
    for access in ("read", "write"):
        one = device(part)
        one.write(PCR, mode << 1 << shift, 1)
        one.set_input(pin, 1 - rises, 10)
        one.write(IFR, flag, 11)
        one.set_input(pin, 1 - rises, 12)
        assert one.read(IFR, 13) & flag == 0
        one.set_input(pin, rises, 20)
        assert one.read(IFR, 21) & flag
        one.set_input(pin, 1 - rises, 22)
        one.read(data, 30) if access == "read" else one.write(data, 0, 30)
        assert bool(one.read(IFR, 31) & flag) != is_cleared
        one.write(IFR, flag, 32)
        assert one.read(IFR, 33) & flag == 0


# PCR bits 3-1 and 7-5: levels after the mode is set, in the cycle after an access, two cycles after
# it, and after the active edge of CA1 or CB1.
@pytest.mark.source(ROCKWELL, part="table: CA2 and CB2 output modes 100 to 111", kind="from memory")
@pytest.mark.source(WDC, part="table: CA2 and CB2 output modes 100 to 111", kind="from memory")
@pytest.mark.parametrize("part", ["r6522", "w65c22"])
@pytest.mark.parametrize("port", PORTS)
@pytest.mark.parametrize(
    ("mode", "levels"),
    [(4, [1, 0, 0, 1]), (5, [1, 0, 1, 1]), (6, [0, 0, 0, 0]), (7, [1, 1, 1, 1])],
)
def test_output_mode_drives_the_levels_of_the_table(
    part: ViaPart, port: str, mode: int, levels: list[int]
) -> None:
    shift, data, flag = PORTS[port]
    for access in ("read", "write"):
        one = device(part)
        one.write(PCR, mode << 1 << shift, 1)
        found = [one.output_level(f"c{port}2", 2)]
        if access == "read":
            one.read(data, 10)
        else:
            one.write(data, 0, 10)
        found += [one.output_level(f"c{port}2", cycle) for cycle in (11, 12)]
        one.set_input(f"c{port}1", 0, 20)
        found.append(one.output_level(f"c{port}2", 21))
        # Port B answers writes only.
        is_answered = port == "a" or access == "write" or mode >= 6
        assert found == (levels if is_answered else [1, 1, 1, 1])
        # An output is no input: its own changes set no flag.
        assert one.read(IFR, 30) & flag == 0


@pytest.mark.source(ROCKWELL, part="input latching: not enabled", kind="from memory")
def test_port_without_latching_shows_the_pins_as_they_are() -> None:
    one = device()
    drive_all_pins(one)
    for port, data in (("a", ORA), ("b", ORB)):
        one.set_input(f"p{port}0", 1, 10)
        one.set_input(f"c{port}1", 0, 11)
        one.set_input(f"p{port}0", 0, 12)
        assert one.read(data, 13) == 0


@pytest.mark.source(ROCKWELL, part="input latching: output pins of port B", kind="from memory")
def test_latch_of_port_b_holds_inputs_alone() -> None:
    one = device()
    drive_all_pins(one)
    one.write(ACR, 0x02, 1)
    one.write(DDRB, 0xF0, 2)
    one.write(ORB, 0x50, 3)
    one.set_input("pb0", 1, 10)
    one.set_input("cb1", 0, 11)
    one.set_input("pb0", 0, 12)
    # A write shows at once, and clears the flag with which the latch holds.
    one.state[via_state.ORB] = 0xA0
    assert one.read(ORB, 13) == 0xA1
    assert one.read(ORB, 14) == 0xA0


@pytest.mark.source(ROCKWELL, part="ports: ORA reads pins, ORB its outputs", kind="from memory")
def test_pin_levels_of_port_a_are_read_and_output_bits_of_port_b() -> None:
    one = device()
    one.write(DDRA, 0x0F, 1)
    one.write(ORA, 0x05, 2)
    one.write(DDRB, 0x0F, 3)
    one.write(ORB, 0x05, 4)
    assert (one.read(ORA, 5), one.read(ORB, 6)) == (0xF5, 0xF5)


def timer_1(n: int, *, acr: int = 0) -> ViaDevice:
    """Return a 6522 whose timer 1 is written in cycle 100."""
    one = device()
    one.write(ACR, acr, 1)
    one.write(IER, 0x80 | T1 | T2, 2)
    one.write(T1CL, n, 3)
    one.write(T1CH, 0, 100)
    return one


@pytest.mark.source(
    ROCKWELL, part="timer 1 one-shot: once until T1C-H is written", kind="data sheet"
)
def test_one_shot_times_out_once_and_goes_on_counting() -> None:
    one = timer_1(10)
    assert one.line_from == 112
    one.read(T1CL, 120)
    assert one.line_from > 1 << 60
    assert one.read(IFR, 100_000) & T1 == 0
    # It counts on from its latches all the time: 12 cycles a turn.
    assert one.read(T1CL, 101 + 12 * 10_000) == 10
    one.write(T1CH, 0, 200_000)
    assert one.line_from == 200_012


@pytest.mark.source(
    ROCKWELL, part="timer 1: T1L-H clears the flag, starts nothing", kind="from memory"
)
def test_high_latch_clears_the_flag_without_a_start() -> None:
    one = timer_1(10)
    assert one.read(IFR, 115) & T1
    one.write(T1LH, 0, 116)
    assert one.read(IFR, 117) & T1 == 0
    assert one.line_from > 1 << 60


@pytest.mark.source(
    ROCKWELL, part="timer 1: counter reloaded by T1C-H while it runs", kind="from memory"
)
@pytest.mark.parametrize(("at", "flagged"), [(110, False), (111, False), (112, True), (113, True)])
def test_start_before_the_time_out_puts_it_off(at: int, flagged: bool) -> None:
    one = timer_1(10)
    assert bool(one.read(IFR, at) & T1) == flagged
    one.write(T1CH, 0, at)
    # It clears the flag, even that of its own cycle.
    assert one.read(IFR, at + 1) & T1 == 0
    assert one.line_from == at + 12


@pytest.mark.source(ROCKWELL, part="timer 1: T1C-L clears the flag", kind="from memory")
@pytest.mark.parametrize(("at", "stays"), [(111, True), (112, False)])
def test_read_clears_the_flag_of_a_time_out_that_has_come(at: int, stays: bool) -> None:
    one = timer_1(10)
    one.read(T1CL, at)
    assert bool(one.read(IFR, 113) & T1) == stays


@pytest.mark.source(ROCKWELL, part="auxiliary control register: timer 1 modes", kind="from memory")
def test_mode_of_timer_1_may_change_while_it_runs() -> None:
    one = timer_1(10)
    one.write(ACR, 0x40, 105)
    assert one.line_from == 112
    one.read(T1CL, 113)
    assert one.line_from == 124
    one.read(T1CL, 125)
    one.write(ACR, 0x00, 126)
    assert one.line_from > 1 << 60
    # PB7 is the port's again when ACR bit 7 is clear.
    one.write(DDRB, 0x80, 130)
    one.write(ORB, 0x80, 131)
    one.write(ACR, 0x80, 132)
    one.write(T1CH, 0, 133)
    assert one.output_level("pb7", 134) == 0
    one.write(ACR, 0x00, 135)
    assert one.output_level("pb7", 136) == 1


@pytest.mark.source(ROCKWELL, part="timer 2: T2L-L is a latch, T2C-H starts", kind="from memory")
def test_timer_2_starts_with_its_high_byte_and_again_before_its_time_out() -> None:
    one = device()
    one.write(IER, 0x80 | T2, 1)
    one.write(T2CL, 10, 2)
    assert one.line_from > 1 << 60
    one.write(T2CH, 0, 100)
    one.write(T2CL, 20, 105)
    assert one.line_from == 112
    one.write(T2CH, 0, 110)
    assert one.line_from == 132
    assert one.read(IFR, 131) & T2 == 0
    assert one.read(IFR, 132) & T2


@pytest.mark.source(ROCKWELL, part="timer 2: pulse counting holds the count", kind="from memory")
def test_timer_2_stands_still_between_pulses_and_goes_on_in_one_shot_mode() -> None:
    one = device()
    drive_all_pins(one)
    one.set_input("pb6", 1, 1)
    one.write(IER, 0x80 | T2, 1)
    one.write(T2CL, 50, 2)
    one.write(T2CH, 0, 100)
    one.write(ACR, 0x20, 110)
    held = one.read(T2CL, 111)
    assert one.read(T2CL, 5_000) == held == 41
    one.set_input("pb6", 0, 6_000)
    assert one.read(T2CL, 6_001) == 40
    one.write(ACR, 0x00, 7_000)
    assert one.line_from == 7_000 + 40 + 1


@pytest.mark.source(ROCKWELL, part="shift register: an access begins anew", kind="from memory")
@pytest.mark.parametrize("mode", [1, 2, 5, 6])
def test_access_in_the_middle_of_a_shift_begins_eight_new_ones(mode: int) -> None:
    one = device()
    one.write(T2CL, 3, 1)
    one.write(ACR, mode << 2, 2)
    one.write(IER, 0x80 | SHIFT, 3)
    one.write(SR, 0x0F, 10)
    edge_cycles = 1 if mode in (2, 6) else 5
    assert one.line_from == 10 + 1 + 16 * edge_cycles + 1
    one.read(SR, 14)
    assert one.line_from == 14 + 1 + 16 * edge_cycles + 1
    one.write(ACR, 0, 16)
    assert one.line_from > 1 << 60


@pytest.mark.source(ROCKWELL, part="interrupt flags are set while disabled", kind="from memory")
def test_flag_that_was_set_while_disabled_interrupts_once_it_is_enabled() -> None:
    one = device()
    one.set_input("ca1", 0, 10)
    assert one.read(IFR, 11) == CA1
    assert one.line_from > 1 << 60
    one.write(IER, 0x80 | CA1, 20)
    assert one.line_from == 21
    assert one.read(IFR, 22) == 0x80 | CA1
    one.write(IER, CA1, 23)
    assert one.line_from > 1 << 60
    assert one.read(IFR, 24) == CA1
