"""Which instruction made a store, found by a rerun.

A core records no PC with its stores; that would slow every run for the few that lose one. But a
run can be repeated: same memory, same inputs, same cycles. So the program is rerun up to each
store asked for, and its instruction is stepped over.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from busplay.batch import Int64Column, UInt64Column
from busplay.core.interface import full_address_of, shown_pages, take_page_changes
from busplay.program.pages import FullAddresses
from busplay.run.inputs import RunInputs
from busplay.run.program_start import ProgramStart, next_reset

# Longer than any instruction or interrupt sequence, so that the run stops before the store's.
NEAR_CYCLES = 20


class StorePcFinder:
    """Reruns a program as far as it is asked.

    Args:
        start: the start of the run.
        inputs: of the run.
    """

    def __init__(self, start: ProgramStart, inputs: RunInputs) -> None:
        self._start = start
        self._core = start.make_core(inputs.key_presses)
        self._resets = inputs.resets
        # The last instruction stepped over may have stores that a later call asks for.
        self._address = 0
        self._store_cycles: list[int] = []
        self._pages: tuple[int, ...] = ()
        self._pages_of: dict[int, tuple[int, ...]] = {}

    @property
    def full_addresses(self) -> FullAddresses:
        """Full addresses of the stores that the last call of `find` found, by their cycles."""
        return FullAddresses(self._start.board.banks, self)

    def pages_at(self, bank: int, moments: UInt64Column) -> Int64Column:
        """See `PageSource`."""
        known = [self._pages_of.get(cycle, ()) for cycle in moments.tolist()]
        return np.array([pages[bank] if pages else -1 for pages in known], np.int64)

    def find(self, cycles: Sequence[int]) -> dict[int, int]:
        """Return the address of the instruction that made the store of each cycle.

        Args:
            cycles: of stores into windows, in any order, none before those of earlier calls.

        Returns:
            Cycle to full address; for a store of an interrupt sequence, its return address.

        Raises:
            ValueError: a cycle has no store into a window, or the rerun is past it.
        """
        core = self._core
        waiting = sorted(set(cycles), reverse=True)
        found: dict[int, int] = {}
        self._pages_of.clear()
        self._answer(waiting, found)
        while waiting:
            before_cycle, stop_cycle = core.cycle, waiting[-1] - NEAR_CYCLES
            # Not stepped over: a wait would go on behind it.
            reset_cycle = next_reset(self._resets, before_cycle)
            if reset_cycle <= waiting[-1]:
                stop_cycle = reset_cycle
            if before_cycle < stop_cycle or reset_cycle == before_cycle:
                self._start.advance(core, stop_cycle, self._resets)
                core.take_stores()
                take_page_changes(core)
                if core.cycle != before_cycle:
                    continue
            if core.stop is not None:
                raise _no_store(waiting[-1])
            self._address = full_address_of(core, core.pc)
            self._pages = shown_pages(core)
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
            if self._pages:
                self._pages_of[cycle] = self._pages


def _no_store(cycle: int) -> ValueError:
    return ValueError(
        f"cycle {cycle:,}: nothing was stored into a window then; ask for the cycle of a store"
    )
