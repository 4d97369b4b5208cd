"""Banked memory on both cores, against one that looks every access up."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from busplay.core.devices.bank_switch import CHANGES_MOST
from busplay.core.interface import bus_of
from busplay.core.rewind import RewindableCore, restore_memory, whole_memory
from busplay.description.board import Board
from busplay.errors import InputError
from busplay.link.load import load_board
from busplay.run.program_start import ProgramStart
from busplay.run.session import Session
from tests.core.devices.machines import KINDS
from tests.naive.banks import PagedMemory, run_paged

BOARD = """\
name = "Dunlin with pages"
description = "Made up."
processor = "65c02"
clock_hz = 1_000_000
link = "guarded"
unmapped_read = 0xEE
program_load_address = 0x0200

[[memory]]
kind = "ram"
first_address = 0x0002
last_address = 0x3FFF
[[memory]]
kind = "ram"
first_address = 0xE000
last_address = 0xFFFF

[[banks]]
name = "work"
kind = "ram"
first_address = 0x4000
last_address = 0x40FF
pages = 5
latch_address = 0xA400
select = ["latch 4", "latch 1", "latch 0"]
write_protect = "latch 7"

[[banks]]
name = "cartridge"
kind = "rom"
first_address = 0x8000
last_address = 0x80FF
image = "cartridge.bin"
latch_address = 0xA400
select = ["latch 6", "latch 5"]

[[banks]]
name = "bottom"
kind = "ram"
first_address = 0x0000
last_address = 0x0001
pages = 2
latch_address = 0x8001

[[banks]]
name = "boot"
first_address = 0xFF00
last_address = 0xFFFF
image = "boot.bin"
off_address = 0xA402

[[windows]]
name = "panel memory"
first_address = 0x4010
last_address = 0x402F
unit = "panel"
space = "memory"
lands_in_ram = true
[[windows]]
name = "panel registers"
first_address = 0x4040
last_address = 0x4047
unit = "panel"
space = "registers"

[[windows]]
name = "page 1"
first_address = 0x4030
last_address = 0x4037
unit = "panel"
space = "memory"
first_offset = 0x0100
lands_in_ram = true
page = 1
[[windows]]
name = "page 2"
first_address = 0x4034
last_address = 0x403B
unit = "panel"
space = "memory"
first_offset = 0x0200
page = 2

