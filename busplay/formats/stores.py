"""Stores in either form, recognised by their first bytes."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import chain
from typing import BinaryIO

from busplay.batch import StoreBatch
from busplay.formats.stores_binary import RECORD_BYTES, parse_stores_binary
from busplay.formats.stores_csv import parse_stores_csv
from busplay.formats.stream_chunks import read_chunks


def read_stores(stream: BinaryIO, file: str) -> Iterator[StoreBatch]:
    """Read stores as they arrive, CSV or binary, a batch for each piece of the stream.

    A binary record has zeros in its last four bytes and CSV has none, so the first 16 bytes
    decide.

    Args:
        stream: binary; a pipe is read live.
        file: the stream's name, for messages.

    Raises:
        InputError: as `read_stores_csv` and `read_stores_binary`.
    """
    chunks = read_chunks(stream, file)
    head = b""
    for chunk in chunks:
        head += chunk
        if len(head) >= RECORD_BYTES:
            break
    pieces = chain([head], chunks)
    if b"\0" in head[:RECORD_BYTES]:
        yield from parse_stores_binary(pieces, file=file)
    else:
        yield from parse_stores_csv(pieces, file=file)
