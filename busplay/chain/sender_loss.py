"""Stores to registers behind a pixel's colour that found the sender FIFO full.

How to think about it. A store that was never sent is no frame, so only a rerun of the program names
it. What it would have changed follows from its register: most keep the last byte stored to them.
A palette entry is chosen by PALETTE_INDEX and by each PALETTE_BLUE since, sent or not, so the
stores round a lost one are followed as if all had been sent.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from math import inf

import numpy as np
from numpy.typing import NDArray

from busplay.chain.program import LostAtSender, RecordedProgram
from busplay.core.memory_map import ADDRESSES
from busplay.description.board import Board, Unit
from busplay.history.history import History
from busplay.history.index_losses import chunks_losing_stores
from busplay.history.pixel import PixelCauses
from busplay.history.places import Place, Write, place_of_register

# The stores of a palette entry are made within this time.
_PALETTE_S = 0.01

_REGISTERS = (
    "BASE_LOW",
    "BASE_HIGH",
    "BORDER",
    "BLANK",
    "PAGE",
    "TEXT_COLOURS",
    "PALETTE_INDEX",
    "PALETTE_RED",
    "PALETTE_GREEN",
    "PALETTE_BLUE",
)

# How many chunks are rerun, of those in which stores were lost.
_CHUNKS_SEARCHED = 8

CycleOf = dict[int, int]
"""Exact cycles of stores by their frames."""


@dataclass(frozen=True, slots=True)
class FramesSearched:
    """Where stores lost at the sender are searched for.

    Attributes:
        first_frame: from this frame on.
        are_all: no store was lost before.
    """

    first_frame: int
    are_all: bool


def frames_searched(history: History, stop_frame: int) -> FramesSearched | None:
    """Return where stores lost before a moment are searched for; None: none was lost."""
    losing = chunks_losing_stores(history, 0, stop_frame)
    newest = list(islice(losing, _CHUNKS_SEARCHED))
    return FramesSearched(newest[-1][0], next(losing, None) is None) if newest else None


def addresses_of(board: Board, place: Place) -> NDArray[np.bool_]:
    """Return bool[65536]: which addresses write a byte of a unit."""
    found = np.zeros(ADDRESSES, np.bool_)
    for one in board.windows:
        address = one.first_address + place.first_offset - one.first_offset
        if (one.unit, one.space) == (place.unit, place.space) and (
            one.first_address <= address <= one.last_address
        ):
            found[address] = True
    return found


class RegistersLost:
    """The stores to a unit's registers that were lost at the sender.

    Args:
        program: the rerun.
        history: of the recording.
        unit: the unit.
        first_frame, stop_frame: the range that is searched, the stop not included.

    Raises:
        InputError: the program sends other frames than recorded, or the trace is damaged.
    """

    def __init__(
        self,
        program: RecordedProgram,
        history: History,
        unit: Unit,
        *,
        first_frame: int,
        stop_frame: int,
    ) -> None:
        self._program, self._unit = program, unit
        board, reader = history.board, history.reader
        at_end = stop_frame == history.frames
        edge = reader.stop_edge if at_end else history.edge_of_frame(stop_frame)
        self._stop_cycle = int(reader.header.cycles_at(edge)) + 1
        self._near_cycles = round(board.clock_hz * _PALETTE_S)
        names = {place_of_register(unit.name, name).first_offset: name for name in _REGISTERS}
        self._names = {
            address: names[offset]
            for window in board.windows
            if (window.unit, window.space) == (unit.name, "registers")
            for address in range(window.first_address, window.last_address + 1)
            if (offset := window.first_offset + address - window.first_address) in names
        }
        addresses = np.zeros(ADDRESSES, np.bool_)
        addresses[list(self._names)] = True
        # Newest first.
        self._lost = list(program.lost(addresses, first_frame=first_frame, stop_frame=stop_frame))

    def behind(self, causes: PixelCauses, cycle_of: CycleOf) -> list[tuple[str, LostAtSender]]:
        """Return the registers and stores without which the pixel's colour is not as meant.

        Args:
            causes: of its colour as sent.
            cycle_of: of the stores that are causes.
        """
        found = {one.cycle: one for one in self._kept(causes, cycle_of)}
        found |= {one.cycle: one for one in self._palette(causes, cycle_of)}
        return [(self._names[one.address], one) for _, one in sorted(found.items())]

    def _kept(self, causes: PixelCauses, cycle_of: CycleOf) -> Iterator[LostAtSender]:
        """Yield the lost stores to registers that keep the last byte."""

        def last(name: str, write: Write | None, before: float = inf) -> LostAtSender | None:
            after = _cycle_of(write, cycle_of)
            of_name = (one for one in self._lost if self._names[one.address] == name)
            return next((one for one in of_name if after < one.cycle < before), None)

        high = last("BASE_HIGH", causes.base)
        # The low byte takes effect with the high one.
        taken_over = high.cycle if high is not None else _cycle_of(causes.base, cycle_of)
        low = last("BASE_LOW", causes.base_low, taken_over)
        found = [low, high, last("BLANK", causes.blank)]
        if causes.is_blank:
            found.append(last("BORDER", causes.border))
        if self._unit.pages > 1:
            found.append(last("PAGE", causes.page_write))
        if causes.cell is not None and self._unit.cell_bytes == 1:
            found.append(last("TEXT_COLOURS", causes.cell.colours_write))
        return (one for one in found if one is not None)

    def _palette(self, causes: PixelCauses, cycle_of: CycleOf) -> list[LostAtSender]:
        blue = None if causes.palette is None else causes.palette.blue
        shown_cycle = _cycle_of(blue, cycle_of)
        done_from: float = inf
        for one in self._lost:
            if not self._names[one.address].startswith("PALETTE_") or one.cycle >= done_from:
                continue
            if one.cycle + self._near_cycles < shown_cycle:
                break
            done_from = one.cycle - self._near_cycles
            found = self._palette_near(one.cycle, causes.index, shown_cycle)
            if found:
                return found
        return []

    def _palette_near(self, cycle: int, index: int, shown_cycle: int) -> list[LostAtSender]:
        """Return the lost stores behind a palette entry among the stores round a cycle.

        Args:
            index: of the entry.
            shown_cycle: of the PALETTE_BLUE that set the colour shown; -1: none.
        """
        first = max(0, cycle - self._near_cycles)
        stop = min(self._stop_cycle, cycle + self._near_cycles)
        stores = self._program.stores_between(first, stop)
        lost = {one.cycle: one for one in self._lost}
        mask = (1 << self._unit.bits_per_pixel) - 1
        entry: int | None = None
        parts: dict[str, int] = {}
        route: list[int] = []
        shown: list[int] = []
        meant: list[int] = []
        for at, address, data in stores:
            name = self._names.get(address, "")
            if name == "PALETTE_INDEX":
                entry, route = data, [at]
            elif name in ("PALETTE_RED", "PALETTE_GREEN"):
                parts[name] = at
            elif name == "PALETTE_BLUE":
                route.append(at)
                behind = [*route, *parts.values()]
                if at == shown_cycle:
                    shown = behind
                if entry is not None and entry & mask == index and at >= shown_cycle:
                    meant = behind
                entry = None if entry is None else entry + 1
        return [lost[at] for at in {*shown, *meant} if at in lost]


def _cycle_of(write: Write | None, cycle_of: CycleOf) -> int:
    """Return the cycle of a write's store, or the latest possible one; -1: none."""
    return -1 if write is None else cycle_of.get(write.frame, write.cycle)
