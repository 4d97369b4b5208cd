"""Margins and blame."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from busplay.capture.blame import LaneBlame, lane_masks
from busplay.capture.eye import LaneEye, lane_eye
from busplay.link.layout import FrameLayout
from busplay.link.load import load_link
from tests.receiver.wires import random_words


def eye_of(counts: NDArray[np.int64], *, period_ps: int = 12_800) -> LaneEye:
    return lane_eye(counts, wire="lane0", signal="d0", sample_at_ps=0, period_ps=period_ps)


def test_margins_are_rounded_to_the_safe_side() -> None:
    counts = np.zeros(256, np.int64)
    counts[84] = 5  # from 44 to 43 bins before the moment
    counts[164] = 7  # from 36 to 37 bins after it
    eye = eye_of(counts)
    assert (eye.setup_ps, eye.hold_ps) == (4_300, 3_600)


def test_one_change_in_a_thousand_does_not_speak_for_the_usual_margin() -> None:
    counts = np.zeros(256, np.int64)
    counts[84] = 5_000
    counts[127] = 2
    eye = eye_of(counts)
    assert (eye.setup_ps, eye.usual_setup_ps) == (0, 4_300)
    assert (eye.hold_ps, eye.usual_hold_ps) == (None, None)


def test_the_eye_in_characters_shows_single_changes_and_the_moment() -> None:
    counts = np.zeros(256, np.int64)
    counts[0] = 1_000
    counts[255] = 1
    assert eye_of(counts).text(16) == "@       |       ."


@pytest.mark.parametrize("name", ["guarded", "lean", "strobed", "serial"])
@given(st.data())
def test_a_single_wrong_bit_is_blamed_on_its_lane_or_on_none(
    name: str, data: st.DataObject
) -> None:
    layout = FrameLayout(load_link(name))
    random = np.random.default_rng(data.draw(st.integers(0, 2**32 - 1)))
    words = random_words(layout, 5, random)
    place = data.draw(st.integers(0, layout.frame_bits - 1))
    wrong = words ^ np.uint64(1 << place)
    lane = next(n for n, mask in enumerate(lane_masks(layout)) if int(mask) >> place & 1)
    blamed = set(LaneBlame(layout).lanes(wrong).tolist())
    assert blamed <= {0, 1 << lane}
    if name == "guarded":
        assert blamed == {1 << lane}


def test_what_an_idle_frame_has_wrong_is_known_bit_for_bit() -> None:
    layout = FrameLayout(load_link("guarded"))
    # Bits 39 and 34 are the first of the first two symbols, on lane 4; bit 0 is on lane 0.
    wrong = layout.idle_word ^ (1 << 39 | 1 << 0)
    assert LaneBlame(layout).lanes(np.array([wrong], np.uint64)).tolist() == [0b10001]


def test_masks_of_lanes_share_a_frame_out() -> None:
    layout = FrameLayout(load_link("guarded"))
    masks = [int(mask) for mask in lane_masks(layout)]
    assert sum(masks) == (1 << 40) - 1
    assert masks[4] == 0x8421084210
