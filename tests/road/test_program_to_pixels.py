"""Program to pixels, judged by a second pipeline that shares nothing with ours.

A C program (waves, made by cc65) runs in a bare py65 whose memory notes the writes to the
panel's window. The picture is made straight from those bytes, pixel by pixel, and held
against the screen that the whole pipeline decoded, for each framing and each depth.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from py65.devices.mpu65c02 import MPU

from busplay.demo.programs import find_demo
from busplay.description.board import Board, Unit
from busplay.link.board_fit import require_link_fits
from busplay.link.load import load_board, load_link
from busplay.run.session import Session

PANEL = range(0x4000, 0xA000)
SIGN = range(0xA000, 0xA200)
REGISTERS = range(0xA300, 0xA308)
SIGN_REGISTERS = range(0xA310, 0xA318)
WINDOWS = (PANEL, SIGN, REGISTERS, SIGN_REGISTERS)
RANDOM = 0xA403
CYCLES = 1_200_000
LINKS = ["guarded", "lean", "strobed", "marked", "serial"]


class NotingMemory(list[int]):
    """64 KiB: RAM below a ROM that cannot be written; notes writes to the Dunlin's windows.

    Of the host port only what the program reads is here: the random bytes.
    """

    def __init__(self, rom: bytes) -> None:
        super().__init__([0] * 0xC000 + list(rom))
        self.writes: list[tuple[int, int]] = []
        self.random = 1

    def __getitem__(self, address):  # type: ignore[no-untyped-def]
        if address == RANDOM:
            x = self.random
            x ^= x << 13 & 0xFFFFFFFF
            x ^= x >> 17
            x ^= x << 5 & 0xFFFFFFFF
            self.random = x
            return x & 0xFF
        return super().__getitem__(address)

    def __setitem__(self, address, byte):  # type: ignore[no-untyped-def]
        if any(address in window for window in WINDOWS):
            self.writes.append((address, byte))
        if address < 0xC000:
            super().__setitem__(address, byte)


@cache
def run_bare(program: Path, writes: int) -> NotingMemory:
    memory = NotingMemory(program.read_bytes())
    mpu = MPU(memory=memory)
    mpu.pc = memory[0xFFFC] + 256 * memory[0xFFFD]
    mpu.p |= 0x04
    while len(memory.writes) < writes:
        mpu.step()
    return memory


def picture(writes: list[tuple[int, int]], unit: Unit) -> NDArray[np.uint8]:
    """Draw from the writes alone: memory, base, palette; as the registers' table says."""
    memory = bytearray(unit.memory_bytes)
    palette = [tuple(colour) for colour in unit.palette]
    low = base = index = red = green = 0
    for address, data in writes:
        if address in PANEL:
            memory[address - PANEL.start] = data
        if address not in REGISTERS:
            continue
        register = address - REGISTERS.start
        if register == 0:
            low = data
        elif register == 1:
            base = 256 * data + low
        elif register == 4:
            index = data % len(palette)
        elif register == 5:
            red = data
        elif register == 6:
            green = data
        elif register == 7:
            palette[index] = (red, green, data)
            index = (index + 1) % len(palette)
    bits = unit.bits_per_pixel
    rows = []
    for y in range(unit.height_px):
        row = []
        for x in range(unit.width_px):
            place = base + y * unit.stride_bytes + x * bits // 8
            shift = 8 - bits - x * bits % 8
            row.append(palette[memory[place % len(memory)] >> shift & (1 << bits) - 1])
        rows.append(row)
    return np.array(rows, np.uint8)


def board_of(link_name: str, bits_per_pixel: int) -> Board:
    dunlin = load_board("dunlin")
    panel = dunlin.unit_named("panel")
    # The same 24,576 bytes, seen at another depth.
    colours = tuple((i, 255 - i, i * 7 % 256) for i in range(1 << bits_per_pixel))
    seen = replace(
        panel,
        bits_per_pixel=bits_per_pixel,
        width_px=panel.stride_bytes * 8 // bits_per_pixel,
        palette=colours,
    )
    units = tuple(seen if unit is panel else unit for unit in dunlin.units)
    return require_link_fits(replace(dunlin, units=units, link=load_link(link_name)))


@pytest.mark.source("py65 1.2.0", part="its 65C02 with a plain write hook", kind="library")
@pytest.mark.parametrize("bits_per_pixel", [1, 2, 4, 8])
@pytest.mark.parametrize("link_name", LINKS)
def test_decoded_screen_is_what_the_program_stored(link_name: str, bits_per_pixel: int) -> None:
    board = board_of(link_name, bits_per_pixel)
    program = find_demo("waves").image_path
    session = Session(board, program=program)
    session.run(CYCLES)
    counters = session.counters()
    assert counters.frames_overrun == 0
    assert counters.receiver.frames_received == counters.stores
    bare = run_bare(program, counters.stores)
    expected = picture(bare.writes, board.unit_named("panel"))
    shown = session.display("panel").image()
    assert len({tuple(pixel) for row in expected for pixel in row.tolist()}) > 1
    assert np.array_equal(shown, expected)
