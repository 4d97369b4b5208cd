"""ld65's debug file: lines and labels of addresses; cc65 itself judges it in tests/outside."""

from __future__ import annotations

from pathlib import Path

import pytest

from busplay.errors import InputError
from busplay.program.debug_file import SourceLine, parse_debug_file, read_debug_file
from busplay.program.labels import parse_labels

TINY = (Path(__file__).parents[1] / "data/fuzz/debug_file/tiny.dbg").read_bytes()
# A C line (type 1) over an assembler's, and a loop's span over that of a line in it.
MIXED = b"""version\tmajor=2,minor=0
info\tfile=7,line=3,seg=2,span=4,sym=3
file\tid=0,name="bird.c",size=1,mtime=0x0,mod=0
file\tid=3,name="made/bird.s",size=1,mtime=0x0,mod=0
seg\tid=0,name="CODE",start=0x008000,size=0x0010,addrsize=absolute,type=ro
seg\tid=1,name="FAR",start=0x018000,size=0x0010,addrsize=far,type=ro
span\tid=0,seg=0,start=0,size=16
span\tid=1,seg=0,start=4,size=2
span\tid=2,seg=1,start=0,size=2
span\tid=3,seg=0,start=8,size=3
line\tid=0,file=0,line=10,type=1,span=0
line\tid=1,file=0,line=12,type=1,span=1+2
line\tid=2,file=3,line=99,span=3
sym\tid=0,name="_main",addrsize=absolute,size=1,scope=0,def=0,val=0x8000,seg=0,type=lab
sym\tid=1,name="WIDTH",addrsize=zeropage,scope=0,def=0,val=0x80,type=equ
sym\tid=2,name="__CODE_RUN__",addrsize=absolute,scope=0,def=0,type=imp,exp=0
later\tid=0,what="a record of a later version"
"""


def test_a_byte_has_the_line_that_made_it() -> None:
    info = parse_debug_file(TINY, file="tiny.dbg")
    assert info.files == ("tiny.s",)
    assert info.line_of(0xC000) == SourceLine("tiny.s", 9, "assembler")
    # Within a macro: the line that calls it, and the macro's own.
    assert info.lines_of(0xC004) == (
        SourceLine("tiny.s", 10, "assembler"),
        SourceLine("tiny.s", 4, "macro"),
    )
    assert str(info.line_of(0xC014)) == "tiny.s:15"
    assert info.line_of(0xC015) is None
    assert info.addresses_of("tiny.s", 10) == {0xC002}
    assert [(one.name, one.address, one.size_bytes) for one in info.segments][:2] == [
        ("CODE", 0xC000, 13),
        ("RODATA", 0xC00D, 8),
    ]


def test_lines_of_c_go_before_those_of_the_compilers_output() -> None:
    info = parse_debug_file(MIXED, file="bird.dbg")
    assert info.line_of(0x8004) == SourceLine("bird.c", 12, "c")
    assert info.line_of(0x8006) == SourceLine("bird.c", 10, "c")
    assert info.lines_of(0x8008)[1] == SourceLine("made/bird.s", 99, "assembler")
    assert info.addresses_of("bird.s", 99) == {0x8008}
    assert info.addresses_of("bird.c", 10) == {0x8000, 0x8006}


def test_labels_are_those_of_the_symbols_that_are_labels() -> None:
    assert parse_labels(MIXED, file="bird.dbg") == {0x8000: ("_main",)}
    assert parse_labels(TINY, file="tiny.dbg") == {
        0x10: ("pointer",),
        0xC000: ("start",),
        0xC002: ("start@loop",),
        0xC00D: ("text",),
    }


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (b"major=2", b"major=1", "line 1: found major version 1; version 2 can be read: cc65 2.13"
         " and newer write it"),
        (b"version", b"verson", "found no version in the first line; a debug file is what ld65"
         " writes with --dbgfile"),
        (b"span\tid=9,seg=0,start=0,size=13\n", b"", "found 9 of 10 records span; the file is cut"
         " off or damaged; make it anew"),
        (b"seg=0,start=10,size=3", b"seg=0,start=10,size=4", "line 27: found bytes 10 to 13 of"
         " segment CODE; it has 13"),
        (b"file=0,line=11,span=5", b"file=1,line=11,span=5", "line 4: found file=1; the file has"
         " no file 1; make it anew"),
        (b"line=11,span=5", b"line=11,span=50", "line 4: found span=50; the file has no span 50;"
         " make it anew"),
        (b"span\tid=9", b"span\tid=8", "line 29: found a second span 8; each id may be given once"),
        (b"span\tid=9,seg=0,", b"span\tid=9,", "line 29: found a span without seg; make the file"
         " anew"),
        (b"start=0,size=13", b"start=x,size=13", "line 29: found start=x; a number belongs there"),
        (b"start=0,size=13", b"start=0;size", "line 29: found a span without size; make the file"
         " anew"),
        (b'name="tiny.o",', b'name="tiny.o,', "line 13: found 'name=\"tiny.o,file=0'; attributes"
         " are name=value, with commas"),
    ],
)  # fmt: skip
def test_damage_is_refused_with_its_place(old: bytes, new: bytes, said: str) -> None:
    assert old in TINY
    with pytest.raises(InputError) as refused:
        parse_debug_file(TINY.replace(old, new, 1), file="tiny.dbg")
    assert str(refused.value) == f"tiny.dbg: {said}"


def test_lines_that_are_not_there_are_refused(tmp_path: Path) -> None:
    info = parse_debug_file(TINY, file="tiny.dbg")
    with pytest.raises(InputError, match=r"found source file 'main\.c'; there are tiny\.s"):
        info.addresses_of("main.c", 1)
    message = r"found tiny\.s:2; it made no bytes; lines that did: 3, 4, 7"
    with pytest.raises(InputError, match=message):
        info.addresses_of("tiny.s", 2)
    assert all(info.addresses_of("tiny.s", line) for line in (3, 4, 7))
    with pytest.raises(InputError, match="cannot be read: No such file"):
        read_debug_file(tmp_path / "none.dbg")
