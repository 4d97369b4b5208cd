"""Stores as fixed records of 16 bytes, for emulators in other languages.

| bytes | what | |
| --- | --- | --- |
| 0 to 7 | cycle | processor cycle of the write, 63 bits, low byte first, never falling |
| 8, 9 | address | 0 to 65535, low byte first |
| 10 | data | the byte stored |
| 11 | kind | 0: a store; other values are reserved and refused |
| 12 to 15 | | 0; other values are reserved and refused |

There is no header and no end mark: records follow each other until the stream ends. In C:
`struct { uint64_t cycle; uint16_t address; uint8_t data, kind; uint32_t zero; }`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import BinaryIO

import numpy as np

from busplay.batch import StoreBatch
from busplay.errors import InputError
from busplay.formats.stream_chunks import read_chunks

RECORD_BYTES = 16
_RECORD = np.dtype(
    [("cycle", "<u8"), ("address", "<u2"), ("data", "u1"), ("kind", "u1"), ("zero", "<u4")]
)


def read_stores_binary(stream: BinaryIO, file: str) -> Iterator[StoreBatch]:
    """Read records as they arrive, a batch for each piece of the stream.

    Args:
        stream: binary; a pipe is read live.
        file: the stream's name, for messages.

    Raises:
        InputError: a record is cut off, has a kind that is not 0, or its cycle goes back;
            with the byte at which it begins. Everything before it has been returned.
    """
    return parse_stores_binary(read_chunks(stream, file), file=file)


def parse_stores_binary(chunks: Iterable[bytes], *, file: str) -> Iterator[StoreBatch]:
    """Parse pieces of a stream; as `read_stores_binary`."""
    rest = b""
    offset = 0
    last_cycle = 0
    for chunk in chunks:
        piece = rest + chunk
        whole = len(piece) // RECORD_BYTES
        rest = piece[whole * RECORD_BYTES :]
        if not whole:
            continue
        records = np.frombuffer(piece, _RECORD, whole)
        right, fault = _find_fault(records, last_cycle)
        good = records[:right]
        if right:
            yield StoreBatch(
                good["cycle"].astype(np.uint64),
                good["address"].astype(np.uint16),
                good["data"].astype(np.uint8),
            )
            last_cycle = int(good["cycle"][-1])
        if fault is not None:
            found, wanted = fault
            place = f"byte {offset + right * RECORD_BYTES:,}"
            raise InputError(found=found, wanted=wanted, file=file, place=place)
        offset += whole * RECORD_BYTES
    if rest:
        raise InputError(
            found=f"{len(rest)} bytes of a record at the end",
            wanted=f"a record has {RECORD_BYTES} bytes; the stream was cut off",
            file=file,
            place=f"byte {offset:,}",
        )


def _find_fault(
    records: np.ndarray[tuple[int], np.dtype[np.void]], last_cycle: int
) -> tuple[int, tuple[str, str] | None]:
    """Return how many records are right before the first that is not, and what is wrong there."""
    cycle = records["cycle"]
    before = np.concatenate([np.array([last_cycle], np.uint64), cycle[:-1]])
    wrong = (records["kind"] != 0) | (records["zero"] != 0) | (cycle < before) | (cycle >> 63 != 0)
    if not wrong.any():
        return len(records), None
    right = int(np.argmax(wrong))
    one = records[right]
    if one["kind"]:
        fault = f"kind {int(one['kind'])}", "a store has kind 0, other kinds are reserved"
    elif one["zero"]:
        fault = f"{int(one['zero']):08X} in the last four bytes", "they are reserved, so give 0"
    elif one["cycle"] >> 63:
        fault = f"cycle {int(one['cycle'])}", "a cycle has 63 bits"
    else:
        fault = (
            f"cycle {int(one['cycle'])} after cycle {int(before[right])}",
            "cycles never fall",
        )
    return right, fault


def write_stores_binary(stream: BinaryIO, batches: Iterable[StoreBatch]) -> None:
    """Write batches as records."""
    for batch in batches:
        records = np.zeros(len(batch), _RECORD)
        records["cycle"] = batch.cycle
        records["address"] = batch.address
        records["data"] = batch.data
        stream.write(records.tobytes())
