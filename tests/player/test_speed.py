from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busplay.errors import InputError
from busplay.player.playable import Status
from busplay.player.speed import parse_speed, speed_text
from busplay.units import Ratio


@pytest.mark.parametrize(
    ("text", "speed", "shown"),
    [
        ("1", Ratio.of(1, 1), "1×"),
        ("16", Ratio.of(16, 1), "16×"),
        ("1/8", Ratio.of(1, 8), "1/8×"),
        ("0.25", Ratio.of(1, 4), "1/4×"),
        ("1.5", Ratio.of(3, 2), "3/2×"),
        (" max ", None, "as fast as possible"),
    ],
)
def test_speed_is_parsed(text: str, speed: Ratio | None, shown: str) -> None:
    assert parse_speed(text) == speed
    assert speed_text(speed) == shown


@pytest.mark.parametrize("text", ["", "0", "0/3", "1/0", "-1", "1/2/3", "fast", "1e3", "٣"])
def test_other_speeds_are_refused(text: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_speed(text)
    assert str(caught.value) == (
        f"speed: found {text!r}; give a ratio such as 2, 1/4 or 0.25, or max"
    )


@given(st.text(max_size=12))
def test_any_text_is_a_speed_or_an_input_error(text: str) -> None:
    try:
        parse_speed(text)
    except InputError:
        return


@pytest.mark.parametrize(
    ("frames", "slots", "permille"),
    [(0, 0, 0), (1, 2, 500), (1, 3, 333), (2, 3, 667), (7, 7, 1000)],
)
def test_link_use_is_frames_by_slots_rounded(frames: int, slots: int, permille: int) -> None:
    status = Status(
        cycle=0,
        clock_hz=1,
        frames=frames,
        frames_in_last_span=frames,
        slots_in_last_span=slots,
    )
    assert status.link_use_permille == permille
