from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from busplay.analysis.profile import Routine, sum_by_routine
from busplay.core.profile import CoreProfile


def profile_of(
    cycles: dict[int, int],
    stores: dict[int, int] | None = None,
    unchanged: dict[int, int] | None = None,
) -> CoreProfile:
    columns = []
    for counts in (cycles, stores or {}, unchanged or {}):
        column = np.zeros(0x10000, np.uint64)
        for address, count in counts.items():
            column[address] = count
        columns.append(column)
    return CoreProfile(*columns)


def test_routine_goes_from_its_label_up_to_the_next() -> None:
    profile = profile_of(
        {0xC000: 10, 0xC00F: 5, 0xC010: 100, 0xFFFF: 1}, {0xC00F: 3, 0xC010: 40}, {0xC010: 30}
    )
    labels = {0xC000: ("start",), 0xC010: ("draw", "draw_again"), 0xC100: ("never",)}
    assert sum_by_routine(profile, labels) == (
        Routine("draw", 0xC010, 100, 40, 30),
        Routine("start", 0xC000, 15, 3, 0),
        Routine("never", 0xC100, 1, 0, 0),
    )


def test_routines_that_never_ran_are_left_out() -> None:
    assert sum_by_routine(profile_of({}), {0x0200: ("start",)}) == ()


def test_code_without_labels_is_summed_up_by_pages() -> None:
    assert sum_by_routine(profile_of({0x0200: 1, 0x02FF: 2, 0x0300: 5})) == (
        Routine("$0300-$03FF", 0x0300, 5, 0, 0),
        Routine("$0200-$02FF", 0x0200, 3, 0, 0),
    )


def test_page_before_the_first_label_ends_there() -> None:
    (page,) = sum_by_routine(profile_of({0x0210: 4}), {0x0280: ("start",)})
    assert page == Routine("$0200-$027F", 0x0200, 4, 0, 0)


def test_labels_within_a_routine_begin_none() -> None:
    labels = {0x0200: ("L0012", "_main"), 0x0210: ("L0034",), 0x0220: ("@loop",)}
    assert sum_by_routine(profile_of({0x0200: 1, 0x0215: 2, 0x0230: 4}), labels) == (
        Routine("_main", 0x0200, 7, 0, 0),
    )


def test_equal_cycles_are_in_order_of_address() -> None:
    labels = {0x0300: ("b",), 0x0200: ("a",)}
    names = [one.name for one in sum_by_routine(profile_of({0x0200: 3, 0x0300: 3}), labels)]
    assert names == ["a", "b"]


@given(
    counts=st.dictionaries(st.integers(0, 0xFFFF), st.integers(1, 1 << 40), max_size=20),
    label_addresses=st.sets(st.integers(0, 0xFFFF), max_size=20),
)
def test_nothing_is_lost_and_nothing_counted_twice(
    counts: dict[int, int], label_addresses: set[int]
) -> None:
    labels = {address: (f"at_{address}",) for address in label_addresses}
    routines = sum_by_routine(profile_of(counts, counts, counts), labels)
    total = sum(counts.values())
    assert sum(routine.cycles for routine in routines) == total
    assert sum(routine.stores for routine in routines) == total
    assert sum(routine.stores_unchanged for routine in routines) == total
