"""Idle frames, and payloads that imitate the marker, against every frame of small links."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import pytest
from hypothesis import HealthCheck, given, settings

from busplay.analysis.soundness.idle import MEETINGS, idle_facts, marker_facts
from busplay.description.link import Link
from busplay.link.layout import FrameLayout
from busplay.link.load import load_link
from tests.analysis.soundness.small_links import small_links
from tests.boards import with_xor
from tests.naive import soundness as naive

SLOW = settings(deadline=None, max_examples=40, suppress_health_check=[HealthCheck.too_slow])


def neighbours(link: Link, meeting: str) -> list[tuple[int, int]]:
    kinds = {"idle": [naive.idle_word(link)], "frame": naive.words(link)}
    first, second = meeting.split(", ")
    return list(product(kinds[first], kinds[second]))


@SLOW
@given(small_links(payload_bits=5, framings=("check", "confirm", "unique")))
def test_every_wrong_offset_looks_right_as_often_as_among_all_neighbours(link: Link) -> None:
    found = idle_facts(FrameLayout(link))
    assert found is not None
    right = naive.valid_words(link)
    for one in found.offsets:
        for meeting in MEETINGS:
            pairs = neighbours(link, meeting)
            count = sum(naive.window(link, *pair, one.offset) in right for pair in pairs)
            assert one.valid_ratio[meeting] == pytest.approx(count / len(pairs)), meeting
    idle = naive.idle_word(link)
    passing = [
        offset
        for offset in range(1, link.frame_bits // link.lanes)
        if naive.window(link, idle, idle, offset) in right
    ]
    assert list(found.passing_rotations) == passing


@SLOW
@given(small_links(payload_bits=5, framings=("confirm", "unique")))
def test_imitations_are_those_that_some_neighbours_show(link: Link) -> None:
    found = marker_facts(FrameLayout(link))
    assert found is not None
    right = naive.valid_words(link)
    expected = {}
    for offset, meeting in product(range(1, link.frame_bits // link.lanes), MEETINGS):
        pairs = neighbours(link, meeting)
        windows = [naive.window(link, *pair, offset) for pair in pairs]
        count = sum(one in right and naive.shows_marker(link, one) for one in windows)
        if count:
            expected[offset, meeting] = count / len(pairs)
    assert {(one.offset, one.meeting): one.ratio for one in found.imitations} == pytest.approx(
        expected
    )


def test_shipped_marker_is_imitated_by_nothing() -> None:
    found = marker_facts(FrameLayout(load_link("marked")))
    assert found is not None
    assert found.is_unique
    assert not found.imitations


def test_marker_without_a_guard_names_the_payloads_that_imitate_it() -> None:
    link = load_link("marked")
    # Without the constant flag the address and the data can hold what the marker is.
    fields = tuple(replace(one, value=None) for one in link.fields)
    framing = replace(link.framing, symbols=(0x80,))
    found = marker_facts(FrameLayout(replace(link, fields=fields, framing=framing)))
    assert found is not None
    assert not found.is_unique
    ways = [(one.offset, one.meeting) for one in found.imitations]
    assert ways == list(product((1, 2, 3), ("frame, idle", "frame, frame")))
    first = found.imitations[0]
    assert first.ratio == 1 / 256
    assert "address $80" in first.example
    assert first.example.endswith(" then the idle frame")


def test_strobe_sends_no_idle_frames() -> None:
    assert idle_facts(FrameLayout(load_link("serial"))) is None
    assert marker_facts(FrameLayout(load_link("lean"))) is None


def test_guarded_idle_meets_frames_unlike_random_ones() -> None:
    found = idle_facts(FrameLayout(load_link("guarded")))
    assert found is not None
    assert found.passing_rotations == ()
    assert found.offsets[0].valid_ratio == {
        "idle, idle": 0,
        "idle, frame": 0,
        "frame, idle": 0,
        "frame, frame": 0,
    }


def test_idle_link_holds_a_receiver_unless_the_marker_shows_the_place_each_time() -> None:
    link = load_link("marked")
    fields = tuple(replace(one, value=None) for one in link.fields)
    marked = idle_facts(FrameLayout(replace(link, fields=fields)))
    assert marked is not None
    # No check: each rotation looks valid, but each idle frame shows where it begins.
    assert marked.passing_rotations == (1, 2, 3)
    assert marked.holding_rotations == ()
    bare = idle_facts(FrameLayout(with_xor(load_link("lean"), 0)))
    assert bare is not None
    assert bare.holding_rotations == bare.passing_rotations == (1, 2, 3, 4, 5, 6, 7)
