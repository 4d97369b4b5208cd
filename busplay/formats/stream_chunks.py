"""Take bytes from a file or a pipe as they come."""

from __future__ import annotations

from collections.abc import Iterator
from typing import BinaryIO

from busplay.errors import InputError

CHUNK_BYTES = 1 << 20


def read_chunks(stream: BinaryIO, file: str) -> Iterator[bytes]:
    """Return what has arrived, up to 1 MiB at a time, without waiting for more.

    Raises:
        InputError: reading fails.
    """
    # A buffered stream's `read` waits until it has all it was asked for; `read1` does not.
    read = getattr(stream, "read1", stream.read)
    while True:
        try:
            chunk = read(CHUNK_BYTES)
        except OSError as error:
            raise InputError(f"cannot be read: {error.strerror or error}", file=file) from error
        if not chunk:
            return
        yield chunk
