"""What a core counted while it ran, by the address of the instruction."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol, runtime_checkable

from busplay.batch import UInt64Column


@dataclass(frozen=True, slots=True, eq=False)
class CoreProfile:
    """Columns of 65,536 numbers, one an address at which an instruction may begin.

    An instruction's cycles include what page crossings, branches and decimal mode add. The 7
    cycles of an interrupt sequence, and its stores if the stack is a window, count at the
    first instruction of the handler; waiting counts at the WAI.

    Attributes:
        cycles: uint64[65536].
        stores: uint64[65536]; stores in windows.
        stores_unchanged: uint64[65536]; those of them that gave display memory the byte that
            the same address gave it last; at power-on it is 0. A store to a display's registers
            always does something.
    """

    cycles: UInt64Column
    stores: UInt64Column
    stores_unchanged: UInt64Column


@runtime_checkable
class ProfilingCore(Protocol):
    """A core that can count; the compiled one can."""

    def start_profile(self) -> None:
        """Count from now on; what was counted before is forgotten."""

    def profile(self) -> CoreProfile | None:
        """Return a copy of what was counted, or None if `start_profile` was not called."""
