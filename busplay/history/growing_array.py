"""An array that grows along one axis, with room to spare."""

from __future__ import annotations

from typing import Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

T = TypeVar("T", bound=np.generic)


class GrowingArray(Generic[T]):
    """An array to which parts are added at the end, and which loses parts at either end.

    To join all parts anew for each of them would copy a long recording's index again and again.

    Args:
        first: the array at first.
        axis: along which it grows, 0 or 1.
    """

    def __init__(self, first: NDArray[T], *, axis: int = 0) -> None:
        self._axis = axis
        self._room = first.copy()
        self._count = first.shape[axis]

    @property
    def values(self) -> NDArray[T]:
        """What is in it, a view."""
        return self._room[self._at(0, self._count)]

    def _at(self, first: int, stop: int) -> tuple[slice, ...]:
        return (slice(None),) * self._axis + (slice(first, stop),)

    def add(self, part: NDArray[T]) -> None:
        """Add a part at the end."""
        count = self._count + part.shape[self._axis]
        if count > self._room.shape[self._axis]:
            shape = list(self._room.shape)
            shape[self._axis] = 2 * count
            room = np.empty(shape, self._room.dtype)
            room[self._at(0, self._count)] = self.values
            self._room = room
        self._room[self._at(self._count, count)] = part
        self._count = count

    def cut(self, count: int) -> None:
        """Keep the first COUNT."""
        self._count = count

    def drop(self, count: int) -> None:
        """Drop the first COUNT."""
        self._room = self._room[self._at(count, self._count)].copy()
        self._count -= count
