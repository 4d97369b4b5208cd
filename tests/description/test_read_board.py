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
from busplay.description.devices import Acia6551, CustomDevice, Via6522
from busplay.description.palettes import HTML16
from busplay.errors import DescriptionError
from busplay.link.board_fit import require_link_fits
from busplay.link.load import load_board, load_link, parse_board, parse_link
from tests.description.writing import BARE_LINK, BOARD, LINK, edited, refusals

FILE = "x.toml"
NOWHERE = Path("/no/such/folder")


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
    (tmp_path / "empty.bin").write_bytes(b"")
    (tmp_path / "roms").mkdir()
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


def test_devices_have_their_keys_and_defaults(folder: Path) -> None:
    text = BOARD + (
        '[[devices]]\nkind = "VIA_6522"\nname = "ports"\nfirst_address = 0xA800\nirq = true\n'
        'last_address = 0xA8FF\npart = "r6522"\npins = {pa0 = "key left", ca1 = "ports.pb7"}\n'
        '[[devices]]\nkind = "acia_6551"\nname = "serial"\nfirst_address = 0xA900\nnmi = true\n'
        'line = "file"\ninput = "rom.bin"\noutput = "sent.txt"\ncrystal_hz = 3_686_400\n'
        '[[devices]]\nkind = "rom.py:Clock"\nname = "clock"\nfirst_address = 0xAA00\n'
        'last_address = 0xAA07\nalarm = 3\nloud = false\nzone = "sea"\n'
    )
    (folder / "rom.py").touch()
    pins = {"pa0": "key left", "ca1": "ports.pb7"}
    assert board_of(text, folder).devices == (
        Via6522(
            name="ports",
            first_address=0xA800,
            last_address=0xA8FF,
            irq=True,
            part="r6522",
            pins=pins,
        ),
        Acia6551(
            name="serial",
            first_address=0xA900,
            last_address=0xA903,
            nmi=True,
            line="file",
            input=folder / "rom.bin",
            output=folder / "sent.txt",
            crystal_hz=3_686_400,
        ),
        CustomDevice(
            kind="rom.py:Clock",
            name="clock",
            first_address=0xAA00,
            last_address=0xAA07,
            options={"alarm": 3, "loud": False, "zone": "sea"},
        ),
    )


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


@pytest.mark.parametrize(("name", "text", "message"), refusals("refused_boards.txt"))
def test_refusal_says_file_place_found_and_remedy(
    folder: Path, name: str, text: str, message: str
) -> None:
    assert message_of(text, folder) == message, name


def test_units_have_together_what_a_key_frame_holds() -> None:
    units = (
        f"[units.u{i}]\nnumber = {i}\nwidth_px = 8\nheight_px = 8\nbits_per_pixel = 1\n"
        "memory_bytes = 16_777_216\n"
        for i in range(1, 5)
    )
    assert message_of(BOARD + "".join(units)) == (
        "x.toml: units.u4.memory_bytes: found 67,133,440 bytes with the units before it; all "
        "units together have up to 67,108,864, so give less"
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


def test_unknown_name_lists_the_shipped_boards() -> None:
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
