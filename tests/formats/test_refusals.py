"""Damaged captures, stores, frames and key presses, from `refused.txt`: the message, in full."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from busplay.errors import InputError
from busplay.formats.frames_csv import read_frames_csv
from busplay.formats.keys_csv import read_key_presses
from busplay.formats.samples.raw import parse_bits
from busplay.formats.stores_csv import read_stores_csv
from tests.formats.reading import fault, read

KEEP_GOING = " (--keep-going reads up to this point)"
VCD_HEAD = """$timescale 1 ns $end
$scope module top $end
$var wire 1 ! clk $end
$var wire 4 " data [3:0] $end
$upscope $end
$enddefinitions $end
"""
LINES = Path(__file__).with_name("refused.txt").read_text(encoding="utf-8").splitlines()
CASES = [line for line in LINES if not line.startswith(";")]


def written(name: str, text: str) -> Path:
    """Write a file into the folder of the test."""
    path = Path(name).absolute()
    path.write_bytes(text.encode())
    return path


def capture_fault(name: str, text: str) -> str:
    """Return the message; what was read before it is what reading on gives."""
    path = written(name, text)
    rows, message = fault(path)
    assert message.endswith(KEEP_GOING) == bool(rows)
    if rows:
        kept, info = read(path, keep_going=True)
        assert (kept, info.complete) == (rows, False)
        assert message == f"{name}:{info.cut_reason}{KEEP_GOING}"
    return message


def csv_fault(text: str) -> str:
    """Read a CSV; the first rows decide what a column holds, so damage comes later, too."""
    message = capture_fault("one.csv", text)
    if message.endswith(KEEP_GOING):
        head, _, rows = text.partition("\n")
        many = "".join(f"0.{n:05d},0\n" for n in range(400))
        later = re.sub(r"(?<=csv:)\d+", lambda line: str(int(line[0]) + 400), message, count=1)
        assert capture_fault("one.csv", f"{head}\n{many}{rows}") == later
    return message


def message_of(read_it: Callable[[], object]) -> str:
    """Return what is said when something is refused."""
    with pytest.raises(InputError) as refused:
        read_it()
    return str(refused.value)


READERS: dict[str, Callable[[str], str]] = {
    "vcd": lambda text: capture_fault("one.vcd", text),
    "vcd body": lambda text: capture_fault("one.vcd", VCD_HEAD + text),
    "csv": csv_fault,
    "stores": lambda text: message_of(
        lambda: list(read_stores_csv(io.BytesIO(text.encode()), "it.csv"))
    ),
    "frames": lambda text: message_of(
        lambda: list(read_frames_csv(io.BytesIO(text.encode()), file="it.csv", word_bits=40))
    ),
    "keys": lambda text: message_of(lambda: read_key_presses(written("it.csv", text).name)),
    "bits": lambda text: message_of(lambda: parse_bits(text)),
}


@pytest.mark.parametrize(("case", "message"), [*zip(CASES[::2], CASES[1::2], strict=True)])
def test_what_is_damaged_is_refused_with_its_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, case: str, message: str
) -> None:
    monkeypatch.chdir(tmp_path)
    reader, _, text = case.partition(":")
    text = text.removeprefix(" ").replace("\\n", "\n").replace("\\0", "\0")
    assert READERS[reader](text) == message.removeprefix("    ")
