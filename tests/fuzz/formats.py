"""Parse functions over bytes for captures, packets, stores, frames and key presses."""

from __future__ import annotations

import io
import os
import tempfile
from pathlib import Path

from busplay.formats.capture import open_capture
from busplay.formats.frames_csv import read_frames_csv
from busplay.formats.keys_csv import read_key_presses
from busplay.formats.pcapng import PcapngReader
from busplay.formats.stores import read_stores

_ROWS_MOST = 1 << 22


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
    with open_capture(path, rate_hz=rate_hz, bits=bits) as capture:
        rows = 0
        for batch in capture.batches():
            rows += len(batch)
            if rows > _ROWS_MOST:
                break
        _ = capture.info


def parse_pcapng(content: bytes) -> None:
    """Read packets."""
    for _ in PcapngReader(io.BytesIO(content), file="input.pcapng").packets():
        pass


def parse_stores(content: bytes) -> None:
    """Read stores, CSV or binary."""
    for _ in read_stores(io.BytesIO(content), "input"):
        pass


def parse_frames_csv(content: bytes) -> None:
    """Read frames as rows."""
    for _ in read_frames_csv(io.BytesIO(content), file="input.csv", word_bits=40):
        pass


def parse_keys(content: bytes) -> None:
    """Read key presses."""
    read_key_presses(with_file(content, "keys.csv"))
