"""Full addresses, labels and source lines of banked memory."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busplay.batch import PageChanges
from busplay.description.banks import Bank
from busplay.description.full_address import (
    address_of,
    address_text,
    full_address,
    page_of,
    parse_address,
    require_page,
)
from busplay.errors import InputError
from busplay.program.debug_file import parse_debug_file
from busplay.program.labels import NearestLabels, parse_labels
from busplay.program.pages import BankedSpace, FullAddresses
from busplay.program.symbols import ProgramSymbols, find_symbols

BANKS = (
    Bank("screens", "ram", 0x4000, 0x5FFF, 4, latch_address=0xA400),
    Bank("boot", "rom", 0xF000, 0xFFFF, 1, off_address=0xA402),
    Bank("library", "rom", 0x8000, 0x8FFF, 3, image=Path("/x/library.bin")),
)


@given(address=st.integers(0, 0xFFFF), page=st.none() | st.integers(0, 0xFFFF))
def test_an_address_and_its_page_come_back_from_one_number_and_its_text(
    address: int, page: int | None
) -> None:
    full = full_address(address, page)
    assert (address_of(full), page_of(full)) == (address, page)
    assert parse_address(address_text(full)) == full
    assert address_text(full) == address_text(address, page)


def test_texts_of_addresses() -> None:
    assert address_text(0x0200) == "$0200"
    assert address_text(0x8010, 3) == "3:$8010"
    assert parse_address("12:$10") == full_address(0x10, 12)
    for text in ("3:8010", "3:", "$", "-1:$8000", "3:$12345", "draw", " $8000"):
        assert parse_address(text) is None


@pytest.mark.parametrize(
    ("full", "message"),
    [
        (
            full_address(0x8010, 3),
            "found 3:$8010; bank 'library' has 3 pages, 0 to 2",
        ),
        (
            full_address(0x2000, 0),
            "found 0:$2000; only banked memory has pages: $4000 to $5FFF, $8000 to $8FFF",
        ),
        (
            full_address(0xF000, 0),
            "found 0:$F000; only banked memory has pages: $4000 to $5FFF, $8000 to $8FFF",
        ),
    ],
)
def test_pages_that_are_not_there_are_refused(full: int, message: str) -> None:
    with pytest.raises(InputError) as told:
        require_page(full, BANKS)
    assert str(told.value) == message


def test_pages_follow_the_changes_of_each_bank() -> None:
    changes = PageChanges(
        np.array([0, 0, 10, 20, 20], np.uint64),
        np.array([0, 2, 0, 2, 0], np.uint8),
        np.array([1, 2, 3, 0, 2], np.uint16),
    )
    known = FullAddresses(BANKS, changes)
    assert [address_text(known.of(0x4000, cycle)) for cycle in (0, 9, 10, 19, 20)] == [
        "1:$4000", "1:$4000", "3:$4000", "3:$4000", "2:$4000",
    ]  # fmt: skip
    assert known.of(0x0200, 9) == 0x0200
    assert known.of(0xF000, 9) == 0xF000
    addresses = np.array([0x8010, 0x4000, 0x0200, 0x8010], np.uint16)
    column = known.column(addresses, np.array([5, 15, 16, 25], np.uint64))
    assert [address_text(int(one)) for one in column] == ["2:$8010", "3:$4000", "$0200", "0:$8010"]
    # Before the first change, and without any, the page is not known.
    late = FullAddresses(BANKS, changes.part(changes.since > 5))
    assert late.of(0x4000, 9) == 0x4000
    assert FullAddresses().of(0x4000, 9) == 0x4000


@given(
    address=st.integers(0, 0xFFFF),
    page=st.none() | st.integers(0, 5),
)
def test_every_byte_of_every_page_has_a_number_of_its_own(address: int, page: int | None) -> None:
    space = BankedSpace(BANKS)
    number = space.number(full_address(address, page))
    bank = next(
        (one for one in (BANKS[0], BANKS[2]) if one.first_address <= address <= one.last_address),
        None,
    )
    if page is None or bank is None or page >= bank.pages:
        assert number == space.number(address) == address
    else:
        assert space.full(number) == full_address(address, page)
        assert number in space.in_every_page(address)
        assert len(space.in_every_page(address)) == bank.pages
    assert space.size == 0x10000 + 4 * 0x2000 + 3 * 0x1000
    assert 0 <= number < space.size


LABELS = (
    b"start = $C000\ndraw = 0:$8010\nclear=1:$8010\nentry = $8000\nbuffer = $7000\nscreen=$4000\n"
)


def test_a_label_of_the_same_page_goes_before_one_without() -> None:
    names = NearestLabels(parse_labels(LABELS, file="it", banks=BANKS), [], BANKS)
    for text, name in {
        "0:$8000": "entry",
        "0:$800F": "entry+15",
        "0:$8010": "draw",
        "1:$8015": "clear+5",
        "2:$8015": "entry+21",
        # Another bank's page 0 names nothing here.
        "0:$4010": "screen+16",
        "$8015": "entry+21",
        "$7FFF": "buffer+4095",
    }.items():
        full = parse_address(text)
        assert full is not None
        assert names.of_code(full) == name, text


def test_a_store_s_label_is_in_its_window_and_page() -> None:
    labels = parse_labels(b"one = 1:$4800\nall = $4000\n", file="it", banks=BANKS)
    names = NearestLabels(labels, [(0x4000, 0x47FF), (0x4800, 0x4FFF)], BANKS)
    assert names.of_store(full_address(0x4810, 1)) == "one+16"
    assert names.of_store(full_address(0x4010, 1)) == "all+16"
    # The label before it is in another window.
    assert names.of_store(full_address(0x4810, 2)) is None


def test_labels_outside_of_banks_have_no_page() -> None:
    assert parse_labels(b"far = 7:$C000\n", file="it", banks=BANKS) == {0xC000: ("far",)}
    assert parse_labels(b"far = 7:$8000\n", file="it") == {0x8000: ("far",)}
    with pytest.raises(InputError) as told:
        parse_labels(b"\nfar = 7:$8000\n", file="it", banks=BANKS)
    assert str(told.value) == "it: line 2: found 7:$8000; bank 'library' has 3 pages, 0 to 2"


def test_local_labels_belong_to_one_of_their_page() -> None:
    listed = b"draw = 0:$8010\n@row = 0:$8014\nclear = 1:$8010\n@row = 1:$8012\n"
    found = parse_labels(listed, file="it", banks=BANKS)
    assert found[full_address(0x8014, 0)] == ("draw@row",)
    assert found[full_address(0x8012, 1)] == ("clear@row",)


def test_a_label_can_be_asked_for_by_name() -> None:
    symbols = ProgramSymbols(parse_labels(LABELS, file="it", banks=BANKS), banks=BANKS)
    assert address_text(symbols.address_of("clear")) == "1:$8010"
    both = parse_labels(b"init = 0:$8000\ninit = 2:$8000\n", file="it", banks=BANKS)
    with pytest.raises(InputError) as told:
        ProgramSymbols(both, banks=BANKS).address_of("init")
    assert str(told.value) == "found label init at 0:$8000, 2:$8000; give the address"


DEBUG = """version\tmajor=2,minor=0
info\tfile=1,line=4,seg=4,span=4,sym=4
file\tid=0,name="game.s",size=1,mtime=0x0,mod=0
seg\tid=0,name="CODE",start=0x00C000,size=0x0010,addrsize=absolute,type=ro,bank=7
seg\tid=1,name="P0",start=0x008000,size=0x0010,addrsize=absolute,type=ro,bank=0
seg\tid=2,name="P1",start=0x008000,size=0x0010,addrsize=absolute,type=ro,oname="out/library.bin",ooffs=4096
seg\tid=3,name="ANY",start=0x008800,size=0x0010,addrsize=absolute,type=ro
span\tid=0,seg=0,start=0,size=2
span\tid=1,seg=1,start=0,size=2
span\tid=2,seg=2,start=0,size=3
span\tid=3,seg=3,start=0,size=2
line\tid=0,file=0,line=10,span=0
line\tid=1,file=0,line=20,span=1
line\tid=2,file=0,line=30,span=2
line\tid=3,file=0,line=40,span=3
sym\tid=0,name="start",addrsize=absolute,size=1,scope=0,def=0,val=0xC000,seg=0,type=lab
sym\tid=1,name="draw",addrsize=absolute,size=1,scope=0,def=0,val=0x8000,seg=1,type=lab
sym\tid=2,name="clear",addrsize=absolute,size=1,scope=0,def=0,val=0x8001,seg=2,type=lab
sym\tid=3,name="any",addrsize=absolute,size=1,scope=0,def=0,val=0x8800,seg=3,type=lab
"""


def test_a_debug_file_s_segments_have_pages_by_attribute_or_by_the_image() -> None:
    info = parse_debug_file(DEBUG.encode(), file="game.dbg", banks=BANKS)
    assert {address_text(full): names for full, names in info.labels.items()} == {
        "$8800": ("any",),
        "$C000": ("start",),
        "0:$8000": ("draw",),
        "1:$8001": ("clear",),
    }
    lines = {
        "$C001": 10, "0:$8001": 20, "1:$8001": 30, "2:$8001": None, "$8001": None,
        "0:$8801": 40, "2:$8801": 40, "$8801": 40,
    }  # fmt: skip
    for text, line in lines.items():
        full = parse_address(text)
        assert full is not None
        found = info.line_of(full)
        assert (None if found is None else found.line) == line, text
    assert info.addresses_of("game.s", 30) == {full_address(0x8000, 1)}
    # Without banks nothing has a page.
    plain = parse_debug_file(DEBUG.encode(), file="game.dbg")
    assert set(plain.labels) == {0x8000, 0x8001, 0x8800, 0xC000}
    wrong = DEBUG.replace("bank=0", "bank=5")
    with pytest.raises(InputError) as told:
        parse_debug_file(wrong.encode(), file="game.dbg", banks=BANKS)
    assert str(told.value) == (
        "game.dbg: line 5: found 5:$8000; bank 'library' has 3 pages, 0 to 2"
    )


SOURCE = """
.segment "CODE"
start: jsr draw
.segment "P0"
draw: lda #1
      rts
