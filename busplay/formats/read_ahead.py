"""Reading ahead in a thread, so that parsing and decoding each have a core."""

from __future__ import annotations

from collections.abc import Iterator
from queue import Full, Queue
from threading import Event, Thread
from typing import TypeVar

T = TypeVar("T")

READY_MOST = 2  # items that wait; more cost memory and save no time
LOOK_S = 0.05  # how often a waiting reader checks whether it is still wanted
END_S = 1.0  # how long to wait for a reader that is no longer wanted; it may be blocked by a pipe


def read_ahead(items: Iterator[T]) -> Iterator[T]:
    """Return the items of an iterator in order, while a thread fetches the next ones.

    Each item must have memory of its own, which the next one does not reuse.

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
