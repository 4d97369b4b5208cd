"""Which pages of banked memory the stores of a run went to.

How to think about it. A window may lie over a bank, and its frames say nothing of the page. So
beside the stores go the changes of pages, of which only the last before a store into the bank
counts: a program that calls through pages a million times and stores nothing there costs nothing.
Losses are looked up by their cycle, frames by their edge, so both are kept.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.batch import FrameBatch, PageChanges, StoreBatch, UInt64Column
from busplay.core.interface import Core, bus_of
from busplay.description.board import Board
from busplay.program.pages import FullAddresses


class StorePages:
    """The pages that a run's stores into windows went to.

    Args:
        core: of the run; nobody else takes its changes of pages.
        board: the core's.
    """

    def __init__(self, core: Core, board: Board) -> None:
        bus = bus_of(core)
        self._board = board
        self._switch = None if bus is None else bus.banks
        banks = () if self._switch is None else board.banks
        self._followed = [
            (index, bank.first_address, bank.last_address, _Followed(), _Followed())
            for index, bank in enumerate(banks)
            if not bank.is_overlay
            and any(
                one.first_address <= bank.last_address and bank.first_address <= one.last_address
                for one in board.windows
            )
        ]
        self._by_cycle: list[PageChanges] = []

    def take(
        self, stores: StoreBatch, frames: FrameBatch, sent_store: NDArray[np.int64] | None
    ) -> PageChanges:
        """Take the core's changes of pages since the last call.

        Args:
            stores: the core's since then.
            frames: those that were sent of them.
            sent_store: index of each frame's store; None: all were sent.

        Returns:
            The changes that frames show, by the edge of the first frame after each.
        """
        if self._switch is None:
            return PageChanges.empty()
        changes = self._switch.take_changes()
        sent = stores
        if sent_store is not None:
            sent = StoreBatch(
                stores.cycle[sent_store], stores.address[sent_store], stores.data[sent_store]
            )
        by_edge, by_cycle = [], []
        for index, first, last, made, shown in self._followed:
            mine = changes.bank == index
            cycle, page = changes.since[mine], changes.page[mine]
            there = (stores.address >= first) & (stores.address <= last)
            found = made.add(cycle, page, stores.cycle[there], stores.cycle[there])
            by_cycle.append(_of_bank(index, *found))
            there = (sent.address >= first) & (sent.address <= last)
            found = shown.add(cycle, page, sent.cycle[there], frames.edge[there])
            by_edge.append(_of_bank(index, *found))
        joined = PageChanges.joined(by_cycle)
        if len(joined):
            self._by_cycle.append(joined)
        return PageChanges.joined(by_edge).in_order()

    @property
    def full_addresses(self) -> FullAddresses:
        """Full addresses of the stores so far, by their cycles."""
        if self._switch is None:
            return FullAddresses()
        self._by_cycle = [PageChanges.joined(self._by_cycle)]
        return FullAddresses(self._board.banks, self._by_cycle[0])


class _Followed:
    """One bank's changes, as far as stores follow them."""

    def __init__(self) -> None:
        self._cycle = np.empty(0, np.uint64)
        self._page = np.empty(0, np.uint16)
        self._shown = -1

    def add(
        self,
        cycle: UInt64Column,
        page: NDArray[np.uint16],
        store_cycle: UInt64Column,
        moment: UInt64Column,
    ) -> tuple[UInt64Column, NDArray[np.uint16]]:
        """Return the moment of the first store after each change that one follows, and the page.

        Args:
            cycle, page: the next changes.
            store_cycle, moment: the next stores.
        """
        cycle = np.concatenate([self._cycle, cycle])
        page = np.concatenate([self._page, page])
        store = np.searchsorted(store_cycle, cycle, side="left")
        lasts = store != np.append(store[1:], -1)[: len(store)]
        waits = lasts & (store == len(store_cycle))
        self._cycle, self._page = cycle[waits], page[waits]
        counts = lasts & ~waits
        store, page = store[counts], page[counts]
        differs = np.append(self._shown, page[:-1].astype(np.int64))[: len(page)] != page
        if len(page):
            self._shown = int(page[-1])
        return moment[store[differs]], page[differs]


def _of_bank(index: int, since: UInt64Column, page: NDArray[np.uint16]) -> PageChanges:
    return PageChanges(since, np.full(len(since), index, np.uint8), page)
