"""The rows of a profile's tables."""

from __future__ import annotations

from dataclasses import dataclass

from busplay.program.debug_file import LineKind


@dataclass(frozen=True, slots=True)
class RoutineProfile:
    """A routine's share of a profile.

    Attributes:
        name: its label; `$C04A` where there are none.
        address: where it begins.
        page: its page of banked memory, or null.
        is_interrupt: it ran as, or for, an interrupt handler only.
        calls: times that a JSR or an interrupt went to it.
        entries: times that it was entered without one: by a jump, a branch, from the code before
            it, or because it was under way where the profile begins.
        cycles: its own, calls to other routines not included; waiting is.
        waiting_cycles: of them in WAI.
        cycles_with_callees: with the routines that it called, interrupts not included.
        cycles_ratio: its own share of all cycles.
        cycles_per_refresh: its own, on average.
        stores: stores in windows that it made itself.
        stores_unchanged: those of them that changed nothing in display memory.
        stores_replaced: those of them that a later store replaced within the same refresh.
        stores_per_refresh: on average.
        link_use_ratio: share of the link's slots that its stores took.
    """

    name: str
    address: int
    page: int | None
    is_interrupt: bool
    calls: int
    entries: int
    cycles: int
    waiting_cycles: int
    cycles_with_callees: int
    cycles_ratio: float
    cycles_per_refresh: float
    stores: int
    stores_unchanged: int
    stores_replaced: int
    stores_per_refresh: float
    link_use_ratio: float


@dataclass(frozen=True, slots=True)
class SourceLineProfile:
    """A source line's share of a profile.

    Attributes:
        file: the source file.
        line: from 1 on.
        kind: `assembler`, `c`, or `macro`.
        routine: the routine that most of it lies in.
        cycles: of its own instructions.
        stores: stores in windows.
        stores_unchanged: those of them that changed nothing.
        stores_replaced: those of them that a later store replaced within the same refresh.
    """

    file: str
    line: int
    kind: LineKind
    routine: str
    cycles: int
    stores: int
    stores_unchanged: int
    stores_replaced: int


@dataclass(frozen=True, slots=True)
class AddressProfile:
    """Stores to one address.

    Attributes:
        address: processor address.
        page: the page of banked memory that was stored to, or null.
        label: at or before it, or null.
        window: name of its window.
        stores: stores to it.
        stores_unchanged: those of them that changed nothing.
        stores_replaced: those of them that a later store replaced within the same refresh.
    """

    address: int
    page: int | None
    label: str | None
    window: str
    stores: int
    stores_unchanged: int
    stores_replaced: int


@dataclass(frozen=True, slots=True)
class CallProfile:
    """Calls of one routine by another.

    Attributes:
        caller: its name; `interrupt` for what was interrupted.
        callee: its name.
        caller_address: where the caller begins; -1 for interrupts.
        caller_page: its page of banked memory, or null.
        callee_address: where the callee begins.
        callee_page: its page of banked memory, or null.
        calls: how many.
        entries: times that the callee was entered without a call, see `routines`: by a jump from
            another that the caller had called.
        cycles: that they took, with callees.
    """

    caller: str
    callee: str
    caller_address: int
    caller_page: int | None
    callee_address: int
    callee_page: int | None
    calls: int
    entries: int
    cycles: int


@dataclass(frozen=True, slots=True)
class BurstProfile:
    """Stores that followed each other faster than the link takes frames.

    Attributes:
        routine: the routine that made the first.
        program_counter: address of the instruction that made the first.
        page: its page of banked memory, or null.
        first_cycle: of the first.
        stores: how many.
        frames_waiting_max: the most frames in the sender at once, the one on the wire too.
    """

    routine: str
    program_counter: int
    page: int | None
    first_cycle: int
    stores: int
    frames_waiting_max: int


@dataclass(frozen=True, slots=True)
class LineCost:
    """What a source line cost within one routine; for exports.

    Attributes:
        routine: where the routine begins, as a number of the `BankedSpace`.
        file: the source file; empty where it is not known.
        line: 0 where it is not known.
        costs: cycles, stores, stores that changed nothing.
    """

    routine: int
    file: str
    line: int
    costs: tuple[int, int, int]
