"""Where a frame goes, in words that a programmer knows: address, unit, offset, label."""

from __future__ import annotations

from busplay.description.board import Board
from busplay.description.full_address import full_address
from busplay.description.link import SPACE_MEMORY, SPACE_REGISTERS
from busplay.program.labels import Labels, NearestLabels
from busplay.program.pages import FullAddresses, PageSource

_SPACES = {0: "idle", 1: "memory", 2: "registers"}
_SPACE_NUMBERS = {"memory": SPACE_MEMORY, "registers": SPACE_REGISTERS}


def space_name(number: int) -> str:
    """Name a space."""
    return _SPACES.get(number, "reserved")


class PlaceNames:
    """Names for places behind the link.

    Args:
        board: whose windows tell the processor's addresses; None: only offsets are known.
        labels: full address to the names there.
        pages: of banked memory, by the frames' edges; None: not known.

    Attributes:
        full_addresses: of stores by their frames' edges.
    """

    def __init__(
        self,
        board: Board | None,
        labels: Labels | None = None,
        pages: PageSource | None = None,
    ) -> None:
        self._board = board
        self.full_addresses = FullAddresses(() if board is None else board.banks, pages)
        self._windows = []
        for window in board.windows if board is not None else ():
            number = board.unit_named(window.unit).number if board is not None else 0
            self._windows.append((number, _SPACE_NUMBERS[window.space], window))
        windows = [(one.first_address, one.last_address) for _, _, one in self._windows]
        self._labels = NearestLabels(labels, windows, board.banks if board is not None else ())

    def address_of_frame(
        self, unit_number: int, space: int, offset: int, *, edge: int
    ) -> int | None:
        """Return the full address of a frame's store, as far as known; None as for `address`."""
        found = self._window(unit_number, space, offset)
        if found is None:
            return None
        address, page = found
        return (
            full_address(address, page)
            if page is not None
            else self.full_addresses.of(address, edge)
        )

    def address(self, unit_number: int, space: int, offset: int) -> int | None:
        """Return the processor address whose stores go there; None where no window does."""
        found = self._window(unit_number, space, offset)
        return None if found is None else found[0]

    def _window(self, unit_number: int, space: int, offset: int) -> tuple[int, int | None] | None:
        """Return the address, and the page that its window belongs to, if it does to one."""
        for number, of_space, window in self._windows:
            address = window.first_address + offset - window.first_offset
            inside = window.first_address <= address <= window.last_address
            if number == unit_number and of_space == space and inside:
                return address, window.page
        return None

    def unit_name(self, number: int) -> str:
        """Name a unit, or give its number."""
        for unit in self._board.units if self._board is not None else ():
            if unit.number == number:
                return unit.name
        return f"unit {number}"

    def label(self, address: int | None) -> str:
        """Return the label at or before a full address, within its window; empty where none is."""
        return self._labels.of_store(address) or ""

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
