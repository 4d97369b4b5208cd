from __future__ import annotations

from pathlib import Path

import pytest

from busplay.errors import InputError
from busplay.program.labels import NearestLabels, find_labels_beside, parse_labels, read_labels
from busplay.program.symbols import ProgramSymbols

LISTINGS = {
    "ld65": b"al 000200 .start\nal 000200 .@entry\nal 00C010 .loop\n",
    "64tass": b"loop            = $c010\nstart           = $0200\n@entry = 512\n",
    "xa65": b"start, 0x0200, 0, 0x0000\n@entry, 0x0200, 0, 0x0000\nloop, 0xc010, 1, 0x0000\n",
    "acme": b"\tstart\t= $200\t; unused\n\t@entry\t= $200\n\tloop\t= $c010\t; ?\n",
}


@pytest.mark.parametrize("tool", LISTINGS)
def test_each_tool_s_listing(tool: str) -> None:
    labels = parse_labels(LISTINGS[tool], file="it")
    assert {address: set(names) for address, names in labels.items()} == {
        0x0200: {"start", "start@entry"},
        0xC010: {"loop"},
    }
    assert list(labels) == [0x0200, 0xC010]


def test_formats_may_be_mixed_and_labels_appear_once() -> None:
    content = (
        b"\xef\xbb\xbf; labels\r\n\r\nal 000200 .start\r\nstart = $0200\r\nbegin := %1000000000\r\n"
    )
    assert parse_labels(content, file="it") == {0x0200: ("start", "begin")}


@pytest.mark.parametrize(
    "line",
    ['title = "tides"', "minus = -3", "clock = 8000000", "ratio = 1.5", "huge = " + "9" * 9000],
)
def test_constants_that_are_not_addresses_are_left_out(line: str) -> None:
    assert parse_labels(f"{line}\nstart = $0200\n".encode(), file="it") == {0x0200: ("start",)}


@pytest.mark.parametrize(
    ("line", "message"),
    [
        (
            "start",
            "it: line 2: found 'start'; a label is `al 000200 .start` (ld65), `start = $0200`"
            " (64tass, acme) or `start, 0x0200, 0, 0x0000` (xa65)",
        ),
        (
            "al 010200 .start",
            "it: line 2: found start at $10200; the 6502 has addresses $0000 to $FFFF",
        ),
        (
            "start, 0x10200, 0, 0x0000",
            "it: line 2: found start at $10200; the 6502 has addresses $0000 to $FFFF",
        ),
    ],
)
def test_other_lines_are_refused(line: str, message: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_labels(f"begin = $0100\n{line}\n".encode(), file="it")
    assert str(caught.value) == message


def test_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        read_labels(tmp_path / "none.lbl")
    assert str(caught.value) == f"{tmp_path}/none.lbl: cannot be read: No such file or directory"


def test_labels_are_found_beside_a_program(tmp_path: Path) -> None:
    program = tmp_path / "tides.bin"
    assert find_labels_beside(program) is None
    (tmp_path / "tides.labels").write_text("start = $0200\n")
    assert find_labels_beside(program) == tmp_path / "tides.labels"
    (tmp_path / "tides.lbl").write_text("start = $0201\n")
    assert find_labels_beside(str(program)) == tmp_path / "tides.lbl"
    assert read_labels(tmp_path / "tides.lbl") == {0x0201: ("start",)}
    assert find_labels_beside(tmp_path / "tides.lbl") == tmp_path / "tides.labels"


def test_labels_that_a_compiler_made_up_name_nothing_where_there_are_others() -> None:
    """A store of a C program was put down to L0034+23, not to its function."""
    labels = {0xC000: ("_dot",), 0xC010: ("L0034",), 0x0000: ("__DATA_SIZE__", "from")}
    names = NearestLabels(labels, [])
    assert names.of_code(0xC020) == "_dot+32"
    assert names.of_code(0x0000) == "from"
    # A disassembly may have no others.
    assert NearestLabels({0xC010: ("LC010",)}, []).of_code(0xC012) == "LC010+2"


def test_routine_of_an_address_is_the_last_label_that_is_not_local() -> None:
    labels = {0xC000: ("draw",), 0xC010: ("@row",), 0xC020: ("@last", "clear")}
    symbols = ProgramSymbols(labels)
    assert symbols.name_of(0xC014) == "@row+4"
    assert symbols.routine_of(0xC014) == "draw"
    assert symbols.routine_of(0xC000) == "draw"
    assert symbols.routine_of(0xC023) == "clear"
    assert symbols.routine_of(0xBFFF) is None
