"""What the wires carry, in words, for a waveform viewer."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from busplay.batch import FrameBatch
from busplay.capture.wires import SymbolStretch, WireDrawer
from busplay.description.board import Board
from busplay.description.link import SPACE_IDLE, SPACE_MEMORY, SPACE_REGISTERS
from busplay.formats.writing.vcd import TextBatch
from busplay.link.layout import FrameLayout
from busplay.receiver.receiver import Receiver
from busplay.receiver.states import LogKind
from busplay.trace.reader import TraceReader

FRAME_TEXT, STATE_TEXT = 0, 1
NOTHING = "-"


class FrameTexts:
    """What the wires carry in words, for a waveform viewer.

    Args:
        reader: of the trace; its board names units.
        drawer: of the link.
    """

    def __init__(self, reader: TraceReader, drawer: WireDrawer) -> None:
        self._layout = drawer.layout
        self._drawer = drawer
        self._board = reader.header.board
        self._receiver = Receiver(self._layout)
        self._receiver.keeps_log = True
        self._frames = reader.chunks()
        self._waiting = FrameBatch.empty()
        self._end_edge = -1  # where the frame that is shown ends
        self._is_begun = False
        self._is_last = False

    def texts(self, stretch: SymbolStretch) -> TextBatch:
        """Return the texts of a stretch: each frame at its first symbol, and changes of state."""
        found: list[tuple[int, int, str]] = []
        if not self._is_begun:
            self._is_begun = True
            found += [(0, FRAME_TEXT, NOTHING), (0, STATE_TEXT, "HUNT")]
        for edge, text in self._frame_texts(stretch.stop_edge):
            found.append((2 * edge, FRAME_TEXT, text))
        self._receiver.feed_symbols(stretch.symbols, stretch.first_edge)
        log = self._receiver.take_log()
        for kind, edge in zip(log.kind.tolist(), log.edge.tolist(), strict=True):
            if kind in (LogKind.SYNC_GAINED, LogKind.SYNC_LOST):
                # Known with the last edge of the frame that decided it.
                step = max(2 * edge - 1, 2 * stretch.first_edge)
                found.append((step, STATE_TEXT, "SYNC" if kind == LogKind.SYNC_GAINED else "HUNT"))
        return self._batch(found)

    def rest(self) -> TextBatch:
        """Return what comes behind the last stretch."""
        if self._end_edge < 0:
            return TextBatch.empty()
        end, self._end_edge = self._end_edge, -1
        return self._batch([(2 * end, FRAME_TEXT, NOTHING)])

    def _batch(self, found: list[tuple[int, int, str]]) -> TextBatch:
        found.sort(key=lambda one: one[0])
        steps = np.array([step for step, _, _ in found], np.int64)
        return TextBatch(
            self._drawer.half_step_ps(steps).astype(np.uint64),
            np.array([place for _, place, _ in found], np.int64),
            [text for _, _, text in found],
        )

    def _frame_texts(self, stop_edge: int) -> Iterator[tuple[int, str]]:
        frames = self._frames_until(stop_edge)
        for edge, text in zip(frames.edge.tolist(), self._words(frames), strict=True):
            if 0 <= self._end_edge < edge:
                yield self._end_edge, NOTHING
            yield edge, text
            self._end_edge = edge + self._layout.frame_symbols
        if 0 <= self._end_edge < stop_edge:
            yield self._end_edge, NOTHING
            self._end_edge = -1

    def _frames_until(self, stop_edge: int) -> FrameBatch:
        parts = [self._waiting]
        while not self._is_last and (not len(parts[-1]) or int(parts[-1].edge[-1]) < stop_edge):
            following = next(self._frames, None)
            if following is None:
                self._is_last = True
                break
            parts.append(following)
        edge = np.concatenate([part.edge for part in parts])
        word = np.concatenate([part.word for part in parts])
        count = int(np.searchsorted(edge, np.uint64(stop_edge)))
        self._waiting = FrameBatch(edge[count:], word[count:])
        return FrameBatch(edge[:count], word[:count])

    def _words(self, frames: FrameBatch) -> list[str]:
        return frame_texts(frames, self._layout, self._board)


def frame_texts(frames: FrameBatch, layout: FrameLayout, board: Board | None) -> list[str]:
    """Describe each frame in one short line."""
    fields = {name: column.tolist() for name, column in layout.unpack(frames.word).items()}
    right = layout.is_valid(frames.word).tolist()
    count = len(frames)
    if "address" not in fields or "data" not in fields:
        names = [one.name for one in layout.link.fields if one.value is None]
        texts = [
            " ".join(f"{name}={fields[name][row]:X}" for name in names) for row in range(count)
        ]
    else:
        spaces = fields.get("space", [SPACE_MEMORY] * count)
        units = fields.get("unit", [0] * count)
        numbers = {} if board is None else {unit.number: unit.name for unit in board.units}
        sequence = fields.get("sequence")
        texts = []
        for row in range(count):
            space = {SPACE_IDLE: "idle", SPACE_MEMORY: "", SPACE_REGISTERS: "register "}.get(
                spaces[row], f"space {spaces[row]} "
            )
            unit = numbers.get(units[row], f"unit {units[row]}")
            text = f"{space}{unit}+${fields['address'][row]:04X}=${fields['data'][row]:02X}"
            texts.append(text if sequence is None else f"{text} #{sequence[row]}")
    return [text if ok else f"DAMAGED {text}" for text, ok in zip(texts, right, strict=True)]
