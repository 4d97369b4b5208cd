"""The records by which the kernel finds a board's devices; see `DeviceField`."""

from __future__ import annotations

import numpy as np

from busplay.batch import UInt8Column
from busplay.core.compiled.block import (
    DEVICE_RECORD_SHIFT,
    DEVICES_MAX,
    Cell,
    DeviceField,
)
from busplay.core.devices.bus import DeviceBus
from busplay.core.devices.compiled_access import CompiledAccess, HasCompiledAccess
from busplay.core.devices.interface import NO_EVENT
from busplay.errors import InputError

_NUMBERS = 1 << DEVICE_RECORD_SHIFT - 3


class DeviceRecords:
    """The records of a bus, with what they point to.

    Args:
        bus: the devices.
        device_of: uint8[65536]; gets the place of each address's device.
        cells: get the records' address and count.

    Raises:
        InputError: there are more devices than an address's byte can name.
    """

    def __init__(self, bus: DeviceBus, device_of: UInt8Column, cells: memoryview[int]) -> None:
        if len(bus.slots) > DEVICES_MAX:
            raise InputError(
                found=f"{len(bus.slots)} devices",
                wanted=f"the compiled core runs up to {DEVICES_MAX}, so take the reference core",
            )
        self._never = np.array([NO_EVENT], np.int64)
        self._records = np.zeros((len(bus.slots), _NUMBERS), np.int64)
        self._accesses: list[CompiledAccess] = []
        self._others = []
        for place, slot in enumerate(bus.slots):
            device_of[slot.first_address : slot.last_address + 1] = place
            record = self._records[place]
            record[DeviceField.LINE] = self._never.ctypes.data
            access = None
            # An edge of NMI is the host's; so are registers whose number is no power of two.
            if not slot.nmi and slot.registers & slot.registers - 1 == 0:
                device = slot.device
                if isinstance(device, HasCompiledAccess):
                    access = device.compiled_access()
            if access is None:
                self._others.append(slot)
                continue
            self._accesses.append(access)
            record[DeviceField.READ] = access.address
            record[DeviceField.WRITE] = access.address if access.takes_writes else 0
            record[DeviceField.SLOTS] = access.slots.ctypes.data
            record[DeviceField.RESULTS] = access.results.ctypes.data
            record[DeviceField.FIRST] = slot.first_address
            record[DeviceField.MASK] = slot.registers - 1
            record[DeviceField.LINE] = access.line.ctypes.data
            record[DeviceField.ON_IRQ] = int(slot.irq)
        cells[~Cell.DEVICES] = self._records.ctypes.data
        cells[~Cell.DEVICE_COUNT] = len(self._records)

    def host_line_from(self) -> int:
        """Return the cycle from which on a device without machine code has IRQ active."""
        return min((slot.line_from for slot in self._others if slot.irq), default=NO_EVENT)
