"""Probabilities of windows in a row, against every row of frames of small links."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings

from busplay.analysis.soundness.frame_space import idle_frame, sent_frames
from busplay.analysis.soundness.passing import confirm_frames, pass_probabilities
from busplay.analysis.soundness.traffic import Traffic, TrafficKind, pattern_of
from busplay.description.link import CheckFraming, Link, MarkerFraming
from busplay.link.layout import FrameLayout
from busplay.link.load import load_link
from tests.analysis.soundness.small_links import sample, small_links
from tests.naive import soundness as naive


@settings(deadline=None, max_examples=40, suppress_health_check=[HealthCheck.too_slow])
@given(small_links(payload_bits=4, framings=("check", "confirm"), with_sequence=False, counts=2))
def test_runs_of_right_windows_are_as_likely_as_among_all_rows_of_frames(link: Link) -> None:
    layout = FrameLayout(link)
    passing = pass_probabilities(layout, [sent_frames(layout)])
    windows = confirm_frames(layout) + 1
    for offset in range(layout.frame_symbols):
        counts, rows = naive.runs_that_pass(link, offset, windows)
        ratios = [count / row for count, row in zip(counts, rows, strict=True)]
        found = np.cumprod(passing.run[offset])
        if isinstance(link.framing, MarkerFraming):
            # The idle frame is right by itself even where its check is not: a rare window.
            rare = 2.0 ** -len(sent_frames(layout).basis)
            assert found == pytest.approx(ratios, abs=rare)
        else:
            assert found == pytest.approx(ratios)


def test_frames_are_drawn_from_all_that_a_sender_can_send() -> None:
    layout = FrameLayout(load_link("lean"))
    frames = sent_frames(layout)
    # Of the space only memory and registers are sent, which leaves one free bit of two.
    assert len(frames.basis) == 27
    words = sample(frames, 1_000, np.random.default_rng(1))
    assert layout.is_valid(words).all()
    assert set((words >> np.uint64(30)).tolist()) == {1, 2}
    registers = sample(sent_frames(layout, fixed={"space": 2}), 10, np.random.default_rng(1))
    assert (registers >> np.uint64(30) == 2).all()


def test_fields_that_contradict_a_constant_leave_no_frame() -> None:
    layout = FrameLayout(load_link("marked"))
    with pytest.raises(ValueError, match="no frame of link marked has"):
        sent_frames(layout, fixed={"flag": 1})


def test_idle_link_has_probabilities_of_zero_and_one() -> None:
    layout = FrameLayout(load_link("guarded"))
    passing = pass_probabilities(layout, [idle_frame(layout)])
    assert passing.places == 8
    assert passing.run[0].tolist() == [1.0] * 7
    assert not passing.run[1:].any()


def test_slots_of_a_round_count_as_a_sender_counts() -> None:
    layout = FrameLayout(replace(load_link("guarded"), idle_every=3))
    slots = pattern_of(layout, Traffic("random words", TrafficKind.RANDOM))
    assert slots is not None
    # Two frames and an idle one, until the sixteen numbers have all been.
    assert len(slots) == 24
    numbers = [
        int(layout.unpack_field(np.array([one.base], np.uint64), "sequence")[0]) for one in slots
    ]
    assert [one for index, one in enumerate(numbers) if index % 3 != 2] == list(range(16))
    assert all(not one.basis for one in slots[2::3])


def test_marker_of_an_idle_slot_is_seen_once_a_round() -> None:
    layout = FrameLayout(load_link("marked"))
    passing = pass_probabilities(layout, [sent_frames(layout)] * 2 + [idle_frame(layout)])
    assert passing.places == 12
    assert passing.run[:, 0].tolist() == [0.0] * 8 + [1.0] + [0.0] * 3
    assert passing.right[8] == 1


def test_confirming_frames_of_each_framing() -> None:
    lean = load_link("lean")
    assert confirm_frames(FrameLayout(replace(lean, framing=CheckFraming(3, 7)))) == 3
    assert confirm_frames(FrameLayout(load_link("marked"))) == 0
