"""The processor as templates see it while the code of one instruction is generated.

How to think about it. Every instruction is a function that ends by a jump to the next
instruction's: there is no loop and no common return point. The registers are passed as arguments,
which the calling convention keeps in the host's registers, and so is `left`, the cycles until the
code has to return: it counts down, and at 0 or below the code returns instead of jumping.

LLVM requires the same arguments of functions that tail-call each other: the registers, then two
numbers that only some use.

Writes that are not to plain RAM, reads of registers and decimal arithmetic are out of line, so that
the common path stays short.
"""

from __future__ import annotations

from busplay.core.compiled.block import TABLE_OFFSET, Cell
from busplay.core.compiled.code import Code
from busplay.core.compiled.ir import Number, Truth, Value
from busplay.core.memory_map import Action

REGISTERS = ("pc", "a", "x", "y", "s", "nz", "c", "left")
EXTRAS = ("address", "byte")
ARGUMENTS = ", ".join(["ptr %m", *(f"i64 %{name}" for name in (*REGISTERS, *EXTRAS))])
TYPE = "preserve_nonecc void"
STACK = 0x0100
ASK_THE_HOST = 0x200
"""Returned by `register_read` instead of a byte. A byte with 0x100: the stretch must end."""


class Machine(Code):
    """Registers, memory and time; templates read and set them, and so does the generated code.

    Attributes:
        opcode: of the instruction being generated.
        pc, a, x, y, s, nz, c: present values; `pc` is the instruction's own until `advance`. For
            N and Z in `nz` see `Cell`.
        left: cycles left, after this instruction once `spend` was called.
    """

    pc: Value
    a: Value
    x: Value
    y: Value
    s: Value
    nz: Value
    c: Value
    left: Value

    def __init__(self, opcode: int = 0) -> None:
        super().__init__()
        self.opcode = opcode
        self._set_registers(tuple(self.argument(name) for name in REGISTERS))
        self._entry = self._registers()

    def _registers(self) -> tuple[Value, ...]:
        return tuple(getattr(self, name) for name in REGISTERS)

    def _set_registers(self, values: tuple[Value, ...]) -> None:
        for name, value in zip(REGISTERS, values, strict=True):
            setattr(self, name, value)

    def definition(self, name: str) -> str:
        """Return the function's text, once its last jump is written."""
        return self.body.definition(f"internal {TYPE} @{name}({ARGUMENTS}) noinline nounwind")

    # Jumps.

    def leave_to(self, name: str, address: Number = 0, byte: Number = 0) -> None:
        """Jump to another function with the present registers."""
        self._jump(f"@{name}", self._registers(), (address, byte))

    def retreat_to(self, name: str) -> None:
        """Jump to another function with the registers from before the instruction."""
        self._jump(f"@{name}", self._entry, (0, 0))

    def _jump(
        self, function: str, registers: tuple[Value, ...], extras: tuple[Number | str, ...]
    ) -> None:
        texts = [one.text if isinstance(one, Value) else str(one) for one in (*registers, *extras)]
        arguments = ", ".join(["ptr %m", *(f"i64 {text}" for text in texts)])
        self.body.write(f"musttail call {TYPE} {function}({arguments})")
        self.body.write("ret void")

    def finish(self) -> None:
        """Continue with the next instruction, or return if no cycles are left."""
        with self.when(self.left.used_up(), unlikely=True):
            self.leave_to("leave")
        self.dispatch()

    def end_at_clear_i(self) -> None:
        """End the stretch if I is clear and the host waits for that."""
        waits = self.cell(Cell.ENDS_AT_CLEAR_I)
        with self.when((waits & (self.cell(Cell.I) ^ 0x04)).differs(0), unlikely=True):
            self.end_stretch()

    def end_stretch(self) -> None:
        """Leave no cycles; the limit moves too, so the next cycle stays the same."""
        self.set_cell(Cell.LIMIT, self.cell(Cell.LIMIT) - self.left)
        self.left = self.number(0)

    def dispatch(self, *, table: int = TABLE_OFFSET) -> None:
        """Continue with the next instruction."""
        function = self.function_of(self.fetch(self.pc), table=table)
        self._jump(function, self._registers(), ("poison", "poison"))

    # Time.

    def spend(self, cycles: Number) -> None:
        """Count cycles as spent."""
        self.left = self.left - cycles

    def cycle(self, *, position: int) -> Value:
        """Return a cycle's number, from its position, counted back from the last one spent (1)."""
        return self.cell(Cell.LIMIT) - self.left - position

    # The instruction's own bytes.

    def advance(self, instruction_bytes: int) -> None:
        """Set PC to the instruction after this one."""
        self.pc = (self.pc + instruction_bytes) & 0xFFFF

    def operand(self, number: int = 1) -> Value:
        """Return byte 1 or 2 of the instruction; only before `advance`."""
        return self.fetch(self.pc.at(number))

    def signed_operand(self, number: int = 1) -> Value:
        """Return byte 1 or 2 of the instruction, sign-extended."""
        return (self.operand(number) ^ 0x80) - 0x80

    def operand_word(self) -> Value:
        """Return bytes 1 and 2 of the instruction."""
        return self.body.load("%m", self.pc.at(1), bits=16)

    # Operands in memory.

    def read(self, address: Value, *, position: int) -> Value:
        """Read an operand at a position, from a register if one is there."""
        body = self.body
        plain = self.fetch(address)
        offset = address - self.cell(Cell.IO_FIRST)
        then, behind, before = body.label(), body.label(), body.block
        left = self.left
        body.branch(offset.below(self.cell(Cell.IO_SPAN)), then, behind, unlikely=True)
        body.open_block(then)
        found = body.call("register_read", address, self.cycle(position=position))
        with self.when(found.above(0xFF), unlikely=True):
            with self.when(found.has(ASK_THE_HOST)):
                self.retreat_to("ask")
            self.end_stretch()
        byte = found & 0xFF
        last = body.block
        body.jump(behind)
        body.open_block(behind)
        self.left = body.merge((left, before), (self.left, last))
        return body.merge((plain, before), (byte, last))

    def write_and_finish(self, address: Value, byte: Value) -> None:
        """Write a byte in the last cycle, and finish."""
        with self.when(self.action(address).differs(Action.LANDS)):
            self.note_instruction()
            self.leave_to("write_last", address, byte)
        self.land(address, byte)
        self.finish()

    def write_twice_and_finish(self, address: Value, old: Value, byte: Value) -> None:
        """Write the old byte in the last cycle but one, the new one in the last, and finish."""
        with self.when(self.action(address).differs(Action.LANDS)):
            self.note_instruction()
            self._write_early(address, old, position=2)
            self.leave_to("write_last", address, byte)
        self.land(address, byte)
        self.finish()

    def _write_early(self, address: Value, byte: Value, *, position: int) -> None:
        cycle = self.cycle(position=position)
        self.left = self.body.call("write_early", address, byte, cycle, self.left)

    def note_instruction(self) -> None:
        """Note address and opcode for the host."""
        self.set_cell(Cell.AT, self._entry[0] | self.opcode << 16)

    # The stack.

    def push(self, byte: Value, *, position: int) -> None:
        """Push a byte at a position; a `finish` must follow."""
        address = self.move_stack_down()
        is_plain = self.action(address).equals(Action.LANDS)
        body = self.body
        straight, special, behind = body.label(), body.label(), body.label()
        body.branch(is_plain, straight, special)
        body.open_block(special)
        before = self.left
        self.note_instruction()
        self._write_early(address, byte, position=position)
        after = self.left
        body.jump(behind)
        body.open_block(straight)
        self.land(address, byte)
        body.jump(behind)
        body.open_block(behind)
        self.left = body.merge((before, straight), (after, special))

    def move_stack_down(self) -> Value:
        """Decrement S for a push, and return the byte's address."""
        address = self.s | STACK
        self.s = (self.s - 1) & 0xFF
        return address

    def stack_is_special(self, *, depth: int) -> Truth:
        """Return whether any of the next `depth` pushes is not to plain RAM."""
        seen = self.number(0)
        for down in range(depth):
            seen = seen | self.action((self.s - down) & 0xFF | STACK) ^ Action.LANDS
        return seen.differs(0)

    def pull(self) -> Value:
        """Pull a byte."""
        self.s = (self.s + 1) & 0xFF
        return self.fetch(self.s | STACK)

    # Flags.

    def set_nz(self, byte: Value) -> None:
        """Set N and Z by a byte."""
        self.nz = byte

    def set_n_and_z(self, n_source: Value, z_source: Value) -> None:
        """Set N by bit 7 of one byte, Z by whether another is 0."""
        self.nz = (n_source & 0x80) << 8 | z_source.differs(0).as_number()

    def set_z(self, z_source: Value) -> None:
        """Set Z by whether a byte is 0; N stays."""
        n = self.nz.has(0x8080).choose(0x8000, 0)
        self.nz = n | z_source.differs(0).as_number()

    def flags(self, *, break_bit: int) -> Value:
        """Return P as PHP, BRK and interrupts push it."""
        n = self.nz.has(0x8080).choose(0x80, 0)
        z = (self.nz & 0xFF).equals(0).choose(0x02, 0)
        v = (self.cell(Cell.V) & 0x80) >> 1
        return n | v | self.cell(Cell.D) | self.cell(Cell.I) | z | self.c | (0x20 | break_bit)

    def set_flags(self, byte: Value) -> None:
        """Set P as PLP and RTI do."""
        self.set_n_and_z(byte, (byte & 0x02) ^ 0x02)
        self.set_cell(Cell.V, byte << 1)
        self.set_cell(Cell.D, byte & 0x08)
        self.set_cell(Cell.I, byte & 0x04)
        self.c = byte & 0x01
