"""The kernel's functions other than instructions: entry, exits, special writes, registers."""

from __future__ import annotations

from busplay.core.compiled.block import (
    CONSOLE_BYTES_MAX,
    MIRRORED,
    NO_ANSWER,
    PLAIN_TABLE_OFFSET,
    WATCHED,
    Cell,
    DeviceField,
    Reason,
)
from busplay.core.compiled.code import Code
from busplay.core.compiled.instructions import write_break
from busplay.core.compiled.ir import CALLED, Value
from busplay.core.compiled.machine import ASK_THE_HOST, EXTRAS, REGISTERS, TYPE, Machine
from busplay.core.compiled.operations import adc_decimal, sbc_decimal
from busplay.core.compiled.turn import Record, write_turn
from busplay.core.cycles import INTERRUPT_CYCLES
from busplay.core.devices.via_state import CHANGED, READ, WRITE
from busplay.core.host_port import Register
from busplay.core.memory_map import Action
from busplay.core.rewind import A_SHIFT, OPCODE_SHIFT, P_SHIFT, S_SHIFT, X_SHIFT, Y_SHIFT

_CELLS = {
    "pc": Cell.PC,
    "a": Cell.A,
    "x": Cell.X,
    "y": Cell.Y,
    "s": Cell.S,
    "nz": Cell.NZ,
    "c": Cell.C,
    "left": Cell.LEFT,
}


_EARLY = ("address", "byte", "cycle", "left")
_READ = ("address", "cycle")
_ACCESS = ("operation", "address", "byte", "cycle")


def write_routines(*, nmos: bool) -> list[str]:
    """Return all of them."""
    return [
        _run(),
        *(_exit(name, reason) for name, reason in _EXITS.items()),
        _exit("spent_delayed", Reason.SPENT, delayed=1),
        write_turn("leave", "spent", delayed=False),
        write_turn("leave_delayed", "spent_delayed", delayed=True),
        _undefined(),
        _watch(),
        _log(),
        _interrupt(nmos=nmos),
        _decimal("adc_decimal", nmos=nmos),
        _decimal("sbc_decimal", nmos=nmos),
        _write_last(),
        _write_early(),
        _register_read(),
        _device_access(),
    ]


_EXITS = {
    "spent": Reason.SPENT,
    "ask": Reason.ASKS,
    "wait": Reason.WAITS,
    "halt": Reason.HALTED,
    "missing": Reason.OPCODE,
    "reached": Reason.REACHED,
}


def _run() -> str:
    """Write the entry: load registers from their cells, run a due interrupt, then instructions."""
    code = Code()
    registers = [code.cell(_CELLS[name]) for name in REGISTERS]
    arguments = ", ".join(["ptr %m", *(f"i64 {value.text}" for value in registers)])
    code.refresh_mirror()
    body = code.body
    with code.when(code.cell(Cell.VECTOR).differs(0)):
        body.write(f"call {TYPE} @interrupt({arguments}, i64 0, i64 0)")
        body.write("ret void")
    function = code.function_of(code.fetch(registers[0]))
    body.write(f"call {TYPE} {function}({arguments}, i64 0, i64 0)")
    body.write("ret void")
    return body.definition("void @run(ptr %m) nounwind")


def _exit(name: str, reason: Reason, *, delayed: int = 0) -> str:
    """Write an exit: save registers to their cells."""
    cpu = Machine()
    for register in REGISTERS:
        cpu.set_cell(_CELLS[register], cpu.argument(register))
    cpu.set_cell(Cell.REASON, reason)
    cpu.set_cell(Cell.DELAYED, delayed)
    cpu.body.write("ret void")
    return cpu.definition(name)


def _undefined() -> str:
    """Write the table's entry for missing instructions."""
    cpu = Machine()
    cpu.set_cell(Cell.AT, cpu.pc | cpu.fetch(cpu.pc) << 16)
    cpu.leave_to("missing")
    return cpu.definition("undefined")


def _watch() -> str:
    """Write the function that replaces every instruction while running to an address."""
    cpu = Machine()
    _stop_if_reached(cpu)
    cpu.dispatch(table=PLAIN_TABLE_OFFSET)
    return cpu.definition("watch")


def _log() -> str:
    """Write what every instruction leads to while a log of them is kept."""
    cpu = Machine()
    _stop_if_reached(cpu)
    count = cpu.cell(Cell.INSTRUCTION_COUNT)
    state = cpu.pc | cpu.fetch(cpu.pc) << OPCODE_SHIFT
    for name, shift in (("a", A_SHIFT), ("x", X_SHIFT), ("y", Y_SHIFT), ("s", S_SHIFT)):
        state = state | cpu.argument(name) << shift
    state = state | cpu.flags(break_bit=0x10) << P_SHIFT
    begin = cpu.cell(Cell.LIMIT) - cpu.left
    cpu.store_to(Cell.INSTRUCTION_BEGIN, count, begin, bits=64)
    cpu.store_to(Cell.INSTRUCTION_STATE, count, state, bits=64)
    cpu.set_cell(Cell.INSTRUCTION_COUNT, count + 1)
    cpu.dispatch(table=PLAIN_TABLE_OFFSET)
    return cpu.definition("log")


