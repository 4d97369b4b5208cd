"""Headers of a board: assembled, run on that board, and as fast as they say."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

import busplay
from tests.emission.firmware import missing

needs_cc65 = pytest.mark.skipif(
    bool(missing("ca65", "cc65", "ld65")), reason=missing("ca65", "cc65", "ld65")
)

MEMORY = """
MEMORY {
    ZP: start = $10, size = $E0, type = rw;
    ROM: start = $C000, size = $4000, type = ro, fill = yes, file = %O;
}
SEGMENTS {
    ZEROPAGE: load = ZP, type = zp;
    CODE: load = ROM, type = ro;
    RODATA: load = ROM, type = ro;
    VECTORS: load = ROM, type = ro, start = $FFFA;
}
"""
# Writes a palette entry and the base, clears both screens, and leaves with what it read of TICK.
PROGRAM = """
.include "dunlin.inc"
.import dunlin_clear_panel_memory, dunlin_clear_sign_memory
.code
start:  dunlin_panel_set_colour 9, 10, 20, 30
        dunlin_panel_set_base $0180
        dunlin_sign_set_border 1
        dunlin_sign_set_blank 1
        lda     #$5A
before: jsr     dunlin_clear_panel_memory
after:  lda     #$C3
        jsr     dunlin_clear_sign_memory
        lda     #7
        sta     DUNLIN_PORT_EXIT
stop:   jmp     stop
.export before, after
.segment "VECTORS"
        .word start, start, start
"""
C_PROGRAM = """
#include "dunlin.h"

void main(void)
{
    dunlin_panel_set_colour(3, 1, 2, 4);
    dunlin_panel_set_base(0x1234);
    dunlin_panel_set_border(5);
    dunlin_sign_set_blank(0);
    DUNLIN_WINDOW_PANEL_MEMORY_FIRST[DUNLIN_UNIT_PANEL_STRIDE_BYTES] = 0x12;
    dunlin_clear_sign_memory(0x81);
    DUNLIN_PORT_EXIT = DUNLIN_PORT_KEY_READY;
}
"""

START = """
.import _main
.export sp
.exportzp ptr1
.export __STARTUP__ : absolute = 1
.zeropage
sp:     .res 2
ptr1:   .res 2
.code
start:  lda     #0
        sta     sp
        lda     #$40
        sta     sp+1
        jsr     _main
stop:   jmp     stop
.segment "VECTORS"
        .word start, start, start
"""


@pytest.fixture(scope="module")
def headers(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("board")
    busplay.emit("dunlin", folder, only=["headers"])
    return folder / "headers"


def run(folder: Path, *words: str) -> None:
    done = subprocess.run(words, cwd=folder, capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")


@needs_cc65
def test_routines_and_macros_do_on_the_board_what_they_say(headers: Path, tmp_path: Path) -> None:
    folder = shutil.copytree(headers, tmp_path / "work")
    (folder / "memory.cfg").write_text(MEMORY)
    (folder / "main.s").write_text(PROGRAM)
    for name in ("main", "dunlin_clear"):
        run(folder, "ca65", f"{name}.s", "-o", f"{name}.o")
    run(
        folder,
        "ld65",
        "-C",
        "memory.cfg",
        "-Ln",
        "main.lbl",
        "-o",
        "main.bin",
        "main.o",
        "dunlin_clear.o",
    )
    session = busplay.Session("dunlin", program=folder / "main.bin")
    session.run_until(label="before")
    begin = session.cycle
    session.run_until(label="after")
    # The JSR takes 6 cycles before the routine's first.
    cycles = session.cycle - begin - 6
    text = (folder / "dunlin.inc").read_text()
    stated = re.search(r"; ([\d,]+) cycles, .*\n\.macro dunlin_clear_panel_memory", text)
    assert stated is not None
    assert cycles == int(stated[1].replace(",", ""))
    loop = next(one for one in busplay.plan("dunlin").loops if one.name == "byte")
    assert cycles == loop.cycles + 6
    session.run_until(exit=True)
    assert session.stop is not None
    assert session.stop.exit_status == 7
    panel, sign = session.display("panel"), session.display("sign")
    assert (panel.memory == 0x5A).all()
    assert (sign.memory == 0xC3).all()
    assert panel.palette[9].tolist() == [10, 20, 30]
    assert (panel.base_offset, sign.border_index, sign.is_blank) == (0x0180, 1, True)


@pytest.mark.thorough
@needs_cc65
def test_header_for_cc65_writes_the_same_registers(headers: Path, tmp_path: Path) -> None:
    folder = shutil.copytree(headers, tmp_path / "work")
    (folder / "memory.cfg").write_text(MEMORY)
    (folder / "main.c").write_text(C_PROGRAM)
    (folder / "start.s").write_text(START)
    run(folder, "cc65", "-t", "none", "-O", "-W", "error", "main.c")
    for name in ("main", "start", "dunlin_clear"):
        run(folder, "ca65", f"{name}.s", "-o", f"{name}.o")
    objects = ["start.o", "main.o", "dunlin_clear.o"]
    run(folder, "ld65", "-C", "memory.cfg", "-o", "main.bin", *objects)
    session = busplay.Session("dunlin", program=folder / "main.bin")
    session.run_until(exit=True)
    panel, sign = session.display("panel"), session.display("sign")
    assert panel.palette[3].tolist() == [1, 2, 4]
    assert (panel.base_offset, panel.border_index, sign.is_blank) == (0x1234, 5, False)
    assert panel.memory[128] == 0x12
    assert (sign.memory == 0x81).all()
    assert session.stop is not None
    assert session.stop.exit_status == 0


NOTICE = "dunlin_with_a_notice_board"
NOTICE_PROGRAM = f"""
.include "{NOTICE}.inc"
.code
start:  {NOTICE}_notice_set_cursor DUNLIN_UNIT_NOTICE_PAGE_BYTES + 70
        {NOTICE}_notice_set_text_colours 14, 2
        lda     #2
        sta     DUNLIN_UNIT_NOTICE_CURSOR_SHAPE
        lda     #DUNLIN_UNIT_NOTICE_PAGES - 1
        sta     DUNLIN_UNIT_NOTICE_PAGE
        lda     #DUNLIN_UNIT_NOTICE_COLUMNS * DUNLIN_UNIT_NOTICE_CELL_BYTES
        sta     DUNLIN_WINDOW_NOTICE_CELLS_FIRST + DUNLIN_UNIT_NOTICE_ROWS
        lda     #0
        sta     DUNLIN_PORT_EXIT
