"""Reading goes on while what was read is worked on: parsing and decoding each take a core."""

from __future__ import annotations

from collections.abc import Iterator
from queue import Full, Queue
from threading import Event, Thread
from typing import TypeVar

T = TypeVar("T")

READY_MOST = 2  # items that wait; more take memory and no time off
LOOK_S = 0.05  # how often a reader that waits for room looks whether anybody still wants it
END_S = 1.0  # how long to wait for a reader that is no longer wanted; it may stand at a pipe


def read_ahead(items: Iterator[T]) -> Iterator[T]:
    """Return what an iterator gives, in its order, while a thread asks it for the next.

    Each item must be its own, not room that the next one uses again.

    Raises:
        Exception: whatever the iterator raises, after the items before it.
    """
    ready: Queue[tuple[T] | BaseException | None] = Queue(READY_MOST)
    unwanted = Event()

    def hand_over(item: tuple[T] | BaseException | None) -> bool:
        while not unwanted.is_set():
            try:
                ready.put(item, timeout=LOOK_S)
            except Full:
                continue
            return True
        return False

    def read() -> None:
        try:
            for item in items:
                if not hand_over((item,)):
                    return
        except BaseException as error:  # it is raised where the items are taken
            hand_over(error)
        else:
            hand_over(None)

    reader = Thread(target=read, name="busplay reader", daemon=True)
    reader.start()
    try:
        while (got := ready.get()) is not None:
            if isinstance(got, BaseException):
                raise got
            yield got[0]
    finally:
        unwanted.set()
        reader.join(END_S)
