"""The descriptions that come with busplay."""

from __future__ import annotations

import pytest

from busplay.description.shipped_files import SHIPPED_FOLDER, shipped_boards, shipped_links
from busplay.errors import DescriptionError
from busplay.link.layout import FrameLayout
from busplay.link.load import load_board, load_link, load_link_or_board


def test_every_shipped_file_has_a_name_and_every_name_a_file() -> None:
    named = set(shipped_links().values()) | set(shipped_boards().values())
    assert named == set(SHIPPED_FOLDER.glob("*.toml"))


@pytest.mark.parametrize("name", shipped_links())
def test_shipped_link_loads_under_its_own_name(name: str) -> None:
    link = load_link(name)
    assert link.name == name
    assert link.file == f"{name}.toml"
    assert load_link_or_board(name) == link
    assert load_link(shipped_links()[name]).fields == link.fields


@pytest.mark.parametrize(
    ("name", "lanes", "frame_bits", "slot_symbols", "edges"),
    [
        ("guarded", 5, 40, 8, "both"),
        ("lean", 4, 32, 8, "both"),
        ("strobed", 6, 30, 5, "rising"),
        ("marked", 8, 32, 4, "rising"),
        ("serial", 1, 32, 34, "rising"),
    ],
)
def test_shipped_link_has_its_size(
    name: str, lanes: int, frame_bits: int, slot_symbols: int, edges: str
) -> None:
    link = load_link(name)
    layout = FrameLayout(link)
    assert (link.lanes, link.edges) == (lanes, edges)
    assert (layout.frame_bits, layout.slot_symbols) == (frame_bits, slot_symbols)


@pytest.mark.parametrize(
    ("fields", "word"),
    [
        ((0, 0, 0, 0, 0), 0x0000000055),
        ((1, 0, 0, 0, 0), 0x40000000CE),
        ((1, 0, 1, 0x1234, 0x56), 0x41123456A4),
        ((1, 0, 15, 0x5FFF, 0xA5), 0x4F5FFFA5DA),
        ((1, 1, 2, 0x01FF, 0x80), 0x5201FF80B0),
        ((2, 0, 3, 3, 7), 0x8300030774),
        ((2, 3, 15, 0xFFFF, 0xFF), 0xBFFFFFFF10),
    ],
)
def test_guarded_file_describes_the_published_frames(
    fields: tuple[int, int, int, int, int], word: int
) -> None:
    names = ("space", "unit", "sequence", "address", "data")
    layout = FrameLayout(load_link("guarded"))
    assert int(layout.pack(**dict(zip(names, fields, strict=True)))[0]) == word


@pytest.mark.parametrize(
    ("fields", "word"),
    [
        ((0, 0, 0, 0), 0x00000005),
        ((1, 0, 0, 0), 0x40000004),
        ((1, 0, 0x1234, 0x56), 0x41234565),
        ((1, 0, 0x5FFF, 0xA5), 0x45FFFA58),
        ((1, 1, 0x01FF, 0x80), 0x501FF806),
        ((2, 0, 3, 7), 0x8000307C),
        ((2, 3, 0xFFFF, 0xFF), 0xBFFFFFF8),
    ],
)
def test_lean_file_describes_the_published_frames(
    fields: tuple[int, int, int, int], word: int
) -> None:
    names = ("space", "unit", "address", "data")
    layout = FrameLayout(load_link("lean"))
    assert int(layout.pack(**dict(zip(names, fields, strict=True)))[0]) == word


def test_marked_link_idles_on_its_marker() -> None:
    assert FrameLayout(load_link("marked")).idle_word == 0x80FFFFFF


def test_dunlin_is_the_machine_that_the_programs_expect() -> None:
    board = load_board("dunlin")
    assert (board.name, board.processor, board.clock_hz) == ("Dunlin", "65c02", 8_000_000)
    assert (board.link.name, board.unmapped_read) == ("guarded", 0xFF)
    assert board.program_load_address == 0xC000
    assert [(one.kind, one.first_address, one.last_address) for one in board.memory] == [
        ("ram", 0x0000, 0xA1FF),
        ("rom", 0xC000, 0xFFFF),
    ]
    assert [
        (one.first_address, one.last_address, one.unit, one.space, one.lands_in_ram)
        for one in board.windows
    ] == [
        (0x4000, 0x9FFF, "panel", "memory", True),
        (0xA000, 0xA1FF, "sign", "memory", True),
        (0xA300, 0xA307, "panel", "registers", False),
        (0xA310, 0xA317, "sign", "registers", False),
    ]
    assert [
        (one.name, one.number, one.width_px, one.height_px, one.bits_per_pixel, one.memory_bytes)
        for one in board.units
    ] == [("panel", 0, 256, 192, 4, 24_576), ("sign", 1, 128, 32, 1, 512)]
    assert board.host_port is not None
    assert (board.host_port.first_address, board.host_port.refresh_hz) == (0xA400, 60)
    assert load_link_or_board("dunlin") == board


def test_dunlin_says_that_it_is_made_up() -> None:
    assert "made up" in load_board("dunlin").description.lower()
    assert "made up" in shipped_boards()["dunlin"].read_text(encoding="utf-8").lower()


def test_name_that_is_neither_shipped_nor_a_file_is_refused() -> None:
    with pytest.raises(DescriptionError) as caught:
        load_link_or_board("dunlni")
    assert str(caught.value) == (
        "dunlni: found no such file; give the path of a link or board file or the name of a "
        "shipped link or board (did you mean dunlin?)"
    )
