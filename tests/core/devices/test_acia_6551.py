"""A 6551: characters at the programmed rate, status bits, interrupts, the stuck flag."""

from __future__ import annotations

from fractions import Fraction

import pytest

from busplay.core.devices.acia_6551 import AciaDevice
from busplay.core.devices.interface import NO_EVENT, BusDevice
from busplay.description.devices import Acia6551, AciaPart
from tests.core.devices.device_test import DeviceTest

DATA, STATUS, COMMAND, CONTROL = range(4)
SHEET = "Rockwell R6551 data sheet"
# 19,200 Bd, 8 bits, 1 stop bit; DTR active, no interrupts.
FAST, QUIET = 0x1F, 0x0B


def acia(
    part: AciaPart = "r6551", *, clock_hz: int = 1_000_000, incoming: bytes = b""
) -> AciaDevice:
    described = Acia6551(name="serial", first_address=0, last_address=3, part=part)
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
    device = acia(clock_hz=19_200, incoming=b"hi")
    device.write(CONTROL, FAST, 1)
    device.write(COMMAND, 0x13, 2)
    device.advance(23)
    assert device.take_sent(23) == b"hi"


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
    assert device.next_event_cycle() == 60
    device.advance(70)
    device.restore(kept)
    assert device.next_event_cycle() == 60
