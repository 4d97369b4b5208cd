"""Read captures whole, for tests."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise
from pathlib import Path

import numpy as np

from busplay.batch import CaptureInfo, ChangeBatch
from busplay.errors import InputError
from busplay.formats.capture import open_capture

Row = tuple[int, int, int]


def write(folder: Path, content: str | bytes, name: str = "one.vcd") -> Path:
    """Write a capture."""
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def batch_of(rows: list[Row]) -> ChangeBatch:
    columns = zip(*rows, strict=True) if rows else ((), (), ())
    return ChangeBatch(*(np.array(column, np.uint64) for column in columns))


def rows_of(batches: Iterable[ChangeBatch]) -> list[Row]:
    rows: list[Row] = []
    for batch in batches:
        assert len(batch), "a batch without rows"
        columns = (batch.time_ps.tolist(), batch.level.tolist(), batch.unknown.tolist())
        rows += zip(*columns, strict=True)
    for before, after in pairwise(rows):
        assert before[0] < after[0]
        assert before[1:] != after[1:]
    assert not any(level & unknown for _, level, unknown in rows)
    return rows


def read(path: Path, **options: object) -> tuple[list[Row], CaptureInfo]:
    """Return the rows, and what is known when all are read."""
    with open_capture(path, **options) as capture:  # type: ignore[arg-type]
        return rows_of(capture.batches()), capture.info


def fault(path: Path, **options: object) -> tuple[list[Row], str]:
    """Return the rows before the damage, and the message without the folder."""
    rows: list[Row] = []
    try:
        with open_capture(path, **options) as capture:  # type: ignore[arg-type]
            for batch in capture.batches():
                rows += rows_of([batch])
    except InputError as error:
        return rows, str(error).replace(f"{path.parent}/", "")
    return rows, "no fault"
