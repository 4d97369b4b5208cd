"""A 6522 whose port pins choose pages of banked memory, in machine code as its other accesses."""

from __future__ import annotations

from typing import NamedTuple

from busplay.batch import Int64Column
from busplay.core.devices.bank_access import (
    ASKS_THE_HOST,
    BIT_NUMBERS,
    LEVEL,
    PagedMemory,
    has_room,
    show_chosen,
)
from busplay.core.devices.via_access import port_levels, via_access
from busplay.core.devices.via_state import WRITE
from busplay.jit import kernel, shared_kernel

WIRE_NUMBERS = 3
"""Of each wire: the port, 0 for A or 1 for B, its bit, and the place of the bank's bit."""
# Registers whose writes change the pins of a port: ORB, ORA, DDRB, DDRA, and ORA once more.
_LAST_OF_PINS, _ORA_AGAIN = 3, 15


class PagedPins(NamedTuple):
    """The wires from a 6522 to banks.

    Attributes:
        wires: numbers of each, see above.
        paged: the banks.
    """

    wires: Int64Column
    paged: PagedMemory


@shared_kernel
def take_levels(state: memoryview[int], cycle: int, pins: PagedPins) -> None:
    """Bring the banks' bits to the levels at the pins in a cycle."""
    levels_a, levels_b = port_levels(state, 0, cycle), port_levels(state, 1, cycle)
    wires = pins.wires
    for row in range(0, len(wires), WIRE_NUMBERS):
        levels = levels_b if wires[row] else levels_a
        level = levels >> wires[row + 1] & 1
        pins.paged.bits[wires[row + 2] * BIT_NUMBERS + LEVEL] = level


@shared_kernel
def via_paged_access(
    state: memoryview[int], operation: int, offset: int, data: int, cycle: int, pins: PagedPins
) -> int:
    """Do what `via_access` does; pages change from the cycle after a write on.

    Returns:
        As that; or `ASKS_THE_HOST` if the log of changes has no room.
    """
    if operation == WRITE and not has_room(pins.paged):
        return ASKS_THE_HOST
    found = via_access(state, operation, offset, data, cycle)
    if operation == WRITE and (offset <= _LAST_OF_PINS or offset == _ORA_AGAIN):
        take_levels(state, cycle + 1, pins)
        show_chosen(cycle + 1, pins.paged)
    return found


@kernel
def write_via(state: memoryview[int], offset: int, data: int, cycle: int, pins: PagedPins) -> int:
    """Write as `via_paged_access` does, for Python code."""
    return via_paged_access(state, WRITE, offset, data, cycle, pins)


@kernel
def follow_via(state: memoryview[int], cycle: int, pins: PagedPins) -> None:
    """Show from a cycle on what the pins choose, for Python code; there is room in the log."""
    take_levels(state, cycle, pins)
    show_chosen(cycle, pins.paged)
