"""The message of a picture that differs: its store, whatever the board, and what became of it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import busplay
from busplay.png import encode_png
from tests.testing.conftest import RunTests, picture

pytest_plugins = ["pytester"]

# LDA #$E4, STA $2005, STA $3001: a byte of the upper screen and one of the lower.
STORES = bytes.fromhex("A9E4 8D0520 8D0130 4C0802").ljust(16, b"\xea")
BOARD = """
name = "Two screens"
processor = "6502"
clock_hz = 1_000_000
link = "lean"
program_load_address = 0x0200
memory = [{kind = "ram", first_address = 0, last_address = 0x3FFF}]
windows = [
    {name = "up", first_address = 0x2000, last_address = 0x20FF, unit = "upper", space = "memory"},
    {name = "low", first_address = 0x3000, last_address = 0x307F, unit = "lower", space = "memory"},
]
[units.upper]
width_px = 32
height_px = 32
bits_per_pixel = 2
[units.lower]
number = 1
width_px = 32
height_px = 32
bits_per_pixel = 1
"""
TEST = """
import busplay
import pytest

@pytest.mark.busplay(board="two.toml", program="it.bin"{more})
def test_it(make_machine):
    machine = make_machine()
    machine.run(100)
    machine.screen({unit!r}).assert_matches("title")
"""


@pytest.fixture
def files(pytester: pytest.Pytester) -> Path:
    """A board of two units with its program and labels, and a black picture."""
    folder = pytester.path
    (folder / "two.toml").write_text(BOARD)
    (folder / "it.bin").write_bytes(STORES)
    (folder / "it.lbl").write_text("al 000202 .to_upper\nal 000205 .to_lower\n")
    picture(pytester).parent.mkdir()
    picture(pytester).write_bytes(encode_png(np.zeros((32, 32, 3), np.uint8)))
    return folder


@pytest.mark.thorough
@pytest.mark.parametrize(
    ("unit", "found", "store"),
    [
        ("upper", "the screen differs from pictures/title.png in 3 of 1,024 pixels", "to_upper"),
        ("lower", "the screen differs from pictures/title.png in 4 of 1,024 pixels", "to_lower"),
    ],
)
def test_store_is_named_on_any_unit_of_any_board(
    run_tests: RunTests, files: Path, unit: str, found: str, store: str
) -> None:
    result = run_tests(TEST.format(unit=unit, more=""))
    result.assert_outcomes(failed=1)
    address = {"upper": "$2005", "lower": "$3001"}[unit]
    result.stdout.fnmatch_lines([f"*{found}", f"*{unit} *shows colour*", f"*$E4 to {address}*"])
    result.stdout.fnmatch_lines([f"*{store}*"])


@pytest.mark.thorough
def test_store_that_a_fault_has_lost_is_named_with_what_became_of_it(
    run_tests: RunTests, files: Path, pytester: pytest.Pytester
) -> None:
    with busplay.Session(files / "two.toml", program=files / "it.bin") as session:
        session.run(100)
        picture(pytester).write_bytes(encode_png(session.display("upper").image()))
    more = ", faults=busplay.Faults(stuck={1: 1})"
    result = run_tests(TEST.format(unit="upper", more=more))
    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines(
        [
            "*the screen differs from pictures/title.png in 3 of 1,024 pixels",
            "*first at 20,0: expected #FFFFFF, found #000000",
        ]
    )
    result.stdout.fnmatch_lines(
        [
            "*the last store to it was lost: receiver out of sync",
            "*received  nothing",
            "*shown     #000000, from $00, as at power-on, in what was received",
        ]
    )
    result.stdout.no_fnmatch_line("*received.trace*")


@pytest.mark.thorough
def test_pixel_that_nothing_has_drawn_says_so(run_tests: RunTests, files: Path) -> None:
    wrong = np.zeros((32, 32, 3), np.uint8)
    wrong[0, 0] = 255
    (files / "pictures/title.png").write_bytes(encode_png(wrong))
    result = run_tests(TEST.format(unit="upper", more=""))
    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines(["*first at 0,0: expected #FFFFFF, found #000000", "*upper 0,0*"])
    result.stdout.fnmatch_lines(["*byte *offset 0 holds $00*never written"])
