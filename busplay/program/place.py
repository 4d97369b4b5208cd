"""Load a program's bytes where the board has memory."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.batch import UInt8Column
from busplay.description.banks import Bank
from busplay.description.board import HOST_PORT_REGISTERS, Board, Memory
from busplay.errors import InputError
from busplay.program.image import ProgramImage


def place_image(image: ProgramImage, board: Board, memory: UInt8Column) -> None:
    """Write a program's bytes to a core's memory, RAM or ROM.

    Args:
        memory: uint8[65536]; the core's own.

    Raises:
        InputError: a byte falls on neither RAM nor ROM, or on the host port or a device; nothing is
            written then.
    """
    takes = has_memory(board)
    if board.host_port is not None:
        first = board.host_port.first_address
        takes[first : first + HOST_PORT_REGISTERS] = False
    for device in board.devices:
        takes[device.first_address : device.last_address + 1] = False
    for segment in image.segments:
        homeless = np.flatnonzero(~takes[segment.address : segment.last_address + 1])
        if len(homeless):
            first = int(homeless[0])
            gap = np.flatnonzero(np.diff(homeless) != 1)
            last = int(homeless[gap[0]] if len(gap) else homeless[-1])
            raise InputError(
                found=f"bytes for ${segment.address + first:04X}-${segment.address + last:04X}",
                wanted=f"board {board.name} has {describe_memory(board)}",
                file=image.file,
            )
    for segment in image.segments:
        memory[segment.address : segment.last_address + 1] = np.frombuffer(segment.data, np.uint8)


def has_memory(board: Board) -> NDArray[np.bool_]:
    """Return bool[65536]: whether a board has RAM or ROM at an address, banked or not."""
    there = np.zeros(0x10000, np.bool_)
    regions: list[Memory | Bank] = [*board.memory, *board.banks]
    for region in regions:
        there[region.first_address : region.last_address + 1] = True
    return there


def describe_memory(board: Board) -> str:
    """Describe the board's memory, for messages."""
    regions = sorted(board.memory, key=lambda region: region.first_address)
    parts = [
        f"{region.kind.upper()} ${region.first_address:04X}-${region.last_address:04X}"
        for region in regions
    ]
    parts += [
        f"its bank {one.name} at ${one.first_address:04X}-${one.last_address:04X}"
        for one in board.banks
    ]
    if board.host_port is not None:
        first = board.host_port.first_address
        parts.append(f"its host port at ${first:04X}-${first + HOST_PORT_REGISTERS - 1:04X}")
    parts += [
        f"its device {one.name} at ${one.first_address:04X}-${one.last_address:04X}"
        for one in board.devices
    ]
    if not parts:
        return "no memory at all"
    return ", ".join(parts[:-1]) + " and " + parts[-1] if len(parts) > 1 else parts[0]
