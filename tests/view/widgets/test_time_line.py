from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busplay.view import theme
from busplay.view.widgets.box import Box
from busplay.view.widgets.drawing import Bitmap, Fill
from busplay.view.widgets.time_line import (
    SPAN_MIN_EDGES,
    Band,
    Flag,
    FrameBlock,
    TimeLine,
    TimeView,
    draw_here,
    draw_time_line,
    track_box,
)
from tests.view.widgets.look import LOOK, hot_of, overlapping, texts

BOX = Box(0, 100, 1000, 160)
NAMES = ("link use", "losses", "frames", "marks")
WHOLE = TimeView.whole(0, 1_000_000)


@given(
    st.integers(0, 10**12),
    st.integers(1, 10**12),
    st.lists(st.tuples(st.integers(0, 10**12), st.integers(-3, 3)), max_size=8),
)
def test_view_stays_within_the_recording_whatever_is_done(begin, length, moves) -> None:
    view = TimeView.whole(begin, begin + length)
    whole = max(length, SPAN_MIN_EDGES)
    for number, way in moves:
        edge = begin + number % length
        wider, narrower = (3, 2) if way > 0 else (2, 3)
        view = view.zoomed(edge, wider=wider, narrower=narrower)
        assert begin <= view.first_edge < view.stop_edge <= begin + whole
        view = view.moved(way * number).following(edge)
        assert begin <= view.first_edge < view.stop_edge <= begin + whole
        assert view.first_edge <= edge <= view.stop_edge
        assert SPAN_MIN_EDGES <= view.span_edges <= whole


@given(st.integers(0, 999), st.integers(1, 30))
def test_zooming_keeps_the_edge_under_the_mouse(x, times) -> None:
    box = Box(0, 0, 1000, 10)
    view = WHOLE
    edge = view.edge_at(x, box)
    for _ in range(times):
        view = view.zoomed(edge, wider=2, narrower=3)
    if view.first_edge > 0 and view.stop_edge < view.end_edge:
        assert abs(view.x_of(edge, box) - x) <= times + 2 * 1000 // view.span_edges


def test_zooming_in_and_out_comes_back_to_the_whole() -> None:
    view = WHOLE
    for _ in range(40):
        view = view.zoomed(300_000, wider=2, narrower=3)
    assert view.span_edges == SPAN_MIN_EDGES
    for _ in range(60):
        view = view.zoomed(300_000, wider=3, narrower=2)
    assert view == WHOLE
    assert view.shows_whole


def test_who_saw_the_whole_recording_sees_it_after_it_has_grown() -> None:
    assert WHOLE.grown(0, 2_000_000) == TimeView.whole(0, 2_000_000)
    part = WHOLE.on(100, 200).grown(50, 2_000_000)
    assert (part.first_edge, part.stop_edge) == (100, 200)
    dropped = WHOLE.on(100, 200).grown(150, 2_000_000)
    assert (dropped.first_edge, dropped.stop_edge) == (150, 250)


def test_position_that_leaves_the_view_turns_a_page() -> None:
    part = WHOLE.on(100_000, 200_000)
    assert part.following(150_000) is part
    assert part.following(205_000).first_edge == 190_000
    assert part.following(700_000).first_edge == 650_000
    assert part.following(10).first_edge == 0


@pytest.mark.parametrize("x", [0, 1, 499, 999])
def test_column_and_edge_agree(x: int) -> None:
    box = Box(30, 0, 1000, 10)
    edge = WHOLE.edge_at(30 + x, box)
    assert WHOLE.x_of(edge, box) == 30 + x
    assert WHOLE.edge_at(-500, box) == 0
    assert WHOLE.edge_at(5000, box) == 1_000_000


def line_of(view: TimeView = WHOLE, **options) -> TimeLine:
    track = track_box(BOX, LOOK, NAMES)
    values = np.zeros(track.width)
    values[10] = 1.0
    values[20] = 0.001
    return TimeLine(
        view=view,
        loop=options.get("loop"),
        bands=(
            Band("link use", values, 1.0, theme.BAND_USE),
            Band("losses", values, 1.0, theme.BAND_LOSS),
        ),
        flags=options.get("flags", ()),
        frames=options.get("frames", ()),
        lane_names=("lane 0", "lane 1"),
        time_of=lambda edge: f"{options.get('time_of', int)(edge)}",
        tick_edges=options.get("tick_edges", 250_000),
        zero_edge=options.get("zero_edge", 0),
    )


def drawn(line: TimeLine, box: Box = BOX):
    return draw_time_line(line, box, LOOK, action="time", names=NAMES)


