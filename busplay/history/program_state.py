"""What a program's history returns: a processor's state, and stores with their instructions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from busplay.batch import Int64Column, StoreBatch
from busplay.core.interface import CoreStop, Registers


class MadeStores(NamedTuple):
    """Stores into windows, and where in the program they were made.

    Attributes:
        stores: in order.
        address: int64[stores]; their full addresses.
        made_by: int64[stores]; full addresses of their instructions.
    """

    stores: StoreBatch
    address: Int64Column
    made_by: Int64Column


@dataclass(frozen=True, slots=True)
class ProgramState:
    """A processor's state at one position.

    Attributes:
        registers: with the cycle.
        stack: from the last byte pushed up to $01FF.
        is_waiting: whether a WAI waits.
        interrupt_vector: vector of the interrupt sequence that is next, or None.
        stop: why the processor stopped, or None.
        full_pc: full address of the next instruction.
    """

    registers: Registers
    stack: bytes
    is_waiting: bool
    interrupt_vector: int | None
    stop: CoreStop | None
    full_pc: int
