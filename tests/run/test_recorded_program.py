"""A trace finds its program by the digest that it holds."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from busplay.demo.programs import find_demo, shipped_file
from busplay.errors import InputError
from busplay.program.image import read_content
from busplay.run.recorded_program import find_recorded_program, require_recorded_program
from busplay.trace.header import TraceHeader
from busplay.trace.reader import TraceReader


@pytest.fixture
def trace(tmp_path: Path) -> Path:
    return Path(shutil.copy(shipped_file("traces", "tides.trace"), tmp_path))


@pytest.fixture
def header(trace: Path) -> TraceHeader:
    with TraceReader(trace) as reader:
        return reader.header


def test_the_file_of_that_name_beside_the_trace_goes_first(
    trace: Path, header: TraceHeader
) -> None:
    image = find_demo("tides").image_path
    assert find_recorded_program(trace, header) == image
    shutil.copy(image, trace.with_name("another.bin"))
    assert find_recorded_program(trace, header) == trace.with_name("another.bin")
    shutil.copy(image, trace.with_name("tides.bin"))
    assert find_recorded_program(trace, header) == trace.with_name("tides.bin")


def test_a_file_of_that_name_with_other_bytes_is_not_it(trace: Path, header: TraceHeader) -> None:
    changed = trace.with_name("tides.bin")
    changed.write_bytes(find_demo("tides").image_path.read_bytes()[:-1] + b"\0")
    assert find_recorded_program(trace, header) == find_demo("tides").image_path
    with pytest.raises(InputError) as refused:
        require_recorded_program(trace, header, changed)
    assert str(refused.value) == (
        f"{changed}: found a program other than the recorded one;"
        f" give tides.bin as it was when {trace} was made"
    )


def test_a_program_that_is_nowhere_is_not_found(trace: Path, header: TraceHeader) -> None:
    (trace.parent / "folder.bin").mkdir()
    (trace.parent / "gone.bin").symlink_to(trace.parent / "nothing")
    assert find_recorded_program(trace, replace(header, program_sha256="0" * 64)) is None
    assert find_recorded_program(trace, replace(header, program_sha256=None)) is None
    require_recorded_program(
        trace, replace(header, program_sha256=None), find_demo("fill").image_path
    )


def test_a_folder_of_large_files_is_not_read_whole(
    trace: Path, header: TraceHeader, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number in range(40):
        with (trace.parent / f"large{number:02}.bin").open("wb") as stream:
            stream.truncate(1 << 22)
    read: list[Path] = []

    def noted(path: Path) -> bytes:
        read.append(path)
        return read_content(path)

    monkeypatch.setattr("busplay.run.recorded_program.read_content", noted)
    assert find_recorded_program(trace, header) == find_demo("tides").image_path
    assert len(read) > 10
    assert sum(path.stat().st_size for path in read) <= (1 << 26) + (1 << 18)
    # What has the name of the program goes first, whatever else is there, and how much.
    monkeypatch.setattr("busplay.run.recorded_program._FILES_MOST", 3)
    shutil.copy(find_demo("tides").image_path, trace.with_name("tides.bin"))
    assert find_recorded_program(trace, header) == trace.with_name("tides.bin")
