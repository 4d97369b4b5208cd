"""A core's counts by the address of the instruction."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol, runtime_checkable

from busplay.batch import UInt64Column


@dataclass(frozen=True, slots=True, eq=False)
class CoreProfile:
    """Columns of 65,536 counts, one for each address of an instruction.

    An instruction's cycles include those added by page crossings, branches and decimal mode. The
    7 cycles of an interrupt sequence, and its stores if the stack is a window, count at the first
    instruction of the handler; waiting counts at the WAI.

    Attributes:
        cycles: uint64[65536].
        stores: uint64[65536]; stores in windows.
        stores_unchanged: uint64[65536]; stores that left display memory as it was: the last byte
            stored to the address, 0 at power-on. A store to a display's registers always counts
            as a change.
    """

    cycles: UInt64Column
    stores: UInt64Column
    stores_unchanged: UInt64Column


@runtime_checkable
class ProfilingCore(Protocol):
    """A core with a profile; the compiled one has one."""

    def start_profile(self) -> None:
        """Start counting, from 0."""

    def profile(self) -> CoreProfile | None:
        """Return a copy of the counts, or None if `start_profile` was not called."""
