"""A store that was not received as sent, found in the recording or in one of what arrived."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from busplay.analysis.compare.compare import compare_recordings
from busplay.analysis.compare.streams import Kind
from busplay.errors import InputError
from busplay.history.history import History
from busplay.history.pixel import PixelCauses
from busplay.history.places import Place, Write, place_of_register
from busplay.losses.losses import CAUSE_WORDS, Cause
from busplay.trace.reader import TraceReader
from busplay.write_index import marking

FATE_CAUSES = {
    marking.FIFO_FULL: Cause.RECEIVER_FIFO,
    marking.LATE: Cause.DEADLINE,
    marking.UNDELIVERED: Cause.OUT_OF_SYNC,
}

Origin = Literal["sent", "damaged", "spurious"]

# Counts in the summary of a recording of arrivals.
COUNTED_CAUSES = {
    "lost_on_wire": Cause.WIRE,
    "lost_out_of_sync": Cause.OUT_OF_SYNC,
    "lost_at_receiver": Cause.RECEIVER_FIFO,
    "lost_late": Cause.DEADLINE,
}


@dataclass(frozen=True, slots=True)
class FrameLost:
    """A frame that was not received as sent.

    Attributes:
        frame: its number in the recording of what was sent.
        causes: as text; several if it is not known which.
        at_receiver: it was lost at the receiver FIFO or late.
        is_late: it was served after its deadline.
        came: number and edge in the other recording of the frame received instead, or None.
    """

    frame: int
    causes: tuple[str, ...]
    at_receiver: bool
    is_late: bool
    came: tuple[int, int] | None


def lost_in_recording(history: History, place: Place, before_frame: int) -> FrameLost | None:
    """Return the last frame to a place that the board's receiver lost after the last write.

    Raises:
        InputError: the trace is damaged.
    """
    last = history.last_write(place, before_frame)
    found = history.last_unserved(place, 0 if last is None else last.frame + 1, before_frame)
    if found is None:
        return None
    frame, fate = found
    cause = FATE_CAUSES[fate]
    return FrameLost(
        frame, (CAUSE_WORDS[cause],), cause is not Cause.OUT_OF_SYNC, cause is Cause.DEADLINE, None
    )


def lost_besides_the_byte(
    history: History, causes: PixelCauses, pairing: Pairing | None
) -> list[tuple[Write, FrameLost]]:
    """Return the stores behind a colour, besides the byte's, that were not received as sent.

    They go to the palette, to the registers of the picture, and for text to cells and glyphs.

    Args:
        history: of the recording.
        causes: of the pixel's colour there.
        pairing: with a recording of what arrived; None: only what the board's receiver lost.

    Raises:
        InputError: the trace is damaged.
    """
    found: dict[int, tuple[Write, FrameLost]] = {}
    for name in ("BASE_HIGH", "BLANK"):
        place = place_of_register(causes.unit, name)
        lost = lost_in_recording(history, place, causes.before_frame)
        if lost is not None:
            found[lost.frame] = history.sent_write(lost.frame, place), lost
    if pairing is not None:
        writes = [one for one in causes.writes if one != causes.byte]
        if causes.palette is not None:
            # The colour went elsewhere if its index did not arrive.
            index = place_of_register(causes.unit, "PALETTE_INDEX")
            chosen = history.last_write(index, causes.palette.blue.frame)
            writes += [] if chosen is None else [chosen]
        for write in writes:
            lost = None if pairing.is_behind_the_end(write.edge) else pairing.fate_of(write.frame)
            if lost is not None:
                found[write.frame] = write, lost
    return [found[frame] for frame in sorted(found)]


class Pairing:
    """Which frame of a recording is which in one of what arrived.

    Args:
        sent: the recording.
        received: the other.
        progress: called with (frames done, frames of the recording).

    Raises:
        InputError: a trace is damaged, or the two are of different units or windows.
    """

    def __init__(
        self,
        sent: TraceReader,
        received: TraceReader,
        progress: Callable[[int, int], object],
    ) -> None:
        def report(done: int) -> None:
            progress(done, sent.frames)

        self._sent, self._received = sent, received
        # Cause by the edge at which the frame was sent: the first losses only.
        self._causes = dict(zip(*(column.tolist() for column in received.losses()), strict=True))
        self._rows = compare_recordings(
            sent,
            received,
            keep=sent.frames + received.frames,
            find_patterns=False,
            progress=report,
        ).differences

    def fate_of(self, frame: int) -> FrameLost | None:
        """Return the fate of a frame sent; None: received as sent."""
        rows = self._rows
        which = np.flatnonzero(rows.expected_index == frame)
        if not len(which) or rows.kind[which[0]] == Kind.OUT_OF_ORDER:
            return None
        row = int(which[0])
        if rows.kind[row] == Kind.CHANGED:
            came = int(rows.actual_index[row]), int(rows.actual_edge[row])
            return FrameLost(frame, (CAUSE_WORDS[Cause.DAMAGED],), False, False, came)
        known = self._causes.get(int(rows.expected_edge[row]))
        counted = self._received.summary()
        causes = [cause for name, cause in COUNTED_CAUSES.items() if counted.get(name)]
        if known is not None:
            causes = [Cause(known)]
        return FrameLost(
            frame,
            tuple(CAUSE_WORDS[cause] for cause in causes),
            bool(causes) and set(causes) <= {Cause.RECEIVER_FIFO, Cause.DEADLINE},
            causes == [Cause.DEADLINE],
            None,
        )

    def is_behind_the_end(self, edge: int) -> bool:
        """Return whether the other recording ends before an edge of this one."""
        behind = self._sent.header.cycles_at(edge)
        return behind >= self._received.header.cycles_at(self._received.stop_edge) > 0

    def origin_of(self, frame: int) -> tuple[Origin, int | None]:
        """Return what a frame received was sent as, and that frame's number if it was changed."""
        rows = self._rows
        which = np.flatnonzero(rows.actual_index == frame)
        if not len(which) or rows.kind[which[0]] == Kind.OUT_OF_ORDER:
            return "sent", None
        if rows.kind[which[0]] == Kind.CHANGED:
            return "damaged", int(rows.expected_index[which[0]])
        return "spurious", None


def require_same_units(sent: History, received: History) -> None:
    """Refuse recordings of different units.

    Raises:
        InputError: they are.
    """
    if sent.board.units == received.board.units:
        return
    raise InputError(
        file=str(received.reader.path),
        found="other units than those of the first recording",
        wanted=f"give what was received of {sent.reader.path}",
    )