def test_bands_have_their_names_and_whatever_is_rare_is_seen() -> None:
    drawing = drawn(line_of())
    assert {"link use", "losses", "marks", "0", "250000", "500000", "750000"} == set(texts(drawing))
    assert not overlapping(drawing)
    use, losses = (one for one in drawing.commands if isinstance(one, Bitmap))
    assert use.indexes[:, 10].all()
    assert use.indexes[:, 20].sum() == 1
    assert not use.indexes[:, 11].any()
    assert use.box.bottom <= losses.box.top
    assert hot_of(drawing, "time").box == track_box(BOX, LOOK, NAMES)


def test_ruler_has_no_ticks_before_cycle_0() -> None:
    # The ruler of a trace without frames told 0:00.000 five times.
    def ticks(zero_edge: int) -> list[str]:
        drawing = drawn(line_of(zero_edge=zero_edge, time_of=lambda edge: edge - zero_edge))
        return [text for text in texts(drawing) if text.lstrip("-").isdigit()]

    assert ticks(400_000) == ["0", "250000", "500000"]
    assert len(ticks(WHOLE.end_edge)) == 1


def test_flags_are_shortened_before_the_next_and_can_be_clicked() -> None:
    flags = (
        Flag(100_000, "a note that is much too long for the room", theme.MARK, "one"),
        Flag(160_000, "two", theme.MARK, "two"),
    )
    drawing = drawn(line_of(flags=flags))
    assert not overlapping(drawing)
    assert any(text.startswith("a n") and text.endswith("…") for text in texts(drawing))
    assert hot_of(drawing, "one").tip == flags[0].text
    assert hot_of(drawing, "two").box.left > hot_of(drawing, "one").box.left


def test_flags_outside_the_view_are_left_out() -> None:
    flags = (Flag(900_000, "late", theme.MARK, "late"),)
    assert "late" not in texts(drawn(line_of(WHOLE.on(0, 1000), flags=flags, tick_edges=100)))


def test_loop_has_its_two_ends_in_the_view() -> None:
    track = track_box(BOX, LOOK, NAMES)
    drawing = drawn(line_of(loop=(250_000, 500_000)))
    lines = [one.box for one in drawing.commands if isinstance(one, Fill)]
    columns = [box.left for box in lines if box.width == 1 and box.height > 100]
    assert columns == [track.left + track.width // 4, track.left + track.width // 2 - 1]


def frames_of(count: int) -> tuple[FrameBlock, ...]:
    levels = (0, 1, 1, 0, 0, 0, 1, 1)
    return tuple(
        FrameBlock(
            8 * n,
            8 * n + 8,
            (("address", "4000"), ("data", f"{n:02X}")),
            (levels, levels[::-1]),
            theme.BAND_USE,
            f"frame {n}",
        )
        for n in range(count)
    )


def test_few_frames_stand_as_blocks_with_their_fields_and_lanes() -> None:
    view = TimeView.whole(0, 1_000_000).on(0, 32)
    drawing = drawn(line_of(view, frames=frames_of(4), tick_edges=16))
    assert "address 4000  data 02" in texts(drawing)
    assert {"lane 0", "lane 1"} <= set(texts(drawing))
    assert hot_of(drawing, "frame 3").tip.splitlines()[1:] == ["address 4000, data 03"]
    assert not overlapping(drawing)


def test_more_frames_stand_as_blocks_without_lanes_and_with_values_alone() -> None:
    view = TimeView.whole(0, 1_000_000).on(0, 128)
    drawing = drawn(line_of(view, frames=frames_of(16), tick_edges=16))
    assert "4000 02" in texts(drawing)
    assert "lane 0" not in texts(drawing)


def test_position_is_drawn_where_it_is_seen_only() -> None:
    track = track_box(BOX, LOOK, NAMES)
    line = draw_here(WHOLE, 500_000, BOX, LOOK, names=NAMES).commands[0]
    assert isinstance(line, Fill)
    assert line.box.left == track.left + track.width // 2
    assert draw_here(WHOLE.on(0, 100), 500_000, BOX, LOOK, names=NAMES).commands == []


@pytest.mark.parametrize("height", [0, 5, 20, 40, 80, 120, 400])
@pytest.mark.parametrize("width", [0, 30, 100, 320, 3000])
def test_time_line_of_any_size_stays_in_its_box(width: int, height: int) -> None:
    box = Box(0, 0, width, height)
    track = track_box(box, LOOK, NAMES)
    values = np.zeros(max(0, track.width))
    line = TimeLine(
        WHOLE, None, (Band("losses", values, 1.0, theme.BAND_LOSS),) * 5, (), (), (), str, 250_000
    )
    for one in draw_time_line(line, box, LOOK, action="time", names=NAMES).commands:
        if isinstance(one, Bitmap):
            assert one.box.bottom <= box.bottom
            assert one.indexes.shape == (one.box.height, one.box.width)
