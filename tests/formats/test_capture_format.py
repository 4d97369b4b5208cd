"""A format of another package, found by its entry point."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from busplay.batch import CaptureInfo, ChangeBatch, SignalInfo
from busplay.errors import InputError
from busplay.formats.byte_source import ByteSource
from busplay.formats.capture_format import CaptureReader, FormatOptions, capture_formats
from tests.formats.reading import fault, read

MAGIC = b"PULSES\n"


class PulseReader:
    """One wire that toggles at each of the file's numbers, in ns."""

    def __init__(self, source: ByteSource) -> None:
        source.restart()
        lines = b"".join(source.chunks()).split(b"\n")[1:]
        try:
            self._times = [1000 * int(line) for line in lines if line]
        except ValueError:
            raise InputError(file=source.file, found="no number", wanted="give ns") from None
        self.signals = ("pulse",)
        self.signal_masks = (1,)
        self.wire_count = 1
        self.wires = ("pulse",)
        self._file = source.file

    def info(self) -> CaptureInfo:
        """Return all that is known."""
        signal = SignalInfo("pulse", 1, "wire", len(self._times))
        return CaptureInfo(self._file, "pulses", signals=(signal,), stop_ps=self._times[-1])

    def rows(self) -> Iterator[ChangeBatch]:
        """Return all changes."""
        times = np.array(self._times, np.uint64)
        level = np.arange(len(times), dtype=np.uint64) & np.uint64(1)
        yield ChangeBatch(times, level, np.zeros(len(times), np.uint64))


class PulseFormat:
    """The format of the file above."""

    name = "pulses"
    suffixes = (".pul",)

    def recognises(self, head: bytes, text: str | None) -> bool:
        """Know it by its first line."""
        return head.startswith(MAGIC)

    def open(self, source: ByteSource, options: FormatOptions) -> CaptureReader:
        """Open it."""
        return PulseReader(source)


PULSES = PulseFormat()


def distribution(folder: Path, target: str) -> None:
    """Write what an installed package has: metadata with an entry point."""
    info = folder / "pulse_package-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: pulse-package\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(f"[busplay.capture_formats]\npulses = {target}\n")


def test_a_format_of_another_package_is_read_like_ours(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "some.file"
    path.write_bytes(MAGIC + b"5\n7\n11\n")
    assert "found no column of levels among PULSES" in fault(path)[1]
    distribution(tmp_path, f"{__name__}:PULSES")
    monkeypatch.setattr(sys, "path", [str(tmp_path), *sys.path])
    assert [one.name for one in capture_formats()] == ["sr", "vcd", "pulses", "csv"]
    rows, info = read(path)
    assert rows == [(5_000, 0, 0), (7_000, 1, 0), (11_000, 0, 0)]
    assert info.format == "pulses"
    rows, info = read(path, from_ps=6_000)
    assert (rows[0], info.start_ps) == ((6_000, 0, 0), 6_000)


def test_a_suffix_decides_where_the_content_does_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    distribution(tmp_path, f"{__name__}:PULSES")
    monkeypatch.setattr(sys, "path", [str(tmp_path), *sys.path])
    path = tmp_path / "one.pul"
    path.write_bytes(b"\1\2\3\n1\n2\n")
    assert read(path)[1].format == "pulses"
    path.write_bytes(MAGIC + b"x\n")
    assert fault(path) == ([], "one.pul: found no number; give ns")


def test_a_format_that_does_not_load_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    distribution(tmp_path, "no_such_package:THING")
    monkeypatch.setattr(sys, "path", [str(tmp_path), *sys.path])
    path = tmp_path / "one.csv"
    path.write_text("time,a\n0,1\n")
    assert fault(path)[1] == (
        "capture format 'pulses' (no_such_package:THING) does not load: No module named"
        " 'no_such_package'; repair or remove its package"
    )
