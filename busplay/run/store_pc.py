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
        self._address = 0
        self._store_cycles: list[int] = []

    def find(self, cycles: Sequence[int]) -> dict[int, int]:
        """Return the address of the instruction that made the store of each cycle.

        Args:
            cycles: in which stores fell into windows, in any order, none before those of earlier
                calls.

        Returns:
            Cycle to address; a store of an interrupt sequence has the address that it will return
            to.

        Raises:
            ValueError: the run stores nothing into a window in one of the cycles, or has been
                followed past it.
        """
        core = self._core
        waiting = sorted(set(cycles), reverse=True)
        found: dict[int, int] = {}
        self._answer(waiting, found)
        while waiting:
            if core.stop is not None:
                raise _no_store(waiting[-1])
            if self._happenings and self._happenings[0][0] <= waiting[-1]:
                at, act = self._happenings.pop(0)
                _run_to(core, at)
                act(core)
                continue
            _run_to(core, waiting[-1] - NEAR_CYCLES)
            self._address = core.pc
            core.step()
            self._store_cycles = core.take_stores().cycle.tolist()
            self._answer(waiting, found)
        return found

    def _answer(self, waiting: list[int], found: dict[int, int]) -> None:
        """Answer for the cycles up to here; all of them fell in the last step."""
        # One instruction may have made several stores.
        while waiting and waiting[-1] < self._core.cycle:
            cycle = waiting.pop()
            if cycle not in self._store_cycles:
                raise _no_store(cycle)
            found[cycle] = self._address


def _no_store(cycle: int) -> ValueError:
    return ValueError(
        f"cycle {cycle:,}: nothing was stored into a window then; ask for the cycle of a store"
    )


def _run_to(core: Core, cycle: int) -> None:
    if cycle > core.cycle and core.stop is None:
        core.run(cycle - core.cycle)
        core.take_stores()