def _stop_if_reached(cpu: Machine) -> None:
    with cpu.when(cpu.pc.equals(cpu.cell(Cell.STOP_PC)), unlikely=True):
        cpu.leave_to("reached")


def _interrupt(*, nmos: bool) -> str:
    cpu = Machine()
    vector = cpu.cell(Cell.VECTOR)
    cpu.set_cell(Cell.VECTOR, 0)
    cpu.spend(INTERRUPT_CYCLES)
    write_break(cpu, 0, vector, clears_decimal=not nmos)
    return cpu.definition("interrupt")


def _decimal(name: str, *, nmos: bool) -> str:
    cpu = Machine()
    operation = {"adc_decimal": adc_decimal, "sbc_decimal": sbc_decimal}[name]
    operation(cpu, cpu.argument("byte"), nmos=nmos)
    cpu.finish()
    return cpu.definition(name)


# Writes that are not to plain RAM.


def _write_last() -> str:
    """Write the function that stores jump to: the write of the last cycle, then the finish."""
    cpu = Machine()
    address, byte = (cpu.argument(name) for name in EXTRAS)
    cpu.left = _write(cpu, address, byte, cpu.cycle(position=1), cpu.left)
    cpu.finish()
    return cpu.definition("write_last")


def _write_early() -> str:
    """Write the function that pushes and NMOS read-modify-writes call; returns the cycles left."""
    code = Code()
    address, byte, cycle, left = (code.argument(name) for name in _EARLY)
    left = _write(code, address, byte, cycle, left)
    code.body.write(f"ret i64 {left.text}")
    return code.body.definition(
        f"internal {CALLED} @write_early({_called_arguments(_EARLY)}) noinline nounwind"
    )


def _write(code: Code, address: Value, byte: Value, cycle: Value, left: Value) -> Value:
    """Do one write and return the cycles left, 0 if the host has to do the rest."""
    body = code.body
    action = code.action(address)
    tapped, other, behind = body.label(), body.label(), body.label()
    body.branch(action.has(Action.TAPPED), tapped, other)

    body.open_block(tapped)
    _log_store(code, address, byte, cycle)
    with code.when(action.has(Action.LANDS)):
        code.land(address, byte)
        with code.when(action.has(MIRRORED), unlikely=True):
            code.land_in_mirror(address, byte)
    after_tapped = body.block
    body.jump(behind)

    body.open_block(other)
    with code.when(action.has(WATCHED), unlikely=True):
        _log_store(code, address, byte, cycle)
    with code.when(action.has(Action.LANDS)):
        code.land(address, byte)
        with code.when(action.has(MIRRORED)):
            code.land_in_mirror(address, byte)
    with code.when(action.has(Action.ROM)):
        code.count(Cell.ROM_WRITES)
    with code.when(action.has(Action.UNMAPPED)):
        code.count(Cell.UNMAPPED_WRITES)
    to_register, not_to_register = body.label(), body.block
    body.branch(action.has(Action.HOST_PORT | Action.DEVICE), to_register, behind)

    body.open_block(to_register)
    to_device, to_port = body.label(), body.label()
    to_console, to_host = body.label(), body.label()
    body.branch(action.has(Action.DEVICE), to_device, to_port)

    body.open_block(to_device)
    # After one that the host must do, the host does the rest too.
    none_waits = code.cell(Cell.PORT_WRITES).equals(0)
    tried, done, ended, same = body.label(), body.label(), body.label(), body.label()
    body.branch(none_waits, tried, to_host)
    body.open_block(tried)
    found = body.call("device_access", code.number(WRITE), address, byte, cycle)
    body.branch(found.has(ASK_THE_HOST), to_host, done)
    body.open_block(done)
    body.branch(found.has(CHANGED), ended, same)
    body.open_block(ended)
    code.set_cell(Cell.LIMIT, code.cell(Cell.LIMIT) - left)
    body.jump(behind)
    body.open_block(same)
    body.jump(behind)

    body.open_block(to_port)
    offset = address - code.cell(Cell.PORT_FIRST)
    count = code.cell(Cell.CONSOLE_COUNT)
    has_room = count.below(CONSOLE_BYTES_MAX)
    body.branch(offset.equals(Register.CONSOLE).both(has_room), to_console, to_host)

    body.open_block(to_console)
    code.store_to(Cell.CONSOLE_DATA, count, byte, bits=8)
    code.set_cell(Cell.CONSOLE_COUNT, count + 1)
    body.jump(behind)

    body.open_block(to_host)
    count = code.cell(Cell.PORT_WRITES)
    code.set_cell(Cell.PORT_WRITES, count + 1)
    first = count + (count << 1)
    for number, value in enumerate((cycle, address, byte)):
        code.set_cell_of(Cell.PORT_WRITE + number, first, value)
    # No cycles left; the limit moves too, so the next cycle stays the same.
    code.set_cell(Cell.LIMIT, code.cell(Cell.LIMIT) - left)
    after_port = body.block
    body.jump(behind)

    body.open_block(behind)
    return body.merge(
        (left, after_tapped),
        (left, not_to_register),
        (left, to_console),
        (left, same),
        (code.number(0), ended),
        (code.number(0), after_port),
    )


