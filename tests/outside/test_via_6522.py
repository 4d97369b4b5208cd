"""The 6522 against its data sheets, by table and timing figure, on both cores."""

from __future__ import annotations

import pytest
from py65.devices import mpu6502
from py65.memory import ObservableMemory

from busplay.core.devices import via_state
from busplay.core.devices.via_6522 import ViaDevice
from busplay.description.devices import Via6522, ViaPart
from tests.core.devices.machines import VIA, machine, via

ROCKWELL = "Rockwell R6522 data sheet"
WDC = "Western Design Center W65C22 data sheet"
ORB, ORA, DDRB, DDRA, T1CL, T1CH, T1LL, T1LH = range(8)
T2CL, T2CH, SR, ACR, PCR, IFR, IER, ORA_PLAIN = range(8, 16)
T1, T2, CB1, CB2, SHIFT, CA1, CA2 = 0x40, 0x20, 0x10, 0x08, 0x04, 0x02, 0x01


def device(part: ViaPart = "r6522") -> ViaDevice:
    described = Via6522(name="via", first_address=0, last_address=15, part=part)
    return ViaDevice(described, clock_hz=1_000_000)


def drive_all_pins(one: ViaDevice) -> None:
    one.state[via_state.DRIVEN_A] = one.state[via_state.DRIVEN_B] = 0xFF


def counter(one: ViaDevice, low: int, cycle: int) -> int:
    return one.read(low + 1, cycle) << 8 | one.read(low, cycle)


# Both timers: write in cycle W; then N, N-1, ... 0, $FFFF, and half a cycle into that the output
# falls: N + 1.5 cycles after the write's end.
W = 100


@pytest.mark.source(ROCKWELL, part="timing figure: T1 and T2 one-shot", kind="data sheet")
@pytest.mark.parametrize("n", [0, 1, 5, 300])
def test_timer_1_reads_as_in_the_figure_and_interrupts_after_n_plus_one_and_a_half(n: int) -> None:
    one = device()
    one.write(IER, 0x80 | T1, 1)
    one.write(T1CL, n & 0xFF, 2)
    one.write(T1CH, n >> 8, W)
    assert one.line_from == W + n + 2
    for ahead in range(n + 1):
        one.read(T1CH, W + 1 + ahead)
        assert counter_of_high(one, W + 1 + ahead) == n - ahead >> 8
    assert one.read(T1CL, W + n + 2) == 0xFF
    # The latches are loaded again, which the figure shows for one-shot mode too.
    assert one.read(T1CL, W + n + 3) == n & 0xFF
    assert one.read(IFR, W + n + 4) == 0


def counter_of_high(one: ViaDevice, cycle: int) -> int:
    return one.read(T1CH, cycle)


@pytest.mark.source(ROCKWELL, part="timing figure: T1 and T2 one-shot", kind="data sheet")
@pytest.mark.parametrize("n", [0, 1, 5, 300])
def test_timer_2_counts_on_through_ffff_and_interrupts_once(n: int) -> None:
    one = device()
    one.write(IER, 0x80 | T2, 1)
    one.write(T2CL, n & 0xFF, 2)
    one.write(T2CH, n >> 8, W)
    assert one.line_from == W + n + 2
    assert counter(one, T2CL, W + 1) == n
    assert counter(one, T2CL, W + n + 3) == 0xFFFE
    assert one.read(IFR, W + n + 4) == 0
    assert one.line_from > W + 70_000
    assert one.read(IFR, W + 70_000) == 0


@pytest.mark.source(
    ROCKWELL, part="timer 1 free-run: N + 2 cycles, PB7 inverted", kind="from memory"
)
def test_free_running_timer_interrupts_every_n_plus_2_cycles_and_inverts_pb7() -> None:
    one = device()
    one.write(ACR, 0xC0, 1)
    one.write(IER, 0x80 | T1, 2)
    one.write(T1CL, 98, 3)
    one.write(T1CH, 0, W)
    assert one.output_level("pb7", W + 1) == 0
    for number in range(1, 6):
        at = W + 100 * number
        assert one.line_from == at
        assert one.output_level("pb7", at) == number % 2
        one.read(T1CL, at + 7)
    # New latches take effect at the next time-out.
    one.write(T1LL, 48, at + 10)
    assert one.line_from == at + 100
    one.read(T1CL, at + 101)
    assert one.line_from == at + 150


