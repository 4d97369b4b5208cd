"""From captured symbols to slots, and from slots back to time."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from busplay.capture.edge_grid import EdgeGrid, EdgeTimeTable
from busplay.link.layout import FrameLayout
from busplay.link.load import load_link
from tests.strategies import cuts

LAYOUT = FrameLayout(load_link("guarded"))


def naive_places(symbols: list[int], jumps: list[tuple[int, int]], slot: int) -> list[int]:
    """Put each frame to the first free slot that is not before it."""
    free = 0
    out = []
    for symbol in symbols:
        edge = symbol + sum(edges for place, edges in jumps if place <= symbol)
        wanted = -(-edge // slot) * slot
        out.append(max(wanted, free))
        free = out[-1] + slot
    return out


@given(st.data())
def test_frames_go_to_the_next_free_slot_however_they_are_cut(data: st.DataObject) -> None:
    gaps = data.draw(st.lists(st.integers(5, 40), min_size=1, max_size=40))
    symbols = np.cumsum(gaps).tolist()
    jumps = sorted(
        data.draw(
            st.lists(
                st.tuples(st.integers(0, symbols[-1]), st.integers(1, 500)),
                max_size=5,
                unique_by=lambda jump: jump[0],
            )
        )
    )
    places = data.draw(cuts(len(symbols)))
    grid = EdgeGrid(LAYOUT)
    found: list[int] = []
    waiting = list(jumps)
    for first, stop in pairwise(places):
        part = np.array(symbols[first:stop], np.int64)
        while waiting and len(part) and waiting[0][0] <= part[-1]:
            place, edges = waiting.pop(0)
            grid.add_jumps(np.array([place]), np.array([edges]))
        found += grid.place(part).tolist()
        assert not found or grid.stop_edge == found[-1] + 8
    assert found == naive_places(symbols, jumps, 8)


def test_frames_on_the_grid_stay_where_they_are() -> None:
    grid = EdgeGrid(LAYOUT)
    assert grid.place(np.array([0, 8, 64], np.int64)).tolist() == [0, 8, 64]
    grid.advance(100)
    assert grid.stop_edge == 104


def test_a_strobe_link_that_starts_anywhere_moves_to_clock_cycles_only() -> None:
    grid = EdgeGrid(FrameLayout(load_link("serial")))
    # `serial` starts on its slot grid of 34 edges.
    assert grid.place(np.array([3, 40], np.int64)).tolist() == [34, 68]


@given(st.data())
def test_times_of_frames_are_kept_to_the_tolerance(data: st.DataObject) -> None:
    gaps = data.draw(st.lists(st.integers(1, 30), min_size=1, max_size=80))
    stretch = data.draw(st.lists(st.integers(900, 1100), min_size=len(gaps), max_size=len(gaps)))
    edges = 8 * np.cumsum(gaps)
    times = np.cumsum(np.array(gaps) * np.array(stretch))
    kept = EdgeTimeTable(500)
    for first, stop in [(0, len(edges) // 2), (len(edges) // 2, len(edges))]:
        kept.add(edges[first:stop].astype(np.uint64), times[first:stop].astype(np.int64))
    off = np.abs(kept.at(edges.astype(np.int64)) - times)
    assert off.max() <= 501


def test_a_steady_clock_needs_two_points() -> None:
    kept = EdgeTimeTable(10)
    edges = np.arange(0, 80_000, 8, dtype=np.uint64)
    kept.add(edges, edges.astype(np.int64) * 62_500)
    assert sum(len(part) for part in kept._edge) == 2
    assert kept.at(np.array([4, 100_000])).tolist() == [250_000, 6_250_000_000]
