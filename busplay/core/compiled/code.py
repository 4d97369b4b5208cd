"""Access to cells and memory, and conditionals, for all code of the kernel.

A `Code` is one function being written. Its first argument is the base pointer `%m`, see
`busplay.core.compiled.block`.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from busplay.core.compiled.block import (
    ACTIONS_OFFSET,
    DEVICE_OF_OFFSET,
    MEMORY_BYTES,
    MIRRORED_BYTES,
    TABLE_OFFSET,
    cell_offset,
)
from busplay.core.compiled.ir import Body, Number, Truth, Value


class Code:
    """One function of the kernel."""

    def __init__(self) -> None:
        self.body = Body()

    def argument(self, name: str) -> Value:
        """Return an argument's value."""
        return Value(self.body, f"%{name}")

    # What a conditional part may change; more in subclasses that carry registers.

    def _registers(self) -> tuple[Value, ...]:
        return ()

    def _set_registers(self, values: tuple[Value, ...]) -> None:
        pass

    @contextmanager
    def when(self, condition: Truth, *, unlikely: bool = False) -> Iterator[None]:
        """Write code that runs only if the condition holds.

        Its changes to registers hold after it too, unless it ended in a jump.
        """
        body = self.body
        then, behind = body.label(), body.label()
        body.branch(condition, then, behind, unlikely=unlikely)
        before, before_block = self._registers(), body.block
        body.open_block(then)
        yield
        after, after_block = self._registers(), body.block
        if body.has_ended:
            self._set_registers(before)
            body.open_block(behind)
            return
        body.jump(behind)
        body.open_block(behind)
        merged = [
            old if old.text == new.text else body.merge((old, before_block), (new, after_block))
            for old, new in zip(before, after, strict=True)
        ]
        self._set_registers(tuple(merged))

    # Cells.

    def cell(self, number: int) -> Value:
        """Return a cell's value."""
        return self.body.load("%m", cell_offset(number), bits=64)

    def set_cell(self, number: int, value: Number) -> None:
        """Set a cell."""
        self.body.store("%m", cell_offset(number), value, bits=64)

    def count(self, number: int) -> None:
        """Add 1 to a cell."""
        self.set_cell(number, self.cell(number) + 1)

    def set_cell_of(self, first: int, number: Value, value: Number) -> None:
        """Set the cell that is `number` cells after another."""
        self.body.store(
            "%m", (self.number(0) - (number << 3)).at(cell_offset(first)), value, bits=64
        )

    def store_to(self, pointer: int, index: Value, value: Value, *, bits: int) -> None:
        """Store into the column that a cell points to."""
        column = self.body.load_pointer("%m", cell_offset(pointer))
        self.body.store(column, index << bits.bit_length() - 4, value, bits=bits)

    def number(self, number: int) -> Value:
        """Return a constant as a value."""
        return Value(self.body, str(number))

    # Memory.

    def fetch(self, address: Number) -> Value:
        """Read a byte of memory without registers: code, pointers, the stack, vectors."""
        return self.body.load("%m", address, bits=8)

    def fetch_word(self, low_address: Number, high_address: Number) -> Value:
        """Read two bytes as `fetch` does.

        Byte by byte: host processors stall on a word just written in bytes.
        """
        return self.fetch(low_address) | self.fetch(high_address) << 8

    def land(self, address: Value, byte: Value) -> None:
        """Put a byte into memory."""
        self.body.store("%m", address, byte, bits=8)

    def land_in_mirror(self, address: Value, byte: Value) -> None:
        """Put a byte into the mirror of the first bytes of memory."""
        self.body.store("%m", address.at(MEMORY_BYTES), byte, bits=8)

    def action(self, address: Value) -> Value:
        """Return an address's action on a write: bits of `Action`, and `MIRRORED`."""
        return self.body.load("%m", address.at(ACTIONS_OFFSET), bits=8)

    def device_of(self, address: Value) -> Value:
        """Return the place of the device at an address, for one that has a device."""
        return self.body.load("%m", address.at(DEVICE_OF_OFFSET), bits=8)

    def refresh_mirror(self) -> None:
        """Copy the first bytes of memory to the mirror, as the caller may have set them."""
        word = self.body.load("%m", 0, bits=8 * MIRRORED_BYTES)
        self.body.store("%m", MEMORY_BYTES, word, bits=8 * MIRRORED_BYTES)

    def function_of(self, opcode: Value, *, table: int = TABLE_OFFSET) -> str:
        """Return an opcode's function from a table."""
        return self.body.load_pointer("%m", (opcode << 3).at(table))
