"""A board with banked memory, and a program that draws into its pages from code in others."""

from __future__ import annotations

from pathlib import Path

BOARD = """
name = "Banked"
processor = "65c02"
clock_hz = 8_000_000
link = "guarded"
program_load_address = 0xC000

[[memory]]
kind = "ram"
first_address = 0x0000
last_address = 0x3FFF
[[memory]]
kind = "rom"
first_address = 0xC000
last_address = 0xFFFF

[[banks]]
name = "screens"
kind = "ram"
first_address = 0x4000
last_address = 0x5FFF
pages = 4
latch_address = 0xA400
[[banks]]
name = "library"
kind = "rom"
first_address = 0x8000
last_address = 0x9FFF
image = "library.bin"
latch_address = 0xA400
select = ["latch 5", "latch 4"]

[[windows]]
name = "screen"
first_address = 0x4000
last_address = 0x4FFF
unit = "panel"
space = "memory"
lands_in_ram = true
[units.panel]
number = 0
width_px = 128
height_px = 64
bits_per_pixel = 4
palette = "html16"
{more}
"""
# Page of the library in the high digit, of the screens in the low one.
LATCHED = (0x00, 0x11, 0x23, 0x02, 0x11)
LABELS = """
start = $C000
draw = 0:$8000
clear = 1:$8000
mark = 2:$8000
screen = $4000
second = 1:$4000
"""


def library() -> bytes:
    """Return three pages: LDA #$10 + page, STA $4010 + page, NOP for each page, RTS."""
    pages = []
    for page in range(3):
        code = bytes([0xA9, 0x10 + page, 0x8D, 0x10 + page, 0x40]) + b"\xea" * page + b"\x60"
        pages.append(code + bytes(0x2000 - len(code)))
    return b"".join(pages)


def program(latched: tuple[int, ...] = LATCHED) -> bytes:
    """Return code that sets the latch to each value, calls $8000, and stores to $4020."""
    code = b""
    for value in latched:
        # LDA #value, STA $A400, JSR $8000, STA $4020
        code += bytes([0xA9, value, 0x8D, 0x00, 0xA4, 0x20, 0x00, 0x80, 0x8D, 0x20, 0x40])
    end = 0xC000 + len(code)
    code += bytes([0x4C, end & 0xFF, end >> 8])
    return code + bytes(0x3FFC - len(code)) + bytes([0x00, 0xC0, 0x00, 0xC0])


def write_files(folder: Path, *, more: str = "", labels: str = LABELS) -> None:
    """Write board, image, program and labels."""
    (folder / "board.toml").write_text(BOARD.format(more=more), encoding="utf-8")
    (folder / "library.bin").write_bytes(library())
    (folder / "program.bin").write_bytes(program())
    (folder / "program.lbl").write_text(labels, encoding="utf-8")
