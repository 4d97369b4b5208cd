"""Local labels are named with the label that they belong to."""

from __future__ import annotations

from pathlib import Path

import pytest

from busplay.errors import InputError
from busplay.program.label_names import last_part, named_with_parents, routine_labels
from busplay.program.labels import read_labels
from busplay.program.symbols import ProgramSymbols, find_symbols

HEAD = "version\tmajor=2,minor=0\ninfo\tscope=3,sym=5\n"
# What ld65 2.19 writes of a procedure in a scope, with a label and local ones in it.
SCOPED = (
    HEAD
    + 'scope\tid=0,name="",mod=0,size=30\n'
    + 'scope\tid=1,name="screen",mod=0,type=scope,size=10,parent=0\n'
    + 'scope\tid=2,name="clear",mod=0,type=scope,size=9,parent=1,sym=0\n'
    + 'sym\tid=0,name="clear",addrsize=absolute,scope=1,val=0xC00B,seg=0,type=lab\n'
    + 'sym\tid=1,name="@a",addrsize=absolute,parent=0,val=0xC00D,seg=0,type=lab\n'
    + 'sym\tid=2,name="loop",addrsize=absolute,scope=2,val=0xC010,seg=0,type=lab\n'
    + 'sym\tid=3,name="@a",addrsize=absolute,parent=2,val=0xC011,seg=0,type=lab\n'
    + 'sym\tid=4,name="flip",addrsize=absolute,scope=1,val=0xC014,seg=0,type=lab\n'
)
LISTED = "al 00C014 .flip\nal 00C011 .@a\nal 00C010 .loop\nal 00C00D .@a\nal 00C00B .clear\n"
FULL = {
    0xC00B: ("screen::clear",),
    0xC00D: ("screen::clear@a",),
    0xC010: ("screen::clear::loop",),
    0xC011: ("screen::clear::loop@a",),
    0xC014: ("screen::flip",),
}


def write(folder: Path, *, listed: str | None = LISTED, debug: str | None = SCOPED) -> Path:
    for name, text in (("p.lbl", listed), ("p.dbg", debug)):
        if text is not None:
            (folder / name).write_text(text)
    (folder / "p.bin").write_bytes(b"\xea")
    return folder / "p.bin"


def test_debug_file_tells_parents_and_scopes(tmp_path: Path) -> None:
    """They stood bare: three times `@a`."""
    program = write(tmp_path, listed=None)
    assert find_symbols(program).labels == FULL


def test_list_beside_its_debug_file_has_the_same_names(tmp_path: Path) -> None:
    program = write(tmp_path)
    assert read_labels(tmp_path / "p.lbl") == FULL
    assert find_symbols(program).labels == FULL


def test_list_alone_has_the_nearest_label_before(tmp_path: Path) -> None:
    write(tmp_path, debug=None)
    assert read_labels(tmp_path / "p.lbl") == {
        0xC00B: ("clear",),
        0xC00D: ("clear@a",),
        0xC010: ("loop",),
        0xC011: ("loop@a",),
        0xC014: ("flip",),
    }


@pytest.mark.parametrize("debug", ["nonsense", SCOPED.replace("major=2", "major=1"), SCOPED[:90]])
def test_debug_file_that_cannot_be_read_keeps_nobody_from_the_list(
    debug: str, tmp_path: Path
) -> None:
    write(tmp_path, debug=debug)
    assert read_labels(tmp_path / "p.lbl")[0xC00D] == ("clear@a",)


def test_debug_file_of_an_older_build_tells_nothing(tmp_path: Path) -> None:
    write(tmp_path, debug=SCOPED.replace("0xC0", "0xD0"))
    assert read_labels(tmp_path / "p.lbl")[0xC00D] == ("clear@a",)


def test_scopes_that_contain_each_other_end(tmp_path: Path) -> None:
    write(tmp_path, listed=None, debug=SCOPED.replace("parent=0\n", "parent=2\n"))
    assert read_labels(tmp_path / "p.dbg")[0xC014] == ("clear::screen::flip",)


def test_local_label_before_any_other_stays_bare() -> None:
    assert named_with_parents({0x0200: ("@a",), 0x0210: ("go", "@a", ".b")}) == {
        0x0200: ("@a",),
        0x0210: ("go", "go@a", "go.b"),
    }


def test_labels_that_are_made_up_are_no_parents() -> None:
    labels = {0x0200: ("draw",), 0x0210: ("L0012", "__CODE_RUN__"), 0x0220: ("@row",)}
    assert named_with_parents(labels)[0x0220] == ("draw@row",)


@pytest.mark.parametrize(
    ("name", "part"),
    [
        ("draw", "draw"), ("@row", "@row"), ("draw@row", "@row"), ("draw.row", ".row"),
        ("screen::draw", "draw"), ("screen::draw::loop@a", "@a"), (".row", ".row"),
    ],
)  # fmt: skip
def test_last_part_is_the_name_in_the_source(name: str, part: str) -> None:
    assert last_part(name) == part


def test_routine_begins_at_labels_that_are_not_within_another() -> None:
    """A label in a procedure's scope began one, so the procedure had only its first bytes."""
    labels = {**FULL, 0xC020: ("draw",), 0xC022: ("draw.row",), 0xC024: ("L0012",)}
    assert routine_labels(labels) == {
        0xC00B: ("screen::clear",),
        0xC014: ("screen::flip",),
        0xC020: ("draw",),
    }
    symbols = ProgramSymbols(labels)
    assert symbols.name_of(0xC012) == "screen::clear::loop@a+1"
    assert symbols.routine_of(0xC012) == "screen::clear"


def test_label_is_found_by_its_name_in_the_source() -> None:
    symbols = ProgramSymbols({**FULL, 0xC020: ("screen::draw::loop",)})
    assert symbols.address_of("flip") == symbols.address_of("screen::flip") == 0xC014
    with pytest.raises(InputError) as caught:
        symbols.address_of("loop")
    assert str(caught.value) == (
        "found label loop at $C010, $C020; name one of screen::clear::loop, screen::draw::loop"
    )
    with pytest.raises(InputError) as caught:
        ProgramSymbols({1: ("loop",), 2: ("loop",)}).address_of("loop")
    assert str(caught.value) == "found label loop at $0001, $0002; give the address"
