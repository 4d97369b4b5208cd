"""Parse functions over bytes for captures, packets, stores, frames and key presses."""

from __future__ import annotations

import io
import os
import tempfile
from pathlib import Path

import numpy as np

from busplay.batch import ChangeBatch, UInt64Column
from busplay.formats.capture import Capture, open_capture
from busplay.formats.frames_csv import read_frames_csv
from busplay.formats.keys_csv import read_key_presses
from busplay.formats.pcapng import PcapngReader
from busplay.formats.stores import read_stores


def with_file(content: bytes, name: str) -> Path:
    """Write bytes to a file of that name, the same for each input; return its path."""
    folder = Path(tempfile.gettempdir()) / f"busplay-fuzz-{os.getpid()}"
    folder.mkdir(exist_ok=True)
    path = folder / name
    path.write_bytes(content)
    return path


def parse_vcd(content: bytes) -> None:
    """Read a value change dump."""
    _read_capture(with_file(content, "input.vcd"))


def parse_capture_csv(content: bytes) -> None:
    """Read a CSV of an analyser."""
    _read_capture(with_file(content, "input.csv"))


def parse_sr(content: bytes) -> None:
    """Read a session file."""
    _read_capture(with_file(content, "input.sr"))


def parse_raw(content: bytes) -> None:
    """Read raw samples; the first bytes say how."""
    bits = ("0-7", "0-4/16", "3,1,0/24", "0-31", None)[content[0] % 5 if content else 0]
    _read_capture(with_file(content[1:], "input.bin"), rate_hz=24_000_000, bits=bits)


def parse_packed(content: bytes) -> None:
    """Read a compressed capture."""
    _read_capture(with_file(content, "input.vcd.zst"))


def _read_capture(path: Path, *, rate_hz: int | None = None, bits: str | None = None) -> None:
    """Read a capture as far as it goes, twice, and then as one that must be whole."""
    with open_capture(path, rate_hz=rate_hz, bits=bits, keep_going=True) as capture:
        first, second = _rows(capture), _rows(capture)
        assert all(np.array_equal(a, b) for a, b in zip(first, second, strict=True))
        assert (np.diff(first[0].astype(np.int64)) > 0).all()
        assert capture.info.duration_ps >= 0
    with open_capture(path, rate_hz=rate_hz, bits=bits) as capture:
        _rows(capture)


def _rows(capture: Capture) -> list[UInt64Column]:
    parts = [ChangeBatch.empty(), *capture.batches()]
    return [
        np.concatenate([getattr(part, name) for part in parts])
        for name in ("time_ps", "level", "unknown")
    ]


def parse_pcapng(content: bytes) -> None:
    """Read packets."""
    for batch in PcapngReader(io.BytesIO(content), file="input.pcapng").packets():
        assert len(batch.word) == len(batch.time_ns)


def parse_stores(content: bytes) -> None:
    """Read stores, CSV or binary."""
    last = 0
    for batch in read_stores(io.BytesIO(content), "input"):
        assert last <= batch.cycle[0] == batch.cycle.min()
        last = batch.cycle[-1]


def parse_frames_csv(content: bytes) -> None:
    """Read frames as rows."""
    for batch in read_frames_csv(io.BytesIO(content), file="input.csv", word_bits=40):
        assert batch.word.max() < 1 << 40


def parse_keys(content: bytes) -> None:
    """Read key presses."""
    assert all(1 <= code <= 255 for _, code in read_key_presses(with_file(content, "keys.csv")))
