"""Board files: what they become, and every refusal word for word."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from busplay.description.board import (
    Board,
    BusyTime,
    HostPort,
    Image,
    Memory,
    ReceiverEnd,
    Sender,
    Unit,
    Window,
)
from busplay.description.palettes import HTML16
from busplay.errors import DescriptionError
from busplay.link.board_fit import require_link_fits
from busplay.link.load import load_board, load_link, parse_board, parse_link
from tests.description.writing import BARE_LINK, BOARD, LINK, edited

FILE = "x.toml"
NOWHERE = Path("/no/such/folder")
SECOND_UNIT = "[units.sign]\nnumber = 1\nwidth_px = 8\nheight_px = 8\nbits_per_pixel = 1\n"


def board_of(text: str, folder: Path = NOWHERE) -> Board:
    return parse_board(text, file=FILE, folder=folder)


def message_of(text: str, folder: Path = NOWHERE) -> str:
    with pytest.raises(DescriptionError) as caught:
        board_of(text, folder)
    return str(caught.value)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "bare.toml").write_text(BARE_LINK, encoding="utf-8")
    (tmp_path / "small.toml").write_text(LINK, encoding="utf-8")
    (tmp_path / "rom.bin").write_bytes(bytes(16))
    return tmp_path


def test_left_out_keys_take_the_stated_defaults() -> None:
    assert board_of(BOARD) == Board(
        name="small",
        processor="6502",
        clock_hz=1_000_000,
        link=load_link("guarded"),
        memory=(Memory("ram", 0x0000, 0x9FFF), Memory("rom", 0xC000, 0xFFFF)),
        windows=(
            Window("pixels", 0x4000, 0x5FFF, "panel", "memory", 0, lands_in_ram=True),
            Window("controls", 0xA000, 0xA007, "panel", "registers", 0, lands_in_ram=False),
        ),
        units=(
            Unit(
                name="panel",
                number=0,
                width_px=256,
                height_px=192,
                bits_per_pixel=4,
                palette=HTML16,
                pixel_order="high_first",
                stride_bytes=128,
                base_offset=0,
                memory_bytes=24_576,
                border_px=0,
                border_index=0,
            ),
        ),
        sender=Sender(fifo_depth=16, lead_frames=16),
        receiver=ReceiverEnd(
            fifo_depth=64, service_ns=0, deadline_ns=None, correct_one_bit=False, busy=()
        ),
        host_port=HostPort(0xA100, refresh_hz=60, random_seed=1),
        unmapped_read=0xFF,
        undocumented="stop",
        program_load_address=None,
        description="",
        file=FILE,
    )


def test_every_key_becomes_its_attribute(folder: Path) -> None:
    text = edited(
        BOARD,
        (
            'name = "small"\n',
            'name = "small"\ndescription = "For tests."\nunmapped_read = 0x00\n'
            'program_load_address = 0xD000\nundocumented = "run"\n',
        ),
        ('link = "guarded"', 'link = "small.toml"'),
        (
            "last_address = 0xFFFF\n",
            'last_address = 0xFFFF\nimage = "rom.bin"\nformat = "raw"\nload_address = 0xFFF0\n',
        ),
        ('space = "memory"\n', 'space = "memory"\nfirst_offset = 0x0100\n'),
        (
            "bits_per_pixel = 4\n",
            "bits_per_pixel = 4\nnumber = 3\nstride_bytes = 130\nbase_offset = 0x0200\n"
            'memory_bytes = 30_000\nborder_px = 8\nborder_index = 15\npixel_order = "low_first"\n'
            'palette = ["#102030"]\n',
        ),
        ("first_address = 0xA100\n", "first_address = 0xA100\nrefresh_hz = 50\nrandom_seed = 7\n"),
    )
    text += (
        "[sender]\nfifo_depth = 4\nlead_frames = 0\n"
        "[receiver]\nfifo_depth = 8\nservice_ns = 300\ndeadline_ns = 900\ncorrect_one_bit = true\n"
        "[[receiver.busy]]\nperiod_ns = 64_000\nlength_ns = 12_000\nphase_ns = 500\n"
        "jitter_ns = 40\n"
    )
    board = board_of(text, folder)
    unit = board.units[0]
    assert (board.description, board.unmapped_read) == ("For tests.", 0)
    assert (board.program_load_address, board.undocumented) == (0xD000, "run")
    assert board.link.name == "small"
    assert board.memory[1].image == Image(folder / "rom.bin", "raw", 0xFFF0)
    assert board.windows[0].first_offset == 0x0100
    assert (unit.number, unit.stride_bytes, unit.base_offset) == (3, 130, 0x0200)
    assert (unit.memory_bytes, unit.border_px, unit.border_index) == (30_000, 8, 15)
    assert unit.pixel_order == "low_first"
    assert unit.palette == ((0x10, 0x20, 0x30), *HTML16[1:])
    assert board.host_port == HostPort(0xA100, refresh_hz=50, random_seed=7)
    assert board.sender == Sender(fifo_depth=4, lead_frames=0)
    assert board.receiver == ReceiverEnd(8, 300, 900, True, (BusyTime(64_000, 12_000, 500, 40),))


def test_memory_of_a_unit_covers_base_offset_and_all_rows_by_default() -> None:
    text = edited(
        BOARD,
        ("bits_per_pixel = 4\n", "bits_per_pixel = 4\nbase_offset = 256\nstride_bytes = 200\n"),
    )
    assert board_of(text).units[0].memory_bytes == 256 + 200 * 192


def test_row_that_ends_inside_a_byte_is_rounded_up() -> None:
    text = edited(BOARD, ("width_px = 256", "width_px = 257"), ("0x5FFF", "0x4FFF"))
    assert board_of(text).units[0].stride_bytes == 129


def test_raw_image_begins_where_its_memory_does_unless_it_says_otherwise(folder: Path) -> None:
    text = edited(BOARD, ("last_address = 0xFFFF\n", 'last_address = 0xFFFF\nimage = "rom.bin"\n'))
    assert board_of(text, folder).memory[1].image == Image(folder / "rom.bin", "auto", 0xC000)


def test_image_with_addresses_of_its_own_has_no_load_address(folder: Path) -> None:
    text = edited(
        BOARD,
        ("last_address = 0xFFFF\n", 'last_address = 0xFFFF\nimage = "rom.bin"\nformat = "ihex"\n'),
    )
    assert board_of(text, folder).memory[1].image == Image(folder / "rom.bin", "ihex", None)


def test_window_may_lie_over_ram_that_it_shadows() -> None:
    text = edited(BOARD, ("lands_in_ram = true\n", ""))
    assert not board_of(text).windows[0].lands_in_ram


def test_window_that_lands_may_span_two_neighbouring_rams() -> None:
    text = edited(
        BOARD,
        (
            "last_address = 0x9FFF\n",
            'last_address = 0x4FFF\n[[memory]]\nkind = "ram"\nfirst_address = 0x5000\n'
            "last_address = 0x9FFF\n",
        ),
    )
    assert board_of(text).windows[0].lands_in_ram


def test_memory_may_be_left_to_somebody_elses_emulator() -> None:
    text = edited(
        BOARD,
        ('[[memory]]\nkind = "ram"\nfirst_address = 0x0000\nlast_address = 0x9FFF\n', ""),
        ('[[memory]]\nkind = "rom"\nfirst_address = 0xC000\nlast_address = 0xFFFF\n', ""),
        ("lands_in_ram = true\n", ""),
        ("[host_port]\nfirst_address = 0xA100\n", ""),
    )
    board = board_of(text)
    assert (board.memory, board.host_port) == ((), None)


def test_window_may_reach_the_last_byte_of_a_unit() -> None:
    assert board_of(edited(BOARD, ("0x5FFF", "0x9FFF"))).windows[0].last_address == 0x9FFF


CASES: dict[str, tuple[str, str]] = {
    "empty": (
        "",
        "x.toml: found an empty file; a board needs at least name, processor, clock_hz, link, "
        "[[windows]] and a unit",
    ),
    "a link": (LINK, "x.toml: found a link description; give a board file here"),
    "syntax": (
        edited(BOARD, ("[host_port]", "[host_port")),
        "x.toml:36:11: found \"[host_port\"; not TOML: expected ']' at the end of a table "
        "declaration",
    ),
    "misspelt key": (
        edited(BOARD, ("clock_hz", "clock")),
        "x.toml: clock: found a key that is not known here; did you mean clock_hz?",
    ),
    "misspelt table": (
        edited(BOARD, ("[host_port]", "[hostport]")),
        "x.toml: hostport: found a key that is not known here; did you mean host_port?",
    ),
    "name missing": (
        edited(BOARD, ('name = "small"\n', "")),
        "x.toml: name: found nothing; give the board a short name in quotes",
    ),
    "processor as a number": (
        edited(BOARD, ('"6502"', "6502")),
        'x.toml: processor: found 6502; give "6502" or "65c02", in quotes',
    ),
    "processor unknown": (
        edited(BOARD, ('"6502"', '"65816"')),
        'x.toml: processor: found "65816"; give "6502" or "65c02"',
    ),
    "clock missing": (
        edited(BOARD, ("clock_hz = 1_000_000\n", "")),
        "x.toml: clock_hz: found nothing; give a whole number from 1 to 1000000000 (1 GHz)",
    ),
    "clock in megahertz": (
        edited(BOARD, ("1_000_000", "1.0")),
        "x.toml: clock_hz: found 1.0, a float; give a whole number from 1 to 1000000000 (1 GHz)",
    ),
    "undocumented in another word": (
        edited(BOARD, ("clock_hz", 'undocumented = "skip"\nclock_hz')),
        'x.toml: undocumented: found "skip"; give "stop" or "run"',
    ),
    "undocumented as a switch": (
        edited(BOARD, ("clock_hz", "undocumented = true\nclock_hz")),
        'x.toml: undocumented: found true, a boolean; give "stop" or "run", in quotes',
    ),
    "unmapped read of two bytes": (
        edited(BOARD, ("clock_hz", "unmapped_read = 256\nclock_hz")),
        "x.toml: unmapped_read: found 256; give a whole number from 0 to 255",
    ),
    "program where no memory is": (
        edited(BOARD, ("clock_hz", "program_load_address = 0xB000\nclock_hz")),
        "x.toml: program_load_address: found $B000; no memory is there, so give an address inside "
        "one of [[memory]]",
    ),
    "program past the end": (
        edited(BOARD, ("clock_hz", "program_load_address = 0x10000\nclock_hz")),
        "x.toml: program_load_address: found $10000; give a whole number from $0000 to $FFFF",
    ),
    # -- link
    "link missing": (
        edited(BOARD, ('link = "guarded"\n', "")),
        "x.toml: link: found nothing; name a shipped link or the path of a link file",
    ),
    "link misspelt": (
        edited(BOARD, ('"guarded"', '"gaurded"')),
        'x.toml: link: found "gaurded"; no shipped link and no file (seen from the board file\'s '
        "folder) has that name; did you mean guarded?",
    ),
    "link unlike any": (
        edited(BOARD, ('"guarded"', '"my/link.toml"')),
        'x.toml: link: found "my/link.toml"; no shipped link and no file (seen from the board '
        "file's folder) has that name; shipped: guarded, lean, strobed, marked, serial",
    ),
    # -- memory
    "memory kind": (
        edited(BOARD, ('"rom"', '"flash"')),
        'x.toml: memory[1].kind: found "flash"; give "ram" or "rom"',
    ),
    "memory past the end": (
        edited(BOARD, ("0xFFFF", "0x10000")),
        "x.toml: memory[1].last_address: found $10000; give a whole number from $0000 to $FFFF "
        "(included)",
    ),
    "memory the wrong way round": (
        edited(BOARD, ("0xFFFF", "0xBFFF")),
        "x.toml: memory[1].last_address: found $BFFF; the range begins at $C000, so give that or "
        "more",
    ),
    "memory overlapping": (
        edited(BOARD, ("0xC000", "0x9000")),
        "x.toml: memory[1]: $9000-$FFFF overlaps memory[0] ($0000-$9FFF) from $9000; move one or "
        "shorten it",
    ),
    "memory overlapping by one byte": (
        edited(BOARD, ("0xC000", "0x9FFF")),
        "x.toml: memory[1]: $9FFF-$FFFF overlaps memory[0] ($0000-$9FFF) from $9FFF; move one or "
        "shorten it",
    ),
    "image missing": (
        edited(BOARD, ("last_address = 0xFFFF\n", 'last_address = 0xFFFF\nimage = "rom.bin"\n')),
        'x.toml: memory[1].image: found "rom.bin"; no such file is there (seen from the board '
        "file's folder), so correct the path",
    ),
    "image of an impossible name": (
        edited(BOARD, ("last_address = 0xFFFF\n", 'last_address = 0xFFFF\nimage = "a\\u0000"\n')),
        'x.toml: memory[1].image: found "a\\x00"; give one line without control characters',
    ),
    "format without an image": (
        edited(BOARD, ("last_address = 0xFFFF\n", 'last_address = 0xFFFF\nformat = "raw"\n')),
        "x.toml: memory[1].format: found a key that says how to load an image; no image is named "
        "here, so add image or take the line out",
    ),
    # -- units
    "no units": (
        edited(
            BOARD,
            ("[units.panel]\nwidth_px = 256\nheight_px = 192\nbits_per_pixel = 4\n", ""),
        ),
        "x.toml: units: found no units; give at least one, headed [units.NAME]",
    ),
    "units an array": (
        edited(BOARD, ("[units.panel]", "[[units]]")),
        "x.toml: units: found an array of 1; give tables headed [units.NAME]",
    ),
    "unit not a table": (
        edited(BOARD, ("[units.panel]", "[units]\npanel = 3\n[units.sign]")),
        "x.toml: units.panel: found 3; give tables headed [units.NAME]",
    ),
    "unit name with a blank": (
        edited(BOARD, ("[units.panel]", '[units."my panel"]')),
        'x.toml: units."my panel": found the name "my panel"; give up to 24 letters, digits, _ or '
        "-",
    ),
    "unit key misspelt": (
        edited(BOARD, ("width_px", "widht_px")),
        "x.toml: units.panel.widht_px: found a key that is not known here; did you mean width_px?",
    ),
    "width 0": (
        edited(BOARD, ("width_px = 256", "width_px = 0")),
        "x.toml: units.panel.width_px: found 0; give a whole number from 1 to 4096",
    ),
    "height missing": (
        edited(BOARD, ("height_px = 192\n", "")),
        "x.toml: units.panel.height_px: found nothing; give a whole number from 1 to 4096",
    ),
    "depth of 3 bits": (
        edited(BOARD, ("bits_per_pixel = 4", "bits_per_pixel = 3")),
        "x.toml: units.panel.bits_per_pixel: found 3; give 1, 2, 4 or 8",
    ),
    "depth of 16 bits": (
        edited(BOARD, ("bits_per_pixel = 4", "bits_per_pixel = 16")),
        "x.toml: units.panel.bits_per_pixel: found 16; give 1, 2, 4 or 8",
    ),
    "depth missing": (
        edited(BOARD, ("bits_per_pixel = 4\n", "")),
        "x.toml: units.panel.bits_per_pixel: found nothing; give 1, 2, 4 or 8",
    ),
    "pixel order": (
        edited(BOARD, ("height_px", 'pixel_order = "left"\nheight_px')),
        'x.toml: units.panel.pixel_order: found "left"; give "high_first" or "low_first"',
    ),
    "stride too small": (
        edited(BOARD, ("height_px", "stride_bytes = 100\nheight_px")),
        "x.toml: units.panel.stride_bytes: found 100; a row of 256 pixels at 4 bits takes 128 "
        "bytes, so give 128 or more",
    ),
    "stride too small for an odd row": (
        edited(
            BOARD,
            ("width_px = 256", "width_px = 9\nstride_bytes = 1"),
            ("bits_per_pixel = 4", "bits_per_pixel = 1"),
        ),
        "x.toml: units.panel.stride_bytes: found 1; a row of 9 pixels at 1 bit takes 2 bytes, so "
        "give 2 or more",
    ),
    "memory smaller than the picture": (
        edited(BOARD, ("height_px", "memory_bytes = 24_575\nheight_px")),
        "x.toml: units.panel.memory_bytes: found 24575; 256 x 192 pixels at 4 bits take 24576 "
        "bytes, so give 24576 or more",
    ),
    "more memory than a key frame holds": (
        BOARD
        + "".join(
            f"[units.u{i}]\nnumber = {i}\nwidth_px = 8\nheight_px = 8\nbits_per_pixel = 1\n"
            "memory_bytes = 16_777_216\n"
            for i in range(1, 5)
        ),
        "x.toml: units.u4.memory_bytes: found 67,133,440 bytes with the units before it; all "
        "units together have up to 67,108,864, so give less",
    ),
    "picture too large": (
        edited(
            BOARD,
            ("width_px = 256", "width_px = 8\nstride_bytes = 65536"),
            ("height_px = 192", "height_px = 4096"),
        ),
        "x.toml: units.panel.height_px: found a picture of 268,369,924 bytes; a unit has up to "
        "16,777,216 bytes of memory, so make it smaller",
    ),
    "base past the memory": (
        edited(BOARD, ("height_px", "memory_bytes = 24_576\nbase_offset = 0x6000\nheight_px")),
        "x.toml: units.panel.base_offset: found $6000; the unit has 24576 bytes of memory, so "
        "give $5FFF or less",
    ),
    "border of no colour": (
        edited(BOARD, ("height_px", "border_index = 16\nheight_px")),
        "x.toml: units.panel.border_index: found 16; give a whole number from 0 to 15, a palette "
        "index of 4 bits",
    ),
    "number that the link's field cannot hold": (
        edited(BOARD, ("height_px", "number = 4\nheight_px")),
        "x.toml: units.panel.number: found 4; give a whole number from 0 to 3, which the 2 bits "
        "of unit on link guarded hold",
    ),
    "two units of one number": (
        edited(BOARD + SECOND_UNIT, ("number = 1", "number = 0")),
        "x.toml: units.sign.number: found 0; units.panel has that number, so give another",
    ),
    # -- palette
    "palette misspelt": (
        edited(BOARD, ("height_px", 'palette = "html"\nheight_px')),
        'x.toml: units.panel.palette: found "html"; no palette and no file (seen from the board '
        "file's folder) has that name; did you mean html16?",
    ),
    "palette unlike any": (
        edited(BOARD, ("height_px", 'palette = "x"\nheight_px')),
        'x.toml: units.panel.palette: found "x"; no palette and no file (seen from the board '
        "file's folder) has that name; palettes with a name: html16, rgb332, gray",
    ),
    "palette a number": (
        edited(BOARD, ("height_px", "palette = 16\nheight_px")),
        'x.toml: units.panel.palette: found 16; give "html16", "rgb332" or "gray", a file, or an '
        "array of colours",
    ),
    "palette too long": (
        edited(BOARD, ("height_px", 'palette = "rgb332"\nheight_px')),
        "x.toml: units.panel.palette: found 256 colours; 4 bits a pixel tell 16 apart, so give 16 "
        "or fewer",
    ),
    "palette of no colours": (
        edited(BOARD, ("height_px", "palette = []\nheight_px")),
        "x.toml: units.panel.palette: found an array of 0; give colours in quotes, each as "
        '"#RRGGBB"',
    ),
    "colour a number": (
        edited(BOARD, ("height_px", 'palette = ["#000000", 0xFF0000]\nheight_px')),
        'x.toml: units.panel.palette[1]: found 16711680; give colours in quotes, each as "#RRGGBB"',
    ),
    "colour of three digits": (
        edited(BOARD, ("height_px", 'palette = ["#123"]\nheight_px')),
        'x.toml: units.panel.palette[0]: found "#123"; give a colour as #RRGGBB, two hex digits '
        "for each of red, green, blue",
    ),
    # -- windows
    "no windows": (
        edited(
            BOARD,
            (
                '[[windows]]\nname = "pixels"\nfirst_address = 0x4000\n'
                'last_address = 0x5FFF\nunit = "panel"\nspace = "memory"\nlands_in_ram = true\n',
                "",
            ),
            (
                '[[windows]]\nname = "controls"\nfirst_address = 0xA000\nlast_address = 0xA007\n'
                'unit = "panel"\nspace = "registers"\n',
                "",
            ),
        ),
        "x.toml: windows: found no windows; without one nothing goes out, so give at least one, "
        "headed [[windows]]",
    ),
    "windows overlapping": (
        edited(BOARD, ("0x5FFF", "0xA0FF"), ("lands_in_ram = true\n", "")),
        "x.toml: windows[1]: $A000-$A007 overlaps windows[0] ($4000-$A0FF) from $A000; move one "
        "or shorten it",
    ),
    "window over the host port": (
        edited(BOARD, ("0xA007", "0xA107")),
        "x.toml: windows[1]: $A000-$A107 overlaps the host port ($A100-$A10F) from $A100; move "
        "one or shorten it",
    ),
    "window without a name": (
        edited(BOARD, ('name = "pixels"\n', "")),
        "x.toml: windows[0].name: found nothing; give the window a name in quotes",
    ),
    "window without an end": (
        edited(BOARD, ("last_address = 0x5FFF\n", "")),
        "x.toml: windows[0].last_address: found nothing; give a whole number from $0000 to $FFFF "
        "(included)",
    ),
    "window to an unknown unit": (
        edited(BOARD, ('unit = "panel"\nspace = "memory"', 'unit = "panal"\nspace = "memory"')),
        'x.toml: windows[0].unit: found "panal"; no unit has that name; did you mean panel?',
    ),
    "window to a unit unlike any": (
        edited(BOARD, ('unit = "panel"\nspace = "memory"', 'unit = "x"\nspace = "memory"')),
        'x.toml: windows[0].unit: found "x"; no unit has that name; the units are panel',
    ),
    "window to no unit": (
        edited(BOARD, ('unit = "panel"\nspace = "memory"', 'space = "memory"')),
        "x.toml: windows[0].unit: found nothing; name one of the units: panel",
    ),
    "window to an unknown space": (
        edited(BOARD, ('"registers"', '"palette"')),
        'x.toml: windows[1].space: found "palette"; give "memory" or "registers"',
    ),
    "window longer than the unit's memory": (
        edited(BOARD, ("height_px = 192", "height_px = 32")),
        "x.toml: windows[0]: found $4000-$5FFF, which reaches offset $1FFF; the memory of "
        "units.panel ends at $0FFF, so end the window at $4FFF",
    ),
    "window that begins late in the unit's memory": (
        edited(BOARD, ('space = "memory"', 'space = "memory"\nfirst_offset = 0x5000')),
        "x.toml: windows[0]: found $4000-$5FFF, which reaches offset $6FFF; the memory of "
        "units.panel ends at $5FFF, so end the window at $4FFF",
    ),
    "window past the unit's memory": (
        edited(BOARD, ('space = "memory"', 'space = "memory"\nfirst_offset = 0x6000')),
        "x.toml: windows[0].first_offset: found $6000; the memory of units.panel ends at $5FFF, "
        "so give that or less",
    ),
    "window past the link's addresses": (
        edited(BOARD, ('space = "registers"', 'space = "registers"\nfirst_offset = 0xFFFC')),
        "x.toml: windows[1]: found $A000-$A007, which reaches offset $10003; the 16 bits of "
        "address on link guarded end at $FFFF, so end the window at $A003",
    ),
    "window that should land where no RAM is": (
        edited(BOARD, ('space = "registers"', 'space = "registers"\nlands_in_ram = true')),
        "x.toml: windows[1].lands_in_ram: found true; no RAM is at $A000, so put [[memory]] there "
        "or say false",
    ),
    "window that should land past the end of RAM": (
        edited(BOARD, ("last_address = 0x9FFF", "last_address = 0x4FFF")),
        "x.toml: windows[0].lands_in_ram: found true; no RAM is at $5000, so put [[memory]] there "
        "or say false",
    ),
    "window that should land in ROM": (
        edited(BOARD, ('"ram"', '"rom"')),
        "x.toml: windows[0].lands_in_ram: found true; no RAM is at $4000, so put [[memory]] there "
        "or say false",
    ),
    "landing neither true nor false": (
        edited(BOARD, ("lands_in_ram = true", "lands_in_ram = 1")),
        "x.toml: windows[0].lands_in_ram: found 1; give true or false",
    ),
    # -- host port
    "host port over the vectors": (
        edited(BOARD, ("0xA100", "0xFFF0")),
        "x.toml: host_port.first_address: found $FFF0; its 16 registers must end below the "
        "vectors at $FFFA, so give $FFEA or less",
    ),
    "host port past the end": (
        edited(BOARD, ("0xA100", "0x1_0000")),
        "x.toml: host_port.first_address: found $10000; give a whole number from $0000 to $FFFF",
    ),
    "host port over memory": (
        edited(BOARD, ("0xA100", "0x9FF8")),
        "x.toml: host_port: $9FF8-$A007 overlaps memory[0] ($0000-$9FFF) from $9FF8; move one or "
        "shorten it",
    ),
    "host port into memory from below": (
        edited(BOARD, ("0xA100", "0xBFF8")),
        "x.toml: host_port: $BFF8-$C007 overlaps memory[1] ($C000-$FFFF) from $C000; move one or "
        "shorten it",
    ),
    "refresh too fast": (
        edited(BOARD, ("0xA100", "0xA100\nrefresh_hz = 10_001")),
        "x.toml: host_port.refresh_hz: found 10001; give a whole number from 1 to 10000",
    ),
    "random seed 0": (
        edited(BOARD, ("0xA100", "0xA100\nrandom_seed = 0")),
        "x.toml: host_port.random_seed: found 0; give a whole number from 1 to 4294967295",
    ),
    # -- both ends
    "sender without a FIFO": (
        BOARD + "[sender]\nfifo_depth = 0\n",
        "x.toml: sender.fifo_depth: found 0; give a whole number from 1 to 1048576",
    ),
    "lead too long": (
        BOARD + "[sender]\nlead_frames = 65_537\n",
        "x.toml: sender.lead_frames: found 65537; give a whole number from 0 to 65536",
    ),
    "receiver without a FIFO": (
        BOARD + "[receiver]\nfifo_depth = 0\n",
        "x.toml: receiver.fifo_depth: found 0; give a whole number from 1 to 1048576",
    ),
    "service below 0": (
        BOARD + "[receiver]\nservice_ns = -1\n",
        "x.toml: receiver.service_ns: found -1; give a whole number from 0 to 1000000000",
    ),
    "deadline before the service is done": (
        BOARD + "[receiver]\nservice_ns = 500\ndeadline_ns = 499\n",
        "x.toml: receiver.deadline_ns: found 499; one frame alone takes service_ns = 500, so give "
        "that or more",
    ),
    "busy time that jitters out of its period": (
        BOARD + "[[receiver.busy]]\nperiod_ns = 100\nlength_ns = 60\njitter_ns = 41\n",
        "x.toml: receiver.busy[0].jitter_ns: found 41; give a whole number from 0 to 40 (so that "
        "it ends within its period of 100)",
    ),
    "busy for the whole period": (
        BOARD + "[[receiver.busy]]\nperiod_ns = 100\nlength_ns = 100\n",
        "x.toml: receiver.busy[0].length_ns: found 100; give a whole number from 1 to 99 (less "
        "than period_ns = 100)",
    ),
    "busy phase after the period": (
        BOARD + "[[receiver.busy]]\nperiod_ns = 100\nlength_ns = 10\nphase_ns = 100\n",
        "x.toml: receiver.busy[0].phase_ns: found 100; give a whole number from 0 to 99 (less "
        "than period_ns = 100)",
    ),
    "busy without a period": (
        BOARD + "[[receiver.busy]]\nlength_ns = 10\n",
        "x.toml: receiver.busy[0].period_ns: found nothing; give a whole number from 2 to "
        "1000000000",
    ),
    "busy a table": (
        BOARD + "[receiver.busy]\nperiod_ns = 100\nlength_ns = 10\n",
        "x.toml: receiver.busy: found a table; give an array of tables, each headed "
        "[[receiver.busy]]",
    ),
    "correction by a check that is too weak": (
        edited(BOARD + "[receiver]\ncorrect_one_bit = true\n", ('"guarded"', '"lean"')),
        "x.toml: receiver.correct_one_bit: found true; the check crc4_g704 cannot tell which of "
        "32 bits is wrong, so say false or give the link a stronger check",
    ),
    "correction without a check": (
        edited(BOARD + "[receiver]\ncorrect_one_bit = true\n", ('"guarded"', '"marked"')),
        "x.toml: receiver.correct_one_bit: found true; link marked has no check to correct by, so "
        "say false",
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_refusal_says_file_place_found_and_remedy(name: str) -> None:
    text, wanted = CASES[name]
    assert message_of(text) == wanted


def test_registers_need_a_space_field_on_the_link(folder: Path) -> None:
    text = edited(BOARD, ('"guarded"', '"bare.toml"'), ("0x5FFF", "0x4FFF"))
    assert message_of(text, folder) == (
        'x.toml: windows[1].space: found "registers"; link bare has no field named space, so all '
        "its frames go to memory; give it one or drop the window"
    )


def test_window_must_fit_a_narrow_address_field(folder: Path) -> None:
    text = edited(BOARD, ('"guarded"', '"bare.toml"'))
    assert message_of(text, folder) == (
        "x.toml: windows[0]: found $4000-$5FFF, which reaches offset $1FFF; the 12 bits of "
        "address on link bare end at $0FFF, so end the window at $4FFF"
    )


def test_second_unit_needs_a_unit_field_on_the_link(folder: Path) -> None:
    text = edited(BOARD + SECOND_UNIT, ('"guarded"', '"bare.toml"'), ("0x5FFF", "0x4FFF"))
    assert message_of(text, folder) == (
        "x.toml: units.sign: found a second unit; link bare has no field named unit to tell two "
        "apart, so give it one or keep one unit"
    )


def test_only_unit_of_a_link_without_unit_field_has_number_0(folder: Path) -> None:
    text = edited(BOARD, ('"guarded"', '"bare.toml"'), ("height_px", "number = 1\nheight_px"))
    assert message_of(text, folder) == (
        "x.toml: units.panel.number: found 1; give 0 (link bare has no field named unit)"
    )


@pytest.mark.parametrize("needed", ["address", "data"])
def test_board_needs_address_and_data_on_its_link(tmp_path: Path, needed: str) -> None:
    text = edited(BARE_LINK, (f'name = "{needed}"', 'name = "other"'))
    (tmp_path / "odd.toml").write_text(text, encoding="utf-8")
    assert message_of(edited(BOARD, ('"guarded"', '"odd.toml"')), tmp_path) == (
        f'x.toml: link: found "bare"; a board\'s stores need a field named {needed}, which that '
        "link lacks; add it or take another link"
    )


def test_another_link_is_held_against_the_same_board() -> None:
    board = board_of(BOARD)
    lean = replace(board, link=load_link("lean"))
    assert require_link_fits(lean) is lean
    bare = replace(board, link=parse_link(BARE_LINK, file="bare.toml"))
    with pytest.raises(DescriptionError) as caught:
        require_link_fits(bare)
    assert str(caught.value) == (
        "x.toml: windows[0]: found $4000-$5FFF, which reaches offset $1FFF; the 12 bits of "
        "address on link bare end at $0FFF, so end the window at $4FFF"
    )


def test_mistake_in_a_link_file_names_that_file(tmp_path: Path) -> None:
    (tmp_path / "odd.toml").write_text(edited(LINK, ("lanes = 4", "lanes = 0")), encoding="utf-8")
    assert message_of(edited(BOARD, ('"guarded"', '"odd.toml"')), tmp_path) == (
        f"{tmp_path / 'odd.toml'}: lanes: found 0; give a whole number from 1 to 16"
    )


def test_load_address_lies_inside_its_memory(folder: Path) -> None:
    text = edited(
        BOARD,
        (
            "last_address = 0xFFFF\n",
            'last_address = 0xFFFF\nimage = "rom.bin"\nload_address = 0xB000\n',
        ),
    )
    assert message_of(text, folder) == (
        "x.toml: memory[1].load_address: found $B000; give a whole number from $C000 to $FFFF, "
        "inside this memory"
    )


def test_image_with_addresses_of_its_own_takes_no_load_address(folder: Path) -> None:
    image = 'image = "rom.bin"\nformat = "srec"\nload_address = 0xC000\n'
    text = edited(BOARD, ("last_address = 0xFFFF\n", f"last_address = 0xFFFF\n{image}"))
    assert message_of(text, folder) == (
        "x.toml: memory[1].load_address: found an address besides those of the file; srec carries "
        "its own addresses, so take the line out"
    )


def test_image_format_is_one_of_five(folder: Path) -> None:
    image = 'image = "rom.bin"\nformat = "hex"\n'
    text = edited(BOARD, ("last_address = 0xFFFF\n", f"last_address = 0xFFFF\n{image}"))
    assert message_of(text, folder) == (
        'x.toml: memory[1].format: found "hex"; give "auto", "raw", "ihex", "srec" or "elf"'
    )


def test_image_that_is_a_directory_is_refused(folder: Path) -> None:
    (folder / "roms").mkdir()
    text = edited(BOARD, ("last_address = 0xFFFF\n", 'last_address = 0xFFFF\nimage = "roms"\n'))
    assert message_of(text, folder) == (
        'x.toml: memory[1].image: found "roms"; no such file is there (seen from the board '
        "file's folder), so correct the path"
    )


def test_style_of_an_overlap_is_the_published_one() -> None:
    text = edited(BOARD, ("0x5FFF", "0x9FFF"), ("0xA000", "0x6000"), ("0xA007", "0xA0FF"))
    assert message_of(text) == (
        "x.toml: windows[1]: $6000-$A0FF overlaps windows[0] ($4000-$9FFF) from $6000; move one "
        "or shorten it"
    )


def test_overlap_keeps_its_parts() -> None:
    with pytest.raises(DescriptionError) as caught:
        board_of(edited(BOARD, ("0xC000", "0x9000")))
    error = caught.value
    assert (error.file, error.place) == ("x.toml", "memory[1]")
    assert error.found == "$9000-$FFFF overlaps memory[0] ($0000-$9FFF) from $9000"
    assert error.wanted == "move one or shorten it"


# -- files


def test_paths_start_at_the_board_file(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = edited(BOARD, ('"guarded"', '"small.toml"'))
    (folder / "board.toml").write_text(text, encoding="utf-8")
    monkeypatch.chdir("/")
    assert load_board(folder / "board.toml").link.name == "small"


def test_image_path_is_absolute_wherever_the_board_is_named_from(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = edited(BOARD, ("last_address = 0xFFFF\n", 'last_address = 0xFFFF\nimage = "rom.bin"\n'))
    (folder / "board.toml").write_text(text, encoding="utf-8")
    monkeypatch.chdir(folder)
    image = load_board("board.toml").memory[1].image
    assert image is not None
    assert image.path == folder / "rom.bin"


def test_unknown_name_brings_the_shipped_boards_to_mind() -> None:
    with pytest.raises(DescriptionError) as caught:
        load_board("dunlni")
    assert str(caught.value) == (
        "dunlni: found no such file; give the path of a board file or the name of a shipped board "
        "(did you mean dunlin?)"
    )


def test_missing_file_is_named(tmp_path: Path) -> None:
    path = tmp_path / "none.toml"
    with pytest.raises(DescriptionError) as caught:
        load_board(path)
    assert str(caught.value) == f"{path}: found no such file; give the path of a file"


def test_choices_are_taken_in_capitals_too() -> None:
    text = edited(BOARD, ('"rom"', '"ROM"'), ('"registers"', '"Registers"'))
    shouted = edited(text, ('"6502"', '"65C02"'))
    assert board_of(shouted) == replace(board_of(BOARD), processor="65c02")
