from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busplay.core.host_port import NEVER, HostPortDevice, KeyCode, Register
from tests.core.programs import port, put, rows, small_machine

pytestmark = pytest.mark.usefixtures("core_kind")


def naive_refresh_pending(
    clock_hz: int, refresh_hz: int, acknowledged: list[int], cycle: int
) -> bool:
    """Walk through every cycle: refresh k is due at floor(k*clock/rate)."""
    pending = False
    number = 1
    for now in range(cycle + 1):
        while number * clock_hz // refresh_hz <= now:
            pending = True
            number += 1
        if now in acknowledged and now != cycle:
            pending = False
    return pending


@given(
    clock_hz=st.integers(1, 60),
    refresh_hz=st.integers(1, 70),
    gaps=st.lists(st.integers(1, 40), max_size=6),
    last=st.integers(1, 60),
)
def test_refresh_is_pending_as_in_a_walk_through_all_cycles(
    clock_hz: int, refresh_hz: int, gaps: list[int], last: int
) -> None:
    host_port = port(clock_hz=clock_hz, refresh_hz=refresh_hz)
    # The reset at power-on, in cycle 0, acknowledges what is due by then.
    acknowledged = [0]
    for gap in gaps:
        acknowledged.append(acknowledged[-1] + gap)
        host_port.write(Register.REFRESH_ACK, 0, cycle=acknowledged[-1])
    cycle = acknowledged[-1] + last
    pending = bool(host_port.read(Register.REFRESH, cycle=cycle) & 0x80)
    assert pending == naive_refresh_pending(clock_hz, refresh_hz, acknowledged, cycle)
    host_port.write(Register.REFRESH, 1, cycle=cycle)
    active_at_once = host_port.interrupt_cycle() == cycle + 1
    assert active_at_once == naive_refresh_pending(clock_hz, refresh_hz, acknowledged, cycle + 1)


def test_refresh_comes_at_the_floor_of_its_multiple() -> None:
    host_port = port(clock_hz=8_000_000, refresh_hz=60)
    for number in range(1, 200):
        due = number * 8_000_000 // 60
        assert host_port.read(Register.REFRESH, cycle=due - 1) == 0x00
        assert host_port.read(Register.REFRESH, cycle=due) == 0x80
        host_port.write(Register.REFRESH_ACK, 0, cycle=due)
        assert host_port.read(Register.REFRESH, cycle=due + 1) == 0x00


def test_interrupt_line_needs_enable_and_pending() -> None:
    host_port = port(clock_hz=1000, refresh_hz=10)
    assert host_port.interrupt_cycle() == NEVER
    host_port.write(Register.REFRESH, 0xFF, cycle=30)
    assert host_port.read(Register.REFRESH, cycle=31) == 0x01
    assert host_port.interrupt_cycle() == 100
    host_port.write(Register.REFRESH_ACK, 0, cycle=120)
    assert host_port.interrupt_cycle() == 200
    host_port.write(Register.REFRESH, 0xFE, cycle=250)
    assert host_port.interrupt_cycle() == NEVER
    host_port.write(Register.REFRESH, 0x01, cycle=260)
    assert host_port.interrupt_cycle() == 261


def test_enabling_twice_changes_nothing() -> None:
    host_port = port(clock_hz=1000, refresh_hz=10)
    host_port.write(Register.REFRESH, 1, cycle=150)
    host_port.write(Register.REFRESH, 1, cycle=170)
    assert host_port.interrupt_cycle() == 151


def test_keys_wait_from_their_cycle_on_and_are_taken_in_order() -> None:
    host_port = port()
    host_port.press(ord("a"), cycle=100)
    host_port.press(KeyCode.LEFT, cycle=100)
    host_port.press(KeyCode.RETURN, cycle=250)
    assert host_port.read(Register.KEY_READY, cycle=99) == 0
    assert host_port.read(Register.KEY_CODE, cycle=99) == 0
    assert host_port.read(Register.KEY_READY, cycle=100) == 0x82
    assert host_port.read(Register.KEY_CODE, cycle=101) == 97
    assert host_port.read(Register.KEY_CODE, cycle=102) == 130
    assert host_port.read(Register.KEY_CODE, cycle=103) == 0
    assert host_port.read(Register.KEY_READY, cycle=300) == 0x81
    assert host_port.read(Register.KEY_CODE, cycle=300) == 13
    assert host_port.key_log == ((100, 97), (100, 130), (250, 13))