def _log_store(code: Code, address: Value, byte: Value, cycle: Value) -> None:
    count = code.cell(Cell.LOG_COUNT)
    code.store_to(Cell.LOG_CYCLE, count, cycle, bits=64)
    code.store_to(Cell.LOG_ADDRESS, count, address, bits=16)
    code.store_to(Cell.LOG_DATA, count, byte, bits=8)
    code.set_cell(Cell.LOG_COUNT, count + 1)


# Reads of registers; those of the host port as in `busplay.core.host_port`, except that of a key.


def _register_read() -> str:
    """Write the function that operand reads call between the first and last register.

    It returns the byte, with `CHANGED` if the stretch must end, or that the host is needed.
    """
    code = Code()
    body = code.body
    address, cycle = (code.argument(name) for name in _READ)

    def give(value: Value | int) -> None:
        body.write(f"ret i64 {value.text if isinstance(value, Value) else value}")

    action = code.action(address)
    with code.when((action & (Action.HOST_PORT | Action.DEVICE)).equals(0)):
        give(code.fetch(address))
    answer = code.cell(Cell.ANSWER)
    with code.when(answer.differs(NO_ANSWER)):
        code.set_cell(Cell.ANSWER, NO_ANSWER)
        give(answer)
    code.set_cell(Cell.ASKED_ADDRESS, address)
    code.set_cell(Cell.ASKED_CYCLE, cycle)
    with code.when(action.has(Action.DEVICE)):
        give(body.call("device_access", code.number(READ), address, code.number(0), cycle))
    offset = address - code.cell(Cell.PORT_FIRST)
    with code.when(offset.below(Register.CONSOLE)):
        ready = code.cell(Cell.KEY_READY)
        is_known = cycle.below(code.cell(Cell.KEY_UNTIL))
        with code.when(offset.equals(Register.KEY_READY).both(is_known)):
            give(ready)
        with code.when(ready.equals(0).both(is_known)):
            give(0)
        give(ASK_THE_HOST)
    with code.when(offset.equals(Register.TICK)):
        code.set_cell(Cell.KEPT_TICK, cycle & 0xFFFFFFFF)
        give(cycle & 0xFF)
    with code.when((offset - Register.TICK).below(4)):
        give(code.cell(Cell.KEPT_TICK) >> ((offset - Register.TICK) << 3) & 0xFF)
    with code.when(offset.equals(Register.REFRESH)):
        pending = cycle.below(code.cell(Cell.REFRESH_FROM)).choose(0, 0x80)
        give(pending | code.cell(Cell.REFRESH_ENABLED))
    with code.when(offset.equals(Register.RANDOM)):
        state = code.cell(Cell.RANDOM)
        state = state ^ state << 13 & 0xFFFFFFFF
        state = state ^ state >> 17
        state = state ^ state << 5 & 0xFFFFFFFF
        code.set_cell(Cell.RANDOM, state)
        give(state & 0xFF)
    give(0)
    return body.definition(
        f"internal {CALLED} @register_read({_called_arguments(_READ)}) noinline nounwind"
    )


def _device_access() -> str:
    """Write the function that accesses a device by its machine code, if it has any.

    It returns the byte read, or 0, with `CHANGED`; or that the host must do it.
    """
    code = Code()
    body = code.body
    operation, address, byte, cycle = (code.argument(name) for name in _ACCESS)
    with code.when(cycle.below(code.cell(Cell.DEVICES_UNTIL))):
        record = Record.of(code, code.device_of(address))
        is_write = operation.equals(WRITE)
        function = is_write.choose(record.field(DeviceField.WRITE), record.field(DeviceField.READ))
        with code.when(function.differs(0)):
            offset = address - record.field(DeviceField.FIRST) & record.field(DeviceField.MASK)
            slots, results = (record.field(one) for one in (DeviceField.SLOTS, DeviceField.RESULTS))
            for place, value in enumerate((operation, offset, byte, cycle), 1):
                record.store(slots, 8 * place, value)
            body.call_pointer(function, slots, results)
            body.write(f"ret i64 {record.load(results, 0).text}")
    body.write(f"ret i64 {ASK_THE_HOST}")
    return body.definition(
        f"internal {CALLED} @device_access({_called_arguments(_ACCESS)}) noinline nounwind"
    )


def _called_arguments(names: tuple[str, ...]) -> str:
    return ", ".join(["ptr %m", *(f"i64 %{name}" for name in names)])
