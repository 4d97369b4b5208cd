"""From symbols to frames: find where frames begin, stay in sync, check, count."""

from __future__ import annotations

import numpy as np

from busplay.batch import (
    SPAN_COLUMNS,
    DeliveredFrames,
    FrameBatch,
    FrameRoom,
    SymbolColumn,
    UInt64Column,
    WireBatch,
)
from busplay.link.layout import FrameLayout
from busplay.receiver import registers as places
from busplay.receiver.counters import ReceiverCounters, ReceiverLog
from busplay.receiver.machine import receive_check, receive_marker, receive_strobe
from busplay.receiver.registers import require_possible
from busplay.receiver.rules import receiver_rules
from busplay.receiver.states import LOG_COLUMNS, State
from busplay.receiver.stretch import Reception, Stretch

# Room for frames that one kernel call may deliver beyond the batch's own: needed only in false
# sync on an idle pattern that looks like frames.
SPARE_FRAMES = 4096
# Log entries that one kernel call may write.
LOG_ROOM = 1 << 14
# Spans of frames delivered as they were sent that one kernel call may list.
SPAN_ROOM = 1 << 14
# Symbols brought into the word's bit order at a time.
LINE_SYMBOLS = 4096
_NO_ROWS = np.empty((0, LOG_COLUMNS), np.int64)


