"""The fused engine: the pipeline after the core in one loop, the stages where that does not do."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.batch import FrameBatch, StoreBatch, SymbolBatch, UInt64Column
from busplay.display.bank import DisplayBank
from busplay.engine import kernels
from busplay.engine.geometry import PipelineTables, pipeline_tables
from busplay.engine.word_hits import WordHits
from busplay.receiver import machine as receiver_kernels
from busplay.receiver.receiver import Receiver
from busplay.receiver.states import ReceiverLog
from busplay.sender.encoder import Encoder, EncoderState
from busplay.sender.expander import SymbolExpander

OTHERS_ROOM = 4 * kernels.BLOCK


def _cut_after(cycle: UInt64Column, index: int) -> int:
    """Return the first place from `index` on where the cycle changes, or the end."""
    while index < len(cycle) and cycle[index] == cycle[index - 1]:
        index += 1
    return min(index, len(cycle))


class FusedEngine:
    """Carries stores or frames from the sender to the displays, as the stages do, and faster.

    It keeps nothing of its own but the edge: sequence numbers, step, counters and memory are
    the encoder's, the receiver's and the bank's, and are at any moment what these would have
    made of the same batches. So a run can change between this engine and the stages at will.

    Blocks of frames in sync go through one kernel. A block with a frame that is wrong, idle or
    out of order goes through the receiver's machine instead, and so does everything until the
    receiver is in sync again.

    Args:
        encoder, receiver, bank: of one board and layout.
        edge: link edge up to which everything has passed the wire.

    Attributes:
        edge: as above; whoever used the stages meanwhile sets it.
        frames_carried: frames that this engine put on the wire.
    """

    def __init__(
        self, encoder: Encoder, receiver: Receiver, bank: DisplayBank, *, edge: int = 0
    ) -> None:
        self.encoder = encoder
        self.receiver = receiver
        self.bank = bank
        self.edge = edge
        self.frames_carried = 0
        self._layout = receiver.layout
        self._tables: PipelineTables = pipeline_tables(encoder, receiver)
        self._expander = SymbolExpander(self._layout)
        self._rows = np.zeros(len(self._tables.chunks) * kernels.BLOCK, np.uint64)
        self._pieces = np.zeros(kernels.BLOCK, np.uint64)
        self._kept = np.zeros(kernels.KEPT_COUNT, np.uint64)
        self._others = np.zeros(OTHERS_ROOM, np.uint64)
        self._block_edge = np.zeros(kernels.BLOCK, np.uint64)
        self._block_word = np.zeros(kernels.BLOCK, np.uint64)
        self._info = np.zeros(kernels.INFO_COUNT, np.int64)
        self._no_log = np.zeros((0, kernels.LOG_COLUMNS), np.int64)
        self._no_edges = np.zeros(0, np.uint64)
        self._no_symbols = np.zeros(0, self._layout.symbol_dtype)

    def feed(
        self, stores: StoreBatch, *, stop_cycle: int, keep_frames: bool = True
    ) -> FrameBatch | None:
        """Send stores, carry them over the wire and write what arrives to the displays.

        Args:
            stores: as for `Encoder.feed`.
            stop_cycle: cycle up to which all stores have been given.
            keep_frames: give back the frames that were sent.

        Returns:
            The frames that were sent, for a recorder; None if nobody asked for them.

        Raises:
            InputError: as `Encoder.feed` does; then nothing was taken.
        """
        self._require_order(stores, stop_cycle=stop_cycle)
        kept: list[FrameBatch] = []
        first = 0
        apart = kernels.BLOCK
        while first < len(stores):
            taken, frames = self._feed_plain(stores, first, keep_frames=keep_frames)
            first += taken
            if taken:
                apart = kernels.BLOCK
                kept.append(frames)
                continue
            # What is not plain goes through the stages, in ever larger parts while that lasts.
            stop = _cut_after(stores.cycle, first + apart)
            apart *= 2
            frames = self.encoder.feed(
                StoreBatch(
                    stores.cycle[first:stop], stores.address[first:stop], stores.data[first:stop]
                ),
                stop_cycle=stop_cycle if stop == len(stores) else int(stores.cycle[stop]),
            )
            first = stop
            kept.append(frames)
            self._carry(frames)
        self.encoder.feed(StoreBatch.empty(), stop_cycle=stop_cycle)
        self._idle_until(self.encoder.settled_edge)
        if not keep_frames:
            return None
        if len(kept) == 1:
            return kept[0]
        return FrameBatch(
            np.concatenate([self._no_edges, *(part.edge for part in kept)]),
            np.concatenate([self._no_edges, *(part.word for part in kept)]),
        )

    def feed_frames(self, frames: FrameBatch, *, stop_edge: int) -> None:
        """Carry frames that a sender made over the wire and write what arrives to the displays.

        Args:
            frames: their slots lie at `edge` or later, one after another.
            stop_edge: where this stretch may end; it is moved back to the grid on which frames
                start, and behind the last frame.
        """
        grid = self.encoder.grid_edges
        stop = stop_edge // grid * grid
        if len(frames):
            stop = max(stop, int(frames.edge[-1]) + self.encoder.step_edges)
        self._carry(frames)
        self._idle_until(stop)

    def feed_hit(self, frames: FrameBatch, hits: WordHits) -> tuple[int, int]:
        """Carry frames of which some are damaged on the wire, as far as the receiver stays in sync.

        Damaged frames that fail their check are counted and logged as the receiver does. Before
        one that would pass, or lose step, or before anything else that is not plain, it stops.

        Args:
            frames: as for `feed_frames`; idle slots that are hit stand among them.
            hits: which of them are damaged.

        Returns:
            How many of the frames and how many of the hits were taken; `edge` has moved along.
        """
        if not self._in_sync():
            return 0, 0
        log = np.empty((len(hits.frame), kernels.LOG_COLUMNS), np.int64)
        self._run(None, frames, self._no_edges, self._no_edges, *self._block(), hits, log)
        logged = int(self._info[kernels.LOGGED])
        if logged:
            self.receiver.add_log(ReceiverLog.of_rows(log[:logged]))
        return int(self._info[kernels.FIRST]), int(self._info[kernels.HIT])

    # -- stores

    def _require_order(self, stores: StoreBatch, *, stop_cycle: int) -> None:
        """Let the encoder refuse what it would refuse, before anything is taken."""
        if len(stores) and kernels.falls(np.ascontiguousarray(stores.cycle, np.uint64)):
            ordered = False
        else:
            ordered = (
                self.encoder.snapshot().stop_cycle
                <= (int(stores.cycle[0]) if len(stores) else stop_cycle)
                <= (int(stores.cycle[-1]) + 1 if len(stores) else stop_cycle)
                <= stop_cycle
                <= self.encoder.last_cycle + 1
            )
        if not ordered:
            self.encoder.feed(stores, stop_cycle=stop_cycle)
            raise AssertionError("the encoder took stores that are out of order")

    def _feed_plain(
        self, stores: StoreBatch, first: int, *, keep_frames: bool
    ) -> tuple[int, FrameBatch]:
        """Take as many stores as are plain; give how many, and their frames if they are kept."""
        if not self._tables.takes_stores:
            return 0, FrameBatch.empty()
        if not self._in_sync():
            # Nothing starts before the first store is whole; idle slots may bring it into step.
            grid = self.encoder.grid_edges
            edge = self.encoder.cycle_to_edge(int(stores.cycle[first]) + 1)
            self._idle_until(edge // grid * grid)
            if not self._in_sync():
                return 0, FrameBatch.empty()
        rest = StoreBatch(stores.cycle[first:], stores.address[first:], stores.data[first:])
        sender = self.encoder.snapshot()
        carried = np.array(sender.carried, np.uint64)
        counts = np.array(sender.counts, np.uint64)
        edge_out, word_out = self._block()
        if keep_frames:
            edge_out, word_out = np.empty(len(rest), np.uint64), np.empty(len(rest), np.uint64)
        self._run(rest, None, carried, counts, edge_out, word_out)
        taken = int(self._info[kernels.FIRST])
        if taken == 0:
            return 0, FrameBatch.empty()
        self.encoder.restore(
            EncoderState(
                tuple(int(one) for one in carried),
                tuple(int(one) for one in counts),
                int(rest.cycle[taken - 1]),
            )
        )
        self.frames_carried += taken
        return taken, FrameBatch(edge_out[:taken], word_out[:taken])

    # -- frames

    def _carry(self, frames: FrameBatch) -> None:
        """Carry frames up to the end of the last one's slot."""
        first = 0
        while first < len(frames):
            if not self._in_sync():
                self._idle_until(int(frames.edge[first]))
            if self._in_sync():
                rest = FrameBatch(frames.edge[first:], frames.word[first:])
                self._run(None, rest, self._no_edges, self._no_edges, *self._block())
                first += int(self._info[kernels.FIRST])
            stop = min(first + kernels.BLOCK, len(frames))
            if first < stop:
                self._run_stages(FrameBatch(frames.edge[first:stop], frames.word[first:stop]))
            first = stop
        self.frames_carried += len(frames)

    def _run_stages(self, frames: FrameBatch) -> None:
        """Carry a few frames through the expander and the receiver's machine."""
        stop_edge = int(frames.edge[-1]) + self._layout.slot_symbols
        batch = self._expander.expand(frames, first_edge=self.edge, stop_edge=stop_edge)
        self.bank.feed(self.receiver.feed(batch))
        self.edge = stop_edge

    def _idle_until(self, stop_edge: int) -> None:
        if stop_edge > self.edge:
            nothing = SymbolBatch(self._no_edges, self._no_symbols, self.edge, stop_edge)
            self.bank.feed(self.receiver.feed(nothing))
            self.edge = stop_edge

    # -- the kernel

    def _in_sync(self) -> bool:
        """Tell whether the receiver stands between two frames that lie on the slot grid."""
        registers = self.receiver.registers
        return (
            self._tables.is_steady
            and int(registers[receiver_kernels.STATE]) == receiver_kernels.SYNC
            and int(registers[receiver_kernels.POSITION]) == 0
            and (self._layout.strobe_mask != 0 or self.edge % self._layout.slot_symbols == 0)
        )

    def _block(self) -> tuple[UInt64Column, UInt64Column]:
        return self._block_edge, self._block_word

    def _run(
        self,
        stores: StoreBatch | None,
        frames: FrameBatch | None,
        carried: UInt64Column,
        counts: UInt64Column,
        edge: UInt64Column,
        word: UInt64Column,
        hits: WordHits | None = None,
        log: NDArray[np.int64] | None = None,
    ) -> None:
        """Run the kernel as far as blocks are plain; `_info` tells how far that was."""
        tables, bank = self._tables, self.bank.arrays
        stores_given = stores or StoreBatch.empty()
        frames_given = frames or FrameBatch.empty()
        hits_given = WordHits.none() if hits is None else hits
        log_room = self._no_log if log is None else log
        self._info[:] = 0
        self._info[kernels.AT_EDGE] = self.edge
        status = kernels.OTHERS_FULL
        while status == kernels.OTHERS_FULL:
            self._info[kernels.OTHERS] = 0
            status = kernels.carry(
                stores is not None,
                edge is not self._block_edge,
                np.ascontiguousarray(stores_given.cycle, np.uint64),
                np.ascontiguousarray(stores_given.address, np.uint16),
                np.ascontiguousarray(stores_given.data, np.uint8),
                np.require(frames_given.edge, np.uint64, ("C", "W")),
                np.require(frames_given.word, np.uint64, ("C", "W")),
                tables.outside_before,
                tables.address_table,
                tables.data_table,
                tables.sequence_tables,
                carried,
                counts,
                tables.numbers,
                tables.chunks,
                tables.steps,
                tables.turns,
                tables.parities,
                tables.watches,
                tables.sequence_runs,
                self.receiver.registers,
                *bank,
                self._rows,
                self._pieces,
                self._kept,
                self._others,
                self._info,
                edge,
                word,
                hits_given.frame,
                hits_given.error,
                log_room,
            )
            # Registers and memory know nothing of each other until a picture is drawn.
            others = self._others[: int(self._info[kernels.OTHERS])]
            if len(others):
                self.bank.feed(FrameBatch(others, others))
        self.edge = int(self._info[kernels.AT_EDGE])
