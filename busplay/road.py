"""The road after the core: sender, wire, receiver and displays of one board, joined.

Live programs, stores from other emulators and replayed traces all go through this one
object. `feed` takes stores and `feed_frames` takes frames that a sender made before; from
the wire on they are the same.

When `feed` returns, every store of the batch has arrived or is counted as lost: the road runs
ahead of the processor by the few slots that the sender's FIFO still holds. Where the batches
are cut therefore changes nothing, neither in the frames nor on the screen.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from busplay.batch import FrameBatch, StoreBatch
from busplay.description.board import Board
from busplay.display.bank import DisplayBank
from busplay.display.display import Display
from busplay.errors import InputError
from busplay.link.layout import FrameLayout
from busplay.receiver.receiver import Receiver
from busplay.receiver.states import ReceiverCounters, State
from busplay.sender.encoder import Encoder
from busplay.sender.speller import spell

if TYPE_CHECKING:
    from busplay.engine.engine import FusedEngine

FUSED_FROM_FRAMES = 40_000
"""Batches from this size on go through the fused engine.

At 8 MHz and 60 pictures a second the densest batch is 33,334 frames.
"""

RECEIVER_STATE = "receiver"
UNIT_STATE = "unit "


@dataclass(frozen=True, slots=True)
class RoadCounters:
    """What went in, what came out and what got lost on the way.

    Attributes:
        stores: stores in windows that were offered to the sender.
        frames_sent: frames that left the sender, idle ones not counted.
        frames_overrun: stores lost because the sender's FIFO was full.
        receiver: what the receiver saw.
        writes_outside: delivered frames whose offset or unit does not exist.
    """

    stores: int
    frames_sent: int
    frames_overrun: int
    receiver: ReceiverCounters
    writes_outside: int

    def losses(self) -> dict[str, int]:
        """Give everything that went wrong on the way, by cause, in words; causes of 0 left out."""
        seen = self.receiver
        causes = {
            "lost at the sender's full FIFO": self.frames_overrun,
            "checks failed": seen.checks_failed,
            "locks lost": seen.locks_lost,
            "frames missed by sequence": seen.frames_missed,
            "frames given up": seen.frames_abandoned,
            "outside the units": self.writes_outside,
        }
        return {words: count for words, count in causes.items() if count}

    @property
    def errors(self) -> int:
        """Everything that went wrong on the way, all causes together."""
        return sum(self.losses().values())

    def error_text(self) -> str:
        """Say what went wrong, for people; empty if nothing did."""
        return "; ".join(f"{count:,} {words}" for words, count in self.losses().items())


class Road:
    """Sender → wire → receiver → displays.

    Attributes:
        board: the description.
        layout: of the board's link.
        encoder, receiver, bank: the stages, for their counters; feed the road, not them.
    """

    def __init__(self, board: Board) -> None:
        self.board = board
        self.layout = FrameLayout(board.link)
        self.encoder = Encoder(board)
        self.receiver = Receiver(self.layout, correct_one_bit=board.receiver.correct_one_bit)
        self.bank = DisplayBank(board, self.layout)
        self._edge = 0
        self._frames_carried = 0
        self._engine: FusedEngine | None = None

    @property
    def edge(self) -> int:
        """Link edge up to which everything has passed the wire."""
        return self._edge

    @property
    def frames_carried(self) -> int:
        """Frames that were put on the wire so far, idle ones not counted."""
        return self._frames_carried

    @property
    def displays(self) -> Mapping[str, Display]:
        """The units' displays by name, in the board's order."""
        return self.bank.displays

    def feed(self, stores: StoreBatch, *, stop_cycle: int) -> FrameBatch:
        """Send stores, carry them over the wire and show them.

        Args:
            stores: in windows, all before `stop_cycle`.
            stop_cycle: cycle up to which the processor has run.

        Returns:
            the frames that were sent, for a recorder.
        """
        engine = self._engine_for(len(stores))
        if engine is not None:
            frames = engine.feed(stores, stop_cycle=stop_cycle) or FrameBatch.empty()
            self._edge = engine.edge
            self._frames_carried += len(frames)
            return frames
        frames = self.encoder.feed(stores, stop_cycle=stop_cycle)
        self.feed_frames(frames, stop_edge=self.encoder.settled_edge)
        return frames

    def feed_frames(self, frames: FrameBatch, *, stop_edge: int) -> None:
        """Carry frames over the wire and show what the receiver delivers.

        Args:
            frames: starting at `edge` or later.
            stop_edge: where this stretch may end; it is moved back to the grid on which frames
                start, and behind the last frame.
        """
        engine = self._engine_for(len(frames))
        if engine is not None:
            engine.feed_frames(frames, stop_edge=stop_edge)
            self._edge = engine.edge
            self._frames_carried += len(frames)
            return
        grid = self.encoder.grid_edges
        stop = stop_edge // grid * grid
        if len(frames):
            stop = max(stop, int(frames.edge[-1]) + self.encoder.step_edges)
        if stop <= self._edge:
            return
        batch = spell(frames, self.layout, first_edge=self._edge, stop_edge=stop)
        self.bank.feed(self.receiver.feed(batch))
        self._edge = stop
        self._frames_carried += len(frames)

    def _engine_for(self, count: int) -> FusedEngine | None:
        """Give the fused engine for a large batch; None: the stages do it.

        The two agree at any moment, so they can take turns. The fused one is some times
        faster, but its loop takes seconds to compile when it is first used on a machine; the
        batches of a program in real time are not worth that.
        """
        if count < FUSED_FROM_FRAMES:
            return None
        if self._engine is None:
            # Loads and compiles a kernel that small batches can do without.
            from busplay.engine.engine import FusedEngine

            self._engine = FusedEngine(self.encoder, self.receiver, self.bank)
        self._engine.edge = self._edge
        return self._engine

    def counters(self) -> RoadCounters:
        """What has happened since the road was made."""
        bank = self.bank.counters
        outside = sum(display.counters.frames_outside for display in self.displays.values())
        sent = self.encoder.counters
        return RoadCounters(
            stores=sent.stores_offered,
            frames_sent=self._frames_carried,
            frames_overrun=sent.frames_overrun,
            receiver=self.receiver.counters,
            writes_outside=outside + bank.frames_unknown_unit,
        )

    def states(self) -> dict[str, bytes]:
        """Give the state of receiver and units, for a trace's key frame."""
        units = {UNIT_STATE + name: state for name, state in self.bank.state().items()}
        return {RECEIVER_STATE: self.receiver.snapshot(), **units}

    def restore(self, states: Mapping[str, bytes], *, edge: int, frames_carried: int) -> None:
        """Take up what `states` gave, as of `edge` and after that many frames.

        Raises:
            InputError: the states are not those of this board.
        """
        units = {
            name.removeprefix(UNIT_STATE): state
            for name, state in states.items()
            if name.startswith(UNIT_STATE)
        }
        try:
            self.receiver.restore(states.get(RECEIVER_STATE, b""))
        except ValueError as error:
            raise InputError(
                place="key frame", found=str(error), wanted="record the trace anew"
            ) from error
        self.bank.restore(units)
        self._edge = edge
        self._frames_carried = frames_carried

    @property
    def in_step(self) -> bool:
        """Tell whether the receiver is in SYNC."""
        return self.receiver.state is State.SYNC
