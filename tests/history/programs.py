"""Drawn programs that call, push, store, wait and are interrupted, on a small slow board."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from hypothesis import strategies as st

from busplay.description.board import Board, HostPort
from tests.boards import GUARDED, board_with

BASE = 0xC000
CLOCK_HZ = 60_000

SNIPPETS = [
    "E610",  # INC $10
    "A5108D0040",  # LDA $10, STA $4000: a window over RAM
    "8D00A3",  # STA $A300: a window without
    "AD03A4990040",  # LDA RANDOM, STA $4000,Y
    "AD01A4 8511",  # LDA KEY_CODE, STA $11
    "AD04A4 8512",  # LDA TICK, STA $12
    "48 68",
    "08 28",
    "C8",
    "E8 8A",
    "EE0140",  # INC $4001
    "58",
    "78",
    "8D00C0",  # STA into ROM
    "8D00B0",  # STA where nothing is
    "F8 6905 D8",  # ADC in decimal mode
    "A003 88 D0FD",  # a short loop
    "8D02A4",  # STA CONSOLE
]
ONLY_65C02 = ["CB", "9C0240", "DA FA", "0720"]


class Rom(bytes):
    """A ROM that a failure prints in a line."""

    def __repr__(self) -> str:
        parts = (self[at : at + 64].hex() for at in (0, 0x400, 0x500, 0x600))
        return f"Rom({', '.join(parts)})"


@st.composite
def programs(draw: st.DrawFn, processor: str) -> Rom:
    """Draw 16 KiB of ROM: a loop, two routines (the first calls the second), a handler."""
    pool = SNIPPETS + (ONLY_65C02 if processor == "65c02" else [])
    # BBR and BBS are not on the reference core; RMB0 ($07) is.
    inner = bytes.fromhex("".join(draw(st.lists(st.sampled_from(pool), max_size=4)))) + b"\x60"
    inner_at = 0xC400
    call_inner = bytes([0x20, inner_at & 0xFF, inner_at >> 8])
    outer_parts = draw(st.lists(st.sampled_from([*pool, "call"]), max_size=4))
    outer_at = 0xC500
    outer = b"".join(call_inner if one == "call" else bytes.fromhex(one) for one in outer_parts)
    call_outer = bytes([0x20, outer_at & 0xFF, outer_at >> 8])
    main_parts = draw(st.lists(st.sampled_from([*pool, "call", "call"]), min_size=1, max_size=6))
    body = b"".join(call_outer if one == "call" else bytes.fromhex(one) for one in main_parts)
    ending = draw(st.sampled_from(["", "", "", "exit", "missing"]))
    start = bytes.fromhex("A2FF 9A A901 8D08A4 58")
    if ending:
        # Every eighth time round: EXIT, or an opcode that no core has.
        stop = "A907 8D0AA4" if ending == "exit" else ("02" if processor == "6502" else "DB")
        body += bytes.fromhex("E613 A513 2907 D005") + bytes.fromhex(stop).ljust(5, b"\xea")
    loop_at = BASE + len(start)
    main = start + body + bytes([0x4C, loop_at & 0xFF, loop_at >> 8])
    quiet = [one for one in pool if one not in ("58", "CB", "08 28")]
    handler_parts = draw(st.lists(st.sampled_from(quiet), max_size=2))
    handler = b"\x48" + bytes.fromhex("".join(handler_parts)) + bytes.fromhex("8D09A4 68 40")
    rom = bytearray(b"\xea" * 0x4000)
    for address, code in (
        (BASE, main),
        (inner_at, inner),
        (outer_at, outer + b"\x60"),
        (0xC600, handler),
        (0xFFFA, bytes.fromhex("00C6 00C0 00C6")),
    ):
        rom[address - BASE : address - BASE + len(code)] = code
    return Rom(rom)


def small_board(processor: str) -> Board:
    """Return a board of two displays, with a host port and 60 refreshes of 1,000 cycles."""
    board = board_with(GUARDED, clock_hz=CLOCK_HZ)
    return replace(
        board,
        processor=processor,
        host_port=HostPort(0xA400, refresh_hz=60, random_seed=1),
        program_load_address=BASE,
    )


def written(folder: Path, rom: bytes) -> Path:
    """Write a program's file."""
    path = folder / "drawn.bin"
    path.write_bytes(rom)
    return path