[units.panel]
number = 0
width_px = 8
height_px = 8
bits_per_pixel = 4
memory_bytes = 0x0400
"""
CARTRIDGE = bytes(16 * (n // 256) + n % 7 for n in range(3 * 256))
BOOT = bytes(n ^ 0x5A for n in range(252)) + bytes.fromhex("00020002")
RESULTS, END = 0x3000, 0x2FF0
ADDRESSES = [
    0xA400, 0xA400, 0xA400, 0xA402, 0x8001, 0x8000, 0x8002, 0x80FF, 0x4000, 0x400F, 0x4010, 0x4020,
    0x4030, 0x4034, 0x403B,
    0x4041, 0x40FF, 0x0000, 0x0001, 0xFF00, 0xFFF0, 0xE010, 0x0300, 0xA401, 0x7000,
]  # fmt: skip
COMPARED = [
    *range(0x0010), *range(0x3000, 0x3040), *range(0x4000, 0x4100), *range(0x8000, 0x8100),
    *range(0xFF00, 0x10000), *ADDRESSES,
]  # fmt: skip
OPERATIONS = st.lists(
    st.tuples(
        st.sampled_from(["write", "read", "increment"]),
        st.sampled_from(ADDRESSES),
        st.integers(0, 255),
    ),
    max_size=40,
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("banks")
    (path / "board.toml").write_text(BOARD, encoding="utf-8")
    (path / "cartridge.bin").write_bytes(CARTRIDGE)
    (path / "boot.bin").write_bytes(BOOT)
    return path


def code_of(operations: list[tuple[str, int, int]]) -> bytes:
    """Write, read to results, or increment memory; then a jump to itself."""
    code = bytearray()
    result = RESULTS
    for what, address, byte in operations:
        low, high = address & 0xFF, address >> 8
        if what == "write":
            code += bytes([0xA9, byte, 0x8D, low, high])
        elif what == "read":
            code += bytes([0xAD, low, high, 0x8D, result & 0xFF, result >> 8])
            result += 1
        else:
            code += bytes([0xEE, low, high])
    return bytes(code + bytes([0x4C, END & 0xFF, END >> 8]))


def session_of(folder: Path, operations: list[tuple[str, int, int]], kind: str) -> Session:
    (folder / "program.bin").write_bytes(code_of(operations))
    return Session(folder / "board.toml", program=folder / "program.bin", core=kind)


@settings(max_examples=40, deadline=None)
@example([("write", 0xA400, 3), ("write", 0x4000, 9), ("write", 0xA400, 0), ("read", 0x4000, 0)])
@example([("write", 0xA400, 0x13), ("read", 0x4000, 0), ("write", 0x4000, 7), ("read", 0x4000, 0)])
@example([("write", 0xA400, 0x80), ("write", 0x4010, 7), ("read", 0x4010, 0)])
@example([("write", 0xFFF0, 7), ("read", 0xFFF0, 0), ("write", 0xA402, 0), ("read", 0xFFF0, 0)])
@example([("write", 0xA400, page) for page in (1, 2, 0)] + [("write", 0x4034, 9)])
@example([("write", 0xA400, 1), ("write", 0x4034, 9), ("write", 0xA400, 2), ("write", 0x4034, 8)])
@example([("write", 0x8001, 1), ("write", 0x0001, 7), ("increment", 0x8001, 0)])
@given(operations=OPERATIONS)
def test_both_cores_do_what_a_look_up_of_every_access_does(
    folder: Path, operations: list[tuple[str, int, int]]
) -> None:
    board = load_board(folder / "board.toml")
    naive = PagedMemory(board, {1: CARTRIDGE, 3: BOOT})
    naive.plain[0x0200 : 0x0200 + len(code_of(operations))] = code_of(operations)
    naive.plain[END : END + 3] = bytes([0x4C, END & 0xFF, END >> 8])
    run_paged(board, naive, start=0x0200, stop=END)
    found = []
    for kind in KINDS:
        session = session_of(folder, operations, kind)
        session.core.memory[END : END + 3] = [0x4C, END & 0xFF, END >> 8]
        switch = bus_of(session.core).banks  # type: ignore[union-attr]
        assert switch is not None
        first = switch.take_changes()
        assert first.page.tolist() == [0, 0, 0, 0]
        session.core.run(600)
        assert session.registers.pc == END
        assert [int(session.memory[one]) for one in COMPARED] == [naive[one] for one in COMPARED]
        changes = switch.take_changes()
        switched = zip(changes.bank.tolist(), changes.page.tolist(), strict=True)
        assert [one for one in switched if one[0] != 3] == naive.changes
        for index, page in enumerate(switch.pages[:3]):
            assert page == naive.page(index)
        registers = session.registers
        found.append((registers, changes.since.tolist(), whole_memory(session.core)))
        # Only a session's own run takes the stores to the display.
        session.run(cycles=20)
        panel = session.display("panel")
        assert session.core.counters.stores_tapped == naive.tapped
        assert {place: int(panel.memory[place]) for place in naive.sent} == naive.sent
        assert not set(np.flatnonzero(panel.memory).tolist()) - set(naive.sent)
    assert found[0][:2] == found[1][:2]
    assert (found[0][2] == found[1][2]).all()


@pytest.mark.parametrize("kind", KINDS)
def test_a_state_can_be_restored_whatever_pages_are_shown(folder: Path, kind: str) -> None:
    operations = [
        ("write", 0xA400, 1), ("write", 0x4000, 11), ("write", 0xFFF0, 5), ("write", 0xA400, 0x82),
        ("write", 0x4000, 12), ("write", 0xA402, 0), ("read", 0xFFF0, 0), ("write", 0xA400, 1),
        ("read", 0x4000, 0), ("increment", 0x4000, 0), ("write", 0x8001, 1), ("write", 0x0000, 3),
    ]  # fmt: skip
    session = session_of(folder, operations, kind)
    core = session.core
    assert isinstance(core, RewindableCore)
    kept = []
    while core.cycle < 90:
        kept.append((core.state, whole_memory(core), bytes(core.memory)))
        core.step()
    end = core.state, whole_memory(core).tobytes()
    for state, memory, seen in reversed(kept):
        core.restore(state)
        restore_memory(core, memory)
        assert bytes(core.memory) == seen
        core.run(90 - core.cycle)
        assert (core.state, whole_memory(core).tobytes()) == end


@pytest.mark.parametrize("kind", KINDS)
def test_reset_shows_the_first_pages_and_the_boot_overlay_again(folder: Path, kind: str) -> None:
    session = session_of(folder, [("write", 0xA400, 2), ("write", 0xA402, 0)], kind)
    session.run(cycles=40)
    switch = bus_of(session.core).banks  # type: ignore[union-attr]
    assert switch is not None
    assert switch.pages == (2, 0, 0, 1)
    assert session.memory[0xFF00] == 0
    session.reset()
    assert switch.pages == (0, 0, 0, 0)
    assert session.memory[0xFF00] == 0x5A
    assert session.registers.pc == 0x0200


PORTS = """\
[[devices]]
kind = "via_6522"
name = "ports"
part = "r6522"
first_address = 0xA800
"""
# PB0, PB1 and PA6 by the 6522 itself, PB7 and CA2, which change by themselves, by wires.
SELECTS = (["ports.pb1", "ports.pb0"], ["ports.pa6", "latch 5"], ["ports.pb7", "ports.pb0"])
PORT_OPERATIONS = st.lists(
    st.tuples(
        st.sampled_from(["write", "read", "increment"]),
        st.sampled_from([0xA800, 0xA801, 0xA802, 0xA803, 0xA80F, 0xA400, 0x8000, 0x80FF, 0x4034]),
        st.integers(0, 255),
    ),
    max_size=30,
)


@pytest.fixture(scope="module", params=SELECTS, ids=["port", "port and latch", "wire"])
def ports_folder(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("ports")
    select = str(request.param).replace("'", '"')
    text = BOARD.replace('["latch 6", "latch 5"]', select)
    (path / "board.toml").write_text(text + PORTS, encoding="utf-8")
    (path / "cartridge.bin").write_bytes(CARTRIDGE)
    (path / "boot.bin").write_bytes(BOOT)
    return path


@settings(max_examples=15, deadline=None)
@example([("write", 0xA800, 2), ("write", 0xA802, 3), ("read", 0x8000, 0), ("write", 0xA800, 1)])
@example([("write", 0xA803, 0x40), ("write", 0xA80F, 0x40), ("read", 0x8000, 0)])
@given(operations=PORT_OPERATIONS)
def test_outputs_of_a_6522_choose_pages(
    ports_folder: Path, operations: list[tuple[str, int, int]]
) -> None:
    operations = [*operations, ("read", 0x8000, 0), ("read", 0x80FF, 0)]
    board = load_board(ports_folder / "board.toml")
    naive = PagedMemory(board, {1: CARTRIDGE, 3: BOOT}, via_address=0xA800)
    naive.plain[0x0200 : 0x0200 + len(code_of(operations))] = code_of(operations)
    naive.plain[END : END + 3] = bytes([0x4C, END & 0xFF, END >> 8])
    run_paged(board, naive, start=0x0200, stop=END)
    logs = []
    for kind in KINDS:
        session = session_of(ports_folder, operations, kind)
        session.core.memory[END : END + 3] = [0x4C, END & 0xFF, END >> 8]
        session.core.run(600)
        seen = [*range(RESULTS, RESULTS + 40), *range(0x8000, 0x8100)]
        found = [int(session.memory[one]) for one in seen]
        assert found == [naive[one] for one in seen]
        switch = bus_of(session.core).banks  # type: ignore[union-attr]
        assert switch is not None
        assert switch.pages[1] == naive.page(1)
        changes = switch.take_changes()
        logs.append((changes.since.tolist(), changes.page.tolist(), session.core.state))  # type: ignore[attr-defined]
    assert logs[0] == logs[1]


def test_a_program_without_vectors_in_the_page_of_a_reset_is_refused(tmp_path: Path) -> None:
    text = BOARD[: BOARD.index('[[banks]]\nname = "boot"')] + BOARD[BOARD.index("[[windows]]") :]
    text = text.replace(
        'kind = "ram"\nfirst_address = 0xE000\nlast_address = 0xFFFF',
        'kind = "ram"\nfirst_address = 0xE000\nlast_address = 0xEFFF',
    ).replace(
        'kind = "rom"\nfirst_address = 0x8000\nlast_address = 0x80FF',
        'kind = "rom"\nfirst_address = 0xFF00\nlast_address = 0xFFFF',
    )
    (tmp_path / "board.toml").write_text(text.replace("0x8001", "0xA401"), encoding="utf-8")
    (tmp_path / "program.bin").write_bytes(b"\xea")
    start = ProgramStart(_board(tmp_path, 10))
    with pytest.raises(InputError) as caught:
        start.make_core()
    assert str(caught.value) == (
        f"{tmp_path / 'board.toml'}: found no byte, or only one, for the reset vector at"
        " $FFFC-$FFFD of the page that cartridge shows at a reset; no reset can start such a"
        " program, so give it vectors, or an image that has them"
    )
    with pytest.raises(
        InputError, match=r"reset vector at \$FFFC: found \$7000; no reset can work"
    ):
        ProgramStart(_board(tmp_path, 256)).make_core()
    board = _board(tmp_path, 256)
    (tmp_path / "cartridge.bin").write_bytes(bytes(256))
    with pytest.raises(InputError, match=r"found \$0000; no reset can work, as nothing was loaded"):
        ProgramStart(board).make_core()


def _board(folder: Path, image_bytes: int) -> Board:
    content = bytes(image_bytes - 4) + bytes.fromhex("00700070") if image_bytes > 100 else b"\xea"
    (folder / "cartridge.bin").write_bytes(content[:image_bytes])
    return load_board(folder / "board.toml")


def test_changes_that_nobody_takes_do_not_pile_up(folder: Path) -> None:
    # Two changes in 22 cycles for ever.
    code = bytes.fromhex("A201 8E00A4 A200 8E00A4 4C0002")
    (folder / "program.bin").write_bytes(code)
    session = Session(folder / "board.toml", program=folder / "program.bin")
    session.core.run(8_000_000)
    switch = bus_of(session.core).banks  # type: ignore[union-attr]
    assert switch is not None
    changes = switch.take_changes()
    assert CHANGES_MOST // 2 < len(changes) <= CHANGES_MOST
    assert (changes.since[1:] > changes.since[:-1]).all()
    assert int(changes.since[-1]) > 7_999_900
    assert len(switch.take_changes()) == 0