@pytest.mark.source(ROCKWELL, part="timer 1 one-shot: PB7 low while it runs", kind="from memory")
def test_one_shot_holds_pb7_low_for_its_time() -> None:
    one = device()
    one.write(ACR, 0x80, 1)
    assert one.output_level("pb7", 2) == 1
    one.write(T1CL, 10, 3)
    one.write(T1CH, 0, W)
    assert [one.output_level("pb7", W + ahead) for ahead in (1, 11, 12, 60)] == [0, 0, 1, 1]


@pytest.mark.source(ROCKWELL, part="timer 2 pulse counting on PB6", kind="from memory")
def test_timer_2_counts_falling_edges_of_pb6() -> None:
    one = device()
    drive_all_pins(one)
    one.write(ACR, 0x20, 1)
    one.write(T2CL, 2, 2)
    one.write(T2CH, 0, 3)
    cycle, read = 10, []
    for _ in range(4):
        one.set_input("pb6", 1, cycle)
        one.set_input("pb6", 0, cycle + 5)
        read.append((one.read(T2CH, cycle + 6), one.read(IFR, cycle + 7) & T2))
        cycle += 10
    assert [flag for _, flag in read] == [0, 0, T2, T2]
    assert counter(one, T2CL, 100) == 0xFFFE


# What clears each flag: the table of the interrupt flag register.
CLEARED_BY = {
    T1: [("read", T1CL), ("write", T1CH), ("write", T1LH)],
    T2: [("read", T2CL), ("write", T2CH)],
    SHIFT: [("read", SR), ("write", SR)],
    CB1: [("read", ORB), ("write", ORB)],
    CB2: [("read", ORB), ("write", ORB)],
    CA1: [("read", ORA), ("write", ORA)],
    CA2: [("read", ORA), ("write", ORA)],
}


def with_all_flags() -> ViaDevice:
    one = device()
    one.write(ACR, 0x18, 1)
    one.write(T1CL, 3, 2)
    one.write(T1CH, 0, 3)
    one.write(T2CL, 3, 4)
    one.write(T2CH, 0, 5)
    one.write(SR, 0xA5, 6)
    for pin in ("ca1", "ca2", "cb1", "cb2"):
        one.set_input(pin, 0, 40)
    assert one.read(IFR, 60) == 0x7F
    return one


@pytest.mark.source(
    ROCKWELL, part="table: interrupt flag register, set by and cleared by", kind="from memory"
)
@pytest.mark.parametrize("flag", CLEARED_BY)
def test_flags_are_cleared_by_the_accesses_of_the_table_alone(flag: int) -> None:
    for what in ("read", "write"):
        for offset in range(16):
            if what == "write" and offset in (IFR, ACR):
                continue
            one = with_all_flags()
            one.read(offset, 70) if what == "read" else one.write(offset, 0, 70)
            is_cleared = not one.read(IFR, 71) & flag
            assert is_cleared == ((what, offset) in CLEARED_BY[flag]), (what, offset)
    one = with_all_flags()
    one.write(IFR, flag, 70)
    assert one.read(IFR, 71) == 0x7F & ~flag


@pytest.mark.source(
    ROCKWELL, part="interrupt enable register: bit 7 sets or clears", kind="from memory"
)
def test_enable_register_sets_and_clears_by_bit_7_and_reads_it_as_1() -> None:
    one = device()
    one.write(IER, 0xFF, 1)
    assert one.read(IER, 2) == 0xFF
    one.write(IER, 0x22, 3)
    assert one.read(IER, 4) == 0xDD
    one = with_all_flags()
    one.write(IER, 0x82, 70)
    assert one.read(IFR, 71) == 0xFF
    assert one.line_from == 71


