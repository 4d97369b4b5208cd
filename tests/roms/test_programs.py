"""Each program does what roms/README.md says, on the reference core."""

from __future__ import annotations

import math

import numpy as np
import pytest

import busplay
from busplay.core.devices.via_6522 import ViaDevice
from busplay.core.interface import bus_of
from busplay.display.display import Display
from tests.roms.machine import PROGRAMS, ROMS, Machine

SOON_CYCLES = 200_000
ESCAPE, UP, LEFT, RIGHT = 27, 128, 130, 131


@pytest.mark.parametrize("name", PROGRAMS)
def test_something_is_seen_within_200_000_cycles(name: str) -> None:
    machine = Machine(name)
    machine.run(SOON_CYCLES)
    assert machine.panel.any() or machine.sign.any()
    assert machine.core.counters.stores_tapped > 500
    assert machine.stop is None


@pytest.mark.parametrize("name", PROGRAMS)
def test_a_program_needs_nothing_of_memory_before_it_runs(name: str) -> None:
    clean, dirty = Machine(name), Machine(name)
    # Panel and sign keep their own memory; the RAM here begins with the same contents.
    dirty.core.memory[0x0000:0x4000] = np.random.default_rng(3).integers(0, 256, 0x4000)
    for machine in (clean, dirty):
        machine.run(SOON_CYCLES)
    stores, again = clean.core.take_stores(), dirty.core.take_stores()
    assert np.array_equal(stores.cycle, again.cycle)
    assert np.array_equal(stores.address, again.address)
    assert np.array_equal(stores.data, again.data)


@pytest.mark.parametrize("name", PROGRAMS)
def test_a_program_stores_only_where_there_is_something(name: str) -> None:
    machine = Machine(name, refresh_hz=2_000)
    machine.run(1_000_000)
    assert machine.core.counters.rom_writes_ignored == 0
    assert machine.core.counters.unmapped_writes_ignored == 0


@pytest.mark.parametrize("name", PROGRAMS)
def test_no_store_comes_before_the_default_link_is_free_again(name: str) -> None:
    machine = Machine(name)
    machine.run(400_000)
    gaps = np.diff(machine.core.take_stores().cycle.astype(np.int64))
    assert gaps.min() >= 4


# ---- tides ----


@pytest.mark.thorough
def test_tides_lays_water_over_the_dry_scene_as_its_edges_say() -> None:
    machine = Machine("tides")
    machine.run_to("main_loop", at_most_cycles=1_200_000)
    machine.run(3 * 133_334)
    machine.run_to("glitter", at_most_cycles=200_000)

    dry = machine.bytes_at("dry_buffer", 80 * 128).reshape(80, 128)
    edges = machine.bytes_at("edges", 128).astype(int)
    foam = machine.bytes_at("foam", 4)
    shallow, middle, deep = (
        machine.bytes_at(f"tint_{depth}", 256) for depth in ("shallow", "middle", "deep")
    )
    expected = dry.copy()
    for column in range(128):
        for row in range(80):
            below = row + 112 - edges[column]
            if below == 0:
                expected[row, column] = foam[column & 3]
            elif below > 0:
                tint = shallow if below <= 8 else middle if below <= 24 else deep
                expected[row, column] = tint[dry[row, column]]
    assert len(set(edges)) > 2
    assert np.array_equal(machine.panel[112:], expected)


def test_tides_shows_its_level_in_hundredths_of_a_metre_on_the_sign() -> None:
    machine = Machine("tides")
    machine.run_to("show_level", at_most_cycles=200_000)
    machine.run_to("paint_sky", at_most_cycles=200_000)
    centimetres = 60 + 2 * machine.number_at("level", 1)
    digits = machine.bytes_at("large_digits", 440).reshape(10, 22, 2)
    for place, column in enumerate((0, 3, 5)):
        shown = machine.sign[:22, column : column + 2]
        digit = int(f"{centimetres:03}"[place])
        assert np.array_equal(shown, digits[digit])


@pytest.mark.thorough
def test_tides_is_paced_by_the_refresh_interrupt() -> None:
    machine = Machine("tides")
    machine.run_to("main_loop", at_most_cycles=1_200_000)
    first = machine.core.counters.interrupts_taken
    machine.run(10 * 133_334)
    assert machine.core.counters.interrupts_taken - first == 10
    assert machine.number_at("clock", 2) in (9, 10)


# ---- rule30 ----


def rule_30(cells: list[int]) -> list[int]:
    """The next row by the rule: left XOR (itself OR right), the ends joined."""
    count = len(cells)
    return [cells[i - 1] ^ (cells[i] | cells[(i + 1) % count]) for i in range(count)]


@pytest.mark.thorough
def test_rule30_draws_a_generation_in_each_row() -> None:
    machine = Machine("rule30", refresh_hz=2_000)
    machine.run_to("show_rule", at_most_cycles=400_000)
    rows = (machine.pixels[:32] != 0).astype(int).tolist()
    cells = [int(i == 127) for i in range(256)]
    for row in rows:
        assert row == cells
        cells = rule_30(cells)


