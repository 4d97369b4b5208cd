"""A history of what was sent: as if every frame had reached its unit."""

from __future__ import annotations

from collections.abc import Iterator
from heapq import merge
from itertools import groupby

import numpy as np

from busplay.batch import Int64Column, UInt8Column, UInt64Column
from busplay.display.registers import register_count
from busplay.history.history import History
from busplay.history.places import Place, unit_named
from busplay.write_index import marking
from busplay.write_index.stretch import ChunkKind


class SentHistory(History):
    """The history as it would be if the board's receiver had lost no frame.

    Its `causes` are those of the colour that a pixel was meant to have.

    Args:
        history: of the recording.
    """

    def __init__(self, history: History) -> None:
        super().__init__(history.reader, history.index)
        self._losing_registers: dict[str, list[int]] = {}

    @property
    def is_as_received(self) -> bool:
        """Whether the receiver lost no frame."""
        return not self._chunks_with_losses()

    def fate_of(self, frame: int) -> int:
        """Return what became of a frame, as numbered in `write_index.marking`.

        Raises:
            InputError: the trace is damaged there.
        """
        chunk = int(np.searchsorted(self._before, frame, side="right")) - 1
        if self.index.kinds[chunk] is ChunkKind.PLAIN:
            return marking.REACHED
        return int(self._fates_in(chunk)[frame - int(self._before[chunk])])

    def lost_edges(self) -> UInt64Column:
        """Return uint64[frames]: the edges of the frames that did not reach their units as sent.

        Raises:
            InputError: the trace is damaged.
        """
        edges = [
            self.reader.frame_chunk(chunk).frames.edge[self._fates_in(chunk) != marking.REACHED]
            for chunk in self._chunks_with_losses()
        ]
        return np.concatenate(edges) if edges else np.empty(0, np.uint64)

    def _fates_in(self, chunk: int) -> UInt8Column:
        """Return uint8[frames]: the fates of a chunk's frames, of which some were lost."""
        if self.index.kinds[chunk] is ChunkKind.FATES:
            return self.index.fates[chunk]
        came, _, word = super()._arrived(chunk)
        sent = self.reader.frame_chunk(chunk).frames.word
        fates = np.full(len(sent), marking.UNDELIVERED, np.uint8)
        if came is not None:
            fates[came[word == sent[came]]] = marking.REACHED
        return fates

    def count_writes(
        self, place: Place, first_frame: int = 0, stop_frame: int | None = None
    ) -> int:
        """Count the frames sent to a place; the index counts only those that reached it."""
        return sum(len(found) for found in self.writes(place, first_frame, stop_frame))

    def write_counts(self, unit: str) -> Int64Column:
        """Return int64[memory_bytes]: the frames sent to each byte of a unit's memory."""
        size = unit_named(self.board, unit).memory_bytes
        counts = np.zeros(size, np.int64)
        for found in self.writes(Place(unit, "memory", 0, size)):
            counts += np.bincount(found.offset, minlength=size)
        return counts

    def _arrived(self, chunk: int) -> tuple[Int64Column | None, UInt64Column, UInt64Column]:
        frames = self.reader.frame_chunk(chunk).frames
        return None, frames.edge, frames.word

    def _chunks_written(
        self, place: Place, first_frame: int, stop_frame: int, *, newest_first: bool
    ) -> Iterator[int]:
        written = super()._chunks_written(place, first_frame, stop_frame, newest_first=newest_first)
        before = self._before.tolist()
        losing = sorted(
            (
                chunk
                for chunk in self._chunks_losing(place)
                if before[chunk] < stop_frame and before[chunk + 1] > first_frame
            ),
            reverse=newest_first,
        )
        for chunk, _ in groupby(merge(written, losing, reverse=newest_first)):
            yield chunk

    def _chunks_losing(self, place: Place) -> list[int]:
        """Return the chunks that may have lost a frame to a place."""
        if place.space == "memory":
            return self._chunks_with_losses()
        # Few frames go to registers, and a pixel asks for many: one pass finds the chunks for all.
        if place.unit not in self._losing_registers:
            count = register_count(unit_named(self.board, place.unit))
            registers = Place(place.unit, "registers", 0, count)
            self._losing_registers[place.unit] = [
                chunk
                for chunk in self._chunks_with_losses()
                if any(
                    self.fate_of(frame) != marking.REACHED
                    for frame in self._writes_in(chunk, registers, 0, self.frames).frame.tolist()
                )
            ]
        return self._losing_registers[place.unit]

    def _chunks_with_losses(self) -> list[int]:
        kinds = self.index.kinds
        return [number for number, kind in enumerate(kinds) if kind is not ChunkKind.PLAIN]
