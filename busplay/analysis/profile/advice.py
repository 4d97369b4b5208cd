"""What would save work, each with the figure that it was computed from, by running it on the core.

What a store costs in a loop, and a comparison before it, are timed here by running such loops on
the board's processor; what a routine takes for each store is its profile, which is a run too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Literal

from busplay.analysis.budget_loops import FILL_LOOPS, run_loop
from busplay.analysis.profile.rows import RoutineProfile
from busplay.core.make import core_kinds, make_core
from busplay.description.board import Board, Processor

AdviceKind = Literal["unchanged", "replaced", "slow_stores", "waits"]

# Below these shares of all cycles or of a routine's stores nothing is said.
_WORTH_RATIO = 0.02
_MANY_RATIO = 0.2
_TIMED_BYTES = 2048


@dataclass(frozen=True, slots=True)
class ProfileAdvice:
    """One piece of advice.

    Attributes:
        kind: `unchanged`: stores that change nothing; `replaced`: stores replaced within the
            same refresh; `slow_stores`: more cycles a store than a loop needs; `waits`: the program
            waits for the refresh most of the time.
        routine: its routine; null: the whole program.
        text: the advice, in a sentence, with its figures.
        cycles_saved: of the cycles counted; 0 if it saves none.
        frames_saved: stores that would not be sent.
    """

    kind: AdviceKind
    routine: str | None
    text: str
    cycles_saved: int
    frames_saved: int


@dataclass(frozen=True, slots=True)
class StoreCosts:
    """What stores cost, timed on the core.

    Attributes:
        loop_cycles: a byte in a loop of LDA, STA (zp),Y.
        unrolled_cycles: a byte in a loop of eight STA abs,X.
        compare_cycles: what CMP (zp),Y and BEQ before the store add to a byte that changes.
        skipped_cycles: saved for a byte that does not.
    """

    loop_cycles: float
    unrolled_cycles: float
    compare_cycles: float
    skipped_cycles: float


@cache
def store_costs(processor: Processor) -> StoreCosts:
    """Time a store in loops on a processor."""
    by_name = {loop.name: loop for loop in FILL_LOOPS}
    unrolled = run_loop(by_name["unrolled"], filled_bytes=_TIMED_BYTES, processor=processor)
    plain = _copy_cycles(processor, compares=False, changes=True)
    changed = _copy_cycles(processor, compares=True, changes=True)
    skipped = _copy_cycles(processor, compares=True, changes=False)
    return StoreCosts(
        plain, unrolled.cycles / unrolled.filled_bytes, changed - plain, plain - skipped
    )


def _copy_cycles(processor: Processor, *, compares: bool, changes: bool) -> float:
    """Return the cycles of a byte in LDA (zp),Y, [CMP (zp),Y, BEQ,] STA (zp),Y, INY, BNE."""
    core = make_core("compiled", processor)
    compare = "D112 F002" if compares else ""
    back = 0x100 - len(bytes.fromhex(f"B110 {compare} 9112 C8 D000"))
    code = bytes.fromhex(f"A000 B110 {compare} 9112 C8 D0{back:02X} EA")
    core.memory[0x0200 : 0x0200 + len(code)] = list(code)
    core.memory[0x10:0x14] = [0x00, 0x40, 0x00, 0x50]
    core.memory[0x4000:0x4100] = 1 if changes else 0
    core.pc = 0x0200
    began = core.cycle
    end = 0x0200 + len(code) - 1
    while core.pc != end:
        core.step()
    return (core.cycle - began - 2) / 256


def find_advice(
    board: Board, routines: Sequence[RoutineProfile], *, cycles: int, waiting_cycles: int
) -> tuple[ProfileAdvice, ...]:
    """Return what would save work, the most cycles first, then the most frames.

    Args:
        routines: of the profile.
        cycles: of the profile.
        waiting_cycles: of them in WAI.
    """
    if board.processor not in ("6502", "65c02") or "compiled" not in core_kinds():
        return ()
    costs = store_costs(board.processor)
    stores = sum(row.stores for row in routines)
    found: list[ProfileAdvice] = []
    for row in routines:
        if row.stores_unchanged >= max(1, _MANY_RATIO * row.stores, _WORTH_RATIO * stores):
            found.append(_unchanged(row, costs))
        if row.stores_replaced >= max(1, _MANY_RATIO * row.stores, _WORTH_RATIO * stores):
            found.append(_written_over(row))
        if row.stores and row.cycles >= _WORTH_RATIO * cycles and row.stores >= _TIMED_BYTES:
            found += _slow_stores(row, costs)
    if waiting_cycles >= cycles / 2 > 0:
        found.append(
            ProfileAdvice(
                "waits",
                None,
                f"the program waits in WAI for {waiting_cycles / cycles:.1%} of its"
                f" {cycles:,} cycles, so it is fast enough",
                0,
                0,
            )
        )
    return tuple(sorted(found, key=lambda one: (-one.cycles_saved, -one.frames_saved)))


def _unchanged(row: RoutineProfile, costs: StoreCosts) -> ProfileAdvice:
    changed = row.stores - row.stores_unchanged
    saved = round(row.stores_unchanged * costs.skipped_cycles - changed * costs.compare_cycles)
    text = (
        f"{row.name}: {row.stores_unchanged:,} of its {row.stores:,} stores changed nothing; keep a"
        f" list of what changes, or compare first: CMP (zp),Y and BEQ take"
        f" {costs.compare_cycles:.1f} cycles more for a byte that changes,"
        f" {abs(costs.skipped_cycles):.1f} {'less' if costs.skipped_cycles > 0 else 'more'} for one"
        " that does not, and no frame"
    )
    return ProfileAdvice("unchanged", row.name, text, max(0, saved), row.stores_unchanged)


def _written_over(row: RoutineProfile) -> ProfileAdvice:
    each = row.cycles / row.stores
    text = (
        f"{row.name}: {row.stores_replaced:,} of its {row.stores:,} stores are replaced within"
        f" the same refresh, and it takes {each:.1f} cycles a store; draw what stays last, and only"
        " that"
    )
    saved = round(row.stores_replaced * each)
    return ProfileAdvice("replaced", row.name, text, saved, row.stores_replaced)


def _slow_stores(row: RoutineProfile, costs: StoreCosts) -> list[ProfileAdvice]:
    each = row.cycles / row.stores
    # A routine that works its bytes out cannot be as fast as one that fills.
    if not 1.5 * costs.unrolled_cycles < each < 2 * costs.loop_cycles:
        return []
    saved = round(row.stores * (each - costs.unrolled_cycles))
    text = (
        f"{row.name}: {each:.1f} cycles a store; eight STA abs,X in a loop take"
        f" {costs.unrolled_cycles:.1f}, a copy through pointers {costs.loop_cycles:.1f}"
    )
    return [ProfileAdvice("slow_stores", row.name, text, saved, 0)]
