"""One frame over and over: against every word of small links, and the real receiver."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from busplay.analysis.soundness.constant_stream import constant_stream, idle_effect, stream_shares
from busplay.analysis.soundness.frame_space import sent_frames
from busplay.analysis.soundness.unions import union_share
from busplay.description.link import CheckFraming, Field, Link
from busplay.link.framing.check import rotated
from busplay.link.layout import FrameLayout
from busplay.link.load import load_link
from busplay.receiver.receiver import Receiver
from busplay.receiver.states import State
from tests.analysis.soundness.small_links import small_links
from tests.naive import soundness as naive

SLOW = settings(deadline=None, max_examples=30, suppress_health_check=[HealthCheck.too_slow])


def tried(link: Link, *, idle_every: int | None) -> tuple[float, float]:
    """Walk every stream; give the shares that find and keep a wrong place."""
    right = set(naive.words(link, with_spare=True))
    fixed = {"sequence": 0} if link.field_named("sequence") else {}
    found = kept = total = 0
    for values in naive.field_values(link, with_spare=False, fixed=fixed):
        slots = naive.stream_of(link, values, idle_every=idle_every)
        keeping = [
            offset
            for offset in range(1, link.frame_bits // link.lanes)
            if naive.keeps(link, slots, offset, right)
        ]
        finding = [one for one in keeping if naive.finds(link, slots, one, right)]
        total += 1
        kept += bool(keeping)
        found += bool(finding)
    return found / total, kept / total


@SLOW
@given(small_links(payload_bits=7, framings=("check", "confirm")))
def test_shares_are_those_of_all_words(link: Link) -> None:
    found, kept = stream_shares(FrameLayout(link))
    assert (found.ratio, kept.ratio) == pytest.approx(tried(link, idle_every=None))
    assert found.method != "sampled"


@SLOW
@given(
    small_links(payload_bits=6, framings=("check", "confirm")),
    st.integers(2, 9),
)
def test_effect_of_idle_slots_is_that_on_all_words(link: Link, idle_every: int) -> None:
    effect = idle_effect(FrameLayout(link), idle_every)
    shares = tried(link, idle_every=idle_every)
    assert (effect.found.ratio, effect.kept.ratio) == pytest.approx(shares)


def test_third_of_all_words_hold_a_lean_receiver_and_none_a_guarded_one() -> None:
    lean = constant_stream(FrameLayout(load_link("lean")))
    assert lean is not None
    assert lean.kept == lean.found == lean.without_sequence
    assert lean.kept.method == "independent"
    assert lean.kept.ratio == pytest.approx(1 - (15 / 16) ** 7)
    guarded = constant_stream(FrameLayout(load_link("guarded")))
    assert guarded is not None
    assert guarded.kept.ratio == guarded.found.ratio == 0
    assert guarded.without_sequence.ratio == pytest.approx(0.0387, abs=5e-5)
    assert guarded.without_sequence.method == "inclusion"


def test_idle_slot_in_eight_keeps_a_lean_receiver_from_finding_a_wrong_place() -> None:
    layout = FrameLayout(load_link("lean"))
    for idle_every, is_safe in ((8, True), (9, False)):
        effect = idle_effect(layout, idle_every)
        assert (effect.found.ratio == 0) == is_safe
        # It stays where it is all the same: two wrong frames in a round are not seven.
        assert effect.kept.ratio == pytest.approx(0.3635, abs=1e-4)
    link = load_link("lean")
    quick = FrameLayout(replace(link, framing=CheckFraming(release_frames=2)))
    assert idle_effect(quick, 9).kept.ratio == 0


def test_link_says_what_its_own_idle_slots_do() -> None:
    found = constant_stream(FrameLayout(replace(load_link("lean"), idle_every=8)))
    assert found is not None
    assert found.here is not None
    assert (found.here.idle_every, found.here.found.ratio) == (8, 0)


def test_idle_slots_can_help_streams_that_a_field_counts_to_keep_a_receiver() -> None:
    link = load_link("lean")
    fields = (*link.fields[:2], Field("sequence", 4), *link.fields[2:])
    assert link.check is not None
    covers = tuple(one.name for one in fields if one.name != "check")
    link = replace(link, fields=fields, check=replace(link.check, covers=covers), idle_every=8)
    found = constant_stream(FrameLayout(link))
    assert found is not None
    assert found.here is not None
    by_n = {one.idle_every: one for one in found.counted_idle}
    assert found.here == by_n[8]
    # The two windows of each round that the idle frame is part of do it: numbers no longer matter.
    assert by_n[4].kept.ratio > found.kept.ratio
    assert by_n[4].found.ratio < by_n[4].kept.ratio


def test_guarded_keeps_no_receiver_astray_whatever_its_idle_slots() -> None:
    found = constant_stream(FrameLayout(load_link("guarded")))
    assert found is not None
    assert [one.idle_every for one in found.counted_idle] == [2, 4, 8, 9, 16, 64]
    assert all(one.kept.ratio == one.found.ratio == 0 for one in found.counted_idle)
    uncounted = {one.idle_every: one for one in found.idle}
    assert uncounted[9].kept.ratio == found.without_sequence.ratio


def test_long_rows_of_frames_repeat_themselves() -> None:
    layout = FrameLayout(replace(load_link("guarded"), framing=CheckFraming(2, 3)))
    for idle_every in (64, 1_000):
        near = idle_effect(layout, idle_every)
        far = idle_effect(layout, idle_every + 16 * 50)
        assert (near.found, near.kept) == (far.found, far.kept)


def test_marker_that_nothing_imitates_frees_a_receiver_at_the_first_idle_slot() -> None:
    found = constant_stream(FrameLayout(load_link("marked")))
    assert found is not None
    assert (found.found.ratio, found.kept.ratio) == (0, 7 / 8)
    assert [(one.idle_every, one.kept.ratio) for one in found.idle] == [(2, 0.0)]


def test_strobe_has_no_wrong_places() -> None:
    assert constant_stream(FrameLayout(load_link("strobed"))) is None


def wrong_places(layout: FrameLayout, symbols: np.ndarray) -> set[int]:
    """Switch the real receiver on at every symbol of a round; give wrong places it stays at."""
    found = set()
    size = layout.frame_symbols
    for start in range(size):
        receiver = Receiver(layout)
        receiver.feed_symbols(symbols[start:], 0)
        place = (start + receiver.counters.symbols_skipped) % size
        if receiver.state is State.SYNC and place:
            found.add(place)
    return found


def test_real_receiver_is_held_by_the_words_that_are_named() -> None:
    link = load_link("lean")
    layout = FrameLayout(link)
    words = sent_frames(layout).sample(150, np.random.default_rng(5))
    held = 0
    for word in words.tolist():
        rotations = [rotated(layout, word, one) for one in range(1, 8)]
        right = layout.is_right(np.array(rotations, np.uint64))
        symbols = np.tile(layout.to_symbols(np.array([word], np.uint64)), 60)
        places = wrong_places(layout, symbols)
        assert places == {place for place, is_right in enumerate(right, start=1) if is_right}
        held += bool(places)
        # With an idle slot in eight the same receiver finds its way, or never locks wrongly.
        slots = symbols.reshape(60, -1)
        slots[7::8] = layout.idle_symbols
        assert not wrong_places(layout, slots.reshape(-1))
    assert held == pytest.approx(150 * 0.3635, abs=25)


@given(
    st.lists(st.lists(st.integers(0, 31), max_size=3).map(tuple), max_size=5),
)
def test_union_is_what_counting_all_points_gives(events: list[tuple[int, ...]]) -> None:
    points = [
        any(
            all(((row >> 1) & point).bit_count() % 2 == row & 1 for row in event)
            for event in events
        )
        for point in range(16)
    ]
    assert union_share(events, 4, seed=1).ratio == pytest.approx(sum(points) / 16)
    # The same in a space too wide to count: four of the unknowns matter.
    wide = union_share(events, 40, seed=1)
    assert wide.ratio == pytest.approx(sum(points) / 16)
    assert wide.method in ("independent", "inclusion")


def test_union_of_too_many_events_is_sampled_with_an_interval() -> None:
    random = np.random.default_rng(2)
    events = [tuple(int(one) << 1 for one in random.integers(1, 1 << 30, 3)) for _ in range(40)]
    share = union_share(events, 30, seed=1, samples=20_000)
    again = union_share(events, 30, seed=1, samples=20_000)
    assert share.method == "sampled"
    assert share.samples == 20_000
    assert share.low < share.ratio < share.high
    assert share == again
