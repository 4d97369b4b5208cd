"""The reference core: py65 runs the program, with exact cycles.

py65 executes complete instructions. The writes and host-port reads within one get their cycles
from the table of instructions. One lookup in the memory map separates other writes from those to
plain RAM, which cost little more than with py65's own list.

The loop in `_execute` runs to the end of the run, or to the first cycle at which an interrupt line
could be sampled; if a line is active while I is set, to the instruction that clears I. An access to
the host port or a device can change that, and so ends the loop early by setting the limit to 0; so
do an instruction that clears I, WAI, STP, EXIT and missing instructions. Rare events are handled
between loops.
"""

from __future__ import annotations

from array import array
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from busplay.batch import StoreBatch, UInt8Column
from busplay.core.cycles import (
    INTERRUPT_CYCLES,
    INTERRUPT_OPCODE,
    RESET_CYCLES,
    timing_of,
)
from busplay.core.devices.bus import DeviceBus
from busplay.core.host_port import NEVER, HostPortDevice, Register
from busplay.core.interface import CoreCounters, CoreStop, Registers
from busplay.core.line_plan import SAMPLE_CYCLES, LinePlan
from busplay.core.memory_map import Action, MemoryMap
from busplay.core.missing_opcode import missing_opcode
from busplay.core.py65_corrected import (
    BREAK,
    DECIMAL,
    INTERRUPT,
    IRQ_VECTOR,
    NMI_VECTOR,
    RESET_VECTOR,
    UNUSED,
    Corrected65C02,
    Corrected6502,
)
from busplay.core.py65_registers import Py65Registers
from busplay.core.rewind import KIND_SHIFT, CoreState, InstructionBatch, StepKind, packed_state
from busplay.core.store_log import StoreLog

_MPU_CLASSES = {"6502": Corrected6502, "65c02": Corrected65C02}

# Plain integers: an IntFlag's `&` costs more than the rest of a write.
_LANDS = int(Action.LANDS)
_TAPPED = int(Action.TAPPED)
_HOST_PORT = int(Action.HOST_PORT)
_ROM = int(Action.ROM)
_DEVICE = int(Action.DEVICE)
_REGISTER = _HOST_PORT | _DEVICE


class _Memory(bytearray):
    """64 KiB that py65 reads at full speed, with a check of every write."""

    __slots__ = ("_plain", "_raw", "_special")

    def hand_over(self, core: ReferenceCore, plain: bytes) -> None:
        """Pass writes where `plain` is 0 to the core; the others land."""
        self._plain = plain
        self._raw = memoryview(self)
        self._special = core._write

    def __setitem__(self, address: int, byte: int) -> None:  # type: ignore[override]
        if self._plain[address]:
            self._raw[address] = byte
        else:
            self._special(address, byte)


