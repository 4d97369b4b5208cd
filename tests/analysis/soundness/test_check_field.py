"""Undetected errors and bursts against every error of small frames."""

from __future__ import annotations

from collections import Counter
from itertools import combinations
from math import comb

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from busplay.analysis.soundness import weights
from busplay.analysis.soundness.bursts import edge_bursts, lane_bursts
from busplay.analysis.soundness.weights import count_undetected
from busplay.description.link import Link
from busplay.link.gf2 import coordinates
from busplay.link.layout import FrameLayout
from tests.analysis.soundness.small_links import small_links
from tests.naive import soundness as naive

SLOW = settings(deadline=None, max_examples=40, suppress_health_check=[HealthCheck.too_slow])


@SLOW
@given(small_links())
def test_undetected_errors_are_those_that_turn_a_right_frame_into_another(link: Link) -> None:
    found = count_undetected(FrameLayout(link).syndrome_columns)
    tried = [0] * (link.frame_bits + 1)
    for pattern in naive.undetected_patterns(link):
        tried[pattern.bit_count()] += 1
    assert list(found.counts) == tried
    assert found.random_ratio == pytest.approx(
        (sum(tried) - 1) / ((1 << link.frame_bits) - 1), rel=1e-12
    )
    for rate in (0.4, 0.01):
        probability = sum(
            count * rate**w * (1 - rate) ** (link.frame_bits - w)
            for w, count in enumerate(tried)
            if w
        )
        assert found.undetected_probability(rate) == pytest.approx(probability, rel=1e-12)


@pytest.mark.parametrize("size", [3, 8, 17, 20])
def test_three_ways_of_counting_say_the_same(size: int) -> None:
    columns, check_rank = coordinates([(37 * i * i + 11 * i + 1) % 509 for i in range(size)])
    by_dual = weights._by_dual(columns, check_rank)
    assert weights._by_listing(columns, check_rank) == by_dual
    heaviest = min(6, size)
    assert weights._by_meeting(columns, heaviest) == by_dual[: heaviest + 1]


def test_wide_check_is_counted_to_the_weight_that_can_be_afforded() -> None:
    columns = [(0x9E3779B97F4A7C15 * (i + 1)) % (1 << 32) for i in range(64)]
    found = count_undetected(columns)
    assert len(found.counts) == 7
    singles = set(columns)
    pairs = [a ^ b for a, b in combinations(columns, 2)]
    assert 0 not in singles
    assert len(singles) == 64
    assert found.counts[:3] == (1, 0, 0)
    # Each three columns that sum to 0 are a pair and a single one in three ways.
    assert 3 * found.counts[3] == sum(pair in singles for pair in pairs)
    same = Counter(pairs)
    assert 3 * found.counts[4] == sum(comb(count, 2) for count in same.values())
    # Weights that were not counted are taken as random damage.
    tail = sum(comb(64, w) for w in range(7, 65)) * 0.5**64 * 2.0**-found.check_rank
    known = sum(found.counts[1:]) * 0.5**64
    assert found.undetected_probability(0.5) == pytest.approx(known + tail, rel=1e-9)


def by_length(patterns: list[int], size: int, width: int) -> list[int]:
    """Count patterns by how many groups of `width` bits lie between their ends."""
    counts = [0] * (size // width)
    for pattern in patterns:
        if pattern:
            first = (size - pattern.bit_length()) // width
            last = (size - 1 - ((pattern & -pattern).bit_length() - 1)) // width
            counts[last - first] += 1
    return counts


@SLOW
@given(small_links())
def test_undetected_bursts_are_those_among_all_undetected_errors(link: Link) -> None:
    columns = FrameLayout(link).syndrome_columns
    patterns = naive.undetected_patterns(link)
    size, lanes = link.frame_bits, link.lanes
    bits, edges = edge_bursts(columns, 1), edge_bursts(columns, lanes)
    assert list(bits.undetected) == by_length(patterns, size, 1)
    assert list(edges.undetected) == by_length(patterns, size, lanes)
    on_lanes = [0] * (size // lanes)
    for lane in range(lanes):
        mask = sum(1 << place for place in range(lane, size, lanes))
        inside = [one for one in patterns if one & ~mask == 0]
        for length, count in enumerate(by_length(inside, size, lanes)):
            on_lanes[length] += count
    assert list(lane_bursts(columns, lanes).undetected) == on_lanes
    assert sum(bits.tried) == sum(edges.tried) == (1 << size) - 1


@given(st.lists(st.integers(0, 255), min_size=1, max_size=12))
def test_weights_of_any_columns_add_up(columns: list[int]) -> None:
    found = count_undetected(columns)
    assert sum(found.counts) == 1 << (len(columns) - found.check_rank)
