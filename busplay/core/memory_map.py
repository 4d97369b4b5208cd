"""What is at each of the 65,536 addresses, as tables that every core shares.

One byte an address says what a write does there:

| what is there | write | read |
| --- | --- | --- |
| RAM | lands in memory | memory |
| ROM | ignored and counted | memory |
| nothing | ignored and counted | `unmapped_read` |
| host port, device, latch | to the register | from the register, operand reads only |
| bank | as its page says, see `busplay.core.devices.bank_switch` | memory |
| window that lands in RAM | tapped, and lands where RAM is | as without the window |
| window that does not | tapped | as without the window |

Memory at an unmapped address holds `unmapped_read`, and nothing ever writes there, so only reads
of the host port and of devices need the tables. These have priority over memory and may not share
an address with a window or with each other; windows may not overlap.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntFlag

import numpy as np
from numpy.typing import NDArray

from busplay.batch import UInt8Column, UInt16Column
from busplay.description.banks import Bank
from busplay.description.board import HOST_PORT_REGISTERS, Board, HostPort, Memory, Window
from busplay.description.devices import Device

ADDRESSES = 0x10000
NO_WINDOW = -1


class Action(IntFlag):
    """What a write to an address does; plain RAM is LANDS alone."""

    LANDS = 1
    TAPPED = 2
    HOST_PORT = 4
    ROM = 8
    UNMAPPED = 16
    DEVICE = 128


@dataclass(frozen=True, slots=True, eq=False)
class MemoryMap:
    """The tables.

    Attributes:
        actions: uint8[65536] of `Action` bits: what a write does.
        has_memory: bool[65536]; whether RAM or ROM is there, under a window or the host port too.
        window_index: int16[65536]; index of the address's window in `windows`, or -1; of several
            windows of different pages, the last.
        windows: as on the board.
        unmapped_read: byte that an unmapped address reads as.
        host_port_first: address of the host port's first register, or None.
    """

    actions: UInt8Column
    has_memory: NDArray[np.bool_]
    window_index: NDArray[np.int16]
    windows: tuple[Window, ...]
    unmapped_read: int
    host_port_first: int | None

    @classmethod
    def of_board(cls, board: Board) -> MemoryMap:
        """Make the tables of a board.

        Raises:
            ValueError: ranges overlap that may not, or are outside 64 KiB. The reader of board
                files refuses these first, with their place in the file.
        """
        return cls.of_parts(
            board.memory,
            windows=board.windows,
            host_port=board.host_port,
            devices=board.devices,
            banks=board.banks,
            unmapped_read=board.unmapped_read,
        )

    @classmethod
    def of_parts(
        cls,
        memory: tuple[Memory, ...],
        *,
        windows: tuple[Window, ...] = (),
        host_port: HostPort | None = None,
        devices: tuple[Device, ...] = (),
        banks: tuple[Bank, ...] = (),
        unmapped_read: int = 0xFF,
    ) -> MemoryMap:
        """Make the tables of the parts of a board; errors as for `of_board`."""
        actions = np.full(ADDRESSES, Action.UNMAPPED, np.uint8)
        regions: list[Memory | Bank] = [*memory, *(one for one in banks if not one.is_overlay)]
        for region in regions:
            span = _span("memory", region.first_address, region.last_address)
            if (actions[span] != Action.UNMAPPED).any():
                raise ValueError(f"memory overlaps other memory: {region}")
            actions[span] = Action.LANDS if region.kind == "ram" else Action.ROM
        has_memory = actions != Action.UNMAPPED
        window_index = np.full(ADDRESSES, NO_WINDOW, np.int16)
        for index, window in enumerate(windows):
            span = _span("window", window.first_address, window.last_address)
            others = {windows[one].page for one in set(window_index[span].tolist()) - {NO_WINDOW}}
            if others & {None, window.page} or (others and window.page is None):
                raise ValueError(f"window overlaps another window: {window}")
            window_index[span] = index
            actions[span] = write_action(actions[span], window)
        if host_port is not None:
            first = host_port.first_address
            span = _span("host port", first, first + HOST_PORT_REGISTERS - 1)
            if (window_index[span] != NO_WINDOW).any():
                raise ValueError(f"host port overlaps a window: {host_port}")
            actions[span] = Action.HOST_PORT
        for device in devices:
            span = _span(device.name, device.first_address, device.last_address)
            if (actions[span] & (Action.TAPPED | Action.HOST_PORT | Action.DEVICE)).any():
                raise ValueError(f"device overlaps a window, the host port or another: {device}")
            actions[span] = Action.DEVICE
        for bank in banks:
            actions[list(bank.latches)] = Action.DEVICE
        for table in (actions, has_memory, window_index):
            table.flags.writeable = False
        return cls(
            actions,
            has_memory,
            window_index,
            windows,
            unmapped_read,
            None if host_port is None else host_port.first_address,
        )

    @classmethod
    def plain_ram(cls) -> MemoryMap:
        """Make the map of 64 KiB of RAM, all of it one window."""
        window = Window(
            name="all",
            first_address=0,
            last_address=ADDRESSES - 1,
            unit="all",
            space="memory",
            lands_in_ram=True,
        )
        return cls.of_parts((Memory("ram", 0, ADDRESSES - 1),), windows=(window,))

    def power_on_memory(self) -> UInt8Column:
        """Return uint8[65536] at power-on: `unmapped_read` where nothing is, else 0."""
        empty = ~self.has_memory & (self.actions & (Action.HOST_PORT | Action.DEVICE) == 0)
        return np.where(empty, self.unmapped_read, 0).astype(np.uint8)

    def in_windows(self, address: UInt16Column) -> NDArray[np.bool_]:
        """Return bool[addresses]: whether each is in a window."""
        inside: NDArray[np.bool_] = (self.actions[address] & Action.TAPPED) != 0
        return inside


def write_action(actions: UInt8Column, window: Window) -> UInt8Column:
    """Return what writes do in a window, from what they do in the memory under it."""
    landing = actions & np.uint8(Action.LANDS if window.lands_in_ram else 0)
    return (landing | np.uint8(Action.TAPPED)).astype(np.uint8)


def _span(what: str, first: int, last: int) -> slice:
    if not 0 <= first <= last < ADDRESSES:
        raise ValueError(f"{what} is not within 64 KiB: ${first:04X} to ${last:04X}")
    return slice(first, last + 1)
