"""Report every store of an existing py65 processor, or of py65's monitor.

The processor runs as before: its registers, memory, callbacks and cycle count are not changed. The
hook wraps `step`, `irq`, `nmi`, `reset` and `memory` of that one object, records an instruction's
reads and writes, and computes from the table of instructions how long it took and in which cycles
it wrote. Where py65 miscounts (see `busplay.core.py65_corrected`), the hook's count is correct.

Instructions that are not in the table, added by a subclass, take the cycles that the class counts,
and write in their last cycles.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol

from py65.devices import mpu65c02, mpu6502

from busplay.core.cycles import INTERRUPT_CYCLES, INTERRUPT_OPCODE, RESET_CYCLES, timing_of
from busplay.core.instructions import INSTRUCTIONS, Mode

_DECIMAL = 0x08
_BRA = 0x80
# The flag that a branch tests, by the opcode's two highest bits; bit 5 is the value wanted.
_BRANCH_FLAGS = (0x80, 0x40, 0x01, 0x02)
_LAID_OVER = ("step", "irq", "nmi", "reset")


class StoreSink(Protocol):
    """Receiver of stores, such as `busplay.core.store_buffer.StoreBuffer`."""

    @property
    def last_cycle(self) -> int:
        """Cycle of the newest store, 0 before the first."""

    def store(self, cycle: int, address: int, data: int) -> None:
        """Take one store."""


class Py65Memory(Protocol):
    """A memory for py65: a list, a bytearray, py65's ObservableMemory."""

    def __getitem__(self, address: int, /) -> int: ...
    def __setitem__(self, address: int, byte: int, /) -> None: ...


class Py65Hook(Protocol):
    """An installed hook."""

    @property
    def cycle(self) -> int:
        """Number of the next cycle, counted correctly from the processor's own."""

    def detach(self) -> None:
        """Restore the processor; stores reported so far stay in the sink."""


def hook_mpu(target: object, sink: StoreSink) -> Py65Hook:
    """Report every store of a py65 processor, or of a monitor's, to `sink`.

    Args:
        target: a py65 `MPU` (6502 or 65C02, or a subclass), with any memory that py65 takes, or a
            `py65.monitor.Monitor`; if the monitor resets or replaces its processor, the hook
            follows, and the count continues (7 cycles a reset).
        sink: takes `(cycle, address, data)` in order of cycles: all writes of instructions and
            interrupts to all addresses, pushes included.

    Raises:
        TypeError: the target is neither.
    """
    if hasattr(target, "_mpu") and hasattr(target, "_reset"):
        return _MonitorHook(target, sink)
    return _MpuHook(target, sink)


def _processor_of(mpu: object) -> str | None:
    if getattr(mpu, "BYTE_WIDTH", 0) != 8:
        return None
    if isinstance(mpu, mpu65c02.MPU):
        return "65c02"
    return "6502" if isinstance(mpu, mpu6502.MPU) else None


class _RecordingMemory:
    """A memory that records every read and write in order while `recording`."""

    def __init__(self, memory: Py65Memory) -> None:
        self.memory = memory
        self.recording = False
        self.reads: list[int] = []
        self.writes: list[tuple[int, int, int]] = []

    def __getitem__(self, address: int) -> int:
        value = self.memory[address]
        if self.recording:
            self.reads.append(value)
        return value

    def __setitem__(self, address: int, byte: int) -> None:
        if self.recording:
            # The byte read last is the old value, which an NMOS 6502 writes back first.
            old = self.reads[-1] if self.reads else 0
            self.writes.append((address & 0xFFFF, byte & 0xFF, old & 0xFF))
        self.memory[address] = byte

    def __len__(self) -> int:
        return len(self.memory)  # type: ignore[arg-type]

    def __getattr__(self, name: str) -> object:
        return getattr(self.memory, name)


