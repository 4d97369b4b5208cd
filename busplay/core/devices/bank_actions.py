"""What a core does at a write to banked memory, for each page that it may show."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from busplay.batch import UInt8Column
from busplay.core.devices import bank_access as at
from busplay.core.memory_map import ADDRESSES, Action, write_action
from busplay.description.banks import Bank
from busplay.description.board import Window


def _pages_of(windows: Sequence[Window]) -> list[int]:
    return sorted({one.page for one in windows if one.page is not None})


def variants_of(windows: Sequence[Window]) -> UInt8Column:
    """Return uint8[65536]: for each page, which group of rows it has, see `lay_out_actions`."""
    pages = _pages_of(windows)
    variants = np.zeros(ADDRESSES, np.uint8)
    variants[pages] = np.arange(1, len(pages) + 1)
    return variants


def lay_out_actions(
    banks: Sequence[Bank], windows: Sequence[Window], base: UInt8Column
) -> UInt8Column:
    """Work out the rows of actions that the names in `bank_access` stand for.

    Args:
        base: uint8[65536]; what the core does at each address without regard to pages, with bits of
            its own.

    Returns:
        uint8[rows * 65536]: a group of rows for pages without windows of their own, then one for
        each page that has such.
    """
    pages = _pages_of(windows)
    rows = np.tile(base, (at.ACTION_ROWS * (1 + len(pages)), 1))
    for group, page in enumerate((None, *pages)):
        part = rows[at.ACTION_ROWS * group :][: at.ACTION_ROWS]
        shown = [one for one in windows if one.page is None or one.page == page]
        for bank in banks:
            if bank.is_overlay:
                _lay_out_overlay(bank, base, part)
            else:
                _lay_out_bank(bank, shown, base, part)
    fixed = (base & (Action.HOST_PORT | Action.DEVICE)) != 0
    rows[:, fixed] = base[fixed]
    return rows.reshape(-1)


def _lay_out_overlay(bank: Bank, base: UInt8Column, rows: UInt8Column) -> None:
    span = slice(bank.first_address, bank.last_address + 1)
    # Its switch does the stores to the memory below it.
    below = (base[span] & Action.TAPPED) == 0
    rows[at.OVERLAID, span][below] = Action.DEVICE


def _lay_out_bank(
    bank: Bank, windows: Sequence[Window], base: UInt8Column, rows: UInt8Column
) -> None:
    span = slice(bank.first_address, bank.last_address + 1)
    known = Action.LANDS | Action.TAPPED | Action.ROM | Action.UNMAPPED
    own = base[span] & np.uint8(~known & 0xFF)
    does = {
        at.WRITABLE: Action.LANDS if bank.kind == "ram" else Action.ROM,
        at.IGNORED: Action.ROM,
        at.NOTHING: Action.UNMAPPED,
    }
    for row, action in does.items():
        actions = own | np.uint8(action)
        for window in windows:
            first = max(window.first_address, bank.first_address) - bank.first_address
            stop = min(window.last_address, bank.last_address) + 1 - bank.first_address
            if first < stop:
                actions[first:stop] = write_action(actions[first:stop], window)
        rows[row, span] = actions
