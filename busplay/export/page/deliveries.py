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


class SpuriousFrame(NamedTuple):
    """A frame that was shown, but not sent so.

    Attributes:
        frames_before: frames sent that come before it.
        edge: at which it is shown.
        space, unit, offset, data: its fields.
    """

    frames_before: int
    edge: int
    space: int
    unit: int
    offset: int
    data: int


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

    def spurious(self, sent: FrameBatch) -> list[SpuriousFrame]:
        """Find the frames sent among those delivered, and return the others.

        Args:
            sent: all frames of the trace, which has been replayed to its end.
        """
        found: list[SpuriousFrame] = []
        for arrivals in self._others:
            edge, word = arrivals.frames.edge, arrivals.frames.word
            at = np.minimum(np.searchsorted(sent.edge, edge), max(0, len(sent) - 1))
            is_sent = (sent.edge[at] == edge) & (sent.word[at] == word)
            fate = arrivals.fate if len(arrivals.fate) else np.zeros(len(edge), np.uint8)
            self.fates[at[is_sent]] = fate[is_sent]
            shown = ~is_sent & (fate == 0)
            found += self._shown(sent, edge[shown], word[shown])
        return found

    def _shown(
        self, sent: FrameBatch, edge: UInt64Column, word: UInt64Column
    ) -> list[SpuriousFrame]:
        """Return frames that were not sent, with the moments at which a replay shows them."""
        pipeline = self._pipeline
        encoder, frame_symbols = pipeline.encoder, pipeline.layout.frame_symbols
        grid, step = encoder.grid_edges, encoder.step_edges
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
            # Once the wire is carried to its end: to an edge of the grid, or to the end of the slot
            # of a frame that was sent.
            end = begin + frame_symbols
            shown = -(-end // grid) * grid
            carrier = int(np.searchsorted(sent.edge, np.uint64(max(0, end - step))))
            if carrier < len(sent):
                shown = min(shown, int(sent.edge[carrier]))
            before = int(np.searchsorted(sent.edge, np.uint64(begin), side="right"))
            found.append(SpuriousFrame(before, shown, space, unit, offset, data & 0xFF))
        return found