def test_key_ready_shows_127_keys_at_most() -> None:
    host_port = port()
    for _ in range(200):
        host_port.press(65, cycle=1)
    assert host_port.read(Register.KEY_READY, cycle=1) == 0xFF
    for _ in range(200):
        assert host_port.read(Register.KEY_CODE, cycle=1) == 65
    assert host_port.read(Register.KEY_READY, cycle=1) == 0


@pytest.mark.parametrize(
    ("code", "cycle", "message"),
    [
        (0, 10, "code is 0; a key code is 1 to 255"),
        (256, 10, "code is 256; a key code is 1 to 255"),
        (65, 4, "cycle is 4, before the last key's 5"),
    ],
)
def test_wrong_keys_are_refused(code: int, cycle: int, message: str) -> None:
    host_port = port()
    host_port.press(65, cycle=5)
    with pytest.raises(ValueError, match=message):
        host_port.press(code, cycle=cycle)


def test_reading_tick_s_low_byte_latches_the_others() -> None:
    host_port = port()
    assert host_port.read(Register.TICK, cycle=0x1_2345_6789) == 0x89
    later = [host_port.read(Register.TICK + place, cycle=0x1_FFFF_FFFF) for place in (1, 2, 3)]
    assert later == [0x67, 0x45, 0x23]


def test_console_bytes_are_returned_once() -> None:
    host_port = port()
    for byte in b"tide\n":
        host_port.write(Register.CONSOLE, byte, cycle=1)
    assert host_port.take_console() == b"tide\n"
    assert host_port.take_console() == b""


def naive_xorshift32(state: int) -> int:
    bits = [state >> place & 1 for place in range(32)]
    bits = [bits[i] ^ (bits[i - 13] if i >= 13 else 0) for i in range(32)]
    bits = [bits[i] ^ (bits[i + 17] if i + 17 < 32 else 0) for i in range(32)]
    bits = [bits[i] ^ (bits[i - 5] if i >= 5 else 0) for i in range(32)]
    return sum(bit << place for place, bit in enumerate(bits))


@given(st.integers(0, 0xFFFFFFFF))
def test_random_is_xorshift32_bit_by_bit(seed: int) -> None:
    host_port = port(seed=seed)
    state = seed or 0xFFFFFFFF
    for _ in range(20):
        state = naive_xorshift32(state)
        assert host_port.read(Register.RANDOM, cycle=0) == state & 0xFF


def test_unused_registers_read_zero_and_ignore_writes() -> None:
    host_port = port()
    for offset in (2, 9, 10, 11, 12, 13, 14, 15):
        assert host_port.read(offset, cycle=5) == 0
    for offset in (0, 1, 3, 4, 5, 6, 7, 11, 12, 13, 14, 15):
        host_port.write(offset, 0xFF, cycle=5)
    assert host_port.exit_status is None
    assert host_port.interrupt_cycle() == NEVER
    assert host_port.take_console() == b""


def test_reset_disables_the_interrupt_and_restarts_random() -> None:
    host_port: HostPortDevice = port(clock_hz=1000, refresh_hz=10)
    first = [host_port.read(Register.RANDOM, cycle=0) for _ in range(5)]
    host_port.write(Register.REFRESH, 1, cycle=1)
    host_port.write(Register.EXIT, 3, cycle=1)
    host_port.read(Register.TICK, cycle=0xFFFFFFFF)
    host_port.press(65, cycle=5)
    host_port.reset(350)
    assert host_port.interrupt_cycle() == NEVER
    assert host_port.exit_status is None
    assert host_port.read(Register.REFRESH, cycle=399) == 0
    assert host_port.read(Register.REFRESH, cycle=400) == 0x80
    assert host_port.read(5, cycle=1) == 0
    assert [host_port.read(Register.RANDOM, cycle=0) for _ in range(5)] == first
    assert host_port.read(Register.KEY_CODE, cycle=400) == 65


