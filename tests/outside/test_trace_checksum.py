"""Our chunks' checksum is the common CRC-32; our blocks are standard frames."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest
from crccheck.crc import Crc32IsoHdlc

from busplay.trace.blocks import BLOCK_HEAD, ZSTANDARD, make_compressor, pack_block
from tests.boards import GUARDED
from tests.trace.cases import header_for, stream, write_trace


@pytest.mark.source("crccheck 1.3.1", part="Crc32IsoHdlc", kind="library")
def test_every_chunk_of_a_trace_has_the_checksum_of_another_library(tmp_path: Path) -> None:
    write_trace(tmp_path / "a.trace", stream(GUARDED, 500), header_for())
    raw = (tmp_path / "a.trace").read_bytes()
    position, chunks = 12, 0
    while position < len(raw):
        stop = position + 8 + int.from_bytes(raw[position + 4 : position + 8], "little")
        stored = int.from_bytes(raw[stop : stop + 4], "little")
        assert Crc32IsoHdlc.calc(raw[position:stop]) == stored
        position, chunks = stop + 4, chunks + 1
    assert chunks == 4


@pytest.mark.skipif(shutil.which("zstd") is None, reason="the zstd command is not installed")
@pytest.mark.source("zstd command of Debian", part="unpacks a block of ours", kind="library")
def test_blocks_are_unpacked_by_another_program() -> None:
    plain = bytes(range(256)) * 40
    head, stored = pack_block(make_compressor(), plain)
    assert BLOCK_HEAD.unpack(head) == (ZSTANDARD, len(stored))
    done = subprocess.run(["zstd", "-dc"], input=stored, capture_output=True, check=True)
    assert done.stdout == plain


@pytest.mark.source("RFC 8878", part="3.1.1: magic number FD2FB528", kind="standard")
def test_blocks_begin_with_the_magic_number_of_a_frame() -> None:
    _, stored = pack_block(make_compressor(), bytes(1_000))
    assert stored[:4] == (0xFD2FB528).to_bytes(4, "little")