# CA1 and CB1: PCR bits 0 and 4. CA2 and CB2: modes of PCR bits 3-1 and 7-5.
@pytest.mark.source(ROCKWELL, part="table: peripheral control register", kind="from memory")
@pytest.mark.parametrize(("port", "shift"), [("a", 0), ("b", 4)])
def test_control_lines_flag_the_edge_that_pcr_selects(port: str, shift: int) -> None:
    first, second = (CA1, CA2) if port == "a" else (CB1, CB2)
    for rising in (0, 1):
        one = device()
        one.write(PCR, (rising | rising << 2) << shift, 1)
        found = []
        for cycle, level in ((10, 0), (20, 1)):
            for pin in (f"c{port}1", f"c{port}2"):
                one.set_input(pin, level, cycle)
            found.append(one.read(IFR, cycle + 1))
            one.write(IFR, 0x7F, cycle + 2)
        assert found == ([0, first | second] if rising else [first | second, 0])


@pytest.mark.source(ROCKWELL, part="table: CA2 and CB2 independent input", kind="from memory")
@pytest.mark.parametrize(("port", "data", "flag"), [("a", ORA, CA2), ("b", ORB, CB2)])
def test_independent_input_is_not_cleared_by_the_port(port: str, data: int, flag: int) -> None:
    for mode, stays in ((0x0, False), (0x1, True)):
        one = device()
        one.write(PCR, mode << 1 << (0 if port == "a" else 4), 1)
        one.set_input(f"c{port}2", 0, 10)
        one.read(data, 20)
        assert bool(one.read(IFR, 21) & flag) == stays


@pytest.mark.source(ROCKWELL, part="figure: read and write handshake", kind="from memory")
def test_handshake_output_falls_at_an_access_and_rises_at_the_answer() -> None:
    one = device()
    one.write(PCR, 0x88, 1)
    one.read(ORB, 5)
    assert one.output_level("cb2", 6) == 1  # port B: writes only
    one.write(ORB, 1, 10)
    one.read(ORA, 12)
    assert (one.output_level("cb2", 13), one.output_level("ca2", 13)) == (0, 0)
    one.set_input("ca1", 0, 30)
    one.set_input("cb1", 0, 31)
    assert (one.output_level("cb2", 32), one.output_level("ca2", 32)) == (1, 1)
    one.read(ORA_PLAIN, 40)
    assert one.output_level("ca2", 41) == 1


@pytest.mark.source(ROCKWELL, part="figure: pulse output, one cycle", kind="from memory")
def test_pulse_output_is_low_for_one_cycle() -> None:
    one = device()
    one.write(PCR, 0xAA, 1)
    one.write(ORB, 1, 10)
    one.read(ORA, 20)
    assert [one.output_level("cb2", 21), one.output_level("ca2", 21)] == [1, 0]
    assert one.output_level("ca2", 22) == 1
    for mode, level in ((0x0C, 0), (0x0E, 1)):
        one.write(PCR, mode, 30)
        assert one.output_level("ca2", 31) == level


@pytest.mark.source(ROCKWELL, part="input latching, ACR bits 0 and 1", kind="from memory")
def test_latched_port_keeps_its_levels_until_its_flag_is_cleared() -> None:
    one = device()
    drive_all_pins(one)
    one.write(ACR, 0x03, 1)
    for port, data in (("a", ORA), ("b", ORB)):
        one.set_input(f"p{port}0", 1, 10)
        one.set_input(f"c{port}1", 0, 11)
        one.set_input(f"p{port}0", 0, 12)
        assert one.read(data, 13) == 1
        assert one.read(data, 14) == 0