@pytest.mark.thorough
def test_rule30_scrolls_by_the_base_address_once_the_panel_is_full() -> None:
    machine = Machine("rule30", refresh_hz=20_000)
    machine.run_to("scroll_row", at_most_cycles=3_000_000)
    assert machine.number_at("row", 2) == 192
    machine.core.take_stores()
    machine.run_to("show_row", at_most_cycles=10_000)
    stores = machine.core.take_stores()
    assert stores.address.tolist() == [0xA300, 0xA301]
    assert stores.data.tolist() == [0x80, 0x00]


# ---- stars ----


@pytest.mark.thorough
def test_stars_puts_back_what_its_stars_covered() -> None:
    machine = Machine("stars")
    machine.run_to("take_off", at_most_cycles=1_500_000)
    dust = machine.panel
    for _ in range(3):
        machine.run_to("draw_all", at_most_cycles=20_000)
        assert np.array_equal(machine.panel, dust)
        machine.run_to("take_off", at_most_cycles=200_000)
        assert 60 < np.count_nonzero(machine.panel != dust) <= 240
    assert dust.any()


# ---- fill ----


@pytest.fixture(scope="module")
def filled() -> Machine:
    """Run fill to its end, with fast refreshes."""
    machine = Machine("fill", refresh_hz=20_000)
    machine.run(8_000_000)
    return machine


def test_fill_ends_with_exit_status_0(filled: Machine) -> None:
    assert filled.stop is not None
    assert (filled.stop.kind, filled.stop.exit_status) == ("exit", 0)


@pytest.mark.source(
    "MCS6500 Programming Manual",
    part="STA (zp),Y 6, STA abs,X 5, INY and INX 2, BNE taken 3 cycles",
    kind="from memory",
)
def test_fill_measures_11_cycles_a_byte_and_unrolled_45_for_eight(filled: Machine) -> None:
    slow, fast = filled.number_at("slow", 3), filled.number_at("fast", 3)
    # In addition to the loops there are the step to the next page, the call, and reading TICK; and
    # one of the twelve unrolled loops lies across a page, where a branch takes a cycle more.
    assert 24_576 * 11 <= slow <= 24_576 * 11 + 96 * 10 + 100
    assert 24_576 * 45 / 8 <= fast <= 24_576 * 45 / 8 + 12 * 10 + 256 + 100


def test_fill_prints_what_it_measured(filled: Machine) -> None:
    slow, fast = filled.number_at("slow", 3), filled.number_at("fast", 3)
    assert filled.bytes_at("decimal_text", 11).tobytes() == f"{fast:10,}\0".encode()
    hundredths = slow * 100 // fast
    assert filled.bytes_at("ratio_text", 5).tobytes() == f"{hundredths / 100:.2f}\0".encode()


