"""Loops fill every byte once, and their cycles are what their instructions take."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from busplay.analysis.budget_loops import (
    CODE_ADDRESS,
    FAST_STORES,
    FILL_LOOPS,
    FILL_STOP,
    FillLoop,
    fast_store_pattern,
    run_loop,
)
from busplay.analysis.budget_queue import StorePattern
from busplay.core.make import make_core
from busplay.description.board import Processor

SIZES = [1, 2, 7, 8, 9, 255, 256, 257, 512, 2047, 2048, 2049, 6144]
LOOPS = {one.name: one for one in FILL_LOOPS}


@pytest.mark.parametrize("loop", FILL_LOOPS, ids=lambda one: one.name)
@pytest.mark.parametrize("count", SIZES)
def test_loop_stores_to_each_byte_once_and_to_no_other(loop: FillLoop, count: int) -> None:
    first = FILL_STOP - count
    code = loop.assemble(first, count)
    core = make_core("reference", "6502")
    core.memory[CODE_ADDRESS : CODE_ADDRESS + len(code)] = list(code)
    end = CODE_ADDRESS + len(code)
    core.memory[end : end + 3] = [0x4C, end & 0xFF, end >> 8]
    core.pc = CODE_ADDRESS
    while core.pc != end:
        core.step()
    cycles = core.cycle
    stores = core.take_stores()
    hit = Counter(stores.address[stores.address >= first].tolist())
    assert set(hit) == set(range(first, FILL_STOP))
    assert set(hit.values()) == {1}
    # The same on the core that is faster, with the end found by a store behind it.
    run = run_loop(loop, filled_bytes=count, processor="6502")
    assert run.cycles == cycles
    assert run.code_bytes == len(code)
    assert (run.store_cycle == stores.cycle[stores.address >= first]).all()


@pytest.mark.parametrize("processor", ["6502", "65c02"])
@pytest.mark.parametrize(
    ("name", "apart"), [("byte", 11), ("self-modifying", 13), ("unrolled", 5), ("straight", 4)]
)
def test_most_stores_of_a_loop_are_as_far_apart_as_its_instructions_take(
    processor: Processor, name: str, apart: int
) -> None:
    run = run_loop(LOOPS[name], filled_bytes=4_096, processor=processor)
    gaps = Counter(np.diff(run.store_cycle.astype(np.int64)).tolist())
    assert gaps.most_common(1)[0][0] == apart


def test_no_taken_branch_of_the_unrolled_loop_leaves_its_page() -> None:
    run = run_loop(LOOPS["unrolled"], filled_bytes=16_384, processor="65c02")
    gaps = Counter(np.diff(run.store_cycle.astype(np.int64)).tolist())
    # Within the eight; over INX and BNE; into the next loop, by LDX; and by a jump to a page.
    assert set(gaps) <= {5, 10, 11, 14}
    assert gaps[10] == 8 * 255


def test_more_than_64_kib_holds_is_filled_in_several_runs() -> None:
    run = run_loop(LOOPS["byte"], filled_bytes=60_000, processor="65c02")
    assert len(run.store_cycle) == 60_000
    assert (np.diff(run.store_cycle.astype(np.int64)) > 0).all()
    straight = run_loop(LOOPS["straight"], filled_bytes=24_576, processor="65c02")
    assert straight.cycles == 98_304
    assert straight.code_bytes == 73_728


PATTERNS: list[tuple[Processor, str, StorePattern]] = [
    ("6502", "STA absolute", StorePattern(4)),
    ("6502", "STA zero page", StorePattern(3)),
    ("6502", "INC absolute", StorePattern(6, (0, 1))),
    ("6502", "INC zero page", StorePattern(5, (0, 1))),
    ("6502", "PHA", StorePattern(3)),
    ("6502", "JSR", StorePattern(6, (0, 1))),
    ("6502", "BRK", StorePattern(7, (0, 1, 2))),
    ("65c02", "INC absolute", StorePattern(6)),
    ("65c02", "INC zero page", StorePattern(5)),
    ("65c02", "BRK", StorePattern(7, (0, 1, 2))),
]


@pytest.mark.parametrize(("processor", "name", "pattern"), PATTERNS)
def test_fast_stores_fall_where_the_core_puts_them(
    processor: Processor, name: str, pattern: StorePattern
) -> None:
    store = next(one for one in FAST_STORES if one.name == name)
    assert fast_store_pattern(store, processor) == pattern


def test_loop_without_bytes_is_a_callers_mistake() -> None:
    with pytest.raises(ValueError, match="filled_bytes is 0; a loop fills 1 byte or more"):
        run_loop(LOOPS["byte"], filled_bytes=0, processor="6502")
