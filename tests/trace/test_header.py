"""The header: it has all that a replay needs, and impossible ones are refused."""

from __future__ import annotations

import os
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.description.board import Sender
from busplay.description.link import Link
from busplay.errors import InputError
from busplay.sender.encoder import Encoder
from busplay.trace.container import Where
from busplay.trace.header import TraceHeader, pack_header, parse_header, safe_name
from busplay.trace.json_object import pack_object, parse_object
from tests.boards import GUARDED, LEAN, board_with
from tests.strategies import links
from tests.trace.cases import DIGEST, header_for

HERE = Where("x.trace", "chunk 1 at byte 12")


def back(header: TraceHeader) -> TraceHeader:
    return parse_header(memoryview(pack_header(header)), where=HERE)


def test_link_alone_round_trips() -> None:
    header = header_for(LEAN, with_board=False)
    assert back(header) == replace(header, link=replace(LEAN, file="x.trace"))
    assert (header.units, header.clock_hz, header.cycles_at(5_000)) == ((), None, 0)


def test_header_of_only_a_link_round_trips() -> None:
    header = TraceHeader(link=replace(GUARDED, file="x.trace"))
    assert back(header) == header


def test_header_is_ascii_with_keys_in_order() -> None:
    raw = pack_header(header_for())
    assert raw.isascii()
    assert raw.startswith(b'{"board":{"clock_hz":8000000,"description":"",')
    assert raw.endswith(
        b'"link":null,"program":"tides.bin","program_sha256":"%b",'
        b'"wire_digest":"b040f2957dab965f"}' % DIGEST.encode()
    )


@settings(max_examples=60, deadline=None)
@given(
    link=links(),
    clock_hz=st.integers(1_000, 20_000_000),
    lead=st.integers(0, 40),
    cycle=st.integers(0, 1 << 40),
)
def test_edges_and_cycles_are_the_sender_s(
    link: Link, clock_hz: int, lead: int, cycle: int
) -> None:
    board = board_with(link, clock_hz=clock_hz, windows=(), sender=Sender(lead_frames=lead))
    header = TraceHeader(link=link, board=board)
    edge = Encoder(board).cycle_to_edge(cycle)
    assert header.edge_at(cycle) == edge
    # The last cycle that begins at or before an edge; several can if the link is slow.
    found = header.cycles_at(edge)
    assert header.edge_at(found) <= edge < header.edge_at(found + 1)


def test_second_of_link_time_is_that_of_the_clock_that_drives_it() -> None:
    assert header_for(GUARDED).edges_per_second == 16_000_000
    assert header_for(replace(GUARDED, clock_hz=1_000)).edges_per_second == 2_000
    assert header_for(GUARDED, with_board=False).edges_per_second is None


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"board": board_with(LEAN)}, "the link is 'guarded', the board's is 'lean'"),
        ({"program_name": "roms/tides.bin"}, "program_name must be from safe_name, not 'roms/tides.bin'"),  # noqa: E501
        ({"program_sha256": "5E"}, "program_sha256 is 64 hex digits, not '5E'"),
    ],
)  # fmt: skip
def test_header_that_contradicts_itself_is_refused(fields: dict[str, Any], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        TraceHeader(link=GUARDED, **fields)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"extra": 1}, 'found the key "extra"; this version of busplay does not know it; a later one may'),  # noqa: E501
        ({"program": "a/b"}, 'found program "a/b"; a bare file name belongs here'),
        ({"program": 3}, "found program 3; a short string belongs here"),
        ({"busplay": "a\x1b[2J"}, 'found busplay "a\\x1b[2J", a string; a short string belongs here'),  # noqa: E501
        ({"program_sha256": "5e"}, 'found program_sha256 "5e"; 64 hex digits belong here'),
        ({"wire_digest": "5e"}, 'found wire_digest "5e"; the link has b040f2957dab965f'),
        ({"link": 7}, "link: found 7; a table belongs here"),
    ],
)  # fmt: skip
def test_foreign_header_is_refused(change: dict[str, object], message: str) -> None:
    raw = pack_header(header_for(with_board=False))
    plain = parse_object(memoryview(raw), where=HERE) | change
    with pytest.raises(InputError) as refused:
        parse_header(memoryview(pack_object(plain)), where=HERE)
    assert str(refused.value) == f"x.trace: chunk 1 at byte 12: {message}"


@pytest.mark.parametrize(
    ("name", "stored"),
    [
        ("tides.bin", "tides.bin"),
        ("a\nb.bin", "a%0Ab.bin"),
        ("e\x1b[31m.bin", "e%1B[31m.bin"),
        (os.fsdecode(b"\xff\xfe.bin"), "%FF%FE.bin"),
        ("back\\slash.bin", "back%5Cslash.bin"),
        ("\u2028" * 200, ("%E2%80%A8" * 200)[:255]),
    ],
)
def test_any_file_name_can_be_recorded(name: str, stored: str) -> None:
    """A program so named could not be recorded: `program_name is a bare file name`."""
    header = replace(header_for(), program_name=safe_name(name))
    assert header.program_name == stored
    assert back(header).program_name == stored


def test_header_of_megabytes_is_refused() -> None:
    with pytest.raises(InputError, match="found 2,097,153 bytes; a header has up to 2,097,152"):
        parse_header(memoryview(bytes((1 << 21) + 1)), where=HERE)