def test_fill_draws_bars_as_long_as_its_figures(filled: Machine) -> None:
    lengths = {
        colour: int(np.count_nonzero(filled.pixels == colour, axis=1).max()) for colour in (13, 14)
    }
    for colour, cycles in ((13, "slow"), (14, "fast")):
        assert lengths[colour] == 2 * (filled.number_at(cycles, 3) // 2_560)


def test_fill_clears_with_colours_whose_change_is_no_flash() -> None:
    machine = Machine("fill")
    machine.run_to("next_round", at_most_cycles=100_000)
    colours = machine.bytes_at("palette", 24).reshape(8, 3) / 255
    linear = np.where(colours <= 0.04045, colours / 12.92, ((colours + 0.055) / 1.055) ** 2.4)
    luminance = linear @ (0.2126, 0.7152, 0.0722)
    assert luminance.max() - luminance.min() < 0.1 / 10


# ---- keys ----


@pytest.fixture
def beach() -> Machine:
    """Keys, waiting for the first key."""
    machine = Machine("keys", refresh_hz=1_000)
    machine.run(900_000)
    return machine


def test_keys_writes_what_is_typed_on_the_sign_and_on_the_console(beach: Machine) -> None:
    before = beach.sign
    for letter in b"Hi":
        beach.press(letter)
        beach.run(150_000)
    assert beach.take_console() == b"Hi"
    font = beach.bytes_at("font", 96 * 8).reshape(96, 8)
    pixels = np.unpackbits(beach.sign, axis=1)
    column = 1 + 6 * len("The sign says: ")
    for letter in b"Hi":
        glyph = np.unpackbits(font[letter - 32][:, None], axis=1)[:, :6]
        assert np.array_equal(pixels[:8, column : column + 6], glyph)
        column += 6
    assert not np.array_equal(beach.sign, before)


def test_keys_walks_the_bird_and_leaves_prints(beach: Machine) -> None:
    column, row = beach.number_at("_bird_column", 1), beach.number_at("_bird_row", 1)
    for code, steps in ((LEFT, (-4, 0)), (UP, (0, -8)), (RIGHT, (4, 0))):
        beach.press(code)
        beach.run(400_000)
        column, row = column + steps[0], row + steps[1]
        assert beach.number_at("_bird_column", 1) == column
        assert beach.number_at("_bird_row", 1) == row
    assert np.count_nonzero(beach.panel[34:148] == 0x88) >= 4


def test_keys_ends_at_escape_with_exit_status_0(beach: Machine) -> None:
    beach.press(ESCAPE)
    beach.run(100_000)
    assert beach.stop is not None
    assert (beach.stop.kind, beach.stop.exit_status) == ("exit", 0)


# ---- waves ----


@pytest.mark.source(
    "definition of the sine and of the distance",
    part="sum of three damped waves in floating point",
    kind="computed",
)
def test_waves_agrees_with_floating_point_to_one_colour() -> None:
    machine = Machine("waves")
    machine.run(600_000)
    drops = [
        machine.bytes_at(f"_drop_{what}", 3).astype(int) for what in ("x", "y", "phase", "step")
    ]
    drawn = 0
    for column in range(8):
        if not (machine.pixels[:32, column * 32 : column * 32 + 32]).any():
            break
        height = 0.0
        for x, y, phase, step in zip(*drops, strict=True):
            distance = math.hypot(column * 32 - x, y)
            turns = 16 * distance * step / 65_536 - phase / 256
            damping = 3_740 / (22 + distance / 4)
            height += 127 * math.sin(2 * math.pi * turns) * damping
        expected = min(max((height + 32_768) / 4_096, 0), 15)
        assert abs(int(machine.pixels[0, column * 32]) + 0.5 - expected) < 1
        drawn += 1
    assert drawn >= 4


def test_waves_ends_at_escape_with_exit_status_0() -> None:
    machine = Machine("waves")
    machine.run(600_000)
    machine.press(ESCAPE)
    machine.run(400_000)
    assert machine.stop is not None
    assert (machine.stop.kind, machine.stop.exit_status) == ("exit", 0)


def test_clock_counts_seconds_by_its_timer_and_blinks_its_lamp() -> None:
    machine = Machine("clock")
    bus = bus_of(machine.core)
    assert bus is not None
    ports = bus.slot_at(0xA500).device
    assert isinstance(ports, ViaDevice)
    lamps = []
    for _ in range(6):
        machine.run(4_000_000)
        lamps.append(ports.leds(machine.core.cycle)["lookout"])
    # Half a second each, a fraction after power-on.
    assert lamps == [False, True, False, True, False, True]
    assert machine.number_at("seconds", 1) == 0x02
    assert machine.core.counters.interrupts_taken == pytest.approx(3000 - 25, abs=5)
    machine.run(10 * 8_000_000)
    assert machine.number_at("seconds", 1) == 0x12


def test_log_echoes_counts_and_shows_lines_and_ends_at_escape() -> None:
    machine = Machine("log")
    machine.run(400_000)
    for letter in b"two seals\rfog\r":
        machine.press(letter)
        machine.run(80_000)
    assert machine.number_at("count", 1) == 2
    assert machine.bytes_at("line", 4).tobytes() == b"fog\0"
    before = machine.sign
    machine.press(27)
    machine.run(800_000)
    assert machine.take_console().startswith(
        b"Harbour log, 19,200 Bd\r\n\r\n> two seals"
        b"\r\nnoted, line  1\r\n> fog\r\nnoted, line  2\r\n> "
    )
    assert (machine.sign == before).all()
    assert machine.stop is not None
    assert machine.stop.exit_status == 0


def text_of(display: Display) -> list[str]:
    """The characters that a unit of text shows, a string for each row."""
    font = display.unit.font
    assert font is not None
    codes = display.byte_offsets()[:: font.height_px, :: font.width_px]
    return [bytes(display.memory[row]).decode("cp437") for row in codes]


def test_notice_shows_the_tides_of_a_day_whole_and_types_a_line_below() -> None:
    session = busplay.Session("dunlin_notice", program=ROMS / "notice.bin")
    notice = session.display("notice")
    seen = set()
    # Past the third day, from refresh to refresh.
    for refresh in range(1, 3 * 220):
        session.run(refresh * session.clock_hz // 60 - session.cycle)
        rows = text_of(notice)
        if notice.page == 0 and refresh < 60:
            continue
        assert rows[0] == "\u2554" + "\u2550" * 30 + "\u2557"
        assert rows[3] == "\u2560" + "\u2550" * 30 + "\u2563"
        seen.add((rows[2].strip("\u2551 "), rows[4].strip("\u2551 "), rows[7].strip("\u2551 ")))
        assert "The long pier is open.".startswith(rows[10].strip("\u2551 ")) or refresh > 160
    # Fifty minutes later each day; never a mixture of two days.
    assert seen == {
        ("day 1", "high  03:12  4.6 m", "low   21:50  0.9 m"),
        ("day 2", "high  04:02  4.6 m", "low   22:40  0.9 m"),
        ("day 3", "high  04:52  4.6 m", "low   23:30  0.9 m"),
        ("day 4", "high  05:42  4.6 m", "low   00:20  0.9 m"),
    }
