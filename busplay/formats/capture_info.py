"""What is in a capture, read to its end."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from busplay.batch import SignalInfo
from busplay.formats.capture import Capture


@dataclass(frozen=True, slots=True)
class CaptureFileInfo:
    """What is in a capture.

    Attributes:
        file: its name.
        format: such as `vcd`.
        compression: `gzip` or `zstd`; None: it is not compressed.
        complete: it was read to its end, and the end was in order.
        cut_reason: why it is not complete; None: it is.
        file_bytes: size of the file.
        written_by: the program that wrote it, if the file says so.
        start_ps, stop_ps: its first and last time, in its own time.
        duration_ps: from `start_ps` to `stop_ps`.
        sample_rate_hz: the analyser's; None: not known.
        tick: the file's unit of time, as text.
        least_gap_ps: shortest time between two changes; None: there are fewer.
        states: different states of the wires in time.
        changes: values that were recorded, of all signals.
        signals: everything that the file declares, in its order.
        notes: what was assumed, skipped or looks wrong.
    """

    file: str
    format: str
    compression: str | None
    complete: bool
    cut_reason: str | None
    file_bytes: int
    written_by: str | None
    start_ps: int
    stop_ps: int
    duration_ps: int
    sample_rate_hz: int | None
    tick: str | None
    least_gap_ps: int | None
    states: int
    changes: int
    signals: tuple[SignalInfo, ...]
    notes: tuple[str, ...]


def capture_info(
    capture: Capture, *, on_batch: Callable[[], None] | None = None
) -> CaptureFileInfo:
    """Read an open capture to its end and return what is in it.

    Args:
        capture: with any of its wires chosen.
        on_batch: called after each batch, for a progress bar.

    Raises:
        InputError: as `Capture.batches`.
    """
    states = 0
    for batch in capture.batches():
        states += len(batch)
        if on_batch is not None:
            on_batch()
    info = capture.info
    return CaptureFileInfo(
        file=info.file,
        format=info.format,
        compression=info.compression or None,
        complete=info.complete,
        cut_reason=info.cut_reason or None,
        file_bytes=capture.bytes_total,
        written_by=info.written_by or None,
        start_ps=info.start_ps,
        stop_ps=info.stop_ps,
        duration_ps=info.duration_ps,
        sample_rate_hz=info.sample_rate_hz,
        tick=info.tick or None,
        least_gap_ps=info.least_gap_ps or None,
        states=states,
        changes=info.changes,
        signals=info.signals,
        notes=info.notes,
    )
