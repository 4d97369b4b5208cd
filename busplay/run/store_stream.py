"""Stores of another emulator, from a file or live from a pipe, as a `Playable`.

A thread reads, so that a window stays responsive while a pipe is silent; a bounded queue holds
the other emulator back when it runs far ahead.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Self

import numpy as np

from busplay.batch import StoreBatch
from busplay.description.board import Board
from busplay.description.faults import Faults
from busplay.display.display import Display
from busplay.errors import InputError
from busplay.pipeline.pipeline import Pipeline, PipelineCounters
from busplay.player.playable import Status
from busplay.run.recent_load import RecentLoad
from busplay.run.recording import Recorder
from busplay.run.tap import Tap

QUEUE_BATCHES = 64
PIECE_STORES = 1 << 16
# Lets Ctrl-C through while the source is silent.
WAIT_S = 0.05


class StoreStream:
    """Stores of another emulator on their way to the screen.

    Args:
        board: has the windows, link and units.
        batches: the stores, in order of their cycles; read in a thread.
        name: of the file, for messages.
        wait: let `run` wait briefly for stores that have not arrived. A window does not wait.
        record: file for a trace of the run.
        record_received: file for a trace of what arrives.
        keep: new file for a trace to go back to while stores come; see `KeptTrace`.
        faults: faults to inject between the two ends.
    """

    def __init__(
        self,
        board: Board,
        batches: Iterator[StoreBatch],
        *,
        name: str,
        wait: bool,
        record: str | Path | None = None,
        record_received: str | Path | None = None,
        keep: str | Path | None = None,
        faults: Faults | str | Path | None = None,
    ) -> None:
        self.board = board
        self.tap = Tap(
            board, record=record, record_received=record_received, keep=keep, faults=faults
        )
        self._name = name
        self._wait = wait
        self._recent = RecentLoad(board.clock_hz)
        self._cycle = 0
        self._waiting = StoreBatch.empty()
        self._source_ended = False
        self._queue: queue.Queue[StoreBatch | Exception | None] = queue.Queue(QUEUE_BATCHES)
        self._thread = threading.Thread(
            target=self._read, args=(batches,), name="store reader", daemon=True
        )
        self._thread.start()

    def _read(self, batches: Iterator[StoreBatch]) -> None:
        try:
            for batch in batches:
                for first in range(0, len(batch), PIECE_STORES):
                    piece = slice(first, first + PIECE_STORES)
                    self._queue.put(batch.at(piece))
        except Exception as error:  # handed to whoever runs the stream
            self._queue.put(error)
        else:
            self._queue.put(None)

    @property
    def pipeline(self) -> Pipeline:
        """Sender, receiver and displays."""
        return self.tap.pipeline

    @property
    def clock_hz(self) -> int:
        """Processor cycles in a second."""
        return self.board.clock_hz

    @property
    def cycle(self) -> int:
        """Processor cycle that is shown."""
        return self._cycle

    @property
    def ended(self) -> bool:
        """Whether the source has ended and everything is shown."""
        return self._source_ended and not len(self._waiting)

    @property
    def end_cycle(self) -> int | None:
        """Where the stores end; None while the source has not ended."""
        return self._cycle if self.ended else None

    @property
    def can_seek(self) -> bool:
        """False: a stream goes forward only."""
        return False

    @property
    def hears_keys(self) -> bool:
        """The keys are the other emulator's; none is the window's."""
        return True

    @property
    def displays(self) -> Mapping[str, Display]:
        """The units by name."""
        return self.pipeline.displays

    def run(self, cycles: int) -> int:
        """Run CYCLES cycles, or as far as stores have arrived; return the count run.

        Raises:
            InputError: the source is damaged; everything before that is shown.
            OutputError: the trace could not be written; it can be read up to there.
        """
        target = self._cycle + cycles
        before_frames, before_edge = self.pipeline.frames_carried, self.pipeline.edge
        before_cycle = self._cycle
        while self._cycle < target and not self.ended:
            if not len(self._waiting) and not self._take():
                break
            self._pass_stores_before(target)
        done = self._cycle - before_cycle
        self._recent.add(
            cycles=done,
            frames=self.pipeline.frames_carried - before_frames,
            slots=(self.pipeline.edge - before_edge) // self.pipeline.layout.slot_symbols,
        )
        return done

    def _take(self) -> bool:
        """Fetch the next batch; return whether there is one now."""
        try:
            item = self._queue.get(block=self._wait, timeout=WAIT_S)
        except queue.Empty:
            return False
        if item is None:
            self._source_ended = True
            return False
        if isinstance(item, Exception):
            self._source_ended = True
            raise item
        self._waiting = item
        return True

    def _pass_stores_before(self, target: int) -> None:
        stores = self._waiting
        count = int(np.searchsorted(stores.cycle, np.uint64(target)))
        try:
            self.tap.stores(stores.at(slice(count)))
        except ValueError as error:
            self._source_ended = True
            self._waiting = StoreBatch.empty()
            raise InputError(
                file=self._name, found=str(error), wanted="give stores in order of their cycles"
            ) from error
        self._waiting = stores.at(slice(count, None))
        if len(self._waiting):
            self._cycle = target
        else:
            self._cycle = max(self._cycle, min(target, self.tap.buffer.last_cycle + 1))
        self.tap.flush(stop_cycle=self._cycle)

    def seek(self, cycle: int) -> None:
        """Refuse: a stream cannot jump."""
        raise ValueError(f"a stream cannot jump to cycle {cycle}; record it and replay")

    def reset(self) -> None:
        """Do nothing: the other emulator has the reset button."""

    def press(self, code: int) -> None:
        """Do nothing: the other emulator has the keys."""

    @property
    def key_presses(self) -> tuple[tuple[int, int], ...]:
        """None: the other emulator has the keys."""
        return ()

    def counters(self) -> PipelineCounters:
        """Counts of what was sent, received and lost."""
        return self.pipeline.counters()

    def status(self) -> Status:
        """Return the present status."""
        state = "end of stores" if self.ended else ""
        return self._recent.status(self.pipeline, cycle=self._cycle, state_text=state)

    @property
    def recorder(self) -> Recorder:
        """The recorder of its traces."""
        return self.tap.recorder

    def close(self, *, keeps_old: bool = False) -> None:
        """Send the rest, and end the recordings, as `Tap.close` does."""
        self.tap.close(keeps_old=keeps_old)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        self.tap.__exit__(kind, *_)
