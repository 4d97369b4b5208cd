"""A summary of a trace: program, board, link, size, duration, completeness."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from busplay.trace.reader import TraceReader


@dataclass(frozen=True, slots=True)
class TraceInfo:
    """What is in a trace.

    Attributes:
        file: the trace.
        format: `busplay trace`.
        complete: whether the recorder closed it; otherwise it ends early.
        cut_reason: where and how it ends early; null if it is complete.
        program: file name of the program; null: the stores came from elsewhere, or only the
            board's ROM ran.
        program_sha256: digest of the program's bytes, in hex.
        board: name of the board; null if only the link was recorded.
        processor: of the board.
        clock_hz: processor cycles in a second.
        link: name of the link.
        wire_digest: digest of the link's wire format: the same for links that differ only in names,
            comments and notation, or in how long a receiver waits until it is in sync.
        frame_bits: bits of a frame.
        units: names of the units behind the link.
        cycles: processor cycles that the trace covers.
        duration_s: the same in seconds; null without a board.
        stores: stores into windows, lost ones included.
        frames: frames in the trace.
        stores_lost: stores that found the sender FIFO full.
        frames_indexed: frames of which the trace has an index of writes, for searches in its
            history; the rest is gone through when somebody searches.
        arrived_of: in a trace of what was received, the frames that were sent; null in a trace of
            what was sent.
        key_presses: keys pressed during the recording.
        resets: presses of the reset button during the recording.
        file_bytes: size of the file.
        bytes_per_frame: size of the file by its frames; null without frames.
        recorded_by: version of busplay that wrote it.
    """

    file: Path
    format: str
    complete: bool
    cut_reason: str | None
    program: str | None
    program_sha256: str | None
    board: str | None
    processor: str | None
    clock_hz: int | None
    link: str
    wire_digest: str
    frame_bits: int
    units: tuple[str, ...]
    cycles: int
    duration_s: float | None
    stores: int
    frames: int
    stores_lost: int
    frames_indexed: int
    arrived_of: int | None
    key_presses: int
    resets: int
    file_bytes: int
    bytes_per_frame: float | None
    recorded_by: str


def trace_info(reader: TraceReader) -> TraceInfo:
    """Return the summary of an open trace.

    Raises:
        InputError: a chunk of keys or the summary chunk is damaged.
    """
    header, board, clock_hz = reader.header, reader.header.board, reader.header.clock_hz
    return TraceInfo(
        file=reader.path,
        format="busplay trace",
        complete=reader.complete,
        cut_reason=reader.cut_reason or None,
        program=header.program_name or None,
        program_sha256=header.program_sha256 or None,
        board=None if board is None else board.name,
        processor=None if board is None else board.processor,
        clock_hz=clock_hz,
        link=header.link.name,
        wire_digest=header.wire_digest,
        frame_bits=header.link.frame_bits,
        units=tuple(unit.name for unit in header.units),
        cycles=reader.cycles,
        duration_s=round(reader.cycles / clock_hz, 6) if clock_hz else None,
        stores=reader.stores,
        frames=reader.frames,
        stores_lost=max(0, reader.stores - reader.frames),
        frames_indexed=reader.frames_indexed,
        arrived_of=reader.summary().get("frames_sent"),
        key_presses=len(reader.key_presses()),
        resets=len(reader.resets()),
        file_bytes=reader.file_bytes,
        bytes_per_frame=round(reader.file_bytes / reader.frames, 3) if reader.frames else None,
        recorded_by=header.busplay_version,
    )
