"""A 6551: characters at the programmed rate, status bits, interrupts, the stuck flag."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.core.devices.acia_6551 import AciaDevice
from busplay.core.devices.interface import NO_EVENT, BusDevice
from busplay.description.devices import Acia6551, AciaPart
from tests.core.devices.device_test import DeviceTest
from tests.naive.acia_6551 import TickedAcia

DATA, STATUS, COMMAND, CONTROL = range(4)
SHEET = "Rockwell R6551 data sheet"
# 19,200 Bd, 8 bits, 1 stop bit; DTR active, no interrupts.
FAST, QUIET = 0x1F, 0x0B


def acia(
    part: AciaPart = "r6551", *, clock_hz: int = 1_000_000, incoming: bytes = b"", **pins: str
) -> AciaDevice:
    described = Acia6551(name="serial", first_address=0, last_address=3, part=part, pins=pins)
    return AciaDevice(described, clock_hz=clock_hz, incoming=incoming)


class TestAcia(DeviceTest):
    offsets = 4

    def make(self) -> BusDevice:
        return acia(clock_hz=20_000, incoming=bytes(range(1, 60)))

    def program(self) -> list[tuple[int, int]]:
        return [(CONTROL, FAST), (COMMAND, 0x05), (DATA, 0x41), (DATA, 0x42)]


class TestStuckAcia(TestAcia):
    def make(self) -> BusDevice:
        return acia("w65c51n", clock_hz=20_000, incoming=bytes(range(1, 60)))


class TestAciaWithKeysOnItsPins(TestAcia):
    def make(self) -> BusDevice:
        keyed = {"cts": "key a high", "dcd": "key b high", "dsr": "strobe"}
        device = acia(clock_hz=20_000, incoming=bytes(range(1, 60)), **keyed)
        for cycle, code in ((20, 97), (300, 98), (310, 97), (900, 98)):
            device.press(code, cycle=cycle)
        return device


# The rates of the table, in hundredths of a baud.
RATES = [5000, 7500, 10992, 13458, 15000, 30000, 60000, 120000, 180000, 240000, 360000, 480000,
         720000, 960000, 1920000]  # fmt: skip


@pytest.mark.source(
    SHEET, part="control register: rates with a 1.8432 MHz crystal", kind="from memory"
)
@pytest.mark.parametrize(("code", "rate"), list(enumerate(RATES, 1)))
def test_character_takes_ten_bits_of_the_programmed_rate(code: int, rate: int) -> None:
    device = acia(clock_hz=8_000_000)
    device.write(CONTROL, 0x10 | code, 10)
    device.write(COMMAND, QUIET, 20)
    device.write(DATA, 0x55, 30)
    cycles = 10 * Fraction(8_000_000 * 100, rate)
    # Rates of the table are rounded: 109.92 and 134.58.
    assert device.take_sent(30 + int(cycles * Fraction(999, 1000))) == b""
    assert device.take_sent(32 + int(cycles * Fraction(1001, 1000))) == b"\x55"


@pytest.mark.source(SHEET, part="control register: word length and stop bits", kind="from memory")
@pytest.mark.parametrize(
    ("control", "command", "bits"),
    [
        (0x1F, 0x0B, 10),  # 8N1
        (0x9F, 0x0B, 11),  # 8N2
        (0x3F, 0x0B, 9),  # 7N1
        (0xBF, 0x2B, 11),  # 7 bits, parity, 2 stop bits
        (0x9F, 0x2B, 11),  # 8 bits with parity: 1 stop bit
        (0xFF, 0x0B, 7.5),  # 5 bits without parity: 1.5 stop bits
    ],
)
def test_word_length_parity_and_stop_bits_make_the_character(
    control: int, command: int, bits: float
) -> None:
    device = acia()
    device.write(CONTROL, control, 1)
    device.write(COMMAND, command, 2)
    assert device.character_bits == bits


@pytest.mark.source(SHEET, part="status register: TDRE, and its interrupt", kind="from memory")
def test_transmit_register_is_full_until_the_shift_register_is_free() -> None:
    device = acia(clock_hz=19_200)  # a bit is a cycle
    device.write(CONTROL, FAST, 1)
    device.write(COMMAND, 0x05, 2)  # transmit interrupt
    assert device.line_from == 3
    assert device.read(STATUS, 4) == 0x90
    assert device.line_from == NO_EVENT
    device.write(DATA, 0x41, 10)  # gone in cycle 21
    assert device.read(STATUS, 11) == 0x90
    device.write(DATA, 0x42, 12)
    assert device.read(STATUS, 13) == 0x00
    assert device.line_from == 21
    assert device.read(STATUS, 20) == 0x00
    assert device.read(STATUS, 21) == 0x90
    assert device.take_sent(30) == b"A"
    assert device.take_sent(31) == b"B"


@pytest.mark.source(SHEET, part="status register: RDRF and overrun", kind="from memory")
def test_received_byte_interrupts_and_the_next_one_overruns() -> None:
    device = acia(clock_hz=19_200, incoming=b"xyz")
    device.write(CONTROL, FAST, 1)
    assert device.next_event_cycle() is None
    device.write(COMMAND, 0x09, 2)  # DTR and the receiver's interrupt
    assert device.next_event_cycle() == 3  # the start bit
    device.advance(3)
    assert device.next_event_cycle() == 13
    device.advance(13)
    assert device.line_from == 13
    assert device.read(STATUS, 14) == 0x98
    assert device.read(STATUS, 15) == 0x18
    device.advance(23)
    assert device.read(STATUS, 24) == 0x9C
    assert device.read(DATA, 25) == ord("x")
    assert device.read(STATUS, 26) == 0x10
    device.advance(33)
    assert device.read(DATA, 34) == ord("z")


@pytest.mark.source(SHEET, part="command register: DTR, IRD", kind="from memory")
def test_receiver_waits_for_dtr_and_its_interrupt_can_be_off() -> None:
    device = acia(clock_hz=19_200, incoming=b"x")
    device.write(CONTROL, FAST, 1)
    device.write(COMMAND, QUIET, 100)
    device.advance(111)
    assert device.read(STATUS, 112) == 0x18
    assert device.line_from == NO_EVENT


@pytest.mark.source(SHEET, part="command register: receiver echo mode", kind="from memory")
def test_echo_mode_sends_back_what_comes_in() -> None:
    device = acia(clock_hz=19_200, incoming=b"hope")
    device.write(CONTROL, FAST, 1)
    device.write(COMMAND, 0x13, 2)
    device.advance(13)
    assert device.output_level("rts", 13) == 0
    # An overrun stops the echo, as CTS does, until the byte is read.
    device.advance(23)
    device.read(DATA, 24)
    device.advance(33)
    device.read(DATA, 34)
    device.set_input("cts", 1, 40)
    device.advance(43)
    assert device.take_sent(43) == b"hp"


@pytest.mark.source(
    SHEET, part="programmed reset: command bits 4 to 0, overrun", kind="from memory"
)
def test_write_to_status_is_a_programmed_reset() -> None:
    device = acia()
    device.write(COMMAND, 0x6B, 1)
    device.write(CONTROL, FAST, 2)
    device.write(STATUS, 0x00, 3)
    assert (device.read(COMMAND, 4), device.read(CONTROL, 5)) == (0x60, FAST)


@pytest.mark.source(
    "Western Design Center W65C51N data sheet",
    part="both registers are loaded at once; transmit-empty always set",
    kind="from memory",
)
def test_stuck_part_says_empty_and_loses_what_it_shifts() -> None:
    device = acia("w65c51n", clock_hz=19_200)
    device.write(CONTROL, FAST, 1)
    device.write(COMMAND, QUIET, 2)
    device.write(DATA, 0x41, 10)
    assert device.read(STATUS, 11) == 0x10
    device.write(DATA, 0x42, 15)
    assert device.read(STATUS, 16) == 0x10
    assert device.take_sent(25) == b""
    assert device.take_sent(26) == b"B"
    device.write(COMMAND, 0x05, 30)
    assert (device.line_from, device.read(STATUS, 31), device.line_from) == (31, 0x90, 31)


def test_key_pressed_after_a_snapshot_comes_in_after_it_is_restored() -> None:
    device = acia(clock_hz=19_200)
    device.write(CONTROL, FAST, 1)
    device.write(COMMAND, 0x09, 2)
    kept = device.snapshot()
    device.press(65, cycle=50)
    assert device.next_event_cycle() == 50
    device.advance(50)
    assert device.next_event_cycle() == 60
    device.advance(70)
    device.restore(kept)
    assert device.next_event_cycle() == 50


@pytest.mark.source(SHEET, part="status register: DCD, DSR and their interrupt", kind="from memory")
@pytest.mark.parametrize("part", ["r6551", "w65c51n"])
def test_change_of_dcd_or_dsr_interrupts_and_stands_until_it_is_read(part: AciaPart) -> None:
    device = acia(part)
    device.write(COMMAND, 0x09, 1)
    device.set_input("dsr", 1, 10)
    assert device.line_from == 10
    device.set_input("dsr", 0, 12)
    device.set_input("dcd", 1, 14)
    # What was so after the first change; reading it shows the present levels, with an interrupt.
    assert device.read(STATUS, 20) == 0xD0
    assert device.line_from == 10
    assert device.read(STATUS, 30) == 0xB0
    assert device.line_from == NO_EVENT
    assert device.read(STATUS, 31) == 0x30


@pytest.mark.source(SHEET, part="command register: DTR enables interrupts", kind="from memory")
@pytest.mark.source(
    "Western Design Center W65C51N data sheet",
    part="command register: IRD masks DCD and DSR",
    kind="from memory",
)
@pytest.mark.parametrize(
    ("part", "command", "interrupts"),
    [
        ("r6551", 0x08, False),
        ("r6551", 0x09, True),
        ("r6551", 0x0B, True),
        ("w65c51n", 0x08, False),
        ("w65c51n", 0x09, True),
        ("w65c51n", 0x0B, False),
    ],
)
def test_command_register_masks_the_interrupt_of_the_modem_lines(
    part: AciaPart, command: int, interrupts: bool
) -> None:
    device = acia(part)
    device.write(COMMAND, command, 1)
    device.set_input("dcd", 1, 10)
    assert (device.line_from == 10) == interrupts
    assert device.read(STATUS, 11) & 0x20


@pytest.mark.source(SHEET, part="effect of CTS on the transmitter", kind="from memory")
@pytest.mark.parametrize(
    ("cut", "sent"),
    # The start bit is in cycles 11 to 14; eight bits of 0 follow.
    [(12, []), (13, [0xFF]), (16, [0xFF]), (17, [0xFE]), (30, [0xF0]), (45, [0x00])],
)
def test_cts_cuts_the_character_of_an_nmos_part_short(cut: int, sent: list[int]) -> None:
    device = acia(clock_hz=4 * 19_200)
    device.write(CONTROL, FAST, 1)
    device.write(COMMAND, 0x05, 2)
    device.write(DATA, 0x00, 10)
    device.write(DATA, 0x42, 11)
    device.read(STATUS, 12)
    device.set_input("cts", 1, cut)
    assert list(device.take_sent(300)) == sent
    # The next one waits, full and without an interrupt.
    assert device.line_from == NO_EVENT
    assert device.read(STATUS, 301) == 0x00
    device.set_input("cts", 0, 400)
    assert device.line_from == 400
    assert device.read(STATUS, 401) == 0x90
    assert (device.take_sent(439), device.take_sent(440)) == (b"", b"\x42")


@pytest.mark.source(
    "Western Design Center W65C51N data sheet",
    part="effect of CTSB on the transmitter",
    kind="from memory",
)
def test_cts_lets_a_cmos_part_finish_its_character() -> None:
    device = acia("w65c51n", clock_hz=4 * 19_200)
    device.write(CONTROL, FAST, 1)
    device.write(COMMAND, QUIET, 2)
    device.write(DATA, 0x41, 10)
    device.set_input("cts", 1, 20)
    device.write(DATA, 0x42, 30)
    assert device.take_sent(300) == b"A"
    device.set_input("cts", 0, 400)
    assert (device.take_sent(439), device.take_sent(440)) == (b"", b"B")


@pytest.mark.source(SHEET, part="command register: transmitter control", kind="from memory")
@pytest.mark.parametrize(("command", "rts"), [(0x03, 1), (0x0F, 0)])
def test_transmitter_that_is_off_or_sends_a_break_keeps_its_byte(command: int, rts: int) -> None:
    device = acia(clock_hz=19_200)
    device.write(CONTROL, FAST, 1)
    device.write(COMMAND, command, 2)
    device.write(DATA, 0x41, 10)
    assert device.output_level("rts", 11) == rts
    assert device.read(STATUS, 100) == 0x00
    device.write(COMMAND, QUIET, 110)
    assert (device.take_sent(120), device.take_sent(121)) == (b"", b"A")


@pytest.mark.source(SHEET, part="DCD must be low for the receiver", kind="from memory")
def test_receiver_waits_for_a_carrier() -> None:
    device = acia(clock_hz=19_200, incoming=b"xy")
    device.set_input("dcd", 1, 1)
    device.write(CONTROL, FAST, 2)
    device.write(COMMAND, QUIET, 3)
    assert device.next_event_cycle() is None
    device.set_input("dcd", 0, 100)
    device.advance(109)
    assert device.read(STATUS, 109) & 0x08 == 0
    device.advance(110)
    assert device.read(STATUS, 110) & 0x08
    # One that is on its way comes again.
    device.set_input("dcd", 1, 115)
    device.set_input("dcd", 0, 200)
    assert device.read(DATA, 201) == ord("x")
    device.advance(210)
    assert device.read(DATA, 211) == ord("y")


def test_modem_outputs_light_leds_and_inputs_follow_constants() -> None:
    device = acia(rts="led sends low", dtr="led idle", dsr="high")
    assert device.leds(0) == {"sends": False, "idle": True}
    assert device.read(STATUS, 1) == 0x50
    device.write(COMMAND, QUIET, 2)
    assert device.leds(3) == {"sends": True, "idle": False}


def test_rate_of_a_byte_that_is_yet_to_come_is_the_one_programmed_then() -> None:
    """Keys known in advance had the rate of the cycle in which the receiver was enabled."""

    def arrival(*, knows: bool) -> int:
        device = acia(clock_hz=19_200)
        if knows:
            device.press(65, cycle=500)
        device.write(CONTROL, 0x1E, 1)
        device.write(COMMAND, QUIET, 2)
        device.write(CONTROL, FAST, 300)
        if not knows:
            device.press(65, cycle=500)
        device.advance(500)
        found = device.next_event_cycle()
        assert found is not None
        return found

    assert arrival(knows=True) == arrival(knows=False) == 510


STEPS = st.one_of(
    st.tuples(st.just("read"), st.integers(0, 3), st.just(0)),
    st.tuples(st.just("write"), st.just(DATA), st.integers(0, 255)),
    st.tuples(st.just("write"), st.just(DATA), st.integers(0, 255)),
    st.tuples(st.just("write"), st.just(STATUS), st.just(0)),
    st.tuples(st.just("write"), st.just(COMMAND), st.integers(0, 31)),
    st.tuples(st.just("write"), st.just(COMMAND), st.sampled_from([0x05, 0x09, 0x0B, 0x13])),
    st.tuples(st.just("input"), st.sampled_from(["cts", "dcd", "dsr"]), st.integers(0, 1)),
    st.tuples(st.just("press"), st.just(0), st.integers(0, 255)),
)


@settings(max_examples=300)
@given(
    part=st.sampled_from(["r6551", "w65c51n"]),
    bit_cycles=st.sampled_from([2, 6]),
    control=st.sampled_from([0x1F, 0x9F, 0x3F, 0xFF, 0x5F]),
    parity=st.sampled_from([0, 0x20, 0xE0]),
    steps=st.lists(
        st.tuples(st.one_of(st.integers(1, 4), st.integers(1, 60)), STEPS), min_size=1, max_size=50
    ),
)
def test_acia_that_jumps_is_the_one_that_is_ticked(
    part: AciaPart,
    bit_cycles: int,
    control: int,
    parity: int,
    steps: list[tuple[int, tuple[str, int | str, int]]],
) -> None:
    ours = acia(part, clock_hz=19_200 * bit_cycles)
    ticked = TickedAcia(part == "w65c51n", bit_cycles, [])
    setting_up = [(1, ("write", CONTROL, control)), (1, ("write", COMMAND, QUIET | parity))]
    for gap, (what, where, value) in [*setting_up, *steps]:
        for _ in range(gap):
            ticked.tick()
            event = ours.next_event_cycle()
            if event is not None and event <= ticked.cycle:
                ours.advance(ticked.cycle)
            assert (ours.line_from <= ticked.cycle) == ticked.line, ticked.cycle
        if what == "read":
            assert ours.read(int(where), ticked.cycle) == ticked.read(int(where)), ticked.cycle
        elif what == "write":
            data = value | parity if where == COMMAND else value
            ours.write(int(where), data, ticked.cycle)
            ticked.write(int(where), data)
        elif what == "input":
            ours.set_input(str(where), value, ticked.cycle)
            ticked.set_input(str(where), value)
        else:
            ours.press(value, cycle=ticked.cycle)
            ticked.press(value)
        for pin in ("rts", "dtr"):
            assert ours.output_level(pin, ticked.cycle) == getattr(ticked, pin)
    assert ours.take_sent(ticked.cycle) == bytes(byte for _, byte in ticked.far_end)
