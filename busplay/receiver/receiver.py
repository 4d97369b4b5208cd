"""From symbols to frames: find where frames begin, stay in sync, check, count."""

from __future__ import annotations

import numpy as np

from busplay.batch import FrameBatch, SymbolBatch, SymbolColumn, UInt64Column
from busplay.link.layout import FrameLayout
from busplay.receiver import machine
from busplay.receiver.geometry import machine_geometry
from busplay.receiver.snapshot import require_possible
from busplay.receiver.states import ReceiverCounters, ReceiverLog, State

# Room for frames that one call of the kernel may deliver from gaps, beyond the spelled-out ones:
# only a receiver that is out of sync on an idle pattern that looks like frames needs any.
SPARE_FRAMES = 4096
# Entries of the log that one call of the kernel may write.
LOG_ROOM = 1 << 14
NO_ROWS = np.empty((0, machine.LOG_COLUMNS), np.int64)


class Receiver:
    """The far end of a link: it starts with no knowledge and delivers the frames that it finds.

    Frames are delivered that began while the receiver was in SYNC, are right (or were mended),
    and are not idle. So the `confirm_frames` that bring it into SYNC are not delivered; a
    sender spends idle frames on them.

    Args:
        layout: of the link.
        correct_one_bit: mend a frame that is wrong by one bit, as the header error control of
            ITU-T I.432.1 does: after a mended or hopeless frame none is mended until a right
            one has come.

    Raises:
        DescriptionError: the link's check cannot tell which bit was wrong.
    """

    def __init__(self, layout: FrameLayout, *, correct_one_bit: bool = False) -> None:
        self.layout = layout
        self.machine = machine_geometry(layout, correct_one_bit=correct_one_bit)
        self.registers = np.zeros(machine.STATE_COUNT, np.int64)
        self._saved = np.zeros(machine.STATE_COUNT, np.int64)
        self.keeps_log = False
        self._log: list[ReceiverLog] = []
        self._log_rows = NO_ROWS  # room to be told in, made when it is first needed
        self.reset()

    @property
    def state(self) -> State:
        """What the receiver knows now."""
        return State(int(self.registers[machine.STATE]))

    @property
    def counters(self) -> ReceiverCounters:
        """What it has seen since it was made or reset."""
        state = self.registers
        in_sync = int(state[machine.STATE]) == machine.SYNC
        return ReceiverCounters(
            symbols_fed=int(state[machine.FED]),
            symbols_skipped=int(state[machine.SKIPPED]),
            symbols_idle=int(state[machine.REST]),
            pending_symbols=int(state[machine.POSITION]) if in_sync else 0,
            frames_received=int(state[machine.RECEIVED]),
            frames_idle=int(state[machine.IDLE]),
            checks_failed=int(state[machine.FAILED]),
            frames_corrected=int(state[machine.CORRECTED]),
            frames_aborted=int(state[machine.ABANDONED]),
            frames_missed=int(state[machine.MISSED]),
            syncs_gained=int(state[machine.GAINED]),
            syncs_lost=int(state[machine.LOST]),
        )

    def reset(self) -> None:
        """Forget everything, counters included: HUNT, as after power-on."""
        self._log.clear()
        self.registers[:] = 0
        self.registers[machine.EXPECTED] = -1
        self.registers[machine.IS_ACTIVE] = 1

    def snapshot(self) -> bytes:
        """Return all that the receiver knows and has counted."""
        return self.registers.astype("<i8").tobytes()

    def restore(self, snapshot: bytes) -> None:
        """Go back to a snapshot of a receiver of the same layout.

        Raises:
            ValueError: the bytes are no snapshot of such a receiver; it stays as it was.
        """
        if len(snapshot) != self.registers.nbytes:
            raise ValueError(
                f"a receiver's snapshot has {self.registers.nbytes} bytes, not {len(snapshot)}"
            )
        registers = np.frombuffer(snapshot, "<i8").astype(np.int64)
        require_possible(registers, self.machine)
        self.registers[:] = registers

    def take_log(self) -> ReceiverLog:
        """Return what went wrong, and the steps gained and lost, since the last call."""
        parts, self._log = self._log, []
        return ReceiverLog.joined([ReceiverLog.empty(), *parts])

    def add_log(self, log: ReceiverLog) -> None:
        """Add what a fused engine saw in the receiver's place."""
        if self.keeps_log:
            self._log.append(log)

    def settled_edge(self, stop_edge: int) -> int:
        """Return the edge before which no later frame begins, with the wire fed to an edge.

        Only a frame that is on its way in and is judged, once it is whole, began before it.
        """
        in_frame = self.registers[machine.POSITION] > 0
        if in_frame and self.registers[machine.STATE] == machine.SYNC:
            return int(self.registers[machine.FRAME_EDGE])
        return stop_edge

    def feed(self, batch: SymbolBatch) -> FrameBatch:
        """Take a stretch of the wire, its gaps as idle symbols on the slot grid.

        The result, counters and state included, is what `feed_symbols` gives for the same
        stretch spelled out; a gap takes no time that grows with its length.

        Returns:
            The frames delivered, each with the edge of its first symbol.
        """
        return self._run(
            batch.symbols,
            batch.edge,
            slot_length=self.layout.slot_symbols,
            first_edge=batch.first_edge,
            stop_edge=batch.stop_edge,
        )

    def feed_symbols(self, symbols: SymbolColumn, first_edge: int) -> FrameBatch:
        """Take symbols that follow each other, one an edge.

        Args:
            symbols: unsigned[symbols] of the layout's `symbol_dtype`.
            first_edge: edge of the first; it may lie anywhere after the last one fed, as
                edges that a receiver never saw leave no trace in it.

        Returns:
            The frames delivered, each with the edge of its first symbol.
        """
        return self._run(
            symbols,
            np.array([first_edge], np.uint64),
            slot_length=len(symbols),
            first_edge=first_edge,
            stop_edge=first_edge + len(symbols),
        )

    def _run(
        self,
        symbols: SymbolColumn,
        slot_edges: UInt64Column,
        *,
        slot_length: int,
        first_edge: int,
        stop_edge: int,
    ) -> FrameBatch:
        symbols = np.ascontiguousarray(symbols, self.layout.symbol_dtype)
        if len(symbols) != len(slot_edges) * slot_length:
            raise ValueError(
                f"{len(slot_edges)} slots of {slot_length} symbols need "
                f"{len(slot_edges) * slot_length} symbols, not {len(symbols)}"
            )
        slot_edges = np.ascontiguousarray(slot_edges, np.uint64)
        self.registers[machine.AT_EDGE] = first_edge
        self.registers[machine.SLOT] = 0
        room = len(symbols) // self.layout.frame_symbols + 2
        parts: list[FrameBatch] = []
        if self.keeps_log and not len(self._log_rows):
            self._log_rows = np.empty((LOG_ROOM, machine.LOG_COLUMNS), np.int64)
        log = self._log_rows if self.keeps_log else NO_ROWS
        log_count = np.zeros(1, np.int64)
        while self.registers[machine.AT_EDGE] < stop_edge:
            edge = np.empty(room, np.uint64)
            word = np.empty(room, np.uint64)
            count = machine.receive(
                symbols,
                slot_edges,
                slot_length,
                stop_edge,
                *self.machine,
                self.registers,
                self._saved,
                edge,
                word,
                log,
                log_count,
            )
            if log_count[0]:
                self._log.append(ReceiverLog.of_rows(log[: log_count[0]]))
            parts.append(FrameBatch(edge[:count], word[:count]))
            room = max(room, SPARE_FRAMES)
        self.registers[machine.AT_EDGE] = 0
        self.registers[machine.SLOT] = 0
        if len(parts) == 1:
            return parts[0]
        if not parts:
            return FrameBatch.empty()
        return FrameBatch(
            np.concatenate([part.edge for part in parts]),
            np.concatenate([part.word for part in parts]),
        )
