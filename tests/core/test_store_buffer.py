from __future__ import annotations

from itertools import accumulate, pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busplay.batch import StoreBatch
from busplay.core.store_buffer import StoreBuffer
from busplay.core.store_log import StoreLog
from busplay.description.board import Board, Memory, Window
from busplay.description.link import Field, Link, StrobeFraming

BOARD = Board(
    name="two windows",
    processor="6502",
    clock_hz=1_000_000,
    link=Link("any", 8, "rising", (Field("space", 2), Field("data", 6)), StrobeFraming()),
    memory=(Memory("ram", 0x0000, 0x7FFF),),
    windows=(
        Window("low", 0x2000, 0x20FF, unit="panel", space="memory", lands_in_ram=True),
        Window("high", 0x9000, 0x9007, unit="panel", space="registers"),
    ),
    units=(),
)


def batch(*rows: tuple[int, int, int]) -> StoreBatch:
    cycle, address, data = zip(*rows, strict=True) if rows else ((), (), ())
    return StoreBatch(
        np.array(cycle, np.uint64), np.array(address, np.uint16), np.array(data, np.uint8)
    )


def as_rows(stores: StoreBatch) -> list[tuple[int, int, int]]:
    columns = (stores.cycle.tolist(), stores.address.tolist(), stores.data.tolist())
    return list(zip(*columns, strict=True))


def test_stores_in_windows_are_kept_and_others_dropped() -> None:
    buffer = StoreBuffer(BOARD)
    for row in [(3, 0x1FFF, 1), (4, 0x2000, 2), (4, 0x20FF, 3), (9, 0x2100, 4), (9, 0x9007, 5)]:
        buffer.store(*row)
    assert as_rows(buffer.take()) == [(4, 0x2000, 2), (4, 0x20FF, 3), (9, 0x9007, 5)]
    assert buffer.stores_offered == 5
    assert buffer.stores_tapped == 3
    assert as_rows(buffer.take()) == []


def in_order(rows: list[tuple[int, int, int]]) -> list[tuple[int, int, int]]:
    """Turn gaps into cycles."""
    cycles = accumulate(gap for gap, _, _ in rows)
    return [(cycle, address, data) for cycle, (_, address, data) in zip(cycles, rows, strict=True)]


rows_in_order = st.lists(
    st.tuples(st.integers(0, 50), st.integers(0, 0xFFFF), st.integers(0, 0xFF)), max_size=40
).map(in_order)


@given(rows=rows_in_order, cuts=st.lists(st.integers(0, 40), max_size=5))
def test_single_stores_and_batches_are_the_same(
    rows: list[tuple[int, int, int]], cuts: list[int]
) -> None:
    single, whole = StoreBuffer(BOARD), StoreBuffer(BOARD)
    for row in rows:
        single.store(*row)
    places = sorted({0, len(rows), *(min(cut, len(rows)) for cut in cuts)})
    for first, stop in pairwise(places):
        whole.extend(batch(*rows[first:stop]))
    naive = [row for row in rows if 0x2000 <= row[1] <= 0x20FF or 0x9000 <= row[1] <= 0x9007]
    assert as_rows(single.take()) == naive
    assert as_rows(whole.take()) == naive
    assert single.last_cycle == whole.last_cycle
    assert (single.stores_offered, single.stores_tapped) == (len(rows), len(naive))
    assert (whole.stores_offered, whole.stores_tapped) == (len(rows), len(naive))


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ((5, -1, 0), "address is -1; an address is 0 to 65535"),
        ((5, 65536, 0), "address is 65536; an address is 0 to 65535"),
        ((5, 0, -1), "data is -1; a byte is 0 to 255"),
        ((5, 0, 256), "data is 256; a byte is 0 to 255"),
        ((4, 0, 0), "cycle is 4; it must not be below the last store's 5 and must fit 63 bits"),
        ((1 << 63, 0, 0), "and must fit 63 bits"),
    ],
)
def test_wrong_arguments_are_named_and_change_nothing(
    row: tuple[int, int, int], message: str
) -> None:
    buffer = StoreBuffer(BOARD)
    buffer.store(5, 0x2000, 1)
    with pytest.raises(ValueError, match=message):
        buffer.store(*row)
    assert buffer.stores_offered == 1
    assert as_rows(buffer.take()) == [(5, 0x2000, 1)]


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ([(4, 0, 0)], "cycle is 4 at index 0; it must not be below the last store's 5"),
        (
            [(6, 0, 0), (9, 0, 0), (8, 0, 0)],
            "cycle is 8 at index 2; it must not be below the last store's 9",
        ),
        ([(6, 0, 0), (1 << 63, 0, 0)], "cycle is 9223372036854775808; it must fit 63 bits"),
    ],
)
def test_batch_that_goes_back_is_refused_completely(
    rows: list[tuple[int, int, int]], message: str
) -> None:
    buffer = StoreBuffer(BOARD)
    buffer.store(5, 0x2000, 1)
    with pytest.raises(ValueError, match=message):
        buffer.extend(batch(*rows))
    assert buffer.stores_offered == 1
    assert buffer.last_cycle == 5


def test_numpy_numbers_are_taken() -> None:
    buffer = StoreBuffer(BOARD)
    buffer.store(np.uint64(7), np.uint16(0x2000), np.uint8(9))
    assert as_rows(buffer.take()) == [(7, 0x2000, 9)]


def test_log_keeps_taken_batches_apart_from_what_comes_after() -> None:
    log = StoreLog()
    log.add(1, 2, 3)
    first = log.take()
    log.add(4, 5, 6)
    log.extend(batch((7, 8, 9)))
    assert len(log) == 2
    assert as_rows(first) == [(1, 2, 3)]
    assert as_rows(log.take()) == [(4, 5, 6), (7, 8, 9)]
    assert len(log.take()) == 0
