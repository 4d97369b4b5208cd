"""Files that take their name when they are complete."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from busplay.conversion.convert import convert
from busplay.conversion.decode import decode
from busplay.errors import OutputError
from busplay.whole_file import place_beside, write_whole_file


def test_file_is_complete_or_absent(tmp_path: Path) -> None:
    path = tmp_path / "figures.csv"
    write_whole_file(path, b"old")

    def write_half() -> None:
        with place_beside(path) as beside:
            beside.write_bytes(b"half of the n")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        write_half()
    assert path.read_bytes() == b"old"
    write_whole_file(path, b"new")
    assert path.read_bytes() == b"new"
    assert list(tmp_path.iterdir()) == [path]


def test_link_to_a_file_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "target").write_bytes(b"old")
    link = tmp_path / "link"
    link.symlink_to("target")
    write_whole_file(link, b"new")
    assert link.is_symlink()
    assert (tmp_path / "target").read_bytes() == b"new"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="there are no named pipes here")
def test_pipe_is_written_to_and_stays_a_pipe(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    reader = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    write_whole_file(pipe, b"figures")
    assert os.read(reader, 100) == b"figures"
    os.close(reader)
    assert pipe.is_fifo()


def test_missing_folder_is_named(tmp_path: Path) -> None:
    path = tmp_path / "none" / "x.csv"
    with pytest.raises(OutputError) as caught:
        write_whole_file(path, b"")
    assert str(caught.value) == (
        f"{path}: found no such file or directory; give a place that can be written to"
    )


def test_decode_and_convert_never_write_over_what_they_read(tmp_path: Path) -> None:
    source = tmp_path / "a.vcd"
    source.write_bytes(b"wires")
    (tmp_path / "b.trace").hardlink_to(source)
    for write in (
        lambda: convert(source, tmp_path / "b.trace"),
        lambda: decode(source, link="lean", output=tmp_path / "b.trace"),
        lambda: decode("other.vcd", link="lean", expect=source, output=tmp_path / "b.trace"),
    ):
        with pytest.raises(OutputError, match="found an input file; give another file"):
            write()
    assert source.read_bytes() == b"wires"
