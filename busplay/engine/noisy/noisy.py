"""The wire and the receiver as one loop over words, where bits flip and the receiver is in sync."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busplay.batch import FrameBatch
from busplay.engine.noisy import kernels
from busplay.receiver import machine as receiver_kernels
from busplay.receiver.receiver import Receiver
from busplay.receiver.states import ReceiverLog

ROOM_FRAMES = 1 << 16
LOG_ROOM = 1 << 14


@dataclass(frozen=True, slots=True, eq=False)
class Carried:
    """What one call carried.

    Attributes:
        edge: up to which everything has passed; a slot's start, or the stretch's end.
        frames: how many of the sent ones.
        hits: how many hits.
        delivered: what the receiver delivered.
    """

    edge: int
    frames: int
    hits: int
    delivered: FrameBatch


class NoisyEngine:
    """Carries frames with flipped bits to a receiver in sync, as wire and machine would.

    It keeps nothing of its own: registers and log are the receiver's.

    Attributes:
        is_usable: the receiver is of a kind whose frames can be judged as whole words: no mending,
            and no markers to be looked for within them.
    """

    def __init__(self, receiver: Receiver) -> None:
        self._receiver = receiver
        layout, machine = receiver.layout, receiver.machine
        theirs = machine.geometry
        self.is_usable = bool(
            theirs[receiver_kernels.IS_STEADY]
            and not theirs[receiver_kernels.IS_WATCHED]
            and not theirs[receiver_kernels.IS_CORRECTED]
        )
        self._geometry = np.zeros(kernels.GEOMETRY_COUNT, np.int64)
        self._geometry[kernels.LANES] = layout.lanes
        self._geometry[kernels.FRAME_BITS] = layout.frame_bits
        self._geometry[kernels.FRAME_SYMBOLS] = layout.frame_symbols
        self._geometry[kernels.SLOT_SYMBOLS] = layout.slot_symbols
        self._geometry[kernels.RELEASE_FRAMES] = theirs[receiver_kernels.RELEASE_FRAMES]
        self._geometry[kernels.IS_STROBE] = theirs[receiver_kernels.IS_STROBE]
        self._geometry[kernels.IS_HELD] = theirs[receiver_kernels.IS_HELD]
        self._geometry[kernels.IS_LOWEST_FIRST] = layout.link.first_bit_lane == "lowest"
        self._geometry[kernels.ON_SLOT_GRID] = layout.link.start == "slot"
        self._geometry[kernels.WORD_BYTES] = theirs[receiver_kernels.WORD_BYTES]
        self._geometry[kernels.SEQUENCE_RUNS] = theirs[receiver_kernels.SEQUENCE_RUNS]
        sequence_bits = int(theirs[receiver_kernels.SEQUENCE_BITS])
        self._geometry[kernels.SEQUENCE_MASK] = (1 << sequence_bits) - 1
        self._masks = np.zeros(kernels.MASKS_COUNT, np.uint64)
        self._masks[kernels.STROBE_MASK] = layout.strobe_mask
        self._masks[kernels.IDLE_WORD] = machine.masks[receiver_kernels.IDLE_WORD]
        self._masks[kernels.IDLE_COMPARED] = machine.masks[receiver_kernels.IDLE_COMPARED]
        self._masks[kernels.SPACE_MASK] = machine.masks[receiver_kernels.SPACE_MASK]
        self._masks[kernels.SPACE_COMPARED] = machine.masks[receiver_kernels.SPACE_COMPARED]
        self._log = np.empty((LOG_ROOM, receiver_kernels.LOG_COLUMNS), np.int64)

    def is_in_sync(self, edge: int) -> bool:
        """Tell whether the receiver stands in sync between two frames on the slot grid."""
        registers = self._receiver.registers
        layout = self._receiver.layout
        return (
            self.is_usable
            and int(registers[receiver_kernels.STATE]) == receiver_kernels.SYNC
            and int(registers[receiver_kernels.POSITION]) == 0
            and (layout.strobe_mask != 0 or edge % layout.slot_symbols == 0)
        )

    def carry(
        self,
        frames: FrameBatch,
        hit_edge: NDArray[np.int64],
        hit_mask: NDArray[np.uint64],
        *,
        first_edge: int,
        stop_edge: int,
    ) -> Carried:
        """Carry frames as far as the receiver stays in sync.

        Args:
            frames: their slots lie within the stretch.
            hit_edge, hit_mask: bits flipped in the stretch, in order of their edges.
            first_edge: where the receiver stands; `is_in_sync` holds.
            stop_edge: the stretch's end.
        """
        room = min(ROOM_FRAMES, len(frames) + len(hit_edge)) + 1
        edge, word = np.empty(room, np.uint64), np.empty(room, np.uint64)
        progress = np.zeros(kernels.PROGRESS_COUNT, np.int64)
        progress[kernels.AT_EDGE] = first_edge
        kernels.carry(
            np.ascontiguousarray(frames.edge),
            np.ascontiguousarray(frames.word),
            np.ascontiguousarray(hit_edge),
            np.ascontiguousarray(hit_mask),
            stop_edge,
            self._geometry,
            self._masks,
            self._receiver.machine.tables,
            self._receiver.machine.sequence_runs,
            self._receiver.registers,
            progress,
            edge,
            word,
            self._log,
        )
        logged = int(progress[kernels.LOGGED])
        if logged:
            self._receiver.add_log(ReceiverLog.of_rows(self._log[:logged]))
        out = int(progress[kernels.OUT])
        return Carried(
            edge=int(progress[kernels.AT_EDGE]),
            frames=int(progress[kernels.FRAME]),
            hits=int(progress[kernels.HIT]),
            delivered=FrameBatch(edge[:out], word[:out]),
        )
