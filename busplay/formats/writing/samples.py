"""Write samples as a logic analyser records them: raw, or in a session file."""

# Follows: the session file format of the free logic-analyser suites, version 2: a ZIP with
#   `version`, `metadata` and pieces `logic-1-1`, `logic-1-2`, ... of sample bytes, lowest first
# Read in: files that such suites wrote

from __future__ import annotations

import zipfile
from collections.abc import Iterable, Sequence
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray


def sample_bytes(wires: int) -> int:
    """Return the bytes of a sample of some wires."""
    return 1 if wires <= 8 else 2 if wires <= 16 else 4


def write_raw(stream: BinaryIO, blocks: Iterable[NDArray[np.uint32]], *, wires: int) -> int:
    """Write samples one behind the other; return how many.

    Raises:
        OSError: as the stream's `write`.
    """
    kind = np.dtype(f"<u{sample_bytes(wires)}")
    count = 0
    for block in blocks:
        stream.write(block.astype(kind).tobytes())
        count += len(block)
    return count


def write_session(
    stream: BinaryIO, blocks: Iterable[NDArray[np.uint32]], *, names: Sequence[str], rate_hz: int
) -> int:
    """Write a session file; return how many samples.

    Raises:
        OSError: as the stream's `write`.
    """
    size = sample_bytes(len(names))
    kind = np.dtype(f"<u{size}")
    lines = [
        "[global]",
        "sigrok version=0.5.2",
        "",
        "[device 1]",
        "capturefile=logic-1",
        f"total probes={len(names)}",
        f"samplerate={rate_hz} Hz",
        "total analog=0",
        *(f"probe{number}={name}" for number, name in enumerate(names, 1)),
        f"unitsize={size}",
    ]
    count = 0
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(_member("version"), "2")
        archive.writestr(_member("metadata"), "\n".join(lines) + "\n")
        for number, block in enumerate(blocks, 1):
            archive.writestr(_member(f"logic-1-{number}"), block.astype(kind).tobytes())
            count += len(block)
    return count


def _member(name: str) -> zipfile.ZipInfo:
    """Name a member, with a time that is always the same, so that the file is too."""
    info = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
    info.compress_type = zipfile.ZIP_DEFLATED
    return info