stop:   jmp     stop
.segment "VECTORS"
        .word start, start, start
""".replace("DUNLIN_", f"{NOTICE.upper()}_")
NOTICE_C_PROGRAM = f"""
#include "{NOTICE}.h"

void main(void)
{{
    {NOTICE}_notice_set_cursor(DUNLIN_UNIT_NOTICE_PAGE_BYTES + 70);
    {NOTICE}_notice_set_text_colours(14, 2);
    DUNLIN_UNIT_NOTICE_CURSOR_SHAPE = 2;
    DUNLIN_UNIT_NOTICE_PAGE = DUNLIN_UNIT_NOTICE_PAGES - 1;
    DUNLIN_WINDOW_NOTICE_CELLS_FIRST[DUNLIN_UNIT_NOTICE_ROWS] =
        DUNLIN_UNIT_NOTICE_COLUMNS * DUNLIN_UNIT_NOTICE_CELL_BYTES;
    DUNLIN_PORT_EXIT = 0;
}}
""".replace("DUNLIN_", f"{NOTICE.upper()}_")


@pytest.mark.thorough
@needs_cc65
@pytest.mark.parametrize("language", ["assembly", "C"])
def test_headers_reach_cursor_colours_and_pages_of_text(language: str, tmp_path: Path) -> None:
    busplay.emit("dunlin_notice", tmp_path, only=["headers"])
    folder = tmp_path / "headers"
    (folder / "memory.cfg").write_text(MEMORY)
    (folder / "main.s").write_text(NOTICE_PROGRAM)
    objects = ["main.o"]
    if language == "C":
        (folder / "main.c").write_text(NOTICE_C_PROGRAM)
        (folder / "start.s").write_text(START)
        run(folder, "cc65", "-t", "none", "-O", "-W", "error", "main.c")
        run(folder, "ca65", "start.s", "-o", "start.o")
        objects = ["start.o", "main.o"]
    run(folder, "ca65", "main.s", "-o", "main.o")
    run(folder, "ld65", "-C", "memory.cfg", "-o", "main.bin", *objects)
    session = busplay.Session("dunlin_notice", program=folder / "main.bin")
    session.run_until(exit=True)
    notice = session.display("notice")
    assert (notice.cursor_offset, notice.cursor_shape, notice.text_colours) == (1024 + 70, 2, 0x2E)
    assert notice.memory[12] == 32 * 2
    notice.refresh()
    assert notice.page == 1
    text = (folder / f"{NOTICE}.h").read_text()
    assert "Unit 1, notice: 32 x 12 cells of characters" in text


PAGED_BOARD = """
name = "Paged"
processor = "6502"
clock_hz = 1_000_000
link = "guarded"
program_load_address = 0x8000

[[banks]]
name = "screens"
kind = "ram"
first_address = 0x8000
last_address = 0x80FF
pages = 3
latch_address = 0xA000

[[windows]]
name = "lower"
first_address = 0x8000
last_address = 0x80FF
unit = "screen"
space = "memory"
lands_in_ram = true
page = 2

[units.screen]
width_px = 32
height_px = 32
bits_per_pixel = 2
"""


def test_headers_say_which_page_a_window_takes_stores_of(tmp_path: Path) -> None:
    (tmp_path / "paged.toml").write_text(PAGED_BOARD)
    busplay.emit(tmp_path / "paged.toml", tmp_path, only=["headers"])
    said = "while page 2 is shown; stores land in RAM, too"
    assert f"memory from offset $0000; {said}\n" in (tmp_path / "headers/paged.inc").read_text()
    assert f"memory from offset 0x0000; {said} */\n" in (tmp_path / "headers/paged.h").read_text()


def test_link_alone_has_no_headers(tmp_path: Path) -> None:
    with pytest.raises(busplay.InputError) as refused:
        busplay.emit("lean", tmp_path, only=["headers"])
    assert str(refused.value) == (
        "--only: headers cannot be made: a link alone has no addresses; give a board that uses it"
    )