.segment "P1"
      nop
clear: lda #2
      rts
"""
CONFIG = """
MEMORY {
  ROM: start=$C000, size=$100;
  P0: start=$8000, size=$1000, fill=yes, file="library.bin";
  P1: start=$8000, size=$1000, fill=yes, file="library.bin";
}
SEGMENTS { CODE: load=ROM; P0: load=P0; P1: load=P1; }
"""


@pytest.mark.source("ld65 2.19", part="the files that segments go into", kind="library")
@pytest.mark.skipif(shutil.which("ld65") is None, reason="needs ca65 and ld65 (Debian: cc65)")
def test_pages_follow_from_where_ld65_puts_a_segment(tmp_path: Path) -> None:
    (tmp_path / "game.s").write_text(SOURCE, encoding="utf-8")
    (tmp_path / "game.cfg").write_text(CONFIG, encoding="utf-8")
    for words in (
        ("ca65", "-g", "game.s"),
        ("ld65", "-C", "game.cfg", "game.o", "-o", "game.bin", "--dbgfile", "game.dbg"),
    ):
        subprocess.run(words, cwd=tmp_path, check=True)
    image = (tmp_path / "library.bin").read_bytes()
    assert (image[0], image[0x1001]) == (0xA9, 0xA9)
    symbols = find_symbols(tmp_path / "game.bin", banks=BANKS)
    assert {names[0]: address_text(full) for full, names in symbols.labels.items()} == {
        "start": "$C000",
        "draw": "0:$8000",
        "clear": "1:$8001",
    }
    assert str(symbols.line_of(full_address(0x8001, 1))) == "game.s:9"
    assert symbols.line_of(full_address(0x8001, 2)) is None


def test_a_list_beside_a_debug_file_adds_the_labels_of_libraries(tmp_path: Path) -> None:
    (tmp_path / "game.dbg").write_text(DEBUG, encoding="utf-8")
    alone = find_symbols(tmp_path / "game.bin", banks=BANKS).labels
    listed = tmp_path / "game.lbl"
    at = next(full for full in alone if page_of(full) is None)
    text = f"al 00C123 .pusha\nal 008000 .in_every_page\nal {at:06X} .another\n"
    listed.write_text(text, encoding="utf-8")
    both = find_symbols(tmp_path / "game.bin", banks=BANKS).labels
    assert both == {**alone, 0xC123: ("pusha",)}
    listed.write_text("what is this?\n", encoding="utf-8")
    assert find_symbols(tmp_path / "game.bin", banks=BANKS).labels == alone
    with pytest.raises(InputError):
        find_symbols(tmp_path / "game.bin", listed, BANKS)