# The shift register's eight modes. Data leave as the clock falls, and enter as it rises.
@pytest.mark.source(
    ROCKWELL, part="shift register modes 110 and 101: out by the clock and T2", kind="from memory"
)
@pytest.mark.parametrize(("mode", "edge_cycles"), [(6, 1), (5, 12)])
def test_eight_bits_are_shifted_out_and_flagged(mode: int, edge_cycles: int) -> None:
    one = device()
    one.write(T2CL, 10, 1)
    one.write(ACR, mode << 2, 2)
    one.write(IER, 0x80 | SHIFT, 3)
    one.write(SR, 0xB2, W)
    first = W + 1 + edge_cycles
    assert one.output_level("cb1", first - 1) == 1
    bits = []
    for bit in range(8):
        fall = first + 2 * edge_cycles * bit
        assert one.output_level("cb1", fall) == 0
        bits.append(one.output_level("cb2", fall))
        assert one.output_level("cb1", fall + edge_cycles) == 1
    assert bits == [1, 0, 1, 1, 0, 0, 1, 0]
    last_rise = first + 15 * edge_cycles
    assert one.line_from == last_rise + 1
    assert one.read(IFR, last_rise + 1) == 0x80 | SHIFT
    # It has turned once round, and stops.
    assert one.output_level("cb1", last_rise + 500) == 1
    assert one.read(SR, last_rise + 500) == 0xB2
    assert one.line_from > last_rise + 500


@pytest.mark.source(
    ROCKWELL, part="shift register modes 010 and 001: in by the clock and T2", kind="from memory"
)
@pytest.mark.parametrize(("mode", "edge_cycles"), [(2, 1), (1, 12)])
def test_eight_bits_are_shifted_in(mode: int, edge_cycles: int) -> None:
    one = device()
    one.write(T2CL, 10, 1)
    one.write(ACR, mode << 2, 2)
    one.read(SR, W)
    for bit, level in enumerate([1, 0, 1, 1, 0, 0, 1, 0]):
        one.set_input("cb2", level, W + 1 + edge_cycles * (2 * bit + 1))
    end = W + 1 + 16 * edge_cycles
    assert one.read(IFR, end + 1) & SHIFT
    assert one.read(SR, end + 2) == 0xB2


@pytest.mark.source(
    ROCKWELL, part="shift register mode 100: free-running at T2's rate", kind="from memory"
)
def test_free_running_shift_register_turns_for_ever_without_a_flag() -> None:
    one = device()
    one.write(T2CL, 0, 1)
    one.write(SR, 0x81, 2)
    one.write(ACR, 0x10, W)
    bits = [one.output_level("cb2", W + 3 + 4 * bit) for bit in range(24)]
    assert bits == [1, 0, 0, 0, 0, 0, 0, 1] * 3
    assert one.read(IFR, W + 1_000_000) & SHIFT == 0
    assert one.output_level("cb2", W + 3 + 4 * 8_000_001) == 0


@pytest.mark.source(
    ROCKWELL, part="shift register modes 011 and 111: by an external clock", kind="from memory"
)
@pytest.mark.parametrize("mode", [3, 7])
def test_external_clock_shifts_and_only_counts(mode: int) -> None:
    one = device()
    one.write(ACR, mode << 2, 1)
    one.write(SR, 0xB2, 2)
    sent = []
    for bit, level in enumerate([0, 1, 0, 0, 1, 1, 0, 1]):
        cycle = 10 + 10 * bit
        one.set_input("cb1", 0, cycle)
        sent.append(one.output_level("cb2", cycle))
        one.set_input("cb2", level, cycle + 2)
        assert not one.read(IFR, cycle + 3) & SHIFT
        one.set_input("cb1", 1, cycle + 5)
    assert one.read(IFR, 100) & SHIFT
    if mode == 7:
        assert sent == [1, 0, 1, 1, 0, 0, 1, 0]
    else:
        assert one.read(SR, 101) == 0x4D


@pytest.mark.source(ROCKWELL, part="shift register mode 000: disabled", kind="from memory")
def test_disabled_shift_register_is_a_byte() -> None:
    one = device()
    one.write(SR, 0x5A, 1)
    assert (one.read(SR, 1000), one.read(IFR, 1001)) == (0x5A, 0)


