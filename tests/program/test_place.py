from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from busplay.description.board import Board, HostPort, Memory
from busplay.description.link import Field, Link, StrobeFraming
from busplay.errors import InputError
from busplay.program.image import ImageSegment, ProgramImage
from busplay.program.place import describe_memory, place_image

BOARD = Board(
    name="small",
    processor="6502",
    clock_hz=1_000_000,
    link=Link("any", 8, "rising", (Field("space", 2), Field("data", 6)), StrobeFraming()),
    memory=(Memory("rom", 0xC000, 0xFFFF), Memory("ram", 0x0000, 0x7FFF)),
    windows=(),
    units=(),
    host_port=HostPort(0x7F00),
)


def image(*segments: tuple[int, bytes]) -> ProgramImage:
    return ProgramImage(tuple(ImageSegment(*one) for one in segments), None, "raw", "p.bin")


def test_ram_and_rom_take_the_bytes() -> None:
    memory = np.full(65536, 0xEE, np.uint8)
    place_image(image((0x0200, b"ram"), (0xFFFD, b"rom")), BOARD, memory)
    assert memory[0x0200:0x0203].tobytes() == b"ram"
    assert memory[0xFFFD:].tobytes() == b"rom"
    assert (memory == 0xEE).sum() == 65536 - 6


@pytest.mark.parametrize(
    ("segment", "found"),
    [
        ((0x7FFE, b"abcd"), "$8000-$8001"),
        ((0xBFFF, b"ab"), "$BFFF-$BFFF"),
        ((0x7EFF, bytes(32)), "$7F00-$7F0F"),
        ((0x9000, b"a"), "$9000-$9000"),
    ],
)
def test_bytes_without_memory_are_refused_and_nothing_is_written(
    segment: tuple[int, bytes], found: str
) -> None:
    memory = np.full(65536, 0xEE, np.uint8)
    with pytest.raises(InputError) as caught:
        place_image(image((0x0200, b"ram"), segment), BOARD, memory)
    assert str(caught.value) == (
        f"p.bin: found bytes for {found}; board small has RAM $0000-$7FFF, ROM $C000-$FFFF and its"
        " host port at $7F00-$7F0F"
    )
    assert (memory == 0xEE).all()


def test_memory_is_described() -> None:
    bare = dataclasses.replace(BOARD, host_port=None)
    assert describe_memory(bare) == "RAM $0000-$7FFF and ROM $C000-$FFFF"
    assert describe_memory(dataclasses.replace(bare, memory=bare.memory[:1])) == "ROM $C000-$FFFF"
    assert describe_memory(dataclasses.replace(bare, memory=())) == "no memory at all"
