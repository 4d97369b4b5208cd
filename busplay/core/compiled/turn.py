"""What the kernel does when its cycles are used up: sample the lines and plan the next stretch.

How to think about it. The host has the same loop (`CompiledCore.run`, with `LinePlan`). On a board
with devices the kernel goes through it by itself, since a timer's interrupt costs some 20 µs in
Python and 50 ns here. The host still bounds the run (`RUN_STOP`): an event of a device that only it
can do, an NMI, the end of the run. Sampling is for the instruction that just ended, by the plan as
it was when that began; none follows an interrupt sequence, whose handler's first instruction
always runs.
"""

from __future__ import annotations

from busplay.core.compiled.block import (
    DEVICE_RECORD_SHIFT,
    Cell,
    DeviceField,
    cell_offset,
)
from busplay.core.compiled.code import Code
from busplay.core.compiled.ir import Value
from busplay.core.compiled.machine import Machine
from busplay.core.devices.interface import NO_EVENT
from busplay.core.line_plan import SAMPLE_CYCLES

IRQ_VECTOR = 0xFFFE


class Record:
    """A device's record, as code sees it."""

    def __init__(self, code: Code, base: str, offset: Value) -> None:
        self._code = code
        self._base = base
        self._offset = offset

    @classmethod
    def of(cls, code: Code, place: Value) -> Record:
        """Return the record at a place."""
        base = code.body.load_pointer("%m", cell_offset(Cell.DEVICES))
        return cls(code, base, place << DEVICE_RECORD_SHIFT)

    def field(self, number: DeviceField) -> Value:
        """Return a field's value."""
        return self._code.body.load(self._base, self._offset.at(8 * number), bits=64)

    def load(self, address: Value, offset: int) -> Value:
        """Return the number at an address that a field holds."""
        return self._code.body.load(self._pointer(address), offset, bits=64)

    def store(self, address: Value, offset: int, value: Value) -> None:
        """Store a number at an address that a field holds."""
        self._code.body.store(self._pointer(address), offset, value, bits=64)

    def _pointer(self, address: Value) -> str:
        return self._code.body.let(f"inttoptr i64 {address.text} to ptr")


def write_turn(name: str, exit_name: str, *, delayed: bool) -> str:
    """Return the function that instructions jump to when no cycles are left.

    Args:
        exit_name: the function that returns to the host.
        delayed: the last instruction was CLI, SEI or PLP, so I is sampled as before it.
    """
    cpu = Machine()
    returns = cpu.cell(Cell.TURNS).equals(0)
    with cpu.when(returns):
        cpu.leave_to(exit_name)
    cycle = cpu.cell(Cell.LIMIT) - cpu.left
    in_sequence = cpu.cell(Cell.IN_SEQUENCE)
    cpu.set_cell(Cell.IN_SEQUENCE, 0)
    has_ended = cycle.below(cpu.cell(Cell.RUN_STOP)).as_number() ^ 1
    with cpu.when((has_ended | cpu.cell(Cell.PORT_WRITES)).differs(0)):
        cpu.set_cell(Cell.NO_SAMPLE, in_sequence)
        cpu.leave_to(exit_name)
    sampled_i = cpu.cell(Cell.OLD_I if delayed else Cell.I)
    is_early = cycle.below(cpu.cell(Cell.LINE_FROM) + SAMPLE_CYCLES).as_number()
    with cpu.when((is_early | sampled_i | in_sequence).equals(0)):
        cpu.count(Cell.INTERRUPTS)
        cpu.set_cell(Cell.IN_SEQUENCE, 1)
        cpu.set_cell(Cell.VECTOR, IRQ_VECTOR)
        cpu.set_cell(Cell.LIMIT, cycle + 1)
        cpu.left = cpu.number(1)
        cpu.leave_to("interrupt")
    _plan_line(cpu)
    wake = cpu.cell(Cell.LINE_FROM) + SAMPLE_CYCLES
    is_masked = cpu.cell(Cell.I).differs(0).both(cycle.below(wake).as_number().equals(0))
    cpu.set_cell(Cell.ENDS_AT_CLEAR_I, is_masked.choose(0x04, 0))
    run_stop = cpu.cell(Cell.RUN_STOP)
    limit = wake.below(run_stop).choose(wake, run_stop)
    limit = is_masked.choose(run_stop, limit)
    # At least one instruction runs.
    limit = cycle.below(limit).choose(limit, cycle + 1)
    cpu.set_cell(Cell.LIMIT, limit)
    cpu.left = limit - cycle
    cpu.dispatch()
    return cpu.definition(name)


def _plan_line(cpu: Machine) -> None:
    """Set LINE_FROM to the earliest cycle from which IRQ is active."""
    body = cpu.body
    head, inside, done = body.label(), body.label(), body.label()
    cpu.set_cell(Cell.LINE_FROM, cpu.cell(Cell.HOST_LINE_FROM))
    cpu.set_cell(Cell.PLACE, 0)
    body.jump(head)
    body.open_block(head)
    place = cpu.cell(Cell.PLACE)
    body.branch(place.below(cpu.cell(Cell.DEVICE_COUNT)), inside, done)
    body.open_block(inside)
    record = Record.of(cpu, place)
    found = record.load(record.field(DeviceField.LINE), 0)
    found = record.field(DeviceField.ON_IRQ).differs(0).choose(found, NO_EVENT)
    before = cpu.cell(Cell.LINE_FROM)
    cpu.set_cell(Cell.LINE_FROM, found.below(before).choose(found, before))
    cpu.set_cell(Cell.PLACE, place + 1)
    body.jump(head)
    body.open_block(done)