@pytest.mark.parametrize(
    ("code", "read_cycle"),
    [
        ("AD04A4 8D0040", 4),  # LDA abs
        ("A2F0 BD14A3 8D0040", 2 + 5),  # LDX #$F0, LDA abs,X over a page
        ("A204 BD00A4 8D0040", 2 + 4),  # LDA abs,X within
        ("A004 B140 8D0040", 2 + 5),  # LDA (zp),Y
        ("A0F4 B142 8D0040", 2 + 6),  # LDA (zp),Y over a page
        ("B244 8D0040", 5),  # LDA (zp)
        ("A200 A144 8D0040", 2 + 6),  # LDA (zp,X)
        ("A900 F8 EAEA 6D04A4 D8 8D0040", 2 + 2 + 4 + 4),  # ADC abs, decimal: then one cycle more
        ("A9FF 2D04A4 8D0040", 2 + 4),  # AND abs
    ],
)
def test_tick_is_the_cycle_of_the_read_itself(code: str, read_cycle: int) -> None:
    core = small_machine(code)
    put(core, 0x0040, "00A4 10A3 04A4")
    first_cycle = core.cycle
    core.run(60)
    low = (first_cycle + read_cycle - 1) & 0xFF
    assert rows(core)[0][2] == low


def test_timing_of_a_stretch_of_code_comes_out_exact() -> None:
    # LDX tick; eight NOPs; LDA tick; the difference is 4 + 16.
    core = small_machine("AE04A4 8E0040" + "EA" * 8 + "AD04A4 8D0140")
    core.run(60)
    (_, _, first), (_, _, second) = rows(core)
    assert second - first == 4 + 16 + 4


def test_keys_reach_a_program_at_their_cycle() -> None:
    # loop: LDA key_ready, BPL loop, LDA key_code, STA $4000, JMP loop
    core = small_machine("AD00A4 10FB AD01A4 8D0040 4C0002")
    assert core.host_port is not None
    core.host_port.press(ord("x"), cycle=500)
    core.host_port.press(ord("y"), cycle=1500)
    core.run(3000)
    stored = rows(core)
    assert [(address, data) for _, address, data in stored] == [(0x4000, 120), (0x4000, 121)]
    assert 500 + 4 <= stored[0][0] <= 500 + 4 + 4 + 2 + 7
    assert 1500 + 4 <= stored[1][0] <= 1500 + 4 + 4 + 2 + 7


def test_console_and_exit_end_a_run_with_its_status() -> None:
    core = small_machine("A948 8D02A4 A949 8D02A4 A903 8D0AA4 EA")
    assert core.host_port is not None
    ran = core.run(1_000_000)
    assert ran == 3 * (2 + 4)
    assert core.host_port.take_console() == b"HI"
    assert core.stop is not None
    assert core.stop.kind == "exit"
    assert core.stop.exit_status == 3
    assert core.stop.address == 0x020C
    assert core.stop.reason == "$020C: opcode $8D (STA) wrote 3 to the host port's EXIT"
    assert core.run(10) == 0


def test_nmos_read_modify_write_writes_a_register_twice() -> None:
    # INC console: the old value, which reads as 0, then 1.
    core = small_machine("EE02A4", processor="6502")
    core.step()
    assert core.host_port is not None
    assert core.host_port.take_console() == b"\x00\x01"
    core = small_machine("EE02A4", processor="65c02")
    core.step()
    assert core.host_port is not None
    assert core.host_port.take_console() == b"\x01"


@pytest.mark.parametrize("code", ["0C01A4", "1C01A4", "EE01A4", "2E01A4"])
def test_read_modify_write_takes_a_key_once(code: str) -> None:
    core = small_machine(code)
    assert core.host_port is not None
    core.host_port.press(65, cycle=0)
    core.host_port.press(66, cycle=0)
    core.step()
    assert core.host_port.read(Register.KEY_READY, cycle=core.cycle) == 0x81


def test_instruction_bytes_in_the_port_do_not_reach_it() -> None:
    core = small_machine("EA")
    core.memory[0xA400:0xA404] = [0xA9, 0x55, 0xA5, 0x40]
    core.pc = 0xA400
    assert core.host_port is not None
    core.host_port.press(65, cycle=0)
    core.run(5)
    assert core.host_port.read(Register.KEY_READY, cycle=core.cycle) == 0x81
    assert core.pc == 0xA404


def test_long_output_to_the_console_arrives_complete_and_in_order() -> None:
    # INX, STX CONSOLE, BRA back: more bytes than a core gathers at a time.
    core = small_machine("E8 8E02A4 80FA")
    core.run(9 * 10_000)
    assert core.host_port is not None
    assert core.host_port.take_console() == bytes((number + 1) & 0xFF for number in range(10_000))
