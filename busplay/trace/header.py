"""A trace's header: all that a replay needs besides frames and keys.

It is one JSON object with sorted keys, without anything that depends on machine, folder or time, so
that the same board and program have the same header.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass, field

from busplay.description.banks import Bank
from busplay.description.board import Board, Unit
from busplay.description.link import Link
from busplay.description.plain import (
    Plain,
    board_from_plain,
    board_to_plain,
    link_from_plain,
    link_to_plain,
)
from busplay.description.toml_reader import show_string, show_value
from busplay.link.board_fit import require_link_fits
from busplay.link.layout import FrameLayout
from busplay.link.wire_digest import wire_digest
from busplay.trace.container import Where
from busplay.trace.json_object import pack_object, parse_object
from busplay.units import Ratio, edges_per_processor_cycle
from busplay.version import VERSION

HEADER_BYTES_MAX = 1 << 21
_TEXT_MAX = 255
_KEYS = ("board", "busplay", "link", "program", "program_sha256", "wire_digest")
# For links without a clock of their own and without a board: chunks are closed as at 8 MHz.
_EDGES_PER_SECOND_UNKNOWN = 16_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceHeader:
    """Link, board and program of a trace.

    Attributes:
        link: the frames' link.
        board: the board that sent them; its link is `link`. None: only the link is known.
        program_name: file name of the program, without folders, from `safe_name`; or None.
        program_sha256: digest of the program's bytes in hex, or None.
        busplay_version: version of busplay that wrote the trace.
    """

    link: Link
    board: Board | None = None
    program_name: str | None = None
    program_sha256: str | None = None
    busplay_version: str = VERSION
    _lead_edges: int = field(init=False, repr=False, compare=False, default=0)
    _edges_per_cycle: Ratio | None = field(init=False, repr=False, compare=False, default=None)

    def __post_init__(self) -> None:
        if self.board is not None and self.board.link != self.link:
            raise ValueError(
                f"the link is {self.link.name!r}, the board's is {self.board.link.name!r}"
            )
        if self.program_name is not None and not _is_name(self.program_name):
            raise ValueError(f"program_name must be from safe_name, not {self.program_name!r}")
        if self.program_sha256 is not None and not _is_digest(self.program_sha256):
            raise ValueError(f"program_sha256 is 64 hex digits, not {self.program_sha256!r}")
        if self.board is not None:
            ratio = edges_per_processor_cycle(
                self.board.clock_hz, self.link.clock_hz, self.link.edges_per_cycle
            )
            cycle = self.link.edges_per_cycle
            lead = self.board.sender.lead_frames * FrameLayout(self.link).slot_symbols
            # As in the sender: rounded up to cycles of the link's clock.
            object.__setattr__(self, "_lead_edges", -(-lead // cycle) * cycle)
            object.__setattr__(self, "_edges_per_cycle", ratio)

    @property
    def wire_digest(self) -> str:
        """Digest of the link's wire format (`busplay.link.wire_digest`)."""
        return wire_digest(self.link)

    @property
    def banks(self) -> tuple[Bank, ...]:
        """The board's banks; none without a board."""
        return self.board.banks if self.board else ()

    @property
    def units(self) -> tuple[Unit, ...]:
        """The units behind the link; none without a board."""
        return self.board.units if self.board is not None else ()

    @property
    def clock_hz(self) -> int | None:
        """The processor's clock; None without a board."""
        return self.board.clock_hz if self.board is not None else None

    @property
    def edges_per_second(self) -> int | None:
        """Link edges in a second, or None if not known."""
        clock_hz = self.link.clock_hz or self.clock_hz
        return clock_hz * self.link.edges_per_cycle if clock_hz else None

    @property
    def span_edges(self) -> int:
        """Link time after which a chunk is closed even if it is not full: about a second."""
        return self.edges_per_second or _EDGES_PER_SECOND_UNKNOWN

    def edge_at(self, cycle: int) -> int:
        """Return the link edge at which a processor cycle begins; 0 without a board."""
        return self._lead_edges + self._edges_per_cycle.ceil(cycle) if self._edges_per_cycle else 0

    def cycles_at(self, edge: int) -> int:
        """Return the processor cycles completed by a link edge; 0 without a board."""
        ratio = self._edges_per_cycle
        if ratio is None:
            return 0
        return max(0, edge - self._lead_edges) * ratio.denominator // ratio.numerator


def pack_header(header: TraceHeader) -> bytes:
    """Pack a header as the payload of the header chunk."""
    plain: Plain = {
        "board": board_to_plain(header.board) if header.board is not None else None,
        "busplay": header.busplay_version,
        # A board includes its link.
        "link": link_to_plain(header.link) if header.board is None else None,
        "program": header.program_name,
        "program_sha256": header.program_sha256,
        "wire_digest": header.wire_digest,
    }
    return pack_object(plain)


def parse_header(payload: memoryview, *, where: Where) -> TraceHeader:
    """Parse the payload of the header chunk.

    Raises:
        InputError: it is not a header, or describes something impossible.
    """
    if len(payload) > HEADER_BYTES_MAX:
        raise where.error(f"{len(payload):,} bytes", f"a header has up to {HEADER_BYTES_MAX:,}")
    plain = parse_object(payload, where=where)
    for key in plain:
        if key not in _KEYS:
            raise where.error(
                f"the key {show_string(key)}",
                "this version of busplay does not know it; a later one may",
            )
    board = None
    if plain.get("board") is not None:
        board = board_from_plain(plain["board"], file=where.file, place=f"{where.place}: board")
        link = board.link
        if board.windows:
            # A recording of another bus has a board with only a clock.
            require_link_fits(board)
    else:
        link = link_from_plain(plain.get("link"), file=where.file, place=f"{where.place}: link")
    version = _text(plain, "busplay", where)
    name = _text(plain, "program", where)
    if name is not None and not _is_name(name):
        raise where.error(f"program {show_string(name)}", "a bare file name belongs here")
    digest = _text(plain, "program_sha256", where)
    if digest is not None and not _is_digest(digest):
        raise where.error(f"program_sha256 {show_string(digest)}", "64 hex digits belong here")
    # A trace may be older than this digest.
    wires = _text(plain, "wire_digest", where)
    if wires is not None and wires != wire_digest(link):
        raise where.error(f"wire_digest {show_string(wires)}", f"the link has {wire_digest(link)}")
    return TraceHeader(
        link=link,
        board=board,
        program_name=name,
        program_sha256=digest,
        busplay_version=version or "",
    )


def _text(plain: dict[str, object], key: str, where: Where) -> str | None:
    value = plain.get(key)
    if value is None:
        return None
    if not isinstance(value, str) or len(value) > _TEXT_MAX or not value.isprintable():
        raise where.error(f"{key} {show_value(value)}", "a short string belongs here")
    return value


def safe_name(name: str) -> str:
    """Return a file name for a header: unprintable characters as `%0A`, up to 255 characters.

    >>> safe_name("tides\\n.bin")
    'tides%0A.bin'
    """
    return "".join(
        one if _is_name(one) else "".join(f"%{byte:02X}" for byte in os.fsencode(one))
        for one in name
    )[:_TEXT_MAX]


def _is_name(name: str) -> bool:
    return bool(name) and name.isprintable() and not re.search(r"[/\\]", name)


def _is_digest(digest: str) -> bool:
    return re.fullmatch(r"[0-9a-f]{64}", digest) is not None
