"""Running to an address: the same as single steps, at little cost."""

from __future__ import annotations

import numpy as np
import pytest

from busplay.core.compiled.core import CompiledCore
from busplay.core.interface import Registers, RunsToAddress
from busplay.core.make import core_for_board
from busplay.demo.programs import find_demo
from busplay.description.board import Board
from busplay.link.load import load_board
from busplay.program.loading import load_memory

DUNLIN = load_board("dunlin")
FAR_CYCLES = 10_000_000


def started(name: str, board: Board = DUNLIN, *, logs: bool = False) -> CompiledCore:
    core = core_for_board(board)
    assert isinstance(core, CompiledCore)
    assert isinstance(core, RunsToAddress)
    load_memory(board, core.memory, find_demo(name).image_path)
    core.reset()
    if logs:
        core.log_instructions(wanted=True)
    return core


def step_to(core: CompiledCore, address: int) -> None:
    while core.pc != address:
        core.step()


@pytest.mark.thorough
@pytest.mark.parametrize("name", ["tides", "rule30"])
@pytest.mark.parametrize("logs", [False, True])
def test_every_address_is_reached_as_by_single_steps(name: str, logs: bool) -> None:
    walked = started(name)
    first_cycles: dict[int, int] = {}
    while walked.cycle < 150_000:
        first_cycles.setdefault(walked.pc, walked.cycle)
        walked.step()
    random = np.random.default_rng(3)
    for address in random.choice(list(first_cycles), 20, replace=False).tolist():
        stepped, ran = started(name, logs=logs), started(name, logs=logs)
        step_to(stepped, address)
        cycles = ran.run_to(address, FAR_CYCLES)
        assert Registers.of(ran) == Registers.of(stepped)
        assert ran.cycle == first_cycles[address] == cycles + 7  # after the reset
        found, expected = ran.take_instructions(), stepped.take_instructions()
        assert len(found) == len(expected) > 0 if logs else not len(found)
        assert np.array_equal(found.state, expected.state)
        # Both continue alike.
        for core in (stepped, ran):
            core.run(20_000)
        assert Registers.of(ran) == Registers.of(stepped)
        assert np.array_equal(ran.memory, stepped.memory)


def test_stop_at_once_where_the_address_is_next() -> None:
    core = started("tides")
    assert core.run_to(core.pc, FAR_CYCLES) == 0


def test_address_that_is_not_reached_costs_the_cycles() -> None:
    core = started("tides")
    assert core.run_to(0x0002, 100_000) >= 100_000
    assert core.pc != 0x0002
    other = started("tides")
    other.run(100_000)
    assert Registers.of(core) == Registers.of(other)


@pytest.mark.thorough
def test_pieces_of_a_run_stop_where_one_run_stops() -> None:
    """An interrupt due at the end of a piece is taken after the stop, as in one run."""
    first = started("tides")
    while not first.counters.interrupts_taken:
        before = first.pc, first.cycle
        first.step()
    # The interrupt was taken when the instruction at this address was next.
    address, due_cycle = before
    stops: list[list[int]] = [[], []]
    for found, piece in zip(stops, (FAR_CYCLES, 1), strict=True):
        core = started("tides")
        core.run(due_cycle - 2_000 - core.cycle)
        while core.cycle < due_cycle + 2_000:
            core.step()
            while core.pc != address and core.cycle < due_cycle + 2_000:
                core.run_to(address, piece)
            found.append(core.cycle)
    assert stops[0][:-1] == stops[1][:-1]
    assert due_cycle in stops[0]
