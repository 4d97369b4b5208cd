"""What a board file connects to a 6522's pins: constants, keys, chance, other pins."""

from __future__ import annotations

from pathlib import Path

import pytest

from busplay.core.devices.make import devices_of_board
from busplay.core.devices.via_6522 import ViaDevice
from busplay.description.devices import Via6522
from busplay.link.load import load_board
from tests.description.writing import BOARD

ORB, ORA, DDRB, PCR, ACR, IFR, IER = 0, 1, 2, 12, 11, 13, 14


def device(name: str = "via", **pins: str) -> ViaDevice:
    described = Via6522(name=name, first_address=0, last_address=15, part="r6522", pins=pins)
    return ViaDevice(described, clock_hz=1_000_000)


def test_constants_hold_their_pins() -> None:
    one = device(pa="low", pb0="low", pb1="high", ca1="low", ca2="high")
    assert (one.read(ORA, 1), one.read(ORB, 2)) == (0x00, 0xFE)
    assert one.read(IFR, 3) == 0


def test_key_pulls_its_pin_while_it_is_down() -> None:
    one = device(pa0="key left", pa1="key a high", pa2="key Space")
    one.press(130, cycle=1000)
    one.press(97, cycle=2000)
    one.press(130, cycle=30_000)
    seen = []
    for cycle in (999, 1000, 2000, 51_999, 52_000, 79_999, 80_000):
        one.advance(cycle)
        seen.append(one.read(ORA, cycle) & 7)
    # A twentieth of a second each, the left one pressed again in time.
    assert seen == [0b101, 0b100, 0b110, 0b110, 0b100, 0b100, 0b101]


def test_code_stays_on_the_port_and_the_strobe_falls_at_each_key() -> None:
    one = device(pa="code", ca1="strobe", pb7="code 0")
    one.write(IER, 0x82, 1)
    one.press(0x41, cycle=500)
    one.press(0x42, cycle=505)
    one.press(0xC3, cycle=900)
    assert one.next_event_cycle() == 500
    one.advance(500)
    assert one.line_from == 500
    assert one.read(ORA, 501) == 0x41
    one.advance(505)
    # The pulse of the second key goes on where the first one's is: no edge.
    assert one.read(IFR, 506) == 0
    assert one.read(ORA, 507) == 0x42
    assert one.next_event_cycle() == 515
    one.advance(515)
    one.advance(900)
    assert one.read(IFR, 901) == 0x82
    assert (one.read(ORA, 902), one.read(ORB, 903) >> 7) == (0xC3, 1)


def test_random_pins_are_the_same_in_each_run_and_differ_over_time() -> None:
    def reads(name: str) -> list[int]:
        one = device(name, pa="random")
        return [one.read(ORA, cycle) for cycle in range(1000)]

    read = [reads("via"), reads("via")]
    assert read[0] == read[1]
    assert len(set(read[0])) > 200
    ones = [sum(byte >> bit & 1 for byte in read[0]) for bit in range(8)]
    # Six standard deviations of 1,000 fair throws.
    assert all(abs(count - 500) < 6 * 15.9 for count in ones)
    assert reads("b") != read[0]


def board_with(tmp_path: Path, *devices: tuple[str, int, str]) -> Path:
    path = tmp_path / "board.toml"
    path.write_text(
        BOARD
        + "".join(
            f'[[devices]]\nkind = "via_6522"\nname = "{name}"\nfirst_address = {address:#x}\n{more}'
            for name, address, more in devices
        )
    )
    return path


def test_pin_follows_an_output_of_another_and_of_its_own(tmp_path: Path) -> None:
    board = load_board(
        board_with(
            tmp_path,
            ("a", 0xA800, 'pins = {pb6 = "a.pb7"}\n'),
            ("b", 0xA900, 'irq = true\npins = {ca1 = "a.pb7", pa0 = "a.pb0"}\n'),
        )
    )
    bus = devices_of_board(board)
    assert bus is not None
    bus.reset(6)
    # a: timer 1 free-running with PB7, 50 + 2 cycles; timer 2 counts its falls.
    for cycle, offset, data in (
        (10, ACR, 0xE0), (11, 8, 1), (12, 9, 0), (13, DDRB, 0x01), (14, ORB, 0x00), (15, 4, 50),
    ):  # fmt: skip
        bus.write(0xA800 + offset, data, cycle)
    bus.write(0xA90E, 0x82, 16)
    bus.write(0xA805, 0, 20)
    # PB7 falls with the write, so CA1 of b does in the next cycle; then with each second time-out.
    assert bus.line_from == 21
    assert bus.read(0xA901, 23) == 0xFE
    bus.advance(123)
    assert bus.line_from > 123
    bus.advance(124)
    assert bus.line_from == 124
    assert bus.read(0xA90D, 125) == 0x82
    # Timer 2 of a passes 0 with the second of these falls.
    assert bus.read(0xA80D, 126) & 0x20 == 0x20


def test_serial_port_and_ports_are_wired_both_ways(tmp_path: Path) -> None:
    path = board_with(
        tmp_path, ("a", 0xA800, 'irq = true\npins = {ca1 = "serial.rts", pb6 = "serial.dtr"}\n')
    )
    with path.open("a") as stream:
        stream.write(
            '[[devices]]\nkind = "acia_6551"\nname = "serial"\nfirst_address = 0xA840\n'
            'pins = {cts = "a.pb0", dcd = "low", dsr = "key space"}\n'
        )
    bus = devices_of_board(load_board(path))
    assert bus is not None
    # The port is an input after power-on: CTS is high, and what is written waits.
    bus.write(0xA80E, 0x82, 10)
    bus.write(0xA842, 0x0B, 11)
    assert bus.line_from == 12
    assert bus.read(0xA800, 13) & 0x40 == 0
    bus.write(0xA840, 0x41, 20)
    assert bus.read(0xA841, 21) == 0x40
    bus.write(0xA802, 0x01, 30)
    assert bus.read(0xA841, 31) == 0x50
    bus.press(32, cycle=40)
    bus.advance(40)
    assert bus.read(0xA841, 41) == 0x90
    assert bus.read(0xA841, 42) == 0x10


@pytest.mark.parametrize("levels", [(0, 1, 0), (1, 0, 1)])
def test_ring_of_pins_settles_or_gives_up(tmp_path: Path, levels: tuple[int, ...]) -> None:
    board = load_board(
        board_with(
            tmp_path,
            ("a", 0xA800, 'pins = {pa0 = "b.pa0"}\n'),
            ("b", 0xA900, 'pins = {pa0 = "a.pa0"}\n'),
        )
    )
    bus = devices_of_board(board)
    assert bus is not None
    bus.write(0xA803, 0x01, 10)
    for cycle, level in enumerate(levels):
        bus.write(0xA801, level, 20 + 4 * cycle)
        assert bus.read(0xA901, 22 + 4 * cycle) & 1 == level
