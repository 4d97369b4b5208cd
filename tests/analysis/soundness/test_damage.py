"""What wires and clocks do to frames, against trying it on every frame of small links."""

from __future__ import annotations

from collections.abc import Callable
from itertools import product

import pytest
from hypothesis import HealthCheck, given, settings

from busplay.analysis.soundness.damage import (
    DamageShare,
    edge_reports,
    lane_mask,
    lost_edges,
    stuck_lanes,
    swapped_edges,
)
from busplay.analysis.soundness.frame_space import FrameSpace, Judge, sent_frames
from busplay.description.link import Link, StrobeFraming
from busplay.link.layout import FrameLayout
from busplay.link.load import load_link
from tests.analysis.soundness.small_links import small_links
from tests.naive import layout as naive_layout
from tests.naive import soundness as naive

SLOW = settings(deadline=None, max_examples=30, suppress_health_check=[HealthCheck.too_slow])


def tried(
    link: Link, rows: list[tuple[int, ...]], damage: Callable[[tuple[int, ...]], int]
) -> DamageShare:
    right = naive.valid_words(link)
    damaged = undetected = 0
    for row in rows:
        received = damage(row)
        if received != row[0]:
            damaged += 1
            undetected += received in right
    return DamageShare(damaged / len(rows), undetected / damaged if damaged else 0.0)


def same(one: DamageShare, other: DamageShare) -> None:
    assert one.damaged_ratio == pytest.approx(other.damaged_ratio, abs=1e-12)
    assert one.undetected_ratio == pytest.approx(other.undetected_ratio, abs=1e-12)


def with_symbols(link: Link, word: int, change: Callable[[list[int]], list[int]]) -> int:
    symbols = naive_layout.symbols_of_bits(link, naive.bits_of(word, link))
    return naive_layout.word_of_bits(naive_layout.bits_of_symbols(link, change(symbols)))


@SLOW
@given(small_links(payload_bits=7))
def test_stuck_lanes_and_swapped_edges_as_every_frame_shows_them(link: Link) -> None:
    layout = FrameLayout(link)
    frames, judge = sent_frames(layout), Judge(layout)
    rows = [(word,) for word in naive.words(link)]
    right = naive.valid_words(link)
    for one in stuck_lanes(layout, frames, judge):

        def stuck(symbols: list[int], lane: int = one.lane, level: int = one.level) -> list[int]:
            return [symbol & ~(1 << lane) | level << lane for symbol in symbols]

        same(one.share, tried(link, rows, lambda row: with_symbols(link, row[0], stuck)))
        if isinstance(link.framing, StrobeFraming):
            assert one.shows_while_idle is None
        else:
            idle = with_symbols(link, naive.idle_word(link), stuck)
            assert one.shows_while_idle == (idle not in right)
    for first, share in enumerate(swapped_edges(layout, frames, judge).shares):

        def swap(symbols: list[int], i: int = first) -> list[int]:
            return [*symbols[:i], symbols[i + 1], symbols[i], *symbols[i + 2 :]]

        same(share, tried(link, rows, lambda row: with_symbols(link, row[0], swap)))


@SLOW
@given(small_links(payload_bits=5))
def test_lost_edges_as_every_pair_of_frames_shows_them(link: Link) -> None:
    layout = FrameLayout(link)
    frames, judge = sent_frames(layout), Judge(layout)
    words = naive.words(link)
    pairs = list(product(words, repeat=2))
    for count in (1, 2):
        found = lost_edges(layout, frames, judge, count=count, behind=frames)
        for first, share in enumerate(found.shares):

            def lost(row: tuple[int, ...], i: int = first, n: int = count) -> int:
                bits = naive.bits_of(row[0], link) + naive.bits_of(row[1], link)
                del bits[i * link.lanes : (i + n) * link.lanes]
                return naive.cut(link, bits, 0)

            same(share, tried(link, pairs, lost))


@SLOW
@given(small_links(payload_bits=5, framings=("check", "confirm", "unique")))
def test_edges_between_frames_and_idle_frames_as_every_pair_of_them_shows_them(link: Link) -> None:
    layout = FrameLayout(link)
    idle_word = naive.idle_word(link)
    right = naive.valid_words(link)
    found = edge_reports(layout, sent_frames(layout), FrameSpace(idle_word), Judge(layout))
    assert [one.meeting for one in found] == [
        "frame, frame",
        "idle, frame",
        "frame, idle",
        "idle, idle",
    ]
    kinds = {"frame": naive.words(link), "idle": [idle_word]}
    size = link.frame_bits // link.lanes
    for one in found:
        first, second = (kinds[name] for name in one.meeting.split(", "))
        damaged = undetected = 0
        for row in product(first, second):
            symbols = [
                symbol
                for word in row
                for symbol in naive_layout.symbols_of_bits(link, naive.bits_of(word, link))
            ]
            symbols[size - 1], symbols[size] = symbols[size], symbols[size - 1]
            received = tuple(
                naive_layout.word_of_bits(naive_layout.bits_of_symbols(link, part))
                for part in (symbols[:size], symbols[size:])
            )
            if received != row:
                damaged += 1
                undetected += all(word in right for word in received)
        count = len(first) * len(second)
        same(one.swapped_across, DamageShare(damaged / count, undetected / max(damaged, 1)))
        for lost, share in (
            (lost, share)
            for lost, damage in ((1, one.lost_one), (2, one.lost_two))
            if damage is not None
            for share in enumerate(damage.shares)
        ):
            place, told = share
            rows = list(product(first, second))

            def missed(row: tuple[int, ...], i: int = place, n: int = lost) -> int:
                bits = naive.bits_of(row[0], link) + naive.bits_of(row[1], link)
                del bits[i * link.lanes : (i + n) * link.lanes]
                return naive.cut(link, bits, 0)

            changed = [row for row in rows if missed(row) != row[0]]
            taken = sum(missed(row) in right for row in changed)
            same(told, DamageShare(len(changed) / len(rows), taken / max(len(changed), 1)))


def test_lost_edge_of_a_strobed_frame_is_filled_up_by_lanes_that_rest() -> None:
    layout = FrameLayout(load_link("strobed"))
    found = lost_edges(
        layout,
        sent_frames(layout),
        Judge(layout),
        count=1,
        behind=FrameSpace(0),
        first_place=1,
    )
    assert len(found.shares) == 4
    # A parity bit misses about half, less the frames that are not changed.
    assert 0.45 < found.undetected_ratio < 0.5


def test_lane_mask_follows_the_lane_of_the_first_bit() -> None:
    layout = FrameLayout(load_link("guarded"))
    assert lane_mask(layout, 4) == 0x8421084210
    assert lane_mask(layout, 0) == 0x0842108421


def test_shares_over_all_places_weigh_each_by_its_damage() -> None:
    layout = FrameLayout(load_link("lean"))
    found = lost_edges(
        layout, sent_frames(layout), Judge(layout), count=1, behind=sent_frames(layout)
    )
    damaged = sum(one.damaged_ratio for one in found.shares)
    undetected = sum(one.damaged_ratio * one.undetected_ratio for one in found.shares)
    assert found.undetected_ratio == pytest.approx(undetected / damaged)
