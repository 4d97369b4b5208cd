from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest

from busplay.formats.read_ahead import READY_MOST, read_ahead


def readers() -> int:
    return sum(one.name == "busplay reader" for one in threading.enumerate())


def test_items_come_in_order_and_the_reader_ends_with_them() -> None:
    assert list(read_ahead(iter(range(1_000)))) == list(range(1_000))
    assert list(read_ahead(iter([None, None]))) == [None, None]
    assert list(read_ahead(iter(()))) == []
    assert readers() == 0


def test_what_the_iterator_raises_comes_after_the_items_before_it() -> None:
    def broken() -> Iterator[int]:
        yield from range(5)
        raise ValueError("the sixth")

    found: list[int] = []
    with pytest.raises(ValueError, match="the sixth"):
        found.extend(read_ahead(broken()))
    assert found == [0, 1, 2, 3, 4]
    assert readers() == 0


def test_no_more_is_read_than_there_is_room_for() -> None:
    asked = 0

    def counted() -> Iterator[int]:
        nonlocal asked
        for item in range(100):
            asked += 1
            yield item

    for taken, _ in enumerate(read_ahead(counted()), start=1):
        # Those taken, those that wait, and the one in the reader's hand.
        assert asked <= taken + READY_MOST + 1


def test_a_reader_that_is_no_longer_wanted_ends() -> None:
    items = read_ahead(iter(range(10**9)))
    assert next(items) == 0
    assert readers() == 1
    items.close()  # type: ignore[attr-defined]
    assert readers() == 0
