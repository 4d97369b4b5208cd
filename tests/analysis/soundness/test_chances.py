"""Chances of windows in a row, against every row of frames of small links."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings

from busplay.analysis.soundness.chances import confirm_frames, pass_chances, pattern_of
from busplay.analysis.soundness.frame_space import FrameSpace, sent_frames
from busplay.description.link import CheckFraming, Link, MarkerFraming
from busplay.link.layout import FrameLayout
from busplay.link.load import load_link
from tests.analysis.soundness.small_links import small_links
from tests.naive import soundness as naive


@settings(deadline=None, max_examples=40, suppress_health_check=[HealthCheck.too_slow])
@given(small_links(payload_bits=4, framings=("check", "confirm"), with_sequence=False, counts=2))
def test_runs_of_right_windows_are_as_likely_as_among_all_rows_of_frames(link: Link) -> None:
    layout = FrameLayout(link)
    chances = pass_chances(layout, pattern_of(layout, "busy", idle_every=None))
    windows = confirm_frames(layout) + 1
    for offset in range(layout.frame_symbols):
        counts, rows = naive.runs_that_pass(link, offset, windows)
        ratios = [count / row for count, row in zip(counts, rows, strict=True)]
        found = np.cumprod(chances.run[offset])
        if isinstance(link.framing, MarkerFraming):
            # The idle frame is right by itself even where its check is not: a rare window.
            rare = 2.0 ** -len(sent_frames(layout).basis)
            assert found == pytest.approx(ratios, abs=rare)
        else:
            assert found == pytest.approx(ratios)


def test_frames_are_drawn_from_all_that_a_sender_can_send() -> None:
    layout = FrameLayout(load_link("lean"))
    frames = sent_frames(layout)
    assert len(frames.basis) == 28
    words = frames.sample(1_000, np.random.default_rng(1))
    assert layout.is_right(words).all()
    assert 480 < np.bitwise_count(words).mean() / 32 * 1_000 < 520
    registers = sent_frames(layout, fixed={"space": 2}).sample(10, np.random.default_rng(1))
    assert (registers >> np.uint64(30) == 2).all()


def test_fields_that_contradict_a_constant_leave_no_frame() -> None:
    layout = FrameLayout(load_link("marked"))
    with pytest.raises(ValueError, match="no frame of link marked has"):
        sent_frames(layout, fixed={"flag": 1})


def test_idle_link_has_chances_of_zero_and_one() -> None:
    layout = FrameLayout(load_link("guarded"))
    chances = pass_chances(layout, pattern_of(layout, "idle", idle_every=None))
    assert chances.places == 8
    assert chances.run[0].tolist() == [1.0] * 7
    assert not chances.run[1:].any()


def test_two_random_windows_in_a_row_never_pass_one_symbol_off_the_guarded_frame() -> None:
    layout = FrameLayout(load_link("guarded"))
    chances = pass_chances(layout, pattern_of(layout, "busy", idle_every=None))
    assert chances.run[1, 0] == chances.run[7, 0] == 2.0**-8
    assert chances.run[1, 1] == chances.run[7, 1] == 0
    assert (chances.run[2:7] == 2.0**-8).all()
    words = sent_frames(layout).sample(400_000, np.random.default_rng(3))
    read = (words[:-1] << np.uint64(5) | words[1:] >> np.uint64(35)) & np.uint64((1 << 40) - 1)
    right = layout.is_right(read)
    assert 1_300 < right.sum() < 1_830
    assert not (right[1:] & right[:-1]).any()


def test_marker_of_an_idle_slot_is_seen_once_a_round() -> None:
    layout = FrameLayout(load_link("marked"))
    chances = pass_chances(layout, pattern_of(layout, "busy", idle_every=3))
    assert chances.places == 12
    assert chances.run[:, 0].tolist() == [0.0] * 8 + [1.0] + [0.0] * 3
    assert chances.right[8] == 1


def test_confirming_frames_of_each_framing() -> None:
    lean = load_link("lean")
    assert confirm_frames(FrameLayout(replace(lean, framing=CheckFraming(3, 7)))) == 3
    assert confirm_frames(FrameLayout(load_link("marked"))) == 0


def test_space_of_one_word_gives_that_word() -> None:
    assert FrameSpace(5).sample(3, np.random.default_rng(1)).tolist() == [5, 5, 5]
