"""The time line: a recording from its first edge to its last, at any zoom.

How to think about it. Time is in link edges, on which frames and symbols stand. A `TimeView` says
which stretch is seen, and does all that zooming and dragging do; it is a value, and knows no pixels
but the width that it is asked about. What stands in the stretch comes as bands of figures, one a
column; zoomed far in, as frames with their fields, and then as the symbols on each lane.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from busplay.view import theme
from busplay.view.theme import Colour
from busplay.view.widgets.box import Box
from busplay.view.widgets.drawing import Clip, Drawing, Fill, Hot, Look, Outline, Polygon
from busplay.view.widgets.plot import bars

# Whatever is recorded, a stretch of this many edges can be looked at.
SPAN_MIN_EDGES = 16
FRAME_PX = 14
"""A frame that is at least so wide stands as a block of its own."""
SYMBOL_PX = 9
"""A symbol that is at least so wide stands on its lanes."""


@dataclass(frozen=True, slots=True)
class TimeView:
    """The stretch of a recording that is seen.

    Attributes:
        first_edge, stop_edge: of the stretch.
        begin_edge, end_edge: of the recording.
    """

    first_edge: int
    stop_edge: int
    begin_edge: int
    end_edge: int

    @classmethod
    def whole(cls, begin_edge: int, end_edge: int) -> TimeView:
        """See all of a recording."""
        return cls(begin_edge, max(end_edge, begin_edge + SPAN_MIN_EDGES), begin_edge, end_edge)

    @property
    def span_edges(self) -> int:
        """How much is seen."""
        return self.stop_edge - self.first_edge

    @property
    def shows_whole(self) -> bool:
        """All of the recording is seen."""
        return self.first_edge <= self.begin_edge and self.stop_edge >= self.end_edge

    def grown(self, begin_edge: int, end_edge: int) -> TimeView:
        """Return the view of a recording that has grown; who saw all of it still does."""
        if self.shows_whole:
            return TimeView.whole(begin_edge, end_edge)
        return replace(self, begin_edge=begin_edge, end_edge=end_edge)._at(
            self.first_edge, self.span_edges
        )

    def _at(self, first_edge: int, span_edges: int) -> TimeView:
        whole = max(self.end_edge - self.begin_edge, SPAN_MIN_EDGES)
        span = min(max(span_edges, SPAN_MIN_EDGES), whole)
        first = min(max(first_edge, self.begin_edge), self.begin_edge + whole - span)
        return replace(self, first_edge=first, stop_edge=first + span)

    def zoomed(self, at_edge: int, *, wider: int, narrower: int) -> TimeView:
        """Return the view with its span times `wider / narrower`; `at_edge` stays where it is."""
        span = self.span_edges * wider // narrower
        if wider > narrower:
            span = max(span, self.span_edges + 1)
        span = max(span, SPAN_MIN_EDGES)
        before = (at_edge - self.first_edge) * span // self.span_edges
        return self._at(at_edge - before, span)

    def moved(self, edges: int) -> TimeView:
        """Return the view moved by some edges, within the recording."""
        return self._at(self.first_edge + edges, self.span_edges)

    def centred(self, edge: int) -> TimeView:
        """Return the view moved so that an edge stands in its middle, as far as can be."""
        return self._at(edge - self.span_edges // 2, self.span_edges)

    def following(self, edge: int) -> TimeView:
        """Return the view moved so that an edge is seen; it turns pages, as that is calm."""
        if self.first_edge <= edge < self.stop_edge:
            return self
        page = self.span_edges * 9 // 10
        if self.stop_edge <= edge < self.stop_edge + page:
            return self.moved(page)
        return self.centred(edge)

    def on(self, first_edge: int, stop_edge: int) -> TimeView:
        """Return the view of a stretch."""
        return self._at(first_edge, stop_edge - first_edge)

    def x_of(self, edge: int, box: Box) -> int:
        """Return the column of a box in which an edge stands; it may lie outside."""
        return box.left + (edge - self.first_edge) * box.width // self.span_edges

    def edge_at(self, x: int, box: Box) -> int:
        """Return the edge that a column stands for, within the recording."""
        if box.width <= 0:
            return self.first_edge
        edge = self.first_edge + (x - box.left) * self.span_edges // box.width
        return min(max(edge, self.begin_edge), self.end_edge)


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """One band of figures.

    Attributes:
        name: stands beside it.
        values: float64[columns].
        most: the value of full height.
        colour: of its bars.
        hint: what hovering its name tells.
    """

    name: str
    values: NDArray[np.float64]
    most: float
    colour: Colour
    hint: str = ""


@dataclass(frozen=True, slots=True)
class FrameBlock:
    """A frame, where single frames are seen.

    Attributes:
        first_edge, stop_edge: its slot.
        fields: name and value of each field, as text.
        lanes: levels of each lane, one a symbol of the slot; the strobe last where there is one.
        colour: by what became of it.
        action: what a click does.
    """

    first_edge: int
    stop_edge: int
    fields: tuple[tuple[str, str], ...]
    lanes: tuple[tuple[int, ...], ...]
    colour: Colour
    action: object = None


@dataclass(frozen=True, slots=True)
class Flag:
    """A mark on the time line: somebody's note, a key, a difference."""

    edge: int
    text: str
    colour: Colour
    action: object = None


