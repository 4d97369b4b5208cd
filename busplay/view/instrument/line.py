"""The time line's panel: from a recording's sums to the widget."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from busplay.player.inspector import FrameRow, Inspector, TimeSums
from busplay.player.marks import Mark
from busplay.view import theme
from busplay.view.instrument.actions import DragTime, GoToEdge, GoToFrame
from busplay.view.instrument.timing import EdgeTimes
from busplay.view.widgets.box import Box
from busplay.view.widgets.drawing import Drawing, Look
from busplay.view.widgets.time_line import (
    FRAME_PX,
    Band,
    Flag,
    FrameBlock,
    TimeLine,
    TimeView,
    draw_time_line,
    track_box,
)

USE, CHANGED, LOSSES, FIFO, KEYS = "link use", "changed", "losses", "FIFO", "keys"
NAMES = (USE, CHANGED, LOSSES, FIFO, KEYS, "frames", "marks", "lane 0")
"""Everything that may stand beside the time line."""

HINTS = {
    USE: "slots that carried a frame; full height is all of them",
    CHANGED: "bytes that changed something; full height is the most in this stretch",
    LOSSES: "stores lost or damaged, by cause; hover the band for figures",
    FIFO: "the most frames that the receiver's FIFO held",
    KEYS: "keys that were pressed",
}


@dataclass(frozen=True, slots=True)
class LinePanel:
    """What the time line is drawn from.

    Attributes:
        view: the stretch.
        loop: first and stop edge, or None.
        marks: with their edges.
        differences: edges at which the recording differs from the one that was expected.
        errors: how many there are; more of them make new sums.
        version: of the recording; more of it makes new sums.
        is_thin: the ruler and marks only, under the screens alone.
    """

    view: TimeView
    loop: tuple[int, int] | None
    marks: tuple[tuple[int, Mark], ...]
    differences: tuple[tuple[int, str], ...]
    errors: int
    version: int
    is_thin: bool


class LineSums:
    """The sums of the stretch that is seen, asked for once as long as nothing changes."""

    def __init__(self, inspector: Inspector) -> None:
        self._inspector = inspector
        self._key: tuple[object, ...] = ()
        self._sums: TimeSums | None = None

    def of(self, panel: LinePanel, columns: int) -> TimeSums:
        """Return the sums of a stretch, one a column."""
        view = panel.view
        grown = min(view.stop_edge, self._inspector.end_edge)
        key = (view.first_edge, view.stop_edge, columns, grown, panel.errors, panel.version)
        if self._sums is None or key != self._key:
            self._sums = self._inspector.sums(view.first_edge, view.stop_edge, max(1, columns))
            self._key = key
        return self._sums


def draw_line_panel(
    panel: LinePanel, inspector: Inspector, sums: LineSums, times: EdgeTimes, box: Box, look: Look
) -> Drawing:
    """Return the time line of a recording."""
    track = track_box(box, look, NAMES)
    tick_px = 2 * look.measure.width("0:00.000 000", look.sizes.small_px)
    tick_edges = times.tick_edges(panel.view, max(1, track.width // tick_px))
    bands: tuple[Band, ...] = ()
    frames: tuple[FrameBlock, ...] = ()
    if not panel.is_thin and track.width > 0:
        bands = _bands(sums.of(panel, track.width))
        frames = _frames(panel, inspector, track.width)
    flags = [
        Flag(edge, mark.note or "mark", theme.MARK, GoToEdge(edge)) for edge, mark in panel.marks
    ]
    first, stop = panel.view.first_edge, panel.view.stop_edge
    flags += [
        Flag(edge, text, theme.BAND_LOSS, GoToEdge(edge))
        for edge, text in _thinned(panel.differences, panel.view, track.width)
        if first <= edge <= stop
    ]
    flags.sort(key=lambda flag: flag.edge)
    line = TimeLine(
        view=panel.view,
        loop=panel.loop,
        bands=bands,
        flags=tuple(flags),
        frames=frames,
        lane_names=inspector.lane_names,
        time_of=lambda edge: times.text(edge, tick_edges=tick_edges),
        tick_edges=tick_edges,
        zero_edge=times.first_edge,
    )
    return draw_time_line(line, box, look, action=DragTime(), names=NAMES)


def _thinned(
    flags: tuple[tuple[int, str], ...], view: TimeView, width_px: int
) -> list[tuple[int, str]]:
    """Return one flag a pixel: thousands on one spot say no more than the first."""
    step = max(1, view.span_edges // max(1, width_px // 2))
    kept: dict[int, tuple[int, str]] = {}
    for edge, text in flags:
        kept.setdefault(edge // step, (edge, text))
    return list(kept.values())


def _bands(sums: TimeSums) -> tuple[Band, ...]:
    losses = np.zeros(len(sums.frames))
    for one in sums.losses.values():
        losses = losses + one
    return (
        Band(USE, sums.use_ratio, 1.0, theme.BAND_USE, HINTS[USE]),
        Band(
            CHANGED,
            sums.changed_bytes,
            _most(sums.changed_bytes),
            theme.BAND_CHANGED,
            HINTS[CHANGED],
        ),
        Band(LOSSES, losses, _most(losses), theme.BAND_LOSS, HINTS[LOSSES]),
        Band(FIFO, sums.fifo_frames, _most(sums.fifo_frames), theme.ENDED, HINTS[FIFO]),
        Band(KEYS, sums.keys, _most(sums.keys), theme.BAND_KEY, HINTS[KEYS]),
    )


def _most(values: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> float:
    return float(values.max(initial=0.0)) or 1.0


def _frames(panel: LinePanel, inspector: Inspector, width_px: int) -> tuple[FrameBlock, ...]:
    """Return the frames of the stretch if a slot is wide enough to be seen."""
    view = panel.view
    slot = inspector.slot_edges
    if slot * width_px < FRAME_PX * view.span_edges:
        return ()
    first = inspector.frame_at(view.first_edge - slot + 1)
    stop = inspector.frame_at(view.stop_edge)
    return tuple(_block(row, slot) for row in inspector.rows(first, stop))


def _block(row: FrameRow, slot_edges: int) -> FrameBlock:
    colour = theme.BAND_LOSS if row.fate else theme.BAND_USE
    fields = (*row.fields, ("", row.fate)) if row.fate else row.fields
    return FrameBlock(
        row.edge, row.edge + slot_edges, fields, row.lanes, colour, GoToFrame(row.index)
    )


def column_text(sums: TimeSums, column: int) -> list[str]:
    """Return what a column of the time line holds, in words."""
    if not 0 <= column < len(sums.frames):
        return []
    lines = [
        f"link use {sums.use_ratio[column]:.1%}, {sums.frames[column]:,.0f} frames",
        f"{sums.changed_bytes[column]:,.0f} bytes changed something",
    ]
    lines += [
        f"{found[column]:,.0f} {cause}" for cause, found in sums.losses.items() if found[column]
    ]
    if sums.fifo_frames[column]:
        lines.append(f"FIFO held {sums.fifo_frames[column]:,.0f} at most")
    if sums.keys[column]:
        lines.append(f"{sums.keys[column]:,.0f} keys")
    return lines
