"""Where a frame goes, in words that a programmer knows: address, unit, offset, label."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping

from busplay.description.board import Board
from busplay.description.link import SPACE_MEMORY, SPACE_REGISTERS

_SPACES = {0: "idle", 1: "memory", 2: "registers"}
_SPACE_NUMBERS = {"memory": SPACE_MEMORY, "registers": SPACE_REGISTERS}


def space_name(number: int) -> str:
    """Name a space."""
    return _SPACES.get(number, "reserved")


class Places:
    """Names for places behind the link.

    Args:
        board: whose windows tell the processor's addresses; None: only offsets are known.
        labels: processor address to the names there.
    """

    def __init__(
        self, board: Board | None, labels: Mapping[int, tuple[str, ...]] | None = None
    ) -> None:
        self._board = board
        self._windows = []
        for window in board.windows if board is not None else ():
            number = board.unit_named(window.unit).number if board is not None else 0
            self._windows.append((number, _SPACE_NUMBERS[window.space], window))
        self._labels = dict(labels or {})
        self._addresses = sorted(self._labels)

    def address(self, unit_number: int, space: int, offset: int) -> int | None:
        """Return the processor address whose stores go there; None where no window does."""
        for number, of_space, window in self._windows:
            address = window.first_address + offset - window.first_offset
            inside = window.first_address <= address <= window.last_address
            if number == unit_number and of_space == space and inside:
                return address
        return None

    def unit_name(self, number: int) -> str:
        """Name a unit, or give its number."""
        for unit in self._board.units if self._board is not None else ():
            if unit.number == number:
                return unit.name
        return f"unit {number}"

    def label(self, address: int | None) -> str:
        """Return the label at or before an address, with the distance; empty where none is.

        A label stands for what follows it within its own window only.
        """
        if address is None or not self._addresses:
            return ""
        found = bisect_right(self._addresses, address) - 1
        if found < 0:
            return ""
        at = self._addresses[found]
        if at != address and not any(
            window.first_address <= at and address <= window.last_address
            for _, _, window in self._windows
        ):
            return ""
        name = self._labels[at][0]
        return name if at == address else f"{name}+{address - at}"

    def text(self, unit_number: int, space: int, offset: int) -> str:
        """Name a place: address if there is one, unit, space, offset."""
        address = self.address(unit_number, space, offset)
        start = "" if address is None else f"${address:04X} "
        return f"{start}{self.unit_name(unit_number)} {space_name(space)} {offset:,}"

    def range_text(self, unit_number: int, space: int, first: int, last: int) -> str:
        """Name a range of offsets."""
        low = self.address(unit_number, space, first)
        high = self.address(unit_number, space, last)
        what = f"{self.unit_name(unit_number)} {space_name(space)} {first:,} to {last:,}"
        return what if low is None or high is None else f"${low:04X} to ${high:04X} ({what})"
