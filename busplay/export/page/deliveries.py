"""What became of each frame of a trace: from the pipeline that replays it, for the page.

The page shows what the receiver delivers, and judges nothing itself. Nearly always that is what
was sent; here is what differs: frames that were not shown, and frames that were shown but not sent
so.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from busplay.batch import FrameBatch, UInt8Column, UInt64Column
from busplay.display.fields import FrameFields
from busplay.display.writes import FIELD_ADDRESS, FIELD_DATA, FIELD_SPACE, FIELD_UNIT
from busplay.pipeline.pipeline import Arrivals, Pipeline

# Beside the fates of `receiver.fifo`: the receiver did not deliver the frame, or not with its word.
UNDELIVERED = 3
# Of events that are no frames sent: a frame shown that was not sent so; a page that is shown.
SPURIOUS = 4
PAGE_TURN = 5


class OtherEvent(NamedTuple):
    """An event of a recording that is no frame sent.

    Attributes:
        frames_before: frames sent that come before it.
        edge: at which a replay shows it.
        space, unit, offset, data: a spurious frame's fields; for a page, the unit and its number.
        kind: `SPURIOUS` or `PAGE_TURN`.
    """

    frames_before: int
    edge: int
    space: int
    unit: int
    offset: int
    data: int
    kind: int


@dataclass(frozen=True, slots=True, eq=False)
class FieldColumns:
    """The fields of frames: space, unit, offset, data."""

    space: UInt64Column
    unit: UInt64Column
    offset: UInt64Column
    data: UInt64Column

    @classmethod
    def of(cls, fields: FrameFields, words: UInt64Column) -> FieldColumns:
        """Take the fields of words."""
        pieces = fields.words_in_pieces(words)
        columns = [
            pieces >> shift & mask | fixed
            for shift, mask, fixed in fields.table[
                [FIELD_SPACE, FIELD_UNIT, FIELD_ADDRESS, FIELD_DATA]
            ]
        ]
        return cls(*columns)


def shown_edge(pipeline: Pipeline, sent: FrameBatch, end_edge: int) -> int:
    """Return the edge at which a replay shows what ends at an edge.

    It does once the wire is carried that far: to an edge of the grid, or to the end of the slot of
    a frame that was sent.
    """
    grid, step = pipeline.encoder.grid_edges, pipeline.encoder.step_edges
    shown = -(-end_edge // grid) * grid
    carrier = int(np.searchsorted(sent.edge, np.uint64(max(0, end_edge - step))))
    return shown if carrier == len(sent) else min(shown, int(sent.edge[carrier]))


class Deliveries:
    """Watches a pipeline that replays a trace from its beginning.

    Args:
        pipeline: which has carried nothing yet.
        frames: count of the trace's frames.

    Attributes:
        fates: uint8[frames]; a `Fate`, or `UNDELIVERED`.
    """

    def __init__(self, pipeline: Pipeline, frames: int) -> None:
        self.fates: UInt8Column = np.zeros(frames, np.uint8)
        self._pipeline = pipeline
        self._others: list[Arrivals] = []
        self._carried = 0
        pipeline.watch_arrivals(self._take)

    def _take(self, arrivals: Arrivals) -> None:
        first, self._carried = self._carried, self._pipeline.frames_carried
        if arrivals.as_sent:
            if len(arrivals.fate):
                self.fates[first : self._carried] = arrivals.fate
            return
        self.fates[first : self._carried] = UNDELIVERED
        self._others.append(arrivals)

    def spurious(self, sent: FrameBatch) -> list[OtherEvent]:
        """Find the frames sent among those delivered, and return the others.

        Args:
            sent: all frames of the trace, which has been replayed to its end.
        """
        found: list[OtherEvent] = []
        for arrivals in self._others:
            edge, word = arrivals.frames.edge, arrivals.frames.word
            at = np.minimum(np.searchsorted(sent.edge, edge), max(0, len(sent) - 1))
            is_sent = (sent.edge[at] == edge) & (sent.word[at] == word)
            fate = arrivals.fate if len(arrivals.fate) else np.zeros(len(edge), np.uint8)
            self.fates[at[is_sent]] = fate[is_sent]
            shown = ~is_sent & (fate == 0)
            found += self._shown(sent, edge[shown], word[shown])
        return found

    def _shown(self, sent: FrameBatch, edge: UInt64Column, word: UInt64Column) -> list[OtherEvent]:
        """Return frames that were not sent, with the moments at which a replay shows them."""
        pipeline = self._pipeline
        fields = FieldColumns.of(pipeline.bank.fields, word)
        rows = zip(
            edge.tolist(),
            fields.space.tolist(),
            fields.unit.tolist(),
            fields.offset.tolist(),
            fields.data.tolist(),
            strict=True,
        )
        found = []
        for begin, space, unit, offset, data in rows:
            shown = shown_edge(pipeline, sent, begin + pipeline.layout.frame_symbols)
            before = int(np.searchsorted(sent.edge, np.uint64(begin), side="right"))
            found.append(OtherEvent(before, shown, space, unit, offset, data & 0xFF, SPURIOUS))
        return found
