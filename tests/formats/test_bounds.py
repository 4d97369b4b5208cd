"""Small files that would fill memory or take for ever are refused, with the way out."""

from __future__ import annotations

import gzip
import os
import zipfile
from pathlib import Path

import numpy as np
import pytest
import zstandard

from busplay.errors import InputError
from busplay.formats.byte_source import UNPACKED_BYTES_FREE, ByteSource, open_unpacked
from busplay.formats.capture import open_capture
from busplay.formats.writing.samples import write_session
from tests.formats.reading import fault, read

HEAD = b"$timescale 1ns $end $var wire 1 ! a $end $enddefinitions $end\n#0 0!\n#5 1!\n"
BLANKS = b" " * (1 << 20)


def bomb(path: Path, *, megabytes: int) -> Path:
    """Write a dump that is followed by blanks, which pack 30,000 to 1."""
    with path.open("wb") as stream:
        writer = zstandard.ZstdCompressor(level=19).stream_writer(stream, closefd=False)
        writer.write(HEAD)
        for _ in range(megabytes):
            writer.write(BLANKS)
        writer.flush(zstandard.FLUSH_FRAME)
    return path


def test_what_unpacks_to_far_more_than_its_size_is_refused_after_what_is_allowed(
    tmp_path: Path,
) -> None:
    path = bomb(tmp_path / "one.vcd.zst", megabytes=64)
    size = path.stat().st_size
    assert size < 20_000
    rows, message = fault(path)
    assert rows == [(0, 0, 0), (5_000, 1, 0)]
    assert message == (
        f"one.vcd.zst: found more than 64,000,000 bytes unpacked from a file of {size:,}; it may"
        " unpack to 64,000,000 (--max-unpacked 256MB, or more, allows that)"
    )
    assert read(path, max_unpacked_bytes=10**9)[1].complete
    assert not read(path, keep_going=True)[1].complete
    with pytest.raises(InputError, match="more than 1,000 bytes unpacked"):
        read(path, max_unpacked_bytes=1_000)


def test_idle_samples_that_pack_a_thousand_to_one_are_read(tmp_path: Path) -> None:
    # gzip packs 1,030 to 1 at most.
    path = tmp_path / "one.bin.gz"
    count = UNPACKED_BYTES_FREE + 10_000_000
    path.write_bytes(gzip.compress(bytes(count)))
    source = ByteSource(path)
    source.skip(count - 1)
    assert list(source.chunks()) in ([b"\0"], [])


def test_other_forms_are_bounded_alike(tmp_path: Path) -> None:
    path = bomb(tmp_path / "one.csv.zst", megabytes=64)
    with open_unpacked(path) as stream, pytest.raises(InputError, match="--max-unpacked"):
        stream.read()


def test_a_session_whose_members_unpack_to_too_much_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "one.sr"
    with path.open("wb") as stream:
        write_session(stream, [np.zeros(10, np.uint32)], names=["a"], rate_hz=1_000)
    with zipfile.ZipFile(path, "a", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("logic-1-2", bytes(3_000_000))
    rows, message = fault(path, max_unpacked_bytes=10**6)
    assert rows == [(0, 0, 0)]
    assert "unpacked from a file of" in message
    assert read(path)[1].complete


def test_a_vector_of_millions_of_bits_is_refused_or_taken_without_naming_them(
    tmp_path: Path,
) -> None:
    path = tmp_path / "one.vcd"
    path.write_text(
        "$timescale 1ns $end $var wire 16000000 ! a $end $var wire 1 # b $end"
        " $enddefinitions $end\n#0\nb1 !\n0#\n#7\n1#\n"
    )
    assert fault(path) == (
        [],
        "one.vcd:1:21: found a vector of 16,000,000 bits; a vector has 65,536 bits at most"
        " (--max-unpacked 16MB takes this one)",
    )
    rows, info = read(path, max_unpacked_bytes=16_000_000)
    assert rows == [(0, 0, 0), (7_000, 1, 0)]
    assert info.notes == ("1 of 16,000,001 wires is read at a time",)
    with open_capture(path, max_unpacked_bytes=16_000_000) as capture:
        assert capture.wires == ("b",)


def test_wide_vectors_cost_nothing_where_their_bits_are_not_wanted(tmp_path: Path) -> None:
    path = tmp_path / "one.vcd"
    lines = [f"$var wire 65536 v{n} memory{n} $end" for n in range(1500)]
    lines += ["$var wire 1 # b $end", "$enddefinitions $end"]
    path.write_text("\n".join(lines + [f"#{n}\nbx v{n}\n{n & 1}#" for n in range(1500)]))
    rows, info = read(path)
    assert len(rows) == 1500
    assert len(info.signals) == 1501
    rows, _ = read(path, signals=["memory3[65535]", "memory3[0]"])
    assert rows[0] == (0, 0, 3)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="the system has no named pipes")
def test_a_pipe_is_refused_at_once(tmp_path: Path) -> None:
    path = tmp_path / "pipe.vcd"
    os.mkfifo(path)
    assert fault(path) == (
        [],
        "pipe.vcd: found a pipe; this is read more than once: write it to a file, and give that",
    )


def test_a_device_is_refused() -> None:
    with pytest.raises(InputError, match="found a device or socket"):
        open_capture(os.devnull)
