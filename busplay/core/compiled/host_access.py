"""What the host does for an instruction: accesses to registers, and why the core stopped."""

from __future__ import annotations

from typing import ClassVar

from busplay.batch import UInt8Column
from busplay.core.compiled.block import Cell, Reason
from busplay.core.compiled.cell_registers import CellRegisters
from busplay.core.compiled.instruction_columns import InstructionColumns
from busplay.core.devices.bus import DeviceBus
from busplay.core.host_port import HostPortDevice
from busplay.core.interface import CoreStop
from busplay.core.memory_map import Action
from busplay.core.missing_opcode import missing_opcode

# A plain integer: an enum's `&` takes microseconds.
_DEVICE = int(Action.DEVICE)


class HostAccess(CellRegisters):
    """The part of `CompiledCore` that serves the kernel's requests."""

    kind: ClassVar[str]

    _processor: str
    _actions: UInt8Column
    _host_port: HostPortDevice | None
    _devices: DeviceBus | None
    _instructions: InstructionColumns | None
    _mnemonics: tuple[str, ...]
    _stop: CoreStop | None
    _waiting: bool

    @property
    def cycle(self) -> int:
        """See `Core`."""
        cells = self._cells
        return cells[~Cell.LIMIT] - cells[~Cell.LEFT]

    def _answer(self) -> None:
        """Read a register for an instruction, which will be run again."""
        cells, port, bus = self._cells, self._host_port, self._devices
        address, cycle = cells[~Cell.ASKED_ADDRESS], cells[~Cell.ASKED_CYCLE]
        if bus is not None and int(self._actions[address]) & _DEVICE:
            cells[~Cell.ANSWER] = bus.read(address, cycle)
            cells[~Cell.DEVICES_UNTIL] = bus.next_event
            if bus.changed:
                cells[~Cell.LIMIT] = cells[~Cell.RUN_STOP] = self.cycle + 1
                cells[~Cell.LEFT] = 1
        elif port is not None:
            cells[~Cell.ANSWER] = port.read(address - port.first_address, cycle=cycle)

    def _write_to_port(self) -> None:
        """Do the writes to registers of the instruction that just ended, in order."""
        cells, port, bus = self._cells, self._host_port, self._devices
        count = cells[~Cell.PORT_WRITES]
        cells[~Cell.PORT_WRITES] = 0
        for number in range(count):
            first = Cell.PORT_WRITE + 3 * number
            cycle, address, byte = (cells[~(first + place)] for place in range(3))
            if bus is not None and int(self._actions[address]) & _DEVICE:
                bus.write(address, byte, cycle)
            elif port is not None:
                port.write(address - port.first_address, byte, cycle=cycle)
        status = None if port is None else port.exit_status
        if status is not None:
            address, opcode, name = self._instruction()
            reason = (
                f"${address:04X}: opcode ${opcode:02X} ({name}) wrote {status} to the host port's"
                " EXIT"
            )
            self._stop = CoreStop("exit", reason, address, opcode, self.cycle, status)

    def _note_reason(self, reason: int) -> None:
        address, opcode, _ = self._instruction()
        if reason == Reason.WAITS:
            self._waiting = True
        elif reason == Reason.HALTED:
            text = f"${address:04X}: opcode ${opcode:02X} (STP) stopped the processor until a reset"
            self._stop = CoreStop("halted", text, address, opcode, self.cycle)
        elif reason == Reason.OPCODE:
            if self._instructions is not None:
                self._instructions.drop_last()
            text = missing_opcode(self.kind, self._processor, address, opcode)
            self._stop = CoreStop("opcode", text, address, opcode, self.cycle)

    def _instruction(self) -> tuple[int, int, str]:
        """Return address, opcode and name of the instruction that the kernel noted."""
        noted = self._cells[~Cell.AT]
        opcode = noted >> 16
        return noted & 0xFFFF, opcode, self._mnemonics[opcode]
