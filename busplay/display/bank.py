"""All units behind one link: each frame goes to its unit and space."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from busplay.batch import DeliveredFrames, FrameBatch, Int64Column
from busplay.description.board import Board, Unit
from busplay.display import writes
from busplay.display.display import Display, DisplayArrays, unit_facts
from busplay.display.fields import FrameFields
from busplay.errors import DescriptionError, InputError
from busplay.link.layout import FrameLayout

MOST_UNIT_NUMBER = 0xFFFF
MOST_COLOURS = 256
NO_REFRESHES: Int64Column = np.empty(0, np.int64)


@dataclass(frozen=True, slots=True)
class BankCounters:
    """Frames fed, by destination; the sum is all of them.

    Attributes:
        frames_memory: to a unit's memory; the unit counts those outside it.
        frames_registers: to a unit's registers; the unit counts those outside them.
        frames_idle: space 0; ignored.
        frames_reserved_space: reserved space (3 and above); ignored.
        frames_unknown_unit: a unit number that the board does not have; ignored.
    """

    frames_memory: int
    frames_registers: int
    frames_idle: int
    frames_reserved_space: int
    frames_unknown_unit: int


class DisplayBank:
    """The displays of a board, by name, fed with the frames of its link.

    A link without a space field writes memory. A link without a unit field writes the only
    unit, or unit number 0 if the board has several.

    Attributes:
        displays: by the units' names, in the board's order.
        fields: where space, unit, address and data stand in a word.
        has_pages: whether a unit has several pages, which change at a refresh.
        unit_indexes: int64[numbers]; index of the unit of each number; -1 none, the last for all
            above.

    Raises:
        FieldError: the link has no field `address` or `data`.
        DescriptionError: a unit's number is out of range.
    """

    def __init__(self, board: Board, layout: FrameLayout) -> None:
        units = board.units
        self.has_pages = any(unit.pages > 1 for unit in units)
        _require_numbers(board)
        self.fields = FrameFields(layout, unit_number=units[0].number if len(units) == 1 else 0)
        self.unit_indexes = _indexes_by_number(units)
        sizes = [unit.memory_bytes for unit in units]
        stops = np.cumsum(sizes, dtype=np.uint64)
        self._memory_bytes = np.array(sizes, np.uint64)
        self._memory_first = stops - self._memory_bytes
        self._memory = np.zeros(sum(sizes), np.uint8)
        self._rows = np.zeros((len(units), writes.ROW_NUMBERS), np.uint64)
        self._palettes = np.zeros((len(units), MOST_COLOURS, 3), np.uint8)
        self._facts = np.array([unit_facts(unit) for unit in units], np.uint64).reshape(
            -1, writes.UNIT_FACTS
        )
        self._counts = np.zeros(writes.BANK_COUNTS, np.uint64)
        self.displays: dict[str, Display] = {}
        for i, unit in enumerate(units):
            first = int(self._memory_first[i])
            arrays = DisplayArrays(
                memory=self._memory[first : first + unit.memory_bytes],
                palette=self._palettes[i, : 1 << unit.bits_per_pixel],
                row=self._rows[i],
            )
            self.displays[unit.name] = Display(unit, arrays)

    def feed(self, frames: FrameBatch) -> None:
        """Apply frames in order."""
        self.show(DeliveredFrames.copied(frames))

    def show(
        self,
        delivered: DeliveredFrames,
        *,
        refreshes: Int64Column = NO_REFRESHES,
        counted: writes.WriteCounts = writes.NOT_COUNTED,
    ) -> None:
        """Apply what a receiver delivered, in order, and count its writes.

        Args:
            delivered: the frames.
            refreshes: int64[refreshes]; how many of the frames came before each; needed if
                `has_pages`.
            counted: where to count.
        """
        writes.apply_frames(
            self.fields.words_in_pieces(delivered.sent.word),
            self.fields.words_in_pieces(delivered.copies.word),
            delivered.spans,
            self.fields.table,
            self.unit_indexes,
            self._memory,
            self._memory_first,
            self._memory_bytes,
            self._rows,
            self._palettes,
            self._facts,
            refreshes,
            self._counts,
            counted,
        )

    @property
    def counters(self) -> BankCounters:
        """Counts since the bank was made or reset."""
        counts = self._counts.tolist()
        return BankCounters(
            frames_memory=counts[writes.COUNT_MEMORY],
            frames_registers=counts[writes.COUNT_REGISTERS],
            frames_idle=counts[writes.COUNT_IDLE],
            frames_reserved_space=counts[writes.COUNT_RESERVED_SPACE],
            frames_unknown_unit=counts[writes.COUNT_UNKNOWN_UNIT],
        )

    def clear_counters(self) -> None:
        """Count from 0 on what comes in."""
        self._counts[:] = 0

    def reset(self) -> None:
        """Reset every unit to power-on and the counters to 0."""
        self.clear_counters()
        for display in self.displays.values():
            display.reset()

    def state(self) -> dict[str, bytes]:
        """Return the state of every unit by name, without the bank's own counters."""
        return {name: display.state() for name, display in self.displays.items()}

    def restore(self, states: Mapping[str, bytes]) -> None:
        """Go back to states from `state`.

        Raises:
            InputError: a unit is missing, unknown, or its bytes are not a state of it; nothing is
                changed.
        """
        if set(states) != set(self.displays):
            raise InputError(
                place="states of units",
                found=", ".join(sorted(states)) or "none",
                wanted=f"the units are {', '.join(sorted(self.displays))}",
            )
        before = self.state()
        try:
            for name, display in self.displays.items():
                display.restore(states[name])
        except InputError:
            for name, display in self.displays.items():
                display.restore(before[name])
            raise


def _require_numbers(board: Board) -> None:
    for unit in board.units:
        if not 0 <= unit.number <= MOST_UNIT_NUMBER:
            raise DescriptionError(
                file=board.file or None,
                place=f"units.{unit.name}.number",
                found=str(unit.number),
                wanted=f"give 0 to {MOST_UNIT_NUMBER}",
            )


def _indexes_by_number(units: tuple[Unit, ...]) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Return int64[numbers]: index of each number's unit or -1; the last for all above."""
    most = max((unit.number for unit in units), default=-1)
    indexes = np.full(most + 2, -1, np.int64)
    for i, unit in enumerate(units):
        indexes[unit.number] = i
    return indexes
