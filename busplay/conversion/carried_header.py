"""A trace's header in the comment of another form, so that the way back needs no link."""

from __future__ import annotations

import base64
import binascii
import re
from dataclasses import replace
from pathlib import Path

from busplay.conversion.kinds import read_head
from busplay.description.link import Link
from busplay.errors import InputError
from busplay.trace.container import Where
from busplay.trace.header import TraceHeader, pack_header, parse_header

_HEADER_MARK = "busplay-header:"
_HEADER_LOOK_BYTES = 1 << 20
# A comment of a packet file has a 16-bit length.
_COMMENT_BYTES_MAX = 60_000


def header_comment(header: TraceHeader) -> str:
    """Write a header as one word for the comment of another form."""
    payload = pack_header(header)
    if len(payload) * 4 // 3 > _COMMENT_BYTES_MAX:
        payload = pack_header(TraceHeader(link=header.link))
    return _HEADER_MARK + base64.b64encode(payload).decode("ascii")


def find_header(content: bytes, *, file: str) -> TraceHeader | None:
    """Find a header that `header_comment` wrote; None where there is none, or it is damaged."""
    match = re.search(re.escape(_HEADER_MARK).encode() + rb"([A-Za-z0-9+/=]+)", content)
    if match is None:
        return None
    try:
        payload = base64.b64decode(match[1], validate=True)
        return parse_header(memoryview(payload), where=Where(file, "comment"))
    except (binascii.Error, InputError):
        return None


def carried_header(path: Path) -> TraceHeader | None:
    """Return the header that a file of ours carries in a comment, if it does.

    Raises:
        InputError: the file cannot be read.
    """
    return find_header(read_head(path, _HEADER_LOOK_BYTES), file=str(path))


def with_clock(header: TraceHeader, clock_hz: int | None) -> TraceHeader:
    """Return the header with a clock for a link that has none of its own."""
    if clock_hz is None or header.edges_per_second is not None:
        return header
    link: Link = replace(header.link, clock_hz=clock_hz)
    return replace(header, link=link)


def require_edges_per_second(header: TraceHeader, *, file: str) -> int:
    """Return the link edges in a second.

    Raises:
        InputError: nothing states the rate of the link's clock.
    """
    rate = header.edges_per_second
    if rate is None:
        raise InputError(
            file=file,
            found="a link on the processor's clock, and no board that states it",
            wanted="give --board, or the clock with --clock-rate",
        )
    return rate
