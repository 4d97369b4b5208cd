"""Stores as CSV with a header, for emulators in other languages and for spreadsheets.

    cycle,address,data
    7,0x4000,$1F
    11,16385,0

The rules of the form are in `busplay.formats.rows_csv`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import BinaryIO

import numpy as np

from busplay.batch import StoreBatch
from busplay.formats.rows_csv import parse_rows
from busplay.formats.stream_chunks import read_chunks

COLUMNS = {"cycle": (1 << 63) - 1, "address": 0xFFFF, "data": 0xFF}
"""The columns and the highest value of each."""


def read_stores_csv(stream: BinaryIO, file: str) -> Iterator[StoreBatch]:
    """Read lines as they arrive, a batch for each piece of the stream.

    Args:
        stream: binary; a pipe is read live.
        file: the stream's name, for messages.

    Raises:
        InputError: the header lacks a column, a number is malformed or out of range, or a cycle
            goes back; with its line. Every store before it has been returned.
    """
    return parse_stores_csv(read_chunks(stream, file), file=file)


def parse_stores_csv(chunks: Iterable[bytes], *, file: str) -> Iterator[StoreBatch]:
    """Parse pieces of a stream; as `read_stores_csv`."""
    for cycle, address, data in parse_rows(chunks, COLUMNS, file=file):
        yield StoreBatch(
            np.frombuffer(cycle, np.uint64),
            np.frombuffer(address, np.uint64).astype(np.uint16),
            np.frombuffer(data, np.uint64).astype(np.uint8),
        )


def write_stores_csv(stream: BinaryIO, batches: Iterable[StoreBatch]) -> None:
    """Write batches as CSV with the header; addresses and data in hex."""
    stream.write(b"cycle,address,data\n")
    for batch in batches:
        columns = (batch.cycle.tolist(), batch.address.tolist(), batch.data.tolist())
        for cycle, address, data in zip(*columns, strict=True):
            stream.write(b"%d,0x%04X,0x%02X\n" % (cycle, address, data))
