"""A store that was not received as sent, found in the recording or in one of what arrived."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from busplay.analysis.compare.compare import compare_recordings
from busplay.analysis.compare.streams import Kind
from busplay.errors import InputError
from busplay.history.as_sent import SentHistory
from busplay.history.history import History
from busplay.history.pixel import PixelCauses, palette_route
from busplay.history.places import Place, Write, unit_named
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


Fates = list[tuple[Write, FrameLost]]
Foreign = tuple[Write, Literal["damaged", "spurious"], int | None]


def lost_in_recording(
    history: History, sent: SentHistory, place: Place, before_frame: int
) -> FrameLost | None:
    """Return the last frame to a place that the board's receiver lost after the last write.

    Args:
        history: of the recording.
        sent: the same, as it was sent.
        place: a byte or register.
        before_frame: the moment.

    Raises:
        InputError: the trace is damaged.
    """
    last = history.last_write(place, before_frame)
    meant = sent.last_write(place, before_frame)
    if meant is None or (last is not None and last.frame >= meant.frame):
        return None
    return _lost_at_receiver(sent, meant.frame)


def _lost_at_receiver(sent: SentHistory, frame: int) -> FrameLost | None:
    fate = sent.fate_of(frame)
    if fate == marking.REACHED:
        return None
    cause = FATE_CAUSES[fate]
    is_late = cause is Cause.DEADLINE
    return FrameLost(frame, (CAUSE_WORDS[cause],), cause is not Cause.OUT_OF_SYNC, is_late, None)


def lost_besides_the_byte(sent: SentHistory, causes: PixelCauses, edge: int | None) -> Fates:
    """Return the stores behind a colour, besides the byte's, that the board's receiver lost.

    They go to the palette, to the registers of the picture, and for text to cells and glyphs.

    Args:
        sent: the recording as it was sent.
        causes: of the pixel's colour as it was received.
        edge: link edge up to which refreshes have come; None: see `History.refreshed_frames`.

    Raises:
        InputError: the trace is damaged.
    """
    if sent.is_as_received:
        return []
    meant = sent.causes(causes.unit, causes.x, causes.y, causes.before_frame, edge)
    found: Fates = []
    for write in _once((*meant.writes, *_routes(sent, meant, causes))):
        is_the_byte = write.space == "memory" and write.offset == causes.offset
        lost = None if is_the_byte else _lost_at_receiver(sent, write.frame)
        if lost is not None:
            found.append((write, lost))
    return found


def lost_on_the_way(
    history: History, causes: PixelCauses, there: PixelCauses, pairing: Pairing
) -> Fates:
    """Return the stores behind a colour, besides the byte's, that did not arrive as sent.

    Args:
        history: of what was sent.
        causes: of the pixel's colour there.
        there: of the same in what arrived.
        pairing: of the two.

    Raises:
        InputError: the trace is damaged.
    """
    blue = _counterpart_of_blue(there, pairing, sent=False)
    writes = (*causes.writes, *_routes(history, causes), *_route(history, causes.unit, blue))
    found: Fates = []
    for write in _once(writes):
        if write != causes.byte and not pairing.is_behind_the_end(write.edge):
            lost = pairing.fate_of(write.frame)
            if lost is not None:
                found.append((write, lost))
    return found


def foreign_behind(
    other: History, causes: PixelCauses, there: PixelCauses, pairing: Pairing
) -> list[Foreign]:
    """Return the writes behind a colour in what arrived, besides the byte's, that were not sent so.

    Args:
        other: of what arrived.
        causes: of the pixel's colour in what was sent.
        there: of the same in what arrived.
        pairing: of the two.

    Returns:
        Each write, what it was sent as, and the number of the frame sent if that was changed.

    Raises:
        InputError: the trace is damaged.
    """
    blue = _counterpart_of_blue(causes, pairing, sent=True)
    writes = (*there.writes, *_routes(other, there), *_route(other, causes.unit, blue))
    found: list[Foreign] = []
    for write in _once(writes):
        if write != there.byte:
            origin, frame = pairing.origin_of(write.frame)
            if origin != "sent":
                found.append((write, origin, frame))
    return found


def _counterpart_of_blue(causes: PixelCauses, pairing: Pairing, *, sent: bool) -> int | None:
    if causes.palette is None:
        return None
    return pairing.counterpart_of(causes.palette.blue.frame, sent=sent)


def _routes(history: History, *found: PixelCauses) -> list[Write]:
    """Return the writes that chose the palette entries: a colour goes elsewhere without one."""
    blues = [(one.unit, one.palette.blue.frame) for one in found if one.palette is not None]
    return [write for unit, blue in blues for write in _route(history, unit, blue)]


def _route(history: History, unit: str, blue_frame: int | None) -> list[Write]:
    if blue_frame is None:
        return []
    return palette_route(history, unit_named(history.board, unit), blue_frame)


def _once(writes: Iterable[Write]) -> list[Write]:
    """Return writes in the order of their frames, each once."""
    by_frame = {write.frame: write for write in writes}
    return [by_frame[frame] for frame in sorted(by_frame)]


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

    def counterpart_of(self, frame: int, *, sent: bool) -> int:
        """Return the number of a frame in the other recording; of one that is not there, the next.

        Args:
            frame: its number.
            sent: it is of the recording of what was sent.
        """
        rows = self._rows
        only_sent = np.sort(rows.expected_index[rows.kind == Kind.MISSING])
        only_received = np.sort(rows.actual_index[rows.kind == Kind.ADDED])
        here, there = (only_sent, only_received) if sent else (only_received, only_sent)
        common = frame - int(np.searchsorted(here, frame))
        # Frames in both before each of those that are only there.
        before = there - np.arange(len(there))
        return common + int(np.searchsorted(before, common, side="right"))

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
