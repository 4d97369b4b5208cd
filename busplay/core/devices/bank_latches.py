"""The devices through which programs reach a bank switch: latches, and memory below overlays."""

from __future__ import annotations

import numpy as np

from busplay.core.devices import bank_access as at
from busplay.core.devices.bank_switch import BankSwitch
from busplay.core.devices.compiled_access import CompiledAccess
from busplay.core.devices.interface import NO_EVENT, QuietDevice
from busplay.description.banks import Bank


class Latch(QuietDevice):
    """A latch, or an address that removes overlays, or both.

    Args:
        switch: what it belongs to.
        address: its address.
    """

    registers = 1

    def __init__(self, switch: BankSwitch, address: int) -> None:
        self._switch = switch
        self._address = address
        latches = switch.latch_addresses
        place = latches.index(address) if address in latches else -2
        self._removes = any(one.off_address == address for one in switch.described)
        self._numbers = np.array([place, address, NO_EVENT], np.int64)

    def read(self, offset: int, cycle: int) -> int:
        """See `BusDevice`: the memory there."""
        return self._switch.memory_at(self._address + offset)

    def write(self, offset: int, data: int, cycle: int) -> None:
        """See `BusDevice`."""
        self._switch.write_to_latch(self._numbers, data, cycle)
        if self._removes:
            self._switch.remove_overlays(self._address, cycle)

    def compiled_access(self) -> CompiledAccess | None:
        """See `HasCompiledAccess`."""
        if self._removes:
            return None
        return CompiledAccess.of(
            at.latch_access,
            self._numbers,
            line_place=at.LINE,
            takes_writes=True,
            others=self._switch.paged,
        )


class BelowOverlay(QuietDevice):
    """Takes the stores to the memory below an overlay.

    Args:
        switch: what it belongs to.
        bank: the overlay.
    """

    def __init__(self, switch: BankSwitch, bank: Bank) -> None:
        self._switch = switch
        self._first = bank.first_address
        self.registers = bank.page_bytes

    def read(self, offset: int, cycle: int) -> int:
        """See `BusDevice`: the overlay."""
        return self._switch.memory_at(self._first + offset)

    def write(self, offset: int, data: int, cycle: int) -> None:
        """See `BusDevice`."""
        self._switch.write_below(self._first + offset, data)
