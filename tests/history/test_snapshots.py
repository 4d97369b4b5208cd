"""Snapshots: memory that did not change is shared, and the oldest are thinned out first."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.core.interface import Registers
from busplay.core.rewind import CoreState
from busplay.history.snapshots import Snapshots

STATE = CoreState(
    Registers(0, 0, 0, 0, 0, 0, 0), 0, 0, 0, is_waiting=False, stop=None, stores_tapped=0,
    rom_writes_ignored=0, unmapped_writes_ignored=0, interrupts_taken=0, host_port=None,
)  # fmt: skip


def state_at(cycle: int) -> CoreState:
    return replace(STATE, registers=replace(STATE.registers, cycle=cycle))


@settings(max_examples=40)
@given(seed=st.integers(0, 1 << 32), limit=st.sampled_from([100_000, 300_000, 10_000_000]))
def test_what_is_kept_is_what_memory_was(seed: int, limit: int) -> None:
    rng = np.random.default_rng(seed)
    snapshots = Snapshots(limit_bytes=limit, spacing_cycles=10)
    memory = np.zeros(0x10000, np.uint8)
    images = {}
    for number in range(120):
        memory[rng.integers(0, 0x10000, int(rng.integers(0, 40)))] += 1
        images[10 * number] = memory.tobytes()
        snapshots.add(state_at(10 * number), memory)
        assert snapshots.used_bytes <= limit or len(snapshots) < 3
    for cycle in range(0, 1200, 7):
        kept = snapshots.at_or_before(cycle)
        assert kept.cycle <= cycle
        assert kept.memory().tobytes() == images[kept.cycle]
        assert snapshots.before(kept.cycle + 1) is kept
    assert snapshots.before(0) is None


@settings(max_examples=40)
@given(seed=st.integers(0, 1 << 32), limit=st.sampled_from([100_000, 300_000, 10_000_000]))
def test_they_may_come_in_any_order(seed: int, limit: int) -> None:
    """A run that begins in the middle fills the gaps before it later."""
    rng = np.random.default_rng(seed)
    memory = np.zeros(0x10000, np.uint8)
    images = {}
    for number in range(80):
        memory[rng.integers(0, 0x10000, int(rng.integers(0, 40)))] += 1
        images[10 * number] = memory.tobytes()
    snapshots = Snapshots(limit_bytes=limit, spacing_cycles=10)
    for number in rng.permutation(80).tolist():
        cycle = 10 * number
        if snapshots.is_due(cycle):
            snapshots.add(state_at(cycle), np.frombuffer(images[cycle], np.uint8))
        assert snapshots.used_bytes <= limit or len(snapshots) < 3
    if limit == 10_000_000:
        assert len(snapshots) == 80
    cycles = [one.cycle for one in snapshots._kept]
    assert cycles == sorted(set(cycles))
    for one in snapshots._kept:
        assert one.memory().tobytes() == images[one.cycle]


def test_the_oldest_go_first_and_gaps_differ_by_two_at_most() -> None:
    memory = np.zeros(0x10000, np.uint8)
    snapshots = Snapshots(limit_bytes=500_000, spacing_cycles=10)
    gaps_seen = set()
    for number in range(5_000):
        memory[(17 * number) % 0x10000] += 1
        snapshots.add(state_at(10 * number), memory)
        gaps = np.diff(snapshots._cycles)
        assert snapshots.used_bytes <= 500_000
        gaps_seen.add(int(gaps.max(initial=0)))
        # Longer gaps lie before shorter ones, but for the odd one where two sweeps meet.
        assert gaps[:-1].min(initial=1 << 60) * 4 >= gaps.max(initial=0) or gaps.min() == 10
    assert len(snapshots) > 60
    assert snapshots.longest_gap_cycles < 4 * 5_000 * 10 / len(snapshots)
    assert snapshots.at_or_before(0).cycle == 0


def test_unchanged_memory_costs_two_kilobytes() -> None:
    snapshots = Snapshots(limit_bytes=1 << 30, spacing_cycles=10)
    memory = np.zeros(0x10000, np.uint8)
    snapshots.add(state_at(0), memory)
    first = snapshots.used_bytes
    for number in range(1, 11):
        snapshots.add(state_at(number), memory)
    assert (snapshots.used_bytes - first) / 10 < 3_100
    with pytest.raises(ValueError, match="there is a snapshot of cycle 10"):
        snapshots.add(state_at(10), memory)


def test_snapshots_around_a_store_are_found_by_the_count_of_stores() -> None:
    snapshots = Snapshots(limit_bytes=1_000_000, spacing_cycles=10)
    memory = np.zeros(0x10000, np.uint8)
    for number, stores in enumerate((0, 0, 3, 3, 3, 7)):
        snapshots.add(replace(state_at(10 * number), stores_tapped=stores), memory)
    found = {stores: snapshots.last_before_store(stores) for stores in (0, 2, 3, 6, 7, 9)}
    cycles = {stores: one and one.cycle for stores, one in found.items()}
    assert cycles == {0: 10, 2: 10, 3: 40, 6: 40, 7: 50, 9: 50}
    after = {stores: snapshots.first_after_store(stores) for stores in (0, 1, 3, 4, 7, 8)}
    cycles = {stores: one and one.cycle for stores, one in after.items()}
    assert cycles == {0: 0, 1: 20, 3: 20, 4: 50, 7: 50, 8: None}
    empty = Snapshots(limit_bytes=1, spacing_cycles=1)
    assert empty.last_before_store(5) is empty.first_after_store(5) is None
