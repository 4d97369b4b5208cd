"""A file is written beside its place and takes its name only once it is whole."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

from busplay.errors import OutputError


def write_whole_file(path: Path, content: bytes) -> None:
    """Write a file so that whoever looks sees the old one or the whole new one.

    Raises:
        OutputError: it cannot be written; what was there before is still there.
    """
    beside = path.with_name(f"{path.name}.part{os.getpid()}")
    try:
        beside.write_bytes(content)
        beside.replace(path)
    except OSError as error:
        with suppress(OSError):
            beside.unlink()
        raise no_way_to_write(path, error) from error


def no_way_to_write(path: Path, error: OSError) -> OutputError:
    """Say that a file or a folder cannot be written."""
    return OutputError(
        file=str(path),
        found=(error.strerror or str(error)).lower(),
        wanted="give a place that can be written to",
    )
