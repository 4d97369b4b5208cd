"""The receiver FIFO: which delivered frames are served in time.

Time is virtual, in ticks that divide a link edge, the service time and every busy time, so nothing
is rounded; `fifo_timing` has the queue itself.

A frame that finds the FIFO full is lost. One that is served after its deadline is late: it used
its service time, and it counts as lost too.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum, IntFlag
from fractions import Fraction
from math import gcd

import numpy as np
from numpy.typing import NDArray

from busplay.batch import FrameBatch
from busplay.description.board import BusyTime, ReceiverEnd
from busplay.description.faults import Stalls
from busplay.errors import DescriptionError
from busplay.receiver import fifo_timing
from busplay.units import NS_PER_S

TICKS_MAX = 1 << 61
_HEAD = struct.Struct("<8q")


class Fate(IntEnum):
    """What became of a frame that was delivered."""

    SERVED = fifo_timing.SERVED
    OVERRUN = fifo_timing.OVERRUN
    LATE = fifo_timing.LATE


class Busy(IntFlag):
    """What held up the receiver when a frame arrived."""

    VIDEO = 1
    """Busy time of the video side."""
    STALL = 2
    """Injected stall."""


@dataclass(frozen=True, slots=True, eq=False)
class Served:
    """What became of a batch of delivered frames.

    Attributes:
        frames: the frames served in time.
        fate: uint8[delivered]; a `Fate` for each.
        busy: uint8[delivered]; `Busy` flags at arrival if the frame was not served in time, else
            0.
        held: uint32[delivered]; frames that the FIFO held once each had come.
    """

    frames: FrameBatch
    fate: NDArray[np.uint8]
    busy: NDArray[np.uint8]
    held: NDArray[np.uint32]


@dataclass(frozen=True, slots=True)
class FifoCounters:
    """Counts of the receiver FIFO.

    Attributes:
        frames_served: in time.
        frames_overrun: found the FIFO full.
        frames_late: served after their deadline.
        overruns_while_busy: overruns during a busy time or a stall.
        frames_held_max: most frames in the FIFO at once.
        wait_ns: total time that frames waited before their service began.
    """

    frames_served: int
    frames_overrun: int
    frames_late: int
    overruns_while_busy: int
    frames_held_max: int
    wait_ns: Fraction

    @property
    def mean_wait_ns(self) -> float:
        """Mean time that a frame waited before its service began."""
        taken = self.frames_served + self.frames_late
        return float(self.wait_ns / taken) if taken else 0.0


class ReceiverFifo:
    """A FIFO with one server, in virtual time.

    Args:
        receiver: depth, service time, deadline and busy times.
        edge_hz: link edges in a second.
        frame_symbols: edges from a frame's first symbol to its arrival.
        stalls: further times without service, one a period at a random point.
        seed: of the stalls and of the busy times' jitter.

    Raises:
        DescriptionError: busy times and stalls leave no service time, or times are too long to
            count exactly.
    """

    def __init__(
        self,
        receiver: ReceiverEnd,
        *,
        edge_hz: int,
        frame_symbols: int,
        stalls: Sequence[Stalls] = (),
        seed: int = 1,
    ) -> None:
        self.receiver = receiver
        busy = [(one, Busy.VIDEO) for one in receiver.busy]
        for stall in stalls:
            jitter_ns = stall.period_ns - stall.length_ns
            busy.append((BusyTime(stall.period_ns, stall.length_ns, 0, jitter_ns), Busy.STALL))
        _require_time_left([one for one, _ in busy])
        self._busy = busy
        times = [receiver.service_ns, receiver.deadline_ns or 0]
        for one, _ in busy:
            times += [one.period_ns, one.length_ns, one.phase_ns, one.jitter_ns]
        # The largest time that divides all of them, then the largest that also divides edges.
        self._quantum_ns = gcd(*times) or 1
        edge_part, quantum_part = NS_PER_S, self._quantum_ns * edge_hz
        common = gcd(edge_part, quantum_part)
        self._edge_ticks = edge_part // common
        self._quantum_ticks = quantum_part // common
        self._numbers = np.zeros(fifo_timing.NUMBERS_COUNT, np.int64)
        deadline = receiver.deadline_ns
        self._require_countable(edge_hz)
        self._numbers[fifo_timing.EDGE_TICKS] = self._edge_ticks
        self._numbers[fifo_timing.FRAME_EDGES] = frame_symbols
        self._numbers[fifo_timing.SERVICE_TICKS] = self._ticks(receiver.service_ns)
        self._numbers[fifo_timing.DEADLINE_TICKS] = (
            fifo_timing.NO_DEADLINE if deadline is None else self._ticks(deadline)
        )
        self._numbers[fifo_timing.SEED] = seed
        self._numbers[fifo_timing.SPAN_EDGES] = TICKS_MAX // self._edge_ticks - frame_symbols
        self._epoch = 0
        self._state = np.zeros(fifo_timing.STATE_COUNT, np.int64)
        self._state[fifo_timing.LAST_DONE] = fifo_timing.PAST
        self._ring = np.zeros(receiver.fifo_depth, np.int64)
        self._counts = [0, 0, 0]
        self._overruns_while_busy = 0
        self._wait_ticks = 0

    def _ticks(self, time_ns: int) -> int:
        return time_ns // self._quantum_ns * self._quantum_ticks

    def _require_countable(self, edge_hz: int) -> None:
        """Refuse times whose sums would not fit 64 bits."""
        receiver = self.receiver
        free = 1 - sum(Fraction(one.length_ns, one.period_ns) for one, _ in self._busy)
        backlog_ns = (receiver.fifo_depth + 2) * receiver.service_ns / free
        longest_ns = max((one.period_ns for one, _ in self._busy), default=0)
        ticks = int(backlog_ns + 4 * longest_ns) // self._quantum_ns * self._quantum_ticks
        if max(ticks, self._ticks(receiver.deadline_ns or 0)) < TICKS_MAX:
            return
        raise DescriptionError(
            place="receiver",
            found=f"a FIFO of {receiver.fifo_depth} frames of {receiver.service_ns} ns each at"
            f" {edge_hz} edges a second",
            wanted="such times cannot be counted exactly; give round or shorter ones",
        )

    def is_harmless(self, step_edges: int) -> bool:
        """Return whether frames at least `step_edges` apart are all served in time.

        So it is if each is done before the next can arrive and there are no busy times.
        """
        receiver = self.receiver
        return (
            not self._busy
            and self._ticks(receiver.service_ns) <= step_edges * self._edge_ticks
            and receiver.fifo_depth >= 1
            and (receiver.deadline_ns is None or receiver.deadline_ns >= receiver.service_ns)
        )

    @property
    def counters(self) -> FifoCounters:
        """Counts so far."""
        wait_ticks = self._wait_ticks + int(self._state[fifo_timing.WAIT_TICKS])
        return FifoCounters(
            frames_served=self._counts[Fate.SERVED],
            frames_overrun=self._counts[Fate.OVERRUN],
            frames_late=self._counts[Fate.LATE],
            overruns_while_busy=self._overruns_while_busy,
            frames_held_max=int(self._state[fifo_timing.HELD_MAX]),
            wait_ns=Fraction(wait_ticks * self._quantum_ns, self._quantum_ticks),
        )

    @property
    def frames_held(self) -> int:
        """Frames in the FIFO as the last one arrived."""
        return int(self._state[fifo_timing.HELD])

    def feed(self, frames: FrameBatch) -> Served:
        """Take delivered frames, in order of their edges.

        Returns:
            The frames served in time, and the fate of each.
        """
        count = len(frames)
        fate = np.zeros(count, np.uint8)
        flags = np.zeros(count, np.uint8)
        held = np.zeros(count, np.uint32)
        done = 0
        while done < count:
            sources = self._move_epoch(int(frames.edge[done]))
            done = fifo_timing.serve(
                np.ascontiguousarray(frames.edge, np.uint64),
                done,
                self._epoch,
                self._numbers,
                sources,
                self._state,
                self._ring,
                fate,
                flags,
                held,
            )
        lost = fate != fifo_timing.SERVED
        if not lost.any():
            self._counts[Fate.SERVED] += count
            return Served(frames, fate, flags, held)
        for kind, found in enumerate(np.bincount(fate, minlength=3)):
            self._counts[kind] += int(found)
        overrun = fate == fifo_timing.OVERRUN
        self._overruns_while_busy += int(np.count_nonzero(flags[overrun]))
        kept = ~lost
        return Served(FrameBatch(frames.edge[kept], frames.word[kept]), fate, flags, held)

    def _move_epoch(self, edge: int) -> NDArray[np.int64]:
        """Move tick 0 to an edge; return the busy times relative to it."""
        passed = (edge - self._epoch) * self._edge_ticks
        if passed < TICKS_MAX:
            self._ring -= passed
            self._state[fifo_timing.LAST_DONE] = max(
                int(self._state[fifo_timing.LAST_DONE]) - passed, fifo_timing.PAST
            )
        else:
            # All that waited was served long ago.
            self._ring[:] = fifo_timing.PAST
            self._state[fifo_timing.LAST_DONE] = fifo_timing.PAST
        np.maximum(self._ring, fifo_timing.PAST, out=self._ring)
        self._wait_ticks += int(self._state[fifo_timing.WAIT_TICKS])
        self._state[fifo_timing.WAIT_TICKS] = 0
        self._epoch = edge
        now = edge * self._edge_ticks
        sources = np.zeros((len(self._busy), fifo_timing.SOURCE_COLUMNS), np.int64)
        for row, (one, flag) in zip(sources, self._busy, strict=True):
            period, phase = self._ticks(one.period_ns), self._ticks(one.phase_ns)
            index = max(0, (now - phase) // period - 1)
            row[fifo_timing.PERIOD] = period
            row[fifo_timing.LENGTH] = self._ticks(one.length_ns)
            row[fifo_timing.JITTER_STEPS] = one.jitter_ns // self._quantum_ns
            row[fifo_timing.JITTER_TICKS] = self._quantum_ticks
            row[fifo_timing.FIRST_INDEX] = index
            row[fifo_timing.FIRST_START] = phase + index * period - now
            row[fifo_timing.FLAG] = flag
            row[fifo_timing.INDEX] = index - 1
            row[fifo_timing.START] = row[fifo_timing.STOP] = fifo_timing.PAST
        return sources

    def snapshot(self) -> bytes:
        """Return the state between batches, counters included."""
        held = int(self._state[fifo_timing.HELD])
        places = (int(self._state[fifo_timing.HEAD]) + np.arange(held)) % len(self._ring)
        head = _HEAD.pack(
            self._epoch,
            *(self._counts[kind] for kind in Fate),
            self._overruns_while_busy,
            int(self._state[fifo_timing.HELD_MAX]),
            int(self._state[fifo_timing.LAST_DONE]),
            held,
        )
        wait_ticks = self._wait_ticks + int(self._state[fifo_timing.WAIT_TICKS])
        return head + self._ring[places].astype("<i8").tobytes() + wait_ticks.to_bytes(16, "little")

    def restore(self, snapshot: bytes, *, edge: int) -> None:
        """Go back to a snapshot of a FIFO of the same description.

        Args:
            snapshot: from `snapshot`.
            edge: link edge from which frames follow.

        Raises:
            ValueError: the bytes are not such a snapshot; nothing is changed.
        """
        if len(snapshot) < _HEAD.size:
            raise ValueError(f"a FIFO's snapshot has {_HEAD.size} bytes or more")
        epoch, served, overrun, late, busy, held_max, last_done, held = _HEAD.unpack_from(snapshot)
        if not 0 <= held <= len(self._ring) or len(snapshot) != _HEAD.size + 8 * held + 16:
            raise ValueError(f"a FIFO of {len(self._ring)} frames does not hold {held}")
        if not 0 <= epoch <= edge or not fifo_timing.PAST <= last_done <= 2 * TICKS_MAX:
            raise ValueError("times that cannot be")
        if min(served, overrun, late, busy) < 0 or busy > overrun:
            raise ValueError("counts that cannot be")
        if not held <= held_max <= len(self._ring):
            raise ValueError(f"a high-water mark of {held_max} in a FIFO of {len(self._ring)}")
        ring = np.frombuffer(snapshot, "<i8", held, _HEAD.size)
        if held and (
            ring[0] < fifo_timing.PAST or ring[-1] > last_done or (np.diff(ring) < 0).any()
        ):
            raise ValueError("times that cannot be")
        self._epoch = epoch
        self._counts = [served, overrun, late]
        self._overruns_while_busy = busy
        self._state[:] = 0
        self._state[fifo_timing.HELD_MAX] = held_max
        self._state[fifo_timing.LAST_DONE] = last_done
        self._state[fifo_timing.HELD] = held
        self._ring[:held] = ring
        self._wait_ticks = int.from_bytes(snapshot[-16:], "little")


def _require_time_left(busy: Sequence[BusyTime]) -> None:
    """Refuse busy times that overlap within a period, or that leave no time."""
    for one in busy:
        if not 0 < one.length_ns + one.jitter_ns <= one.period_ns:
            raise DescriptionError(
                place="receiver.busy",
                found=f"a length of {one.length_ns} ns and a jitter of {one.jitter_ns} ns",
                wanted=f"together they must fit the period of {one.period_ns} ns",
            )
    taken = sum((Fraction(one.length_ns, one.period_ns) for one in busy), Fraction(0))
    if taken >= 1:
        raise DescriptionError(
            place="receiver.busy",
            found=f"busy times and stalls that take {float(taken):.0%} of the time",
            wanted="some time must be left to serve frames",
        )
