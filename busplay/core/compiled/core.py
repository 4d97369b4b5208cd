"""The compiled core: the kernel runs the program, the host handles rare events.

How to think about it. The kernel runs instructions until its cycles are used up. It gets cycles up
to the end of the run, or to the first cycle at which an interrupt line could be sampled; if a line
is active while I is set, up to the instruction that clears I. It returns early for the few things
that need the host: a write to the host port, a key to take, WAI, STP, a missing instruction. The
host port's state that the kernel needs (when a refresh is pending, the random state, the tick) is
copied in before each stretch and back after it; its meaning is in `busplay.core.host_port` alone.
On a board with devices the kernel goes on by itself from stretch to stretch (`turn`), unless
instructions are logged, until a device needs the host.

The reference core has the same loop, line by line where it matters: read the two side by side.
"""

from __future__ import annotations

from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from busplay.batch import StoreBatch, UInt8Column
from busplay.core.compiled.block import (
    ACTIONS_OFFSET,
    BLOCK_BYTES,
    CELL_COUNT,
    CONSOLE_BYTES_MAX,
    DEVICE_OF_OFFSET,
    MEMORY_BYTES,
    MIRRORED,
    MIRRORED_BYTES,
    NO_ANSWER,
    PLAIN_TABLE_OFFSET,
    TABLE_OFFSET,
    WATCHED,
    Cell,
    Reason,
)
from busplay.core.compiled.build import load_kernel
from busplay.core.compiled.cell_registers import INTERRUPT
from busplay.core.compiled.device_records import DeviceRecords
from busplay.core.compiled.host_access import HostAccess
from busplay.core.compiled.instruction_columns import InstructionColumns
from busplay.core.compiled.store_columns import StoreColumns
from busplay.core.cycles import RESET_CYCLES, timing_of
from busplay.core.devices.bus import DeviceBus
from busplay.core.devices.interface import NO_EVENT
from busplay.core.host_port import NEVER, HostPortDevice
from busplay.core.instructions import INSTRUCTIONS
from busplay.core.interface import CoreCounters, CoreStop, Registers, require_in_range
from busplay.core.line_plan import SAMPLE_CYCLES, LinePlan
from busplay.core.memory_map import Action, MemoryMap
from busplay.core.rewind import KIND_SHIFT, CoreState, InstructionBatch, StepKind, packed_state
from busplay.description.board import Undocumented

NMI_VECTOR, RESET_VECTOR, IRQ_VECTOR = 0xFFFA, 0xFFFC, 0xFFFE

# The kernel's cycles are signed.
_CYCLES_MAX = 1 << 62

# Longest stretch, which bounds the room that its stores need.
_STRETCH_CYCLES = 1 << 20

# The same while instructions are logged: one that fits a processor's second cache is the fastest.
_LOGGED_STRETCH_CYCLES = 1 << 16

_NO_ADDRESS = 1 << 32
_PAGE_BYTES = 4096


