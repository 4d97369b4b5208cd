"""What is in a file: a trace or a capture, by its first bytes."""

from __future__ import annotations

from collections.abc import Callable
from os import PathLike
from pathlib import Path
from typing import Unpack

from busplay.errors import InputError
from busplay.formats.byte_source import require_plain_file
from busplay.formats.capture import ReadOptions, open_capture
from busplay.formats.capture_info import CaptureFileInfo, capture_info
from busplay.trace.info import TraceInfo, trace_info
from busplay.trace.reader import TraceReader, is_trace


def info(
    file: str | PathLike[str],
    *,
    verify: bool = False,
    on_bytes: Callable[[int], None] | None = None,
    **reading: Unpack[ReadOptions],
) -> TraceInfo | CaptureFileInfo:
    """Return what is in a trace or a capture, and whether it is whole.

    Args:
        file: a trace, or a VCD, CSV, .sr or raw samples; .gz and .zst too.
        verify: read every chunk of a trace and check its CRC.
        on_bytes: called with the bytes of a capture that have been read, now and then.
        reading: how to read a capture, and which part.

    Raises:
        InputError: it is neither, or damaged.

    >>> import busplay
    >>> found = busplay.info("fill.trace")
    >>> found.board, found.frames, found.complete
    ('Dunlin', 41563, True)
    """
    path = Path(file)
    if path.suffix.lower() == ".toml":
        raise InputError(
            file=str(path), found="a description", wanted=f"busplay check {path} reads it"
        )
    require_plain_file(path)
    is_samples = reading.get("rate_hz") is not None or reading.get("bits") is not None
    if not is_samples and (
        path.suffix.lower() == ".trace" or is_trace(path, wanted="give a trace")
    ):
        with TraceReader(path) as reader:
            if verify:
                reader.verify()
            return trace_info(reader)
    with open_capture(path, **reading) as capture:
        told = None if on_bytes is None else lambda: on_bytes(capture.bytes_read)
        return capture_info(capture, on_batch=told)
