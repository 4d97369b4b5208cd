"""For other emulators: report stores, see what the displays show.

    tap = busplay.Tap(board)
    tap.store(cycle, address, data)          # for every write
    tap.display("panel").image()

or, for an existing py65 processor or monitor:

    tap = busplay.attach(mpu, board)
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Self

from busplay.batch import StoreBatch
from busplay.core.store_buffer import StoreBuffer
from busplay.description.board import Board
from busplay.description.faults import Faults
from busplay.description.read_faults import as_faults
from busplay.display.display import Display
from busplay.link.load import as_board
from busplay.pipeline.pipeline import Pipeline, PipelineCounters
from busplay.run.recording import Recorder, header_for

if TYPE_CHECKING:
    from py65.devices.mpu6502 import MPU
    from py65.monitor import Monitor

    from busplay.core.py65_hook import Py65Hook


class Tap:
    """The pipeline for the stores of another emulator.

    Stores outside the board's windows are ignored, so every write may be reported. Stores are
    sent when something is asked for (`display`, `counters`, `flush`), or in large batches.

    Args:
        board: the description, or the name or path of its file; its processor, ROM and host port
            are not used.
        record: file for a trace of the run.
        record_received: file for a trace of what arrives.
        keep: new file for a trace to go back to while stores come; see `KeptTrace`.
        faults: faults to inject between the two ends, or the path of their file.

    Raises:
        InputError: a description cannot be read.
        OutputError: a trace cannot be written.

    >>> import busplay
    >>> with busplay.Tap("dunlin", record="mine.trace") as tap:
    ...     tap.store(100, 0x4000, 0x21)
    ...     tap.display("panel").memory[0], tap.counters().frames_sent
    (np.uint8(33), 1)
    """

    def __init__(
        self,
        board: Board | str | Path,
        *,
        record: str | Path | None = None,
        record_received: str | Path | None = None,
        keep: str | Path | None = None,
        faults: Faults | str | Path | None = None,
    ) -> None:
        self.board = board = as_board(board)
        self.pipeline = Pipeline(board, faults=as_faults(faults, board.link))
        self.buffer = StoreBuffer(board)
        self.recorder = Recorder(
            self.pipeline, header_for(board), sent=record, received=record_received, kept=keep
        )
        self._hook: Py65Hook | None = None
        self._flushed_cycle = 0

    def store(self, cycle: int, address: int, data: int) -> None:
        """Report one store: the processor cycle of the write itself, its address and data.

        Raises:
            ValueError: an argument is out of range, or the cycle is before the last one's.
        """
        self.buffer.store(cycle, address, data)
        if len(self.buffer) >= FLUSH_STORES:
            self.flush()

    def stores(self, batch: StoreBatch) -> None:
        """Report a batch of stores, in order of their cycles.

        Raises:
            ValueError: a cycle is before the previous one; nothing of the batch is taken.
        """
        self.buffer.extend(batch)
        if len(self.buffer) >= FLUSH_STORES:
            self.flush()

    def flush(self, *, stop_cycle: int | None = None) -> None:
        """Send and show everything reported.

        Args:
            stop_cycle: cycle that the processor has reached, so that idle time passes on the
                link too; by default the one after the last store.

        Raises:
            OutputError: the trace could not be written; it can be read up to there.
        """
        stores = self.buffer.take()
        stop = self.buffer.last_cycle + 1 if len(stores) else self._flushed_cycle
        if stop_cycle is not None:
            stop = max(stop, stop_cycle)
        frames = self.pipeline.feed(stores, stop_cycle=stop)
        self._flushed_cycle = stop
        self.recorder.write(frames, cycles=stop)

    @property
    def displays(self) -> Mapping[str, Display]:
        """The units by name, with everything reported so far."""
        self.flush()
        return self.pipeline.displays

    def display(self, name: str) -> Display:
        """Return a unit's display, with everything reported so far.

        Raises:
            KeyError: the board has no such unit.
        """
        return self.displays[name]

    def counters(self) -> PipelineCounters:
        """Counts of what was sent, received and lost."""
        self.flush()
        return self.pipeline.counters()

    def detach(self) -> None:
        """Remove the hook from an attached processor; stores already reported stay."""
        if self._hook is not None:
            self._hook.detach()
            self._hook = None

    def close(self, *, keeps_old: bool = False) -> None:
        """Detach, send the rest, and end the recordings.

        Args:
            keeps_old: keep existing traces, and leave the new ones beside them.
        """
        self.detach()
        self.flush()
        self.recorder.close(cycles=self._flushed_cycle, keeps_old=keeps_old)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is not None:
            self.detach()
            self.flush()
            self.recorder.fail(cycles=self._flushed_cycle)
        self.close()


FLUSH_STORES = 1 << 16


def attach(
    mpu: MPU | Monitor, board: Board | str | Path, *, record: str | Path | None = None
) -> Tap:
    """Tap an existing py65 processor, or that of a py65 monitor.

    The program runs as before; every write is reported with its exact cycle.

    Raises:
        TypeError: it is neither.

    >>> import busplay
    >>> from py65.devices.mpu6502 import MPU
    >>> mpu = MPU()
    >>> mpu.memory[0x0200:0x0205] = [0xA9, 0x21, 0x8D, 0x00, 0x40]  # LDA #$21, STA $4000
    >>> mpu.pc = 0x0200
    >>> tap = busplay.attach(mpu, "dunlin")
    >>> for _ in range(2):
    ...     state = mpu.step()
    >>> int(tap.display("panel").memory[0])
    33
    """
    from busplay.core.py65_hook import hook_mpu

    tap = Tap(board, record=record)
    tap._hook = hook_mpu(mpu, tap.buffer)
    return tap
