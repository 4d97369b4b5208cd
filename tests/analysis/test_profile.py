from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from busplay.analysis.profile import Routine, sum_by_routine
from busplay.core.profile import CoreProfile
from busplay.description.board import Memory


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
        Routine("$0300–$03FF", 0x0300, 5, 0, 0),
        Routine("$0200–$02FF", 0x0200, 3, 0, 0),
    )


def test_code_before_the_first_label_of_a_region_has_no_label() -> None:
    """7 % of the cycles of a program were once put down to a variable in the zero page."""
    labels = {0x10: ("pointer",), 0x8347: ("main",)}
    profile = profile_of({0x8000: 7, 0x8346: 1, 0x8347: 90, 0xA000: 2})
    regions = (Memory("ram", 0, 0x7FFF), Memory("rom", 0x8000, 0x9FFF))
    assert sum_by_routine(profile, labels, regions=regions) == (
        Routine("main", 0x8347, 90, 0, 0),
        Routine("$8000–$8346, no label", 0x8000, 8, 0, 0),
        Routine("$A000–$FFFF, no label", 0xA000, 2, 0, 0),
    )


def test_labels_of_the_zero_page_and_the_stack_end_with_them() -> None:
    labels = {0x10: ("pointer",), 0x0180: ("saved",), 0x0400: ("main",)}
    profile = profile_of({0x0090: 1, 0x0120: 2, 0x0190: 3, 0x0300: 4, 0x0400: 5})
    names = {one.address: one.name for one in sum_by_routine(profile, labels)}
    assert names == {
        0x0010: "pointer",
        0x0100: "$0100–$017F, no label",
        0x0180: "saved",
        0x0200: "$0200–$03FF, no label",
        0x0400: "main",
    }


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
    region_addresses=st.tuples(st.integers(0, 0xFFFF), st.integers(0, 0xFFFF)),
)
def test_nothing_is_lost_and_nothing_counted_twice(
    counts: dict[int, int], label_addresses: set[int], region_addresses: tuple[int, int]
) -> None:
    labels = {address: (f"at_{address}",) for address in label_addresses}
    regions = [Memory("ram", min(region_addresses), max(region_addresses))]
    routines = sum_by_routine(profile_of(counts, counts, counts), labels, regions=regions)
    total = sum(counts.values())
    assert sum(routine.cycles for routine in routines) == total
    assert sum(routine.stores for routine in routines) == total
    assert sum(routine.stores_unchanged for routine in routines) == total
