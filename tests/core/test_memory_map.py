from __future__ import annotations

import numpy as np
import pytest

from busplay.core.memory_map import Action, MemoryMap
from busplay.description.board import HostPort, Memory, Window
from tests.core.programs import MEMORY, PORT, WINDOWS, rows, small_machine

pytestmark = pytest.mark.usefixtures("core_kind")


def test_each_kind_of_address_has_its_action() -> None:
    memory_map = MemoryMap.of_parts(MEMORY, windows=WINDOWS, host_port=HostPort(PORT))
    expected = {
        0x0000: Action.LANDS,
        0x4000: Action.TAPPED | Action.LANDS,
        0x4100: Action.TAPPED,
        0xA1FF: Action.LANDS,
        0xA200: Action.UNMAPPED,
        0xA300: Action.TAPPED,
        0xA308: Action.UNMAPPED,
        PORT: Action.HOST_PORT,
        PORT + 15: Action.HOST_PORT,
        PORT + 16: Action.UNMAPPED,
        0xC000: Action.ROM,
        0xFFFF: Action.ROM,
    }
    for address, action in expected.items():
        assert memory_map.actions[address] == action, hex(address)
    assert memory_map.window_index[0x4000] == 0
    assert memory_map.window_index[0xA307] == 2
    assert memory_map.window_index[0xA308] == -1


def test_window_over_rom_does_not_land() -> None:
    window = Window("w", 0xC000, 0xC0FF, unit="panel", space="memory", lands_in_ram=True)
    memory_map = MemoryMap.of_parts(MEMORY, windows=(window,))
    assert memory_map.actions[0xC000] == Action.TAPPED


def test_unmapped_addresses_hold_the_unmapped_byte_at_power_on() -> None:
    memory = MemoryMap.of_parts(
        MEMORY, windows=WINDOWS, host_port=HostPort(PORT), unmapped_read=0xEE
    ).power_on_memory()
    assert set(memory[0x0000:0xA200].tolist()) == {0}
    assert set(memory[0xA200:0xA300].tolist()) == {0xEE}
    assert set(memory[PORT : PORT + 16].tolist()) == {0}
    assert set(memory[PORT + 16 : 0xC000].tolist()) == {0xEE}


def test_window_over_nothing_reads_as_unmapped() -> None:
    memory = MemoryMap.of_parts(MEMORY, windows=WINDOWS, unmapped_read=0xEE).power_on_memory()
    assert memory[0xA300] == 0xEE


def test_tables_cannot_be_changed() -> None:
    memory_map = MemoryMap.plain_ram()
    with pytest.raises(ValueError, match="read-only"):
        memory_map.actions[0] = 0


@pytest.mark.parametrize(
    ("parts", "message"),
    [
        (
            {"memory": (Memory("ram", 0, 0x1FFF), Memory("rom", 0x1FFF, 0x2FFF))},
            "memory overlaps other memory",
        ),
        ({"memory": MEMORY, "windows": (WINDOWS[0], WINDOWS[0])}, "window overlaps another"),
        (
            {"memory": MEMORY, "windows": WINDOWS, "host_port": HostPort(0xA300)},
            "host port overlaps a window",
        ),
        ({"memory": MEMORY, "host_port": HostPort(0xFFF8)}, "host port is not within 64 KiB"),
        ({"memory": (Memory("ram", 0x20, 0x10),)}, "memory is not within 64 KiB"),
    ],
)
def test_overlaps_and_ranges_outside_are_refused(parts: dict[str, object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        MemoryMap.of_parts(**parts)  # type: ignore[arg-type]


def test_writes_go_where_the_map_says() -> None:
    # STA abs to RAM, both windows, register window, unmapped, ROM; the loads read them back.
    core = small_machine("A955 8D0010 8D0040 8D0041 8D00A3 8D00A2 8D00C0 AD00A2 AE00A3 AC0041")
    core.memory[0x4100] = 0x77
    core.memory[0xC000] = 0x99
    core.run(2 + 6 * 4 + 3 * 4)
    assert core.memory[0x1000] == 0x55
    assert core.memory[0x4000] == 0x55
    assert core.memory[0x4100] == 0x77
    assert core.memory[0xC000] == 0x99
    assert (core.a, core.x, core.y) == (0xEE, 0xEE, 0x77)
    assert rows(core) == [(16, 0x4000, 0x55), (20, 0x4100, 0x55), (24, 0xA300, 0x55)]
    counters = core.counters
    assert counters.stores_tapped == 3
    assert counters.unmapped_writes_ignored == 1
    assert counters.rom_writes_ignored == 1


def test_plain_ram_is_one_window_over_everything() -> None:
    memory_map = MemoryMap.plain_ram()
    assert (memory_map.actions == Action.TAPPED | Action.LANDS).all()
    assert memory_map.in_windows(np.array([0, 0xFFFF], np.uint16)).all()
