"""Searches of a run with banked memory, against a look at every step."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.core.interface import bytes_in_pages, full_address_of
from busplay.description.full_address import (
    address_of,
    full_address,
    page_of,
)
from busplay.errors import InputError
from busplay.history.breakpoint_text import parse_breakpoint
from busplay.history.breakpoints import AtAddress, Breakpoint, MemoryIs, WriteTo
from busplay.history.program_history import ProgramHistory
from busplay.program.symbols import ProgramSymbols
from busplay.run.session import Session
from tests.naive.straight_run import first_behind, last_before
from tests.road import banked

KINDS = ["compiled", "reference"]
CYCLES = 1_500
OPERATIONS = st.lists(
    st.one_of(
        st.tuples(st.just("latch"), st.sampled_from([0x00, 0x11, 0x21, 0x02, 0x83, 0x01, 0x80])),
        st.tuples(st.sampled_from(["store", "call", "count", "gap"]), st.integers(0, 2)),
    ),
    min_size=3,
    max_size=25,
)
CONDITIONS: list[Breakpoint] = [
    *(
        MemoryIs(full_address(address, page), value)
        for address, page, value in (
            (0x4010, None, 0), (0x4010, 1, 2), (0x4010, 0, 1), (0x4010, None, 0x10),
            (0x8001, None, 0x11), (0x8001, None, 0xFF), (0x8001, 2, 0x12), (0x4011, 3, 0x11),
            (0x0300, None, 1),
        )
    ),
    *(
        WriteTo(full_address(first, page), full_address(last, page))
        for first, last, page in (
            (0x4010, 0x4010, None), (0x4010, 0x4010, 1), (0x4000, 0x4FFF, 3),
            (0x0300, 0x0300, None),
        )
    ),
    AtAddress(frozenset({0x8000})),
    AtAddress(frozenset({full_address(0x8000, 1)})),
    AtAddress(frozenset({full_address(0x8002, 2), full_address(0x8000, 0)})),
    AtAddress(frozenset({full_address(0x8000, 0), 0xC000})),
]  # fmt: skip


def program_of(operations: list[tuple[str, int]]) -> bytes:
    """Set the latch, store to or count $4010, call $8000, then all over again."""
    code = b""
    for what, number in operations:
        if what == "latch":
            code += bytes([0xA9, number, 0x8D, 0x00, 0xA4])
        elif what == "store":
            code += bytes([0xA9, number, 0x8D, 0x10, 0x40])
        elif what == "gap":
            # The library has no page 3.
            code += bytes([0xA9, 0x31, 0x8D, 0x00, 0xA4, 0xA9, number, 0x8D, 0x00, 0xA4])
        elif what == "count":
            code += bytes([0xEE, 0x10, 0x40, 0xEE, 0x00, 0x03])
        else:
            code += bytes([0x20, 0x00, 0x80])
    code += bytes([0x4C, 0x00, 0xC0])
    return code + bytes(0x3FFC - len(code)) + bytes([0x00, 0xC0, 0x00, 0xC0])


def looked_at(folder: Path, kind: str) -> tuple[list[int], dict[Breakpoint, list[bool]]]:
    """Step through the run: the cycle of each position, and whether each condition holds there."""
    core = Session(folder / "board.toml", program=folder / "program.bin", core=kind).core
    cycles: list[int] = []
    held: dict[Breakpoint, list[bool]] = {one: [] for one in CONDITIONS}
    while core.cycle < CYCLES:
        cycles.append(core.cycle)
        here = full_address_of(core, core.pc)
        writes = written(bytes(core.memory[core.pc : core.pc + 3]))
        for condition, found in held.items():
            match condition:
                case MemoryIs(full, value):
                    byte = core.memory[address_of(full)]
                    if (page := page_of(full)) is not None:
                        byte = bytes_in_pages(core, address_of(full))[page]
                    found.append(bool(byte == value))
                case WriteTo(first, last):
                    full = writes
                    if writes is not None and page_of(first) is not None:
                        full = full_address_of(core, writes)
                    found.append(full is not None and first <= full <= last)
                case AtAddress(addresses):
                    found.append(bool(addresses & {core.pc, here}))
        core.step()
    return cycles, held


def written(instruction: bytes) -> int | None:
    """Return where an instruction of these programs writes, if it is STA or INC."""
    return instruction[1] | instruction[2] << 8 if instruction[0] in (0x8D, 0xEE) else None


def assert_searches(
    folder: Path, kind: str, protect: str, operations: list[tuple[str, int]], share: float
) -> None:
    """Search from a position of a run for each condition, both ways."""
    banked.write_files(folder)
    board = banked.BOARD.format(more="").replace("pages = 4\n", f"pages = 4\n{protect}")
    (folder / "board.toml").write_text(board, encoding="utf-8")
    (folder / "program.bin").write_bytes(program_of(operations))
    cycles, held = looked_at(folder, kind)
    history = ProgramHistory(
        folder / "board.toml",
        folder / "program.bin",
        core=kind,
        end_cycle=CYCLES,
        spacing_cycles=300,
    )
    here = int(share * len(cycles))
    for condition in CONDITIONS:
        for back in (False, True):
            history.go_to(cycles[here])
            found = history.run_back_to(condition) if back else history.run_to(condition)
            must_end = isinstance(condition, MemoryIs) and held[condition][here]
            if back:
                wanted = last_before(here, held[condition], must_end=must_end)
            else:
                wanted = first_behind(cycles, here, held[condition], must_end=must_end)
            assert (history.cycle if found else -1) == (cycles[wanted] if wanted >= 0 else -1), (
                condition,
                back,
            )


PROTECTED = 'write_protect = "latch 7"\n'


@pytest.mark.thorough
@pytest.mark.parametrize("protect", ["", PROTECTED])
@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=3, deadline=None)
@given(operations=OPERATIONS, share=st.floats(0, 0.999))
def test_a_search_finds_what_a_look_at_every_step_finds(
    tmp_path_factory: pytest.TempPathFactory,
    kind: str,
    protect: str,
    operations: list[tuple[str, int]],
    share: float,
) -> None:
    folder = tmp_path_factory.mktemp("searches")
    assert_searches(folder, kind, protect, operations, share)


def test_writes_are_watched_and_pages_followed_in_a_search(tmp_path: Path) -> None:
    """The compiled core watched no writes on boards with banks."""
    operations = [("count", 0), ("latch", 0x11), ("store", 2), ("latch", 0x02), ("call", 0)]
    assert_searches(tmp_path, "compiled", "", operations, 0.3)


def symbols_of(folder: Path) -> ProgramSymbols:
    banked.write_files(folder)
    history = ProgramHistory(folder / "board.toml", folder / "program.bin")
    return history.symbols


def test_breakpoints_are_typed_with_pages(tmp_path: Path) -> None:
    symbols = symbols_of(tmp_path)
    for text, condition in {
        "2:$8000": AtAddress(frozenset({full_address(0x8000, 2)})),
        "clear": AtAddress(frozenset({full_address(0x8000, 1)})),
        "$8000": AtAddress(frozenset({0x8000})),
        "store 1:$4000-$4FFF": WriteTo(full_address(0x4000, 1), full_address(0x4FFF, 1)),
        "store 1:$4000-1:$4FFF": WriteTo(full_address(0x4000, 1), full_address(0x4FFF, 1)),
        "3:$4010=7F": MemoryIs(full_address(0x4010, 3), 0x7F),
    }.items():
        assert parse_breakpoint(text, symbols) == condition, text


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("3:$8000", "found '3:$8000'; bank 'library' has 3 pages, 0 to 2"),
        ("store 1:$4000-2:$4FFF", "found '1:$4000-2:$4FFF'; the range must lie in one page"),
        (
            "store 1:$4FFF-$4000",
            "found '1:$4FFF-$4000'; the range goes backwards; give 1:$4000-$4FFF",
        ),
        (
            "0:$0200=1",
            "found '0:$0200'; only banked memory has pages: $4000 to $5FFF, $8000 to $9FFF",
        ),
    ],
)  # fmt: skip
def test_breakpoints_in_pages_that_are_not_there_are_refused(
    tmp_path: Path, text: str, message: str
) -> None:
    with pytest.raises(InputError) as told:
        parse_breakpoint(text, symbols_of(tmp_path))
    assert str(told.value) == f"breakpoint: {message}"