@dataclass(frozen=True, slots=True)
class TimeLine:
    """What the time line shows.

    Attributes:
        view: the stretch.
        loop: first and stop edge of the passage that is marked, or None.
        bands: from the top.
        flags: marks with notes.
        frames: where single frames are seen, those in the stretch.
        lane_names: of the frames' lanes.
        time_of: writes the time of an edge.
        tick_edges: distance of the ticks of the ruler.
        zero_edge: where one of them stands.
    """

    view: TimeView
    loop: tuple[int, int] | None
    bands: tuple[Band, ...]
    flags: tuple[Flag, ...]
    frames: tuple[FrameBlock, ...]
    lane_names: tuple[str, ...]
    time_of: Callable[[int], str]
    tick_edges: int
    zero_edge: int = 0


def names_px(look: Look, names: Sequence[str]) -> int:
    """Return the room for the names of bands, left of the time line."""
    small = look.sizes.small_px
    return max((look.measure.width(name, small) for name in names), default=0) + look.sizes.pad_px


def track_box(box: Box, look: Look, names: Sequence[str]) -> Box:
    """Return the part of the time line's box in which time runs."""
    return box.cut_left(names_px(look, names))[1].cut_right(look.sizes.pad_px)[0]


def draw_time_line(
    line: TimeLine, box: Box, look: Look, *, action: object, names: Sequence[str]
) -> Drawing:
    """Return the time line: ruler, marks, frames, bands; the position is `draw_here`.

    Args:
        line: what it shows.
        box: where; what has no room is left out from the bottom.
        look: sizes.
        action: what a press of the mouse on it does.
        names: of all bands that there may be, for the room beside them.
    """
    drawing = Drawing([Clip(box), Fill(box, theme.PANEL)])
    track = track_box(box, look, names)
    ruler, rest = track.cut_top(look.measure.height(look.sizes.small_px) + look.sizes.pad_px // 2)
    drawing.draw(Fill(Box(box.left, ruler.top, box.width, ruler.height), theme.BAR))
    if line.loop is not None:
        _draw_loop(line, ruler, drawing)
    _draw_ruler(line, ruler, look, drawing)
    flags, rest = rest.cut_top(look.measure.height(look.sizes.small_px))
    _name("marks", Box(box.left, flags.top, track.left - box.left, flags.height), look, drawing)
    if line.frames:
        rest = _draw_frames(line, rest, box, look, drawing)
    gap = 2
    if line.bands:
        height = min(3 * look.line_px, (rest.height - gap) // len(line.bands) - gap)
        shown = line.bands
        least = look.measure.height(look.sizes.small_px)
        if height < least:
            # A band without its name says nothing, so rather fewer of them.
            height = least
            shown = line.bands[: max(0, (rest.height - gap) // (least + gap))]
        top = rest.top + gap
        for band in shown:
            place = Box(track.left, top, track.width, height)
            drawing.draw(
                bars(
                    band.values, place, most=band.most, ground=theme.BACKGROUND, colour=band.colour
                )
            )
            beside = Box(box.left, top, track.left - box.left, height)
            _name(band.name, beside, look, drawing, tip=band.hint)
            top += height + gap
    if line.loop is not None:
        _draw_loop_ends(line, track, drawing)
    drawing.heat(Hot(track, action, cursor="arrow"))
    _draw_flags(line, flags, track, look, drawing)
    return drawing.draw(Clip(None))


def _name(name: str, box: Box, look: Look, drawing: Drawing, *, tip: str = "") -> None:
    if box.height < look.measure.height(look.sizes.small_px):
        return
    inner = box.cut_left(look.sizes.pad_px // 2)[1]
    drawing.draw(look.words(name, inner, theme.DIM, theme.PANEL, small=True))
    if tip:
        drawing.heat(Hot(box, None, tip, cursor="arrow"))


def _draw_loop(line: TimeLine, ruler: Box, drawing: Drawing) -> None:
    assert line.loop is not None
    first = max(ruler.left, line.view.x_of(line.loop[0], ruler))
    stop = min(ruler.right, line.view.x_of(line.loop[1], ruler))
    if stop > first:
        drawing.draw(Fill(Box(first, ruler.bottom - 4, stop - first, 4), theme.PAUSED))


def _draw_loop_ends(line: TimeLine, track: Box, drawing: Drawing) -> None:
    """Draw a line over all bands where the loop begins, and one where it ends."""
    assert line.loop is not None
    for edge, shift in zip(line.loop, (0, -1), strict=True):
        x = line.view.x_of(edge, track) + shift
        if track.left <= x < track.right:
            drawing.draw(Fill(Box(x, track.top, 1, track.height), theme.PAUSED))


def _draw_ruler(line: TimeLine, ruler: Box, look: Look, drawing: Drawing) -> None:
    view, tick = line.view, max(1, line.tick_edges)
    small = look.sizes.small_px
    edge = -(-(view.first_edge - line.zero_edge) // tick) * tick + line.zero_edge
    # Before cycle 0 there is no time to tell: one tick for a stretch that ends there.
    if line.zero_edge >= view.stop_edge:
        edge, tick = view.first_edge, view.span_edges
    else:
        edge = max(edge, line.zero_edge)
    free = ruler.left
    while edge < view.stop_edge:
        x = view.x_of(edge, ruler)
        drawing.draw(Fill(Box(x, ruler.bottom - 4, 1, 4), theme.DIM))
        text = line.time_of(edge)
        width = look.measure.width(text, small)
        if x >= free and x + 3 + width <= ruler.right:
            place = Box(x + 3, ruler.top, width, ruler.height)
            drawing.draw(look.words(text, place, theme.DIM, theme.BAR, small=True))
            free = x + width + look.sizes.pad_px
        edge += tick


def _draw_flags(line: TimeLine, row: Box, track: Box, look: Look, drawing: Drawing) -> None:
    small = look.sizes.small_px
    shown = [
        (min(line.view.x_of(flag.edge, track), track.right - 2), flag)
        for flag in line.flags
        if line.view.first_edge <= flag.edge <= line.view.stop_edge
    ]
    for number, (x, flag) in enumerate(shown):
        drawing.draw(Fill(Box(x, row.top, 2, row.height), flag.colour))
        room = (shown[number + 1][0] if number + 1 < len(shown) else track.right) - x - 8
        text = look.measure.shortened(flag.text, small, room) if room > 2 * small else ""
        if text:
            place = Box(x + 5, row.top, room, row.height)
            drawing.draw(look.words(text, place, flag.colour, theme.PANEL, small=True))
        width = 5 + (look.measure.width(text, small) if text else 0)
        drawing.heat(Hot(Box(x - 2, row.top, width + 2, row.height), flag.action, flag.text))


def draw_here(view: TimeView, edge: int, box: Box, look: Look, *, names: Sequence[str]) -> Drawing:
    """Return the present position: a line over all bands, with a handle on the ruler.

    It is apart from the rest, since it moves with every picture and the rest stands still.
    """
    drawing = Drawing()
    if not view.first_edge <= edge <= view.stop_edge or not box.height:
        return drawing
    track = track_box(box, look, names)
    top = track.top + look.measure.height(look.sizes.small_px) + look.sizes.pad_px // 2
    x = min(view.x_of(edge, track), track.right - 1)
    half = max(4, look.sizes.text_px // 3)
    return drawing.draw(
        Fill(Box(x, top, 1, track.bottom - top), theme.TEXT),
        Polygon(((x - half, top - half), (x + half, top - half), (x, top + 1)), theme.TEXT),
    )


# -- single frames


def _draw_frames(line: TimeLine, rest: Box, box: Box, look: Look, drawing: Drawing) -> Box:
    """Draw frames as blocks, and their lanes if there is room; return the room below."""
    view = line.view
    track = rest
    widest = max(
        view.x_of(one.stop_edge, track) - view.x_of(one.first_edge, track) for one in line.frames
    )
    symbols = len(line.frames[0].lanes[0]) if line.frames[0].lanes else 1
    shows_lanes = widest >= SYMBOL_PX * symbols
    frames_px = look.row_px
    lane_px = look.measure.height(look.sizes.small_px)
    row, below = rest.cut_top(frames_px)
    _name("frames", Box(box.left, row.top, track.left - box.left, row.height), look, drawing)
    for frame in line.frames:
        first = max(track.left, view.x_of(frame.first_edge, track))
        stop = min(track.right, view.x_of(frame.stop_edge, track))
        if stop - first < 2:
            continue
        block = Box(first, row.top + 1, stop - first - 1, row.height - 2)
        drawing.draw(Fill(block, theme.CONTROL), Outline(block, frame.colour))
        _draw_fields(frame, block, look, drawing)
        fields = ", ".join(f"{name} {value}".strip() for name, value in frame.fields)
        drawing.heat(Hot(block, frame.action, f"{line.time_of(frame.first_edge)}\n{fields}"))
    if not shows_lanes:
        return below
    lanes = len(line.frames[0].lanes)
    if below.height < lanes * lane_px:
        lane_px = max(5, below.height // max(1, lanes))
    for number in range(lanes):
        lane, below = below.cut_top(lane_px)
        if lane.height < 4:
            break
        if number < len(line.lane_names):
            beside = Box(box.left, lane.top, track.left - box.left, lane.height)
            _name(line.lane_names[number], beside, look, drawing)
        for frame in line.frames:
            _draw_lane(frame, number, lane, track, view, drawing)
    return below


def _draw_fields(frame: FrameBlock, block: Box, look: Look, drawing: Drawing) -> None:
    """Write the fields into a block: names and values, values alone, or as many as fit."""
    size, pad = look.sizes.small_px, 3
    room = block.width - 2 * pad
    full = "  ".join(f"{name} {value}" for name, value in frame.fields)
    short = " ".join(value for _, value in frame.fields)
    for text in (full, short):
        if look.measure.width(text, size) <= room:
            break
    else:
        text = look.measure.shortened(short, size, room)
    if text and text != "…":
        inner = Box(block.left + pad, block.top, room, block.height)
        drawing.draw(look.words(text, inner, theme.TEXT, theme.CONTROL, small=True))


def _draw_lane(
    frame: FrameBlock, number: int, lane: Box, track: Box, view: TimeView, drawing: Drawing
) -> None:
    levels = frame.lanes[number]
    span = frame.stop_edge - frame.first_edge
    high, low = lane.top + 2, lane.bottom - 2
    before = None
    for i, level in enumerate(levels):
        left = view.x_of(frame.first_edge + i * span // len(levels), track)
        right = view.x_of(frame.first_edge + (i + 1) * span // len(levels), track)
        left, right = max(left, track.left), min(right, track.right)
        if right <= left:
            before = level
            continue
        y = high if level else low
        drawing.draw(Fill(Box(left, y, right - left + 1, 1), frame.colour))
        if before is not None and before != level:
            drawing.draw(Fill(Box(left, high, 1, low - high + 1), frame.colour))
        before = level
