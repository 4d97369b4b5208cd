"""Places that a history is asked about: bytes of memory, registers, processor addresses."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from busplay.batch import Int64Column, UInt8Column, UInt64Column
from busplay.description.board import Board, Space, Unit
from busplay.description.full_address import address_of, address_text, full_address, page_of
from busplay.display.registers import REGISTERS
from busplay.errors import InputError


@dataclass(frozen=True, slots=True)
class Place:
    """A range of offsets in one space of a unit.

    Attributes:
        unit: the unit's name.
        space: its memory or its registers.
        first_offset, stop_offset: range of offsets, the stop not included.

    >>> import busplay
    >>> with busplay.TraceReader("tides.trace") as reader:
    ...     history = busplay.open_history(reader)
    ...     history.count_writes(busplay.Place("sign", "memory", 0, 512))
    1103
    """

    unit: str
    space: Space
    first_offset: int
    stop_offset: int


@dataclass(frozen=True, slots=True)
class Write:
    """One write that reached its unit.

    Attributes:
        frame: number of its frame in the trace, from 0.
        edge: link edge at which the frame starts.
        cycle: latest possible processor cycle of its store.
        unit, space, offset: where it was written.
        address: processor address whose store makes such a frame; None: no window has one.
        page: the page of banked memory that it showed; None: it is not banked, or that is not
            known.
        data: the byte.
        word: the frame's bits, the first on the wire highest.
    """

    frame: int
    edge: int
    cycle: int
    unit: str
    space: Space
    offset: int
    address: int | None
    page: int | None
    data: int
    word: int

    @property
    def full_address(self) -> int | None:
        """Its full address (`description.full_address`), or None."""
        return None if self.address is None else full_address(self.address, self.page)

    @property
    def register(self) -> str | None:
        """Name of the register; None: display memory, or no register has the offset."""
        if self.space == "memory":
            return None
        return next((one.name for one in REGISTERS if one.offset == self.offset), None)


@dataclass(frozen=True, slots=True, eq=False)
class Writes:
    """Writes to one place in the order of their frames, as columns.

    Attributes:
        frame: int64[writes]; number of each one's frame in the trace.
        edge, word: uint64[writes]; as in a batch of frames.
        offset: int64[writes]; within the place's space.
        data: uint8[writes]; the bytes.
    """

    frame: Int64Column
    edge: UInt64Column
    word: UInt64Column
    offset: Int64Column
    data: UInt8Column

    def __len__(self) -> int:
        return len(self.frame)


def place_of_register(unit: str, name: str) -> Place:
    """Return the place of a register by its name, such as `BASE_HIGH`."""
    offset = next(one.offset for one in REGISTERS if one.name == name)
    return Place(unit, "registers", offset, offset + 1)


def unit_named(board: Board, name: str, *, file: str | None = None) -> Unit:
    """Return a unit of the board by name; `file` has the board, for the error.

    Raises:
        InputError: there is none.
    """
    try:
        return board.unit_named(name)
    except KeyError:
        names = ", ".join(unit.name for unit in board.units) or "none"
        raise InputError(
            file=file, found=f"unit {name!r}", wanted=f"the board's units are {names}"
        ) from None


def unit_asked(board: Board, name: str | None, pixel: tuple[int, int], *, file: str) -> Unit:
    """Return a unit of the board by name; None: the only one with that pixel.

    Args:
        board: of the recording.
        name: of the unit.
        pixel: x, y, which the unit must have.
        file: the recording, for the error.

    Raises:
        InputError: there is none of that name, it has no such pixel, or there are several to
            choose from.
    """
    x, y = pixel
    if name is not None:
        unit = unit_named(board, name, file=file)
        require_pixel(unit, x, y, file=file)
        return unit
    having = [one for one in board.units if 0 <= x < one.width_px and 0 <= y < one.height_px]
    if len(having) > 1:
        raise InputError(
            file=file,
            place="--unit",
            found="no name",
            wanted=f"several units have pixel {x},{y}; name one of"
            f" {', '.join(unit.name for unit in having)}",
        )
    if not having:
        require_pixel(board.units[0], x, y, file=file)
    return having[0]


def require_pixel(unit: Unit, x: int, y: int, *, file: str | None = None) -> None:
    """Refuse a pixel that is outside the picture; `file` is for the error.

    Raises:
        InputError: it is.
    """
    if not (0 <= x < unit.width_px and 0 <= y < unit.height_px):
        raise InputError(
            file=file,
            found=f"pixel {x},{y}",
            wanted=f"unit {unit.name} has pixels 0,0 to {unit.width_px - 1},{unit.height_px - 1}",
        )


def places_of_addresses(board: Board, first_address: int, last_address: int) -> tuple[Place, ...]:
    """Return the places that stores to a range of processor addresses write, one for each piece.

    Where windows overlap, the first in the board file has the address; but windows of different
    pages all have theirs, page by page.

    Args:
        first_address, last_address: both included; full addresses (`description.full_address`)
            mean stores while that page is shown, and both have the same one.

    Raises:
        InputError: the range is empty, or no window has an address in it.
    """
    page, first, last = page_of(first_address), address_of(first_address), address_of(last_address)
    text = f"addresses {address_text(first_address)} to {address_text(last_address)}"
    if page != page_of(last_address) or first_address < 0 or first > last:
        raise InputError(
            found=text, wanted="give 0 to $FFFF in one page, the first not above the last"
        )
    pages = sorted({-1 if one.page is None else one.page for one in board.windows})
    places = [
        place
        for here in pages
        if page is None or here in (-1, page)
        for place in _places_in_page(board, first, last, None if here < 0 else here)
    ]
    if not places:
        raise InputError(found=text, wanted="no window has one of them, so no store there is sent")
    return tuple(places)


def _places_in_page(board: Board, first: int, last: int, page: int | None) -> Iterator[Place]:
    """Yield the places that windows of a page have; None: those of no page."""
    owner = np.full(0x10000, -1, np.int64)
    for index, window in reversed(list(enumerate(board.windows))):
        if window.page == page:
            owner[window.first_address : window.last_address + 1] = index
    here = owner[first : last + 1]
    starts = [0, *(np.flatnonzero(np.diff(here)) + 1).tolist(), len(here)]
    for start, stop in pairwise(starts):
        if here[start] >= 0:
            window = board.windows[here[start]]
            offset = window.first_offset + first + start - window.first_address
            yield Place(window.unit, window.space, offset, offset + stop - start)
