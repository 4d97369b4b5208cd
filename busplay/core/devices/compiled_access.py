"""Devices whose accesses run as machine code, called by the compiled core's own."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol, runtime_checkable

import numpy as np

from busplay.batch import Int64Column
from busplay.jit.kernel_function import SharedKernel

OPERANDS = 5
"""Arguments of an access: state, operation, offset, data, cycle."""


@dataclass(frozen=True, slots=True, eq=False)
class CompiledAccess:
    """The machine code of a device's accesses, and what keeps it and its arguments in memory.

    Attributes:
        address: of the code, `int32 access(slots, results)`.
        slots: int64[OPERANDS] or more; the first has the address of the state's array object, those
            behind the operands what each access gets besides.
        results: int64[1].
        line: int64[1], a view of the number that says from when on the interrupt output is active.
        takes_writes: whether writes may use it too.
    """

    address: int
    slots: Int64Column
    results: Int64Column
    line: Int64Column
    takes_writes: bool
    _kept: tuple[object, ...]

    @classmethod
    def of(
        cls,
        access: object,
        numbers: Int64Column,
        *,
        line_place: int,
        takes_writes: bool,
        others: tuple[object, ...] = (),
    ) -> CompiledAccess:
        """Compile an access function, or load it from the cache.

        Args:
            access: a function by `shared_kernel` with the arguments above.
            numbers: the device's state; it stays this array.
            line_place: where the line's number is in it.
            others: a named tuple that the function takes besides, of arrays and whole numbers;
                they stay the same.
        """
        if not isinstance(access, SharedKernel):
            raise TypeError(f"{access!r} is no shared kernel")
        address, code = access.machine_code(numbers, 0, 0, 0, 0, *([others] if others else []))
        flat = _flat(others)
        slots = np.zeros(OPERANDS + len(flat), np.int64)
        slots[0] = id(numbers)
        slots[OPERANDS:] = [one if isinstance(one, int) else id(one) for one in flat]
        line = numbers[line_place : line_place + 1]
        results = np.zeros(1, np.int64)
        return cls(address, slots, results, line, takes_writes, (numbers, code, *flat))


def _flat(values: tuple[object, ...]) -> list[object]:
    """Return the arrays and numbers of nested tuples, in order."""
    found: list[object] = []
    for one in values:
        found += _flat(one) if isinstance(one, tuple) else [one]
    return found


@runtime_checkable
class HasCompiledAccess(Protocol):
    """A device that can be accessed by machine code while nothing else depends on it."""

    def compiled_access(self) -> CompiledAccess | None:
        """Return its machine code; None: every access must be a call."""