class CompiledCore(HostAccess):
    """An NMOS 6502 or W65C02S in machine code; see `Core`.

    Undocumented opcodes stop the core with a reason, those of the 65C02 too; with
    `undocumented="run"` only those that lock up the processor or depend on the chip.
    """

    kind: ClassVar[str] = "compiled"
    processors: ClassVar[frozenset[str]] = frozenset(INSTRUCTIONS)
    runs_undocumented: ClassVar[bool] = True
    takes_devices: ClassVar[bool] = True

    def __init__(
        self,
        processor: str,
        memory_map: MemoryMap,
        host_port: HostPortDevice | None = None,
        *,
        undocumented: Undocumented = "stop",
        devices: DeviceBus | None = None,
    ) -> None:
        if processor not in self.processors:
            raise ValueError(f"processor is {processor!r}; it is one of {sorted(self.processors)}")
        if (host_port and host_port.first_address) != memory_map.host_port_first:
            raise ValueError("host_port is not where memory_map has it")
        self._processor = processor
        self._map = memory_map
        self._host_port = host_port
        self._devices = devices
        runs_them = undocumented == "run"
        self._kernel = load_kernel(processor, undocumented=runs_them)
        self._clears_decimal = processor != "6502"
        self._mnemonics = timing_of(processor, undocumented=runs_them).mnemonics
        self._lay_out()
        self._columns = StoreColumns()
        self._instruction_columns = InstructionColumns()
        self._instructions: InstructionColumns | None = None
        self._irq_from = NEVER
        self._nmi_from = NEVER
        self._due_vector = 0
        self._waiting = False
        self._stop: CoreStop | None = None
        self._interrupts_taken = 0

    def _lay_out(self) -> None:
        """Make the block in its power-on state; see `busplay.core.compiled.block`."""
        room = np.zeros(BLOCK_BYTES + _PAGE_BYTES, np.uint8)
        start = -room.ctypes.data % _PAGE_BYTES
        block = room[start : start + BLOCK_BYTES]
        base = -PLAIN_TABLE_OFFSET
        self._base_address = block.ctypes.data + base
        self._memory = block[base : base + MEMORY_BYTES]
        self._memory[:] = self._map.power_on_memory()
        self._actions = block[base + ACTIONS_OFFSET :][:MEMORY_BYTES]
        self._actions[:] = self._map.actions
        mirrored = self._actions[:MIRRORED_BYTES]
        mirrored[(mirrored & Action.LANDS) != 0] |= MIRRORED
        self._table, plain_table = (
            block[base + offset :][: 8 * 256].view(np.uint64)
            for offset in (TABLE_OFFSET, PLAIN_TABLE_OFFSET)
        )
        self._table[:] = plain_table[:] = self._kernel.table
        # Cell n is the n-th from the end: `cells[~n]`.
        cells = block[base - 8 * CELL_COUNT : base].view(np.int64)
        self._cells: memoryview[int] = cells.data
        self._console = np.zeros(CONSOLE_BYTES_MAX, np.uint8)
        self._cells[~Cell.CONSOLE_DATA] = self._console.ctypes.data
        self._cells[~Cell.I] = INTERRUPT
        self._cells[~Cell.NZ] = 1
        self._cells[~Cell.ANSWER] = NO_ANSWER
        first = self._map.host_port_first
        self._cells[~Cell.PORT_FIRST] = _NO_ADDRESS if first is None else first
        registers = np.flatnonzero(self._map.actions & (Action.HOST_PORT | Action.DEVICE))
        self._cells[~Cell.IO_FIRST] = int(registers[0]) if len(registers) else _NO_ADDRESS
        self._cells[~Cell.IO_SPAN] = int(np.ptp(registers)) + 1 if len(registers) else 0
        self._records = None
        if self._devices is not None:
            device_of = block[base + DEVICE_OF_OFFSET :]
            mirrored_memory = block[base : base + MEMORY_BYTES + MIRRORED_BYTES]
            self._devices.attach(mirrored_memory, self._actions)
            self._records = DeviceRecords(self._devices, device_of, self._cells)
        self._cells[~Cell.STOP_PC] = _NO_ADDRESS

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
        return self._memory

    @property
    def stop(self) -> CoreStop | None:
        """See `Core`."""
        return self._stop

    @property
    def counters(self) -> CoreCounters:
        """See `Core`."""
        return CoreCounters(
            self._columns.count,
            self._cells[~Cell.ROM_WRITES],
            self._cells[~Cell.UNMAPPED_WRITES],
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
        cells = self._cells
        self._set_cycle(self.cycle + RESET_CYCLES)
        self.s = 0xFD
        cells[~Cell.I] = INTERRUPT
        if self._clears_decimal:
            cells[~Cell.D] = 0
        self._waiting = False
        self._nmi_from = NEVER
        self._due_vector = 0
        self._stop = None
        if self._host_port is not None:
            self._host_port.reset(self.cycle - 1)
        if self._devices is not None:
            self._devices.reset(self.cycle - 1)
        # After the devices: another page may have the vectors now.
        self.pc = self._word(RESET_VECTOR)
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
        first_cycle = self.cycle
        stop_cycle = min(first_cycle + cycles, _CYCLES_MAX)
        cells = self._cells
        logged_wait = False
        while (cycle := self.cycle) < stop_cycle and self._stop is None:
            if cells[~Cell.PC] == cells[~Cell.STOP_PC] and not self._waiting:
                break
            if self._due_vector:
                self._take_interrupt(cycle)
                continue
            plan = LinePlan.of(self._irq_line_from(), self._nmi_from, self._devices)
            if self._waiting:
                until = max(cycle, min(plan.sampled_from, stop_cycle))
                self._wait(until, is_logged=logged_wait)
                logged_wait = True
            else:
                plan = self._execute_by(plan, cycle, stop_cycle)
                logged_wait = False
            self._nmi_from = plan.settle(self.cycle, self._nmi_from)
            if self.cycle >= plan.sampled_from and not cells[~Cell.NO_SAMPLE]:
                self._sample_lines(plan)
            cells[~Cell.NO_SAMPLE] = 0
        return self.cycle - first_cycle

    def take_stores(self) -> StoreBatch:
        """See `Core`."""
        stores = self._columns.take()
        return stores if self._devices is None else self._devices.with_pages(stores)

    # Optional for cores.

    def run_to(self, address: int, cycles: int) -> int:
        """See `RunsToAddress`.

        Running takes up to 1.5 times as long (measured on shipped programs).
        """
        cells = self._cells
        cells[~Cell.STOP_PC] = require_in_range("address", address, 0xFFFF)
        if self._instructions is None:
            self._table[:] = self._kernel.watch
        try:
            return self.run(cycles)
        finally:
            cells[~Cell.STOP_PC] = _NO_ADDRESS
            if self._instructions is None:
                self._table[:] = self._kernel.table

    @property
    def state(self) -> CoreState:
        """See `RewindableCore`."""
        return CoreState(
            Registers.of(self),
            self._irq_from,
            self._nmi_from,
            self._due_vector,
            self._waiting,
            self._stop,
            self._columns.count,
            self._cells[~Cell.ROM_WRITES],
            self._cells[~Cell.UNMAPPED_WRITES],
            self._interrupts_taken,
            None if self._host_port is None else self._host_port.state,
            None if self._devices is None else self._devices.state,
        )

    def restore(self, state: CoreState) -> None:
        """See `RewindableCore`."""
        cells, registers = self._cells, state.registers
        self.a, self.x, self.y, self.s = registers.a, registers.x, registers.y, registers.s
        self.p, self.pc = registers.p, registers.pc
        self._set_cycle(registers.cycle)
        self._irq_from, self._nmi_from = state.irq_from, state.nmi_from
        self._due_vector, self._waiting = state.due_vector, state.is_waiting
        self._stop = state.stop
        self._interrupts_taken = state.interrupts_taken
        self._columns.take()
        self._columns.count = state.stores_tapped
        cells[~Cell.ROM_WRITES] = state.rom_writes_ignored
        cells[~Cell.UNMAPPED_WRITES] = state.unmapped_writes_ignored
        # The look at the interrupt lines that it is for was before this state.
        cells[~Cell.DELAYED] = 0
        if self._instructions is not None:
            self._instructions.take()
        if self._host_port is not None and state.host_port is not None:
            self._host_port.restore(state.host_port)
        if self._devices is not None and state.devices is not None:
            self._devices.restore(state.devices)

    def log_instructions(self, *, wanted: bool) -> None:
        """See `RewindableCore`."""
        # The columns stay: a search logs many short passages, and new ones cost more than that.
        self._instruction_columns.forget()
        self._instructions = self._instruction_columns if wanted else None
        self._table[:] = self._kernel.log if wanted else self._kernel.table

    def take_instructions(self) -> InstructionBatch:
        """See `RewindableCore`."""
        if self._instructions is None:
            return InstructionBatch.empty()
        return self._instructions.take()

    def watch_writes(self, addresses: NDArray[np.bool_] | None) -> None:
        """See `RewindableCore`."""
        tables = [self._actions]
        if self._devices is not None and self._devices.banks is not None:
            # Not +=, which a column answers by addition.
            tables.extend(self._devices.banks.action_rows)
        for actions in tables:
            actions &= np.uint8(~WATCHED & 0xFF)
            if addresses is not None:
                actions[addresses] |= WATCHED

    # Between instructions.

    def _log_here(self, kind: StepKind) -> None:
        """Log what the kernel has no part in, as it begins."""
        if self._instructions is not None:
            registers = Registers.of(self)
            state = packed_state(registers, int(self._memory[registers.pc]))
            self._instructions.add(registers.cycle | kind << KIND_SHIFT, state, self._cells)

    def _word(self, address: int) -> int:
        return int(self._memory[address]) | int(self._memory[address + 1]) << 8

    def _set_cycle(self, cycle: int) -> None:
        self._cells[~Cell.LIMIT] = cycle
        self._cells[~Cell.LEFT] = 0

    def _wait(self, until: int, *, is_logged: bool) -> None:
        if not is_logged:
            self._log_here(StepKind.WAITING)
        self._set_cycle(until)

    def _execute_by(self, plan: LinePlan, cycle: int, stop_cycle: int) -> LinePlan:
        """Run instructions by a plan, and return the plan of the last of them."""
        cells = self._cells
        masked = bool(cells[~Cell.I])
        limit = max(min(plan.limit(cycle, masked=masked), stop_cycle), cycle + 1)
        is_masked = masked and plan.is_masked(cycle)
        cells[~Cell.ENDS_AT_CLEAR_I] = INTERRUPT if is_masked else 0
        # The fall of a line that does not plan needs the host.
        may_fall = plan.event_from != NO_EVENT and plan.next_event != NO_EVENT
        if (
            self._records is None
            or self._instructions is not None
            or cells[~Cell.STOP_PC] != _NO_ADDRESS
            or may_fall
        ):
            self._execute(cycle, limit)
            return plan
        run_stop = min(plan.nmi_from, plan.next_event) + SAMPLE_CYCLES
        host_line = min(self._irq_line_from(), self._records.host_line_from(), NO_EVENT)
        line_from = min(plan.line_from, plan.event_from)
        cells[~Cell.HOST_LINE_FROM] = host_line
        cells[~Cell.LINE_FROM] = min(line_from, NO_EVENT)
        cells[~Cell.TURNS] = 1
        try:
            self._execute(cycle, limit, run_stop=max(min(run_stop, stop_cycle), cycle + 1))
        finally:
            cells[~Cell.TURNS] = 0
        self._interrupts_taken += cells[~Cell.INTERRUPTS]
        cells[~Cell.INTERRUPTS] = 0
        return plan._replace(line_from=cells[~Cell.LINE_FROM])

    def _execute(self, cycle: int, limit: int, *, run_stop: int = 0) -> None:
        """Run instructions, at least one, until `limit` or until something needs the host.

        Args:
            run_stop: where the kernel may go on to by itself.
        """
        cells = self._cells
        longest = _STRETCH_CYCLES if self._instructions is None else _LOGGED_STRETCH_CYCLES
        limit = min(limit, cycle + longest)
        cells[~Cell.LIMIT] = limit
        cells[~Cell.LEFT] = limit - cycle
        cells[~Cell.RUN_STOP] = max(limit, min(run_stop, cycle + longest))
        if self._devices is not None:
            cells[~Cell.DEVICES_UNTIL] = self._devices.next_event
        self._run_kernel()
        while cells[~Cell.REASON] == Reason.ASKS:
            if self._instructions is not None:
                self._instructions.drop_last()
            self._answer()
            self._run_kernel()
        if cells[~Cell.PORT_WRITES]:
            self._write_to_port()
        reason = cells[~Cell.REASON]
        if reason != Reason.SPENT:
            self._note_reason(reason)

    def _run_kernel(self) -> None:
        """Run the kernel once, with the host port's state copied in."""
        cells, port = self._cells, self._host_port
        room_cycles = cells[~Cell.RUN_STOP] - self.cycle
        self._columns.make_room(room_cycles, cells)
        if self._instructions is not None:
            self._instructions.make_room(room_cycles, cells)
        if port is None:
            self._kernel.run(self._base_address)
        else:
            readings = port.readings(self.cycle)
            cells[~Cell.RANDOM] = readings.random
            cells[~Cell.KEPT_TICK] = readings.kept_tick
            cells[~Cell.REFRESH_FROM] = min(readings.refresh_from, _CYCLES_MAX)
            cells[~Cell.REFRESH_ENABLED] = readings.refresh_enabled
            cells[~Cell.KEY_READY] = readings.key_ready
            cells[~Cell.KEY_UNTIL] = min(readings.key_ready_until, _CYCLES_MAX)
            self._kernel.run(self._base_address)
            port.resume(random=cells[~Cell.RANDOM], kept_tick=cells[~Cell.KEPT_TICK])
            if cells[~Cell.CONSOLE_COUNT]:
                port.write_console(self._console[: cells[~Cell.CONSOLE_COUNT]].tobytes())
                cells[~Cell.CONSOLE_COUNT] = 0
        self._columns.note_filled(cells)
        if self._instructions is not None:
            self._instructions.note_filled(cells)

    def _irq_line_from(self) -> int:
        port = self._host_port
        return self._irq_from if port is None else min(self._irq_from, port.interrupt_cycle())

    def _sample_lines(self, plan: LinePlan) -> None:
        """Sample the interrupt lines for the instruction that just ended.

        Args:
            plan: as it was when that instruction began: its own accesses come too late.
        """
        cells = self._cells
        sample_cycle = self.cycle - SAMPLE_CYCLES
        if self._nmi_from <= sample_cycle:
            self._nmi_from = NEVER
            self._due_vector = NMI_VECTOR
        elif plan.was_active(sample_cycle):
            if not cells[~Cell.OLD_I] if cells[~Cell.DELAYED] else not cells[~Cell.I]:
                self._due_vector = IRQ_VECTOR
        else:
            return
        self._waiting = False

    def _take_interrupt(self, cycle: int) -> None:
        self._log_here(StepKind.INTERRUPT)
        cells = self._cells
        vector = self._due_vector
        cells[~Cell.VECTOR] = vector
        self._due_vector = 0
        self._interrupts_taken += 1
        self._execute(cycle, cycle + 1)
