"""Memory stays bounded whatever a capture's size."""

from __future__ import annotations

import gzip
import tracemalloc
from pathlib import Path

import numpy as np
import pytest

from busplay.batch import ChangeBatch
from busplay.formats.capture import open_capture
from busplay.formats.writing.csv import CsvWriter
from busplay.formats.writing.vcd import VcdWriter

ROWS = 1_500_000
MAX_BYTES = 12 << 20


def make(folder: Path, kind: str) -> tuple[Path, dict[str, int]]:
    """Write a capture of some 20 to 60 MB; give it and how to read it."""
    path = folder / f"large.{kind}"
    if kind in ("vcd", "csv"):
        level = np.arange(ROWS, dtype=np.uint64) & np.uint64(0x3F)
        time_ps = np.arange(ROWS, dtype=np.uint64) * np.uint64(31_250)
        changes = ChangeBatch(time_ps, level, np.zeros(ROWS, np.uint64))
        with path.open("wb") as stream:
            wires = [f"w{n}" for n in range(6)]
            (VcdWriter if kind == "vcd" else CsvWriter)(stream, wires=wires).write(changes)
        return path, {}
    samples = np.random.default_rng(1).integers(0, 256, 20 * ROWS, dtype=np.uint8)
    if kind == "bin":
        samples.tofile(path)
    else:
        with gzip.open(path, "wb", compresslevel=1) as packed:
            packed.write(bytes(40 * ROWS))
    return path, {"rate_hz": 24_000_000}


@pytest.mark.parametrize("kind", ["vcd", "csv", "bin", "bin.gz"])
def test_memory_does_not_grow_with_the_file(tmp_path: Path, kind: str) -> None:
    path, options = make(tmp_path, kind)
    with open_capture(path, **options) as capture:  # type: ignore[arg-type]
        for _ in capture.batches():
            break
    tracemalloc.start()
    try:
        with open_capture(path, **options) as capture:  # type: ignore[arg-type]
            rows = sum(len(batch) for batch in capture.batches())
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert rows == 1 if kind == "bin.gz" else rows >= ROWS
    assert peak < MAX_BYTES