@pytest.mark.source(
    ROCKWELL, part="ports: data direction, reads of ORA and ORB", kind="from memory"
)
def test_ports_read_pins_and_drive_what_their_direction_says() -> None:
    one = device()
    drive_all_pins(one)
    for port, data, direction in (("a", ORA, DDRA), ("b", ORB, DDRB)):
        for bit in range(8):
            one.set_input(f"p{port}{bit}", 0x3C >> bit & 1, 5)
        one.write(direction, 0xF0, 6)
        one.write(data, 0xA5, 7)
        assert one.read(data, 8) == 0xAC
        assert one.read(direction, 9) == 0xF0


@pytest.mark.source(ROCKWELL, part="ports: pull-ups", kind="from memory")
@pytest.mark.source(WDC, part="ports: bus holding devices", kind="from memory")
def test_pin_that_nobody_drives_is_pulled_up_or_holds_its_level() -> None:
    for part, levels in (("r6522", 0xFF), ("w65c22", 0x5A)):
        one = device(part)  # type: ignore[arg-type]
        assert one.read(ORA, 1) == 0xFF
        one.write(DDRA, 0xFF, 2)
        one.write(ORA, 0x5A, 3)
        one.write(DDRA, 0x00, 4)
        assert one.read(ORA, 5) == levels, part


@pytest.mark.source(ROCKWELL, part="reset: all registers but T1, T2 and SR", kind="from memory")
def test_reset_clears_all_registers_but_timers_and_shift_register() -> None:
    one = device()
    for offset in range(16):
        one.write(offset, 0xA5, 1 + offset)
    one.reset(50)
    kept = [one.read(offset, 51) for offset in (ORB, ORA, DDRB, DDRA, ACR, PCR, IFR, IER)]
    assert kept == [0xFF, 0xFF, 0, 0, 0, 0, 0, 0x80]
    assert (one.read(T1LL, 52), one.read(T1LH, 53), one.read(SR, 54)) == (0xA5, 0xA5, 0xA5)
    assert one.line_from > 1_000_000


class TickedTimer:
    """A timer made by hand for py65: interrupts every PERIOD cycles; a read of T1C-L clears."""

    def __init__(self, period: int) -> None:
        self.period = period
        self.next = 0
        self.is_active = False

    def start(self, *_: object) -> None:
        self.next = -1

    def clear(self, *_: object) -> int:
        self.is_active = False
        return 0

    def look(self, cycle: int) -> None:
        if self.next == -1:
            self.next = cycle + self.period
        while 0 < self.next <= cycle:
            self.is_active = True
            self.next += self.period


@pytest.mark.source("py65 1.2.0", part="IRQ of a device made by hand", kind="library")
@pytest.mark.parametrize("kind", ["reference", "compiled"])
def test_program_sees_the_interrupts_that_py65_gives_it(kind: str) -> None:
    low = VIA.to_bytes(2, "little").hex()[2:]

    def at(offset: int) -> str:
        return f"{offset:02X}{low}"

    setup = f"A940 8D{at(ACR)} A9C0 8D{at(IER)} A9E6 8D{at(T1CL)} A903 8D{at(T1CH)} 58"
    program, handler = f"{setup} E610 4C1502", f"48 AD{at(T1CL)} E611 A510 9DC003 68 40"
    cycles = 100_000
    core = machine(kind, program, lambda: [via()], handler=handler)
    core.run(cycles)

    timer = TickedTimer(1000)
    memory = ObservableMemory()
    memory.subscribe_to_read([VIA + T1CL], timer.clear)
    memory.subscribe_to_write([VIA + T1CH], timer.start)
    for address, code in ((0x0200, program), (0x0300, handler), (0xFFFE, "0003")):
        for place, byte in enumerate(bytes.fromhex(code)):
            memory[address + place] = byte
    mpu = mpu6502.MPU(memory=memory)
    mpu.pc, mpu.p = 0x0200, 0x34
    while mpu.processorCycles < cycles:
        mpu.step()
        timer.look(mpu.processorCycles)
        if timer.is_active and not mpu.p & 0x04:
            mpu.irq()
    assert core.counters.interrupts_taken == memory[0x11] > 90
    assert core.memory[0x11] == memory[0x11]
