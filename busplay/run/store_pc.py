"""Which instruction made a store: found by running the program once more.

A core keeps no program counter beside its stores; that would slow every run for the few that
lose one. But a run can be repeated: same memory, same keys, same cycles. So the program runs
again up to each store that is asked about, and its instruction is stepped over.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from busplay.core.interface import Core

# Longer than any instruction or interrupt sequence, so that the run stops before the store's.
NEAR_CYCLES = 20

Happening = tuple[int, Callable[[Core], object]]


class StorePcFinder:
    """Follows a run once more, as far as it is asked.

    Args:
        core: as it was before the run, reset and all.
        happenings: (cycle, what to do to the core then), in order: a reset during the run.
    """

    def __init__(self, core: Core, happenings: Iterable[Happening] = ()) -> None:
        self._core = core
        self._happenings = list(happenings)
        # The last instruction that was stepped over may have stores that are asked about later.
        self._stepped = (0, 0, 0)

    def find(self, cycles: Sequence[int]) -> dict[int, int]:
        """Return the address of the instruction under way in each of some cycles.

        Args:
            cycles: in which the stores fell, in any order, none before those of earlier calls.

        Returns:
            Cycle to address; a store of an interrupt sequence has the address that it will return
            to. Cycles that the run does not reach are left out.
        """
        core = self._core
        waiting = sorted(set(cycles), reverse=True)
        found: dict[int, int] = {}
        self._answer(waiting, found)
        while waiting and core.stop is None:
            if self._happenings and self._happenings[0][0] <= waiting[-1]:
                at, act = self._happenings.pop(0)
                _run_to(core, at)
                act(core)
                continue
            _run_to(core, waiting[-1] - NEAR_CYCLES)
            address, before = core.pc, core.cycle
            if not core.step():
                break
            self._stepped = before, core.cycle, address
            self._answer(waiting, found)
            # What the run before did with them does not matter here.
            core.take_stores()
        return found

    def _answer(self, waiting: list[int], found: dict[int, int]) -> None:
        """Answer for the cycles of the last step; what lies before it stays unknown."""
        first, stop, address = self._stepped
        # One instruction may have made several stores.
        while waiting and waiting[-1] < stop:
            cycle = waiting.pop()
            if cycle >= first:
                found[cycle] = address


def _run_to(core: Core, cycle: int) -> None:
    if cycle > core.cycle and core.stop is None:
        core.run(cycle - core.cycle)
        core.take_stores()
