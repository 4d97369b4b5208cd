"""Which instruction made a store, found by a rerun.

A core records no PC with its stores; that would slow every run for the few that lose one. But a
run can be repeated: same memory, same keys, same cycles. So the program is rerun up to each store
asked for, and its instruction is stepped over.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from busplay.core.interface import Core

# Longer than any instruction or interrupt sequence, so that the run stops before the store's.
NEAR_CYCLES = 20

CoreEvent = tuple[int, Callable[[Core], object]]


class StorePcFinder:
    """Reruns a program as far as it is asked.

    Args:
        core: as it was before the run, reset done.
        events: (cycle, action on the core), in order, such as a reset during the run.
    """

    def __init__(self, core: Core, events: Iterable[CoreEvent] = ()) -> None:
        self._core = core
        self._events = list(events)
        # The last instruction stepped over may have stores that a later call asks for.
        self._address = 0
        self._store_cycles: list[int] = []

    def find(self, cycles: Sequence[int]) -> dict[int, int]:
        """Return the address of the instruction that made the store of each cycle.

        Args:
            cycles: of stores into windows, in any order, none before those of earlier calls.

        Returns:
            Cycle to address; for a store of an interrupt sequence, its return address.

        Raises:
            ValueError: a cycle has no store into a window, or the rerun is past it.
        """
        core = self._core
        waiting = sorted(set(cycles), reverse=True)
        found: dict[int, int] = {}
        self._answer(waiting, found)
        while waiting:
            if core.stop is not None:
                raise _no_store(waiting[-1])
            if self._events and self._events[0][0] <= waiting[-1]:
                at, act = self._events.pop(0)
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
        """Find the stores of the last step."""
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
