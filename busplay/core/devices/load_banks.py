"""Load the images of a board's banks, before and after the rest of its memory is loaded."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from busplay.core.interface import Core, bus_of
from busplay.core.memory_map import ADDRESSES
from busplay.description.board import Board
from busplay.errors import InputError
from busplay.program.image import read_content


def load_banks(core: Core, board: Board) -> NDArray[np.bool_]:
    """Load the images of a core's banks; the pages that a reset shows are in its memory then.

    Returns:
        bool[65536]: where these pages have bytes of an image.

    Raises:
        InputError: one cannot be read, or is longer than its pages.
    """
    loaded = np.zeros(ADDRESSES, np.bool_)
    bus = bus_of(core)
    if bus is None or bus.banks is None:
        return loaded
    for index, bank in enumerate(board.banks):
        if bank.image is None:
            continue
        content = read_content(Path(bank.image))
        room = bank.pages * bank.page_bytes
        if len(content) > room:
            raise InputError(
                file=str(bank.image),
                found=f"{len(content):,} bytes or more",
                wanted=f"the pages of bank {bank.name} have {room:,}",
            )
        bus.banks.load(index, content)
        # A reset shows an overlay, which is not in memory yet.
        first = 0 if bank.is_overlay else bus.banks.pages[index] * bank.page_bytes
        shown = max(0, min(len(content) - first, bank.page_bytes))
        loaded[bank.first_address : bank.first_address + shown] = True
    return loaded


def settle_banks(core: Core) -> None:
    """Note what else was loaded into the shown pages, and put the boot overlays over it."""
    bus = bus_of(core)
    if bus is not None and bus.banks is not None:
        bus.banks.settle()
