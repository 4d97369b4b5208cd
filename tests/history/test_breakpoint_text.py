"""Breakpoints as people type them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busplay.errors import InputError
from busplay.history.breakpoint_text import FORMS, parse_breakpoint
from busplay.history.breakpoints import AtAddress, MemoryIs, RegisterIs, WriteTo
from busplay.program.debug_file import parse_debug_file
from busplay.program.symbols import ProgramSymbols
from tests.program.test_debug_file import TINY

SYMBOLS = ProgramSymbols(
    {
        0x0016: ("ticks",),
        0x4000: ("panel",),
        0xC000: ("start", "@loop"),
        0xC100: ("@loop",),
        0xC200: ("a",),
        0xBEEF: ("cafe",),
    },
    parse_debug_file(TINY, file="tiny.dbg"),
)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("$C000", AtAddress({0xC000})),
        (" $12 ", AtAddress({0x12})),
        ("start", AtAddress({0xC000})),
        ("@loop", AtAddress({0xC000, 0xC100})),
        ("a", AtAddress({0xC200})),
        ("store $4000", WriteTo(0x4000, 0x4000)),
        ("Store $4000-$9FFF", WriteTo(0x4000, 0x9FFF)),
        ("store panel - 40FF", WriteTo(0x4000, 0x40FF)),
        ("store ticks-cafe", WriteTo(0x16, 0xBEEF)),
        ("a=7F", RegisterIs("a", 0x7F)),
        ("S = $FD", RegisterIs("s", 0xFD)),
        ("ticks=4", MemoryIs(0x16, 4)),
        ("$12=$00", MemoryIs(0x12, 0)),
    ],
)
def test_breakpoint_is_read_as_it_is_typed(text, expected) -> None:
    assert parse_breakpoint(text, SYMBOLS) == expected


def test_line_of_source_is_where_its_code_begins() -> None:
    assert SYMBOLS.debug is not None
    line = SYMBOLS.debug.lines[0]
    addresses = SYMBOLS.debug.addresses_of(line.file, line.line)
    assert parse_breakpoint(f"{line.file}:{line.line}", SYMBOLS) == AtAddress(addresses)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("stat", f"breakpoint: found 'stat'; there is start; give {FORMS}"),
        ("", f"breakpoint: found ''; give {FORMS}"),
        ("$12345", f"breakpoint: found '$12345'; give {FORMS}"),
        ("a=100", "breakpoint: found 'a=100'; give a value in hex from 00 to FF"),
        (
            "store $9FFF-$4000",
            "breakpoint: found '$9FFF-$4000'; the range goes backwards; give $4000-$9FFF",
        ),
        ("store $40-zz", f"breakpoint: found '$zz'; give {FORMS}"),
    ],
)
def test_what_is_no_breakpoint_says_what_one_is(text, message) -> None:
    with pytest.raises(InputError) as caught:
        parse_breakpoint(text, SYMBOLS)
    assert str(caught.value) == message


@given(st.text(alphabet="store $-=:4Fazx@\n", max_size=24))
def test_any_text_is_a_breakpoint_or_is_refused(text: str) -> None:
    refused = ""
    try:
        found = parse_breakpoint(text, SYMBOLS)
        assert isinstance(found, AtAddress | MemoryIs | RegisterIs | WriteTo)
    except InputError as error:
        refused = str(error)
    assert refused.isprintable()