class ReferenceCore(Py65Registers):
    """py65's NMOS 6502 or 65C02 with exact cycles, a host port and a tap; see `Core`.

    BBR and BBS of the 65C02 and undocumented opcodes are missing: they stop the core with a
    reason. STP stops it too. WAI waits for an active IRQ line or an NMI: two cycles later, as
    after any instruction, the interrupt is taken, or, with I set, the next instruction runs.
    """

    kind: ClassVar[str] = "reference"
    processors: ClassVar[frozenset[str]] = frozenset(_MPU_CLASSES)
    takes_devices: ClassVar[bool] = True

    def __init__(
        self,
        processor: str,
        memory_map: MemoryMap,
        host_port: HostPortDevice | None = None,
        *,
        devices: DeviceBus | None = None,
    ) -> None:
        if processor not in _MPU_CLASSES:
            raise ValueError(f"processor is {processor!r}; it is one of {sorted(_MPU_CLASSES)}")
        if (host_port and host_port.first_address) != memory_map.host_port_first:
            raise ValueError("host_port is not where memory_map has it")
        self._processor = processor
        self._map = memory_map
        self._host_port = host_port
        self._devices = devices
        self._actions = bytearray(memory_map.actions)
        self._storage = _Memory(memory_map.power_on_memory())
        self._view = np.frombuffer(self._storage, np.uint8)
        self._watched = bytes(len(self._actions))
        self._banks = None if devices is None else devices.banks
        if devices is not None:
            devices.attach(self._view, np.frombuffer(self._actions, np.uint8))
        self._hand_over()
        self._instructions: tuple[array[int], array[int]] | None = None
        self._timing = timing_of(processor)
        self._base_cycles = self._timing.base_cycles
        self._writes_old_value = self._timing.writes_old_value
        super().__init__(_MPU_CLASSES[processor](self._storage))
        self._log = StoreLog()
        self._irq_from = NEVER
        self._nmi_from = NEVER
        self._due_vector = 0
        self._stop: CoreStop | None = None
        self._stores_tapped = 0
        self._rom_writes_ignored = 0
        self._unmapped_writes_ignored = 0
        self._interrupts_taken = 0
        self._port_byte = 0
        self._is_register = bytes(action & _REGISTER for action in memory_map.actions.tolist())
        if host_port is not None or devices is not None:
            self._mpu.ByteAt = self._reader()

    # `Core`.

    @property
    def processor(self) -> str:
        """See `Core`."""
        return self._processor

    @property
    def memory_map(self) -> MemoryMap:
        """See `Core`."""
        return self._map

    @property
    def host_port(self) -> HostPortDevice | None:
        """See `Core`."""
        return self._host_port

    @property
    def devices(self) -> DeviceBus | None:
        """See `TakesDevices`."""
        return self._devices

    @property
    def memory(self) -> UInt8Column:
        """See `Core`."""
        return self._view

    @property
    def cycle(self) -> int:
        """See `Core`."""
        cycle: int = self._mpu.processorCycles
        return cycle

    @property
    def stop(self) -> CoreStop | None:
        """See `Core`."""
        return self._stop

    @property
    def counters(self) -> CoreCounters:
        """See `Core`."""
        return CoreCounters(
            self._stores_tapped,
            self._rom_writes_ignored,
            self._unmapped_writes_ignored,
            self._interrupts_taken,
        )

    @property
    def irq(self) -> bool:
        """See `Core`."""
        return self._irq_from != NEVER

    @irq.setter
    def irq(self, active: bool) -> None:
        if active != self.irq:
            self._irq_from = self.cycle if active else NEVER

    def reset(self) -> int:
        """See `Core`."""
        mpu = self._mpu
        mpu.processorCycles += RESET_CYCLES
        mpu.sp = 0xFD
        mpu.p |= INTERRUPT
        if mpu.clears_decimal:
            mpu.p &= ~DECIMAL
        mpu.waiting = mpu.halted = mpu.stopped_by_opcode = False
        self._nmi_from = NEVER
        self._due_vector = 0
        self._stop = None
        if self._host_port is not None:
            self._host_port.reset(self.cycle - 1)
        if self._devices is not None:
            self._devices.reset(self.cycle - 1)
        # After the devices: another page may have the vectors now.
        self._follow_banks()
        mpu.pc = mpu.WordAt(RESET_VECTOR)
        return RESET_CYCLES

    def nmi(self) -> None:
        """See `Core`."""
        if self._nmi_from == NEVER:
            self._nmi_from = self.cycle

    def step(self) -> int:
        """See `Core`."""
        return self.run(1)

    def run(self, cycles: int) -> int:
        """See `Core`."""
        mpu = self._mpu
        first_cycle = self.cycle
        stop_cycle = first_cycle + cycles
        logged_wait = False
        while mpu.processorCycles < stop_cycle and self._stop is None:
            if self._due_vector:
                self._take_interrupt()
                continue
            plan = LinePlan.of(self._irq_line_from(), self._nmi_from, self._devices)
            cycle = mpu.processorCycles
            if mpu.waiting:
                if not logged_wait:
                    self._log_here(StepKind.WAITING)
                logged_wait = True
                mpu.processorCycles = max(cycle, min(plan.sampled_from, stop_cycle))
            elif self._instructions is not None:
                self._log_here(StepKind.INSTRUCTION)
                self._execute(cycle + 1)
            else:
                masked = bool(mpu.p & INTERRUPT)
                limit = plan.limit(cycle, masked=masked)
                mpu.ends_at_clear_i = masked and plan.is_masked(cycle)
                self._execute(max(min(limit, stop_cycle), cycle + 1))
            self._nmi_from = plan.settle(mpu.processorCycles, self._nmi_from)
            self._follow_banks()
            if mpu.processorCycles >= plan.sampled_from:
                self._sample_lines(plan)
            logged_wait = logged_wait and mpu.waiting
        return self.cycle - first_cycle

    def run_to(self, address: int, cycles: int) -> int:
        """See `RunsToAddress`."""
        mpu = self._mpu
        first_cycle = self.cycle
        stop_cycle = first_cycle + cycles
        while (
            mpu.processorCycles < stop_cycle
            and self._stop is None
            and (mpu.pc != address or mpu.waiting)
        ):
            self.run(1)
        return self.cycle - first_cycle

    def take_stores(self) -> StoreBatch:
        """See `Core`."""
        stores = self._log.take()
        return stores if self._devices is None else self._devices.with_pages(stores)

    # What other cores need not have.

    @property
    def state(self) -> CoreState:
        """See `RewindableCore`."""
        return CoreState(
            Registers.of(self),
            self._irq_from,
            self._nmi_from,
            self._due_vector,
            self._mpu.waiting,
            self._stop,
            self._stores_tapped,
            self._rom_writes_ignored,
            self._unmapped_writes_ignored,
            self._interrupts_taken,
            None if self._host_port is None else self._host_port.state,
            None if self._devices is None else self._devices.state,
        )

    def restore(self, state: CoreState) -> None:
        """See `RewindableCore`."""
        mpu, registers = self._mpu, state.registers
        self.a, self.x, self.y, self.s = registers.a, registers.x, registers.y, registers.s
        self.p, self.pc = registers.p, registers.pc
        mpu.processorCycles = registers.cycle
        self._irq_from, self._nmi_from = state.irq_from, state.nmi_from
        self._due_vector, mpu.waiting = state.due_vector, state.is_waiting
        self._stop = state.stop
        mpu.halted = state.stop is not None and state.stop.kind == "halted"
        mpu.stopped_by_opcode = state.stop is not None and state.stop.kind == "opcode"
        # One that does not delay the look at the interrupt lines; that of this state is over.
        mpu.opcode = INTERRUPT_OPCODE
        self._stores_tapped = state.stores_tapped
        self._rom_writes_ignored = state.rom_writes_ignored
        self._unmapped_writes_ignored = state.unmapped_writes_ignored
        self._interrupts_taken = state.interrupts_taken
        self._log.take()
        self.take_instructions()
        if self._host_port is not None and state.host_port is not None:
            self._host_port.restore(state.host_port)
        if self._devices is not None and state.devices is not None:
            self._devices.restore(state.devices)
            self._follow_banks()

    def log_instructions(self, *, wanted: bool) -> None:
        """See `RewindableCore`."""
        self._instructions = (array("Q"), array("Q")) if wanted else None

    def take_instructions(self) -> InstructionBatch:
        """See `RewindableCore`."""
        if self._instructions is None:
            return InstructionBatch.empty()
        begin, state = self._instructions
        self._instructions = (array("Q"), array("Q"))
        return InstructionBatch(np.frombuffer(begin, np.uint64), np.frombuffer(state, np.uint64))

    def watch_writes(self, addresses: NDArray[np.bool_] | None) -> None:
        """See `RewindableCore`."""
        self._watched = bytes(len(self._actions)) if addresses is None else addresses.tobytes()
        self._hand_over()

    # Between instructions.

    def _hand_over(self) -> None:
        """Tell the memory which writes are plain."""
        self._rows = () if self._banks is None else self._banks.rows
        plain = np.frombuffer(self._actions, np.uint8) == Action.LANDS
        plain &= np.frombuffer(self._watched, np.bool_) == 0
        self._storage.hand_over(self, plain.tobytes())

    def _follow_banks(self) -> None:
        """Do so again if banks have changed what writes do."""
        if self._banks is not None and self._banks.rows != self._rows:
            self._hand_over()

    def _log_here(self, kind: StepKind) -> None:
        if self._instructions is not None:
            registers = Registers.of(self)
            begin, state = self._instructions
            begin.append(registers.cycle | kind << KIND_SHIFT)
            state.append(packed_state(registers, self._storage[registers.pc]))

    def _execute(self, limit: int) -> None:
        """Run instructions, at least one, until the counter is at `limit` or one sets it to 0."""
        mpu = self._mpu
        memory = self._storage
        instruct = mpu.instruct
        base_cycles = self._base_cycles
        page_cycle = self._timing.page_cycle
        mpu.limit = limit
        cycle = mpu.processorCycles
        # `while True` on purpose: CPython 3.11 never specialises a loop that ends in a
        # conditional jump back, which takes half as long again.
        while True:
            pc = mpu.pc & 0xFFFF
            opcode = memory[pc]
            mpu.opcode = opcode
            mpu.pc = pc + 1 & 0xFFFF
            mpu.excycles = 0
            mpu.addcycles = page_cycle[opcode]
            instruct[opcode](mpu)
            cycle += base_cycles[opcode] + mpu.excycles
            mpu.processorCycles = cycle
            if cycle >= mpu.limit:
                break
        mpu.pc &= 0xFFFF
        if mpu.limit == 0:
            self._stop_if_asked(pc, opcode)

    def _stop_if_asked(self, pc: int, opcode: int) -> None:
        mpu = self._mpu
        name = self._timing.mnemonics[opcode]
        port = self._host_port
        if mpu.stopped_by_opcode:
            # It did not run, so it took no time.
            mpu.processorCycles -= self._timing.base_cycles[opcode]
            if self._instructions is not None:
                for column in self._instructions:
                    column.pop()
            reason = missing_opcode(self.kind, self._processor, pc, opcode)
            self._stop = CoreStop("opcode", reason, pc, opcode, self.cycle)
        elif mpu.halted:
            reason = f"${pc:04X}: opcode ${opcode:02X} (STP) stopped the processor until a reset"
            self._stop = CoreStop("halted", reason, pc, opcode, self.cycle)
        elif port is not None and port.exit_status is not None:
            status = port.exit_status
            reason = (
                f"${pc:04X}: opcode ${opcode:02X} ({name}) wrote {status} to the host port's EXIT"
            )
            self._stop = CoreStop("exit", reason, pc, opcode, self.cycle, status)

    def _irq_line_from(self) -> int:
        port = self._host_port
        return self._irq_from if port is None else min(self._irq_from, port.interrupt_cycle())

    def _sample_lines(self, plan: LinePlan) -> None:
        """Sample the interrupt lines for the instruction that just ended.

        Args:
            plan: as it was when that instruction began: its own accesses come too late.
        """
        mpu = self._mpu
        sample_cycle = self.cycle - SAMPLE_CYCLES
        if self._nmi_from <= sample_cycle:
            self._nmi_from = NEVER
            self._due_vector = NMI_VECTOR
        elif plan.was_active(sample_cycle):
            old = self._timing.delays_interrupt[mpu.opcode]
            if not (mpu.interrupt_p if old else mpu.p) & INTERRUPT:
                self._due_vector = IRQ_VECTOR
        else:
            return
        mpu.waiting = False

    def _take_interrupt(self) -> None:
        self._log_here(StepKind.INTERRUPT)
        mpu = self._mpu
        pc = mpu.pc
        mpu.opcode = INTERRUPT_OPCODE
        mpu.excycles = 0
        mpu.limit = 1
        mpu.interrupt(self._due_vector, pushed_p=mpu.p & ~BREAK | UNUSED)
        mpu.processorCycles += INTERRUPT_CYCLES
        self._due_vector = 0
        self._interrupts_taken += 1
        if mpu.limit == 0:
            # The stack lay on the host port.
            self._stop_if_asked(pc, INTERRUPT_OPCODE)

    # Within an instruction.

    def _reader(self) -> object:
        mpu, memory, positions = self._mpu, self._storage, self._timing.read_position
        base_cycles = self._base_cycles
        port, bus = self._host_port, self._devices
        is_register = self._is_register

        def read_operand(address: int) -> int:
            if not is_register[address] or address == mpu.pc:
                return memory[address]
            opcode = mpu.opcode
            end_cycle = mpu.processorCycles + base_cycles[opcode] + mpu.excycles
            cycle = end_cycle - positions[opcode]
            if bus is not None and is_register[address] == _DEVICE:
                self._port_byte = bus.read(address, cycle)
                if bus.changed:
                    mpu.limit = 0
            elif port is not None:
                self._port_byte = port.read(address - port.first_address, cycle=cycle)
            return self._port_byte

        return read_operand

    def _write(self, address: int, byte: int) -> None:
        """Do a write that is not to plain RAM, in its cycle; the old value first on NMOS."""
        mpu = self._mpu
        opcode = mpu.opcode
        end_cycle = mpu.processorCycles + self._base_cycles[opcode] + mpu.excycles
        action = self._actions[address]
        if self._writes_old_value[opcode]:
            old = self._port_byte if self._is_register[address] else self._storage[address]
            self._write_once(address, old, action, end_cycle - 2)
        self._write_once(address, byte, action, end_cycle - mpu.write_position)

    def _write_once(self, address: int, byte: int, action: int, cycle: int) -> None:
        if action & _TAPPED or self._watched[address]:
            self._stores_tapped += 1
            self._log.add(cycle, address, byte)
        if action & _LANDS:
            self._storage._raw[address] = byte
        if action & (_LANDS | _TAPPED):
            return
        if self._host_port is not None and action & _HOST_PORT:
            offset = address - self._host_port.first_address
            self._host_port.write(offset, byte, cycle=cycle)
            if offset in (Register.REFRESH, Register.REFRESH_ACK, Register.EXIT):
                self._mpu.limit = 0
        elif self._devices is not None and action & _DEVICE:
            self._devices.write(address, byte, cycle)
            self._follow_banks()
            if self._devices.changed:
                self._mpu.limit = 0
        elif action & _ROM:
            self._rom_writes_ignored += 1
        else:
            self._unmapped_writes_ignored += 1
