"""`why` of stores to the palette and to registers that found the sender FIFO full."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

import busplay
from busplay.link.load import load_board
from tests.cli.command import run_busplay

INDEX, RED, GREEN, BLUE = 0xA304, 0xA305, 0xA306, 0xA307
BASE_LOW, BASE_HIGH, BLANK = 0xA300, 0xA301, 0xA303
PALETTE = [(INDEX, 3), (RED, 0x20), (GREEN, 0x40), (BLUE, 0xFF)]
PIXEL = (0x4000, 0x37)


def record(folder: Path, stores: list[tuple[int, int]], lost: set[int]) -> Path:
    """Record a program that makes stores with a pause before each; those of `lost` find none."""
    code = b""
    for number, (address, data) in enumerate(stores):
        # LDX #0; DEX; BNE: 1,282 cycles; then three stores that occupy the sender.
        code += bytes.fromhex("A200CAD0FD")
        if number in lost:
            code += bytes.fromhex("8D00418D00418D0041")
        code += bytes([0xA9, data, 0x8D]) + address.to_bytes(2, "little")
    here = 0xC000 + len(code)
    code += b"\x4c" + here.to_bytes(2, "little")
    program = folder / "run.bin"
    program.write_bytes(code.ljust(0x3FFA, b"\xea") + bytes.fromhex("00C000C000C0"))
    board = load_board("dunlin")
    board = replace(
        board,
        link=replace(board.link, clock_hz=200_000),
        sender=replace(board.sender, fifo_depth=1),
    )
    with busplay.Session(board, program=program, record=folder / "run.trace") as session:
        session.run(cycles=1_400 * (len(stores) + 1))
    return folder / "run.trace"


def behind(trace: Path) -> list[tuple[str | None, str, int]]:
    found = busplay.why(trace, unit="panel", pixel=(0, 0))
    assert all(one.sent.registers is not None for one in found.other_losses)
    assert all(one.sent.frame is None for one in found.other_losses)
    return [(one.register, one.place, one.sent.data) for one in found.other_losses]


@pytest.mark.parametrize(
    "lost", [0, *(pytest.param(at, marks=pytest.mark.thorough) for at in (1, 2, 3))]
)
def test_palette_store_lost_at_the_sender_is_named(lost: int, tmp_path: Path) -> None:
    """Only a lost store to the pixel's byte was."""
    trace = record(tmp_path, [*PALETTE, PIXEL], {lost})
    name = ("PALETTE_INDEX", "PALETTE_RED", "PALETTE_GREEN", "PALETTE_BLUE")[lost]
    assert behind(trace) == [(name, "sender", PALETTE[lost][1])]


@pytest.mark.thorough
def test_entry_that_was_not_meant_names_the_index_lost_at_the_sender(tmp_path: Path) -> None:
    """Entry 0 got the colour of entry 3."""
    trace = record(tmp_path, [*PALETTE, (0x4000, 0)], {0})
    assert behind(trace) == [("PALETTE_INDEX", "sender", 3)]


@pytest.mark.thorough
def test_only_stores_of_the_pixels_entry_are_named(tmp_path: Path) -> None:
    other = [(INDEX, 5), (RED, 1), (GREEN, 2), (BLUE, 3)]
    assert behind(record(tmp_path, [*PALETTE, *other, PIXEL], {4, 7})) == []


@pytest.mark.thorough
def test_palette_store_that_another_has_replaced_is_not_named(tmp_path: Path) -> None:
    assert behind(record(tmp_path, [*PALETTE, *PALETTE, PIXEL], {3})) == []


@pytest.mark.thorough
def test_picture_registers_lost_at_the_sender_are_named(tmp_path: Path) -> None:
    stores = [(BASE_LOW, 1), (BASE_HIGH, 0), (BLANK, 1), PIXEL]
    assert behind(record(tmp_path, stores, {0, 2})) == [
        ("BASE_LOW", "sender", 1),
        ("BLANK", "sender", 1),
    ]


@pytest.mark.thorough
def test_register_stored_again_is_not_named(tmp_path: Path) -> None:
    assert behind(record(tmp_path, [(BLANK, 1), (BLANK, 0), PIXEL], {0})) == []


def test_without_the_program_the_report_tells_that_it_is_needed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    trace = record(tmp_path, [*PALETTE, PIXEL], {0})
    (tmp_path / "run.bin").unlink()
    assert run_busplay("why", trace, "--unit", "panel", "--pixel", "0,0") == 0
    assert "found with the program only (--program)" in " ".join(capsys.readouterr().out.split())