class Receiver:
    """The receiver of a link: it starts in HUNT and delivers the frames that it finds.

    It delivers a frame that began in SYNC, is valid (or was corrected), and is not idle. So the
    `confirm_frames` that bring it into SYNC are not delivered; a sender sends idle frames first.

    Args:
        layout: of the link.
        correct_one_bit: correct a frame with one invalid bit, as the header error control of
            ITU-T I.432.1 does: after a corrected or uncorrectable frame none is corrected until
            a valid one has arrived.

    Attributes:
        keeps_log: keep what `take_log` returns.

    Raises:
        DescriptionError: the link's check cannot locate an invalid bit.
    """

    def __init__(self, layout: FrameLayout, *, correct_one_bit: bool = False) -> None:
        self.layout = layout
        self.rules = receiver_rules(layout, correct_one_bit=correct_one_bit)
        self._receive = receive_check
        if self.rules.is_watched:
            self._receive = receive_marker
        elif self.rules.is_strobe:
            self._receive = receive_strobe
        self.registers = np.zeros(places.REGISTERS_COUNT, np.int64)
        self._saved = np.zeros(places.REGISTERS_COUNT, np.int64)
        self._progress = np.zeros(places.PROGRESS_COUNT, np.int64)
        self._line = np.zeros(LINE_SYMBOLS, np.uint64)
        self._room = FrameRoom()
        self._spans = np.empty((SPAN_ROOM, SPAN_COLUMNS), np.int64)
        self.keeps_log = False
        self._log: list[ReceiverLog] = []
        self._log_rows = _NO_ROWS  # room for the log, made when it is first needed
        self.reset()

    @property
    def state(self) -> State:
        """The receiver's state."""
        return State(int(self.registers[places.STATE]))

    @property
    def symbols_fed(self) -> int:
        """Count of symbols fed."""
        return int(self.registers[places.SYMBOLS_FED])

    @property
    def sequence_state(self) -> tuple[int, int]:
        """The sequence number expected next, -1 before the first frame, and frames missed."""
        return int(self.registers[places.EXPECTED]), int(self.registers[places.FRAMES_MISSED])

    @property
    def counters(self) -> ReceiverCounters:
        """Counts since it was made or reset."""
        values = self.registers.tolist()
        in_sync = values[places.STATE] == State.SYNC
        return ReceiverCounters(
            symbols_fed=values[places.SYMBOLS_FED],
            symbols_skipped=values[places.SYMBOLS_SKIPPED],
            symbols_idle=values[places.SYMBOLS_IDLE],
            pending_symbols=values[places.POSITION] if in_sync else 0,
            frames_received=values[places.FRAMES_RECEIVED],
            frames_idle=values[places.FRAMES_IDLE],
            checks_failed=values[places.CHECKS_FAILED],
            frames_corrected=values[places.FRAMES_CORRECTED],
            frames_aborted=values[places.FRAMES_ABORTED],
            frames_missed=values[places.FRAMES_MISSED],
            syncs_gained=values[places.SYNCS_GAINED],
            syncs_lost=values[places.SYNCS_LOST],
        )

    def reset(self) -> None:
        """Forget everything, counters included: HUNT, as after power-on."""
        self._log.clear()
        self.registers[:] = 0
        self.registers[places.EXPECTED] = -1
        self.registers[places.WAS_ACTIVE] = 1

    def snapshot(self) -> bytes:
        """Return the receiver's state, counters included."""
        return self.registers.astype("<i8").tobytes()

    def restore(self, snapshot: bytes) -> None:
        """Go back to a snapshot of a receiver of the same layout.

        Raises:
            ValueError: the bytes are not such a snapshot; nothing is changed.
        """
        if len(snapshot) != self.registers.nbytes:
            raise ValueError(
                f"a receiver's snapshot has {self.registers.nbytes} bytes, not {len(snapshot)}"
            )
        registers = np.frombuffer(snapshot, "<i8").astype(np.int64)
        require_possible(registers, self.rules)
        self.registers[:] = registers

    def take_log(self) -> ReceiverLog:
        """Return the errors, and the syncs gained and lost, since the last call."""
        parts, self._log = self._log, []
        return ReceiverLog.joined(parts)

    def settled_edge(self, stop_edge: int) -> int:
        """Return the edge before which no later frame begins, the wire being fed to an edge.

        Only an incomplete frame that will be judged began before the edge fed to.
        """
        if self.registers[places.POSITION] > 0 and self.state is State.SYNC:
            return int(self.registers[places.FRAME_EDGE])
        return stop_edge

    def feed_symbols(self, symbols: SymbolColumn, first_edge: int) -> FrameBatch:
        """Take symbols that follow each other, one an edge; see `feed`.

        Args:
            symbols: unsigned[symbols] of the layout's `symbol_dtype`.
            first_edge: edge of the first, anywhere after the last one fed: edges that the
                receiver never saw do not affect it.
        """
        return self.feed(WireBatch.of_symbols(symbols, first_edge))

    def feed(self, batch: WireBatch) -> FrameBatch:
        """Take a stretch of the wire.

        The result, counters and state included, does not depend on the form of the stretch: words,
        symbols, or idle time, which takes constant time.

        Returns:
            The frames delivered, each with the edge of its first symbol; the batch's own if all
            of them are delivered unchanged.
        """
        return self.receive(batch).frames()

    def receive(self, batch: WireBatch) -> DeliveredFrames:
        """Take a stretch of the wire as `feed` does, and leave uncopied what comes as sent."""
        words, progress = batch.words, self._progress
        symbols = np.ascontiguousarray(batch.symbols, self.layout.symbol_dtype)
        stretch = Stretch(
            _for_kernels(words.edge),
            _for_kernels(words.word),
            np.ascontiguousarray(batch.run_edge),
            np.ascontiguousarray(batch.run_first),
            symbols,
            batch.stop_edge,
        )
        if self.keeps_log and not len(self._log_rows):
            self._log_rows = np.empty((LOG_ROOM, LOG_COLUMNS), np.int64)
        log = self._log_rows if self.keeps_log else _NO_ROWS
        given = int(batch.run_first[-1] - batch.run_first[0])
        count = len(words) + given // self.layout.frame_symbols + 3
        progress[:] = 0
        progress[places.AT_EDGE] = batch.first_edge
        parts: list[DeliveredFrames] = []
        while progress[places.AT_EDGE] < batch.stop_edge:
            edge, word = self._room.take(count)
            self._receive(
                Reception(
                    stretch,
                    self.rules,
                    self.registers,
                    self._saved,
                    progress,
                    edge,
                    word,
                    self._spans,
                    log,
                    self._line,
                )
            )
            if progress[places.LOGGED]:
                self._log.append(ReceiverLog.of_rows(log[: progress[places.LOGGED]]))
            copied, spans = int(progress[places.COPIED]), int(progress[places.SPANS])
            copies = FrameBatch(edge[:copied], word[:copied])
            parts.append(DeliveredFrames(words, copies, self._spans[:spans].copy()))
            progress[places.RUN + 1 :] = 0
            count = max(count, SPARE_FRAMES)
        return DeliveredFrames.joined(words, parts)


def _for_kernels(column: UInt64Column) -> UInt64Column:
    """Return a column in the one form that the kernel is compiled for."""
    return column if column.flags.carray else np.require(column, np.uint64, ("C", "W"))