class _MpuHook:
    """The hook on one processor."""

    def __init__(self, mpu: Any, sink: StoreSink, *, cycle: int | None = None) -> None:
        processor = _processor_of(mpu)
        if processor is None:
            raise TypeError(f"target is {mpu!r}; it must be a py65 6502 or 65C02, or a monitor")
        self._mpu = mpu
        self._sink = sink
        self._timing = timing_of(processor)
        self._modes = {code: row.mode for code, row in INSTRUCTIONS[processor].items()}
        first_cycle = self._mpu.processorCycles if cycle is None else cycle
        self._cycle = max(first_cycle, sink.last_cycle)
        self._active = True
        self._memory = _RecordingMemory(self._mpu.memory)
        self._mpu.memory = self._memory
        self._under = {name: getattr(mpu, name) for name in _LAID_OVER}
        self._own: dict[str, Callable[[], object]] = {
            "step": self._step,
            "irq": lambda: self._interrupt("irq"),
            "nmi": lambda: self._interrupt("nmi"),
            "reset": self._reset,
        }
        self._shadowed = {name: vars(mpu)[name] for name in _LAID_OVER if name in vars(mpu)}
        for name, function in self._own.items():
            setattr(mpu, name, function)

    @property
    def cycle(self) -> int:
        """See `Py65Hook`."""
        return self._cycle

    def detach(self) -> None:
        """See `Py65Hook`."""
        if not self._active:
            return
        self._active = False
        # Another wrapper may be on top of ours; then ours only stops reporting.
        for name, function in self._own.items():
            if vars(self._mpu).get(name) is function:
                if name in self._shadowed:
                    setattr(self._mpu, name, self._shadowed[name])
                else:
                    delattr(self._mpu, name)
        if self._mpu.memory is self._memory:
            self._mpu.memory = self._memory.memory

    def _step(self) -> object:
        if not self._active:
            return self._under["step"]()
        mpu = self._mpu
        counted, x, y, p = mpu.processorCycles, mpu.x, mpu.y, mpu.p
        next_pc = mpu.pc + 2 & 0xFFFF
        result = self._recorded("step")
        reads = self._memory.reads
        if not reads:
            # Waiting (WAI): no instruction was fetched.
            self._cycle += mpu.processorCycles - counted
            return result
        opcode = reads[0]
        cycles = self._timing.base_cycles[opcode]
        cycles_behind = 0
        if not cycles or self._modes[opcode] is Mode.ZERO_PAGE_RELATIVE:
            # Not py65's own: use the subclass's count.
            cycles = mpu.processorCycles - counted
        elif self._timing.page_cycle[opcode]:
            cycles += self._crosses_page(opcode, reads, x, y)
        elif self._timing.branch_cycles[opcode]:
            cycles_behind = _branch_cycles(opcode, p, next_pc, mpu.pc)
        if self._timing.decimal_cycle[opcode] and p & _DECIMAL:
            cycles_behind = 1
        self._report(self._cycle + cycles, opcode)
        self._cycle += cycles + cycles_behind
        return result

    def _interrupt(self, name: str) -> object:
        result = self._recorded(name)
        # py65 ignores it when I is set.
        if self._active and self._memory.writes:
            self._cycle += INTERRUPT_CYCLES
            self._report(self._cycle, INTERRUPT_OPCODE)
        return result

    def _reset(self) -> object:
        result = self._under["reset"]()
        if self._active:
            self._cycle += RESET_CYCLES
        return result

    def _recorded(self, name: str) -> object:
        """Run the wrapped method and record its reads and writes."""
        mpu = self._mpu
        if self._active and mpu.memory is not self._memory:
            # The owner replaced the memory.
            self._memory = _RecordingMemory(mpu.memory)
            mpu.memory = self._memory
        memory = self._memory
        memory.reads.clear()
        memory.writes.clear()
        memory.recording = True
        try:
            return self._under[name]()
        finally:
            memory.recording = False

    def _crosses_page(self, opcode: int, reads: list[int], x: int, y: int) -> int:
        mode = self._modes[opcode]
        low = reads[2] if mode is Mode.INDIRECT_Y else reads[1]
        return 1 if low + (x if mode is Mode.ABSOLUTE_X else y) > 0xFF else 0

    def _report(self, end_cycle: int, opcode: int) -> None:
        writes = self._memory.writes
        if not writes:
            return
        positions = self._timing.write_positions[opcode]
        store = self._sink.store
        if len(writes) == 1 and self._timing.writes_old_value[opcode]:
            address, _, old = writes[0]
            store(end_cycle - 2, address, old)
            positions = positions[1:]
        elif len(writes) != len(positions):
            positions = tuple(range(len(writes), 0, -1))
        for position, (address, byte, _) in zip(positions, writes, strict=True):
            # An added instruction may count too few cycles for its writes.
            store(max(end_cycle - position, self._sink.last_cycle), address, byte)


def _branch_cycles(opcode: int, p: int, next_pc: int, pc: int) -> int:
    taken = opcode == _BRA or bool(p & _BRANCH_FLAGS[opcode >> 6]) == bool(opcode & 0x20)
    if not taken:
        return 0
    return 2 if (next_pc ^ pc) & 0xFF00 else 1


class _MonitorHook:
    """The hook on a monitor's present processor."""

    def __init__(self, monitor: Any, sink: StoreSink) -> None:
        self._monitor = monitor
        self._sink = sink
        self._hook: _MpuHook | None = _MpuHook(monitor._mpu, sink)
        self._cycle_unhooked = 0
        self._active = True
        self._under_reset: Callable[..., None] = monitor._reset
        self._own_reset = self._reset
        self._shadowed = vars(monitor).get("_reset")
        monitor._reset = self._own_reset

    @property
    def cycle(self) -> int:
        """See `Py65Hook`."""
        return self._cycle_unhooked if self._hook is None else self._hook.cycle

    def detach(self) -> None:
        """See `Py65Hook`."""
        self._active = False
        if vars(self._monitor).get("_reset") is self._own_reset:
            if self._shadowed is None:
                del self._monitor._reset
            else:
                self._monitor._reset = self._shadowed
        if self._hook is not None:
            self._hook.detach()

    def _reset(self, *args: object, **kwargs: object) -> None:
        """Run the monitor's `reset` and `mpu` commands, which make a new processor."""
        self._under_reset(*args, **kwargs)
        if not self._active:
            return
        cycle = self.cycle + RESET_CYCLES
        if self._hook is not None:
            self._hook.detach()
        mpu = self._monitor._mpu
        if _processor_of(mpu) is None:
            self._hook, self._cycle_unhooked = None, cycle
            self._monitor._output(f"busplay taps a 6502 or a 65C02, not a {mpu.name}")
        else:
            self._hook = _MpuHook(mpu, self._sink, cycle=cycle)
