"""Program counters of stores, found by a rerun."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pytest

from busplay.core.interface import Core
from busplay.core.make import make_core
from busplay.run.inputs import RunInputs
from busplay.run.program_start import ProgramStart
from busplay.run.store_pc import StorePcFinder
from tests.boards import GUARDED, board_with

# $0200 LDA #1, STA $4000, INC $4001, PHA, JMP $0200
PROGRAM = bytes.fromhex("A901 8D0040 EE0140 48 4C0002")


def ready(kind: str) -> Core:
    core = make_core(kind, "6502")
    core.memory[0x0200 : 0x0200 + len(PROGRAM)] = np.frombuffer(PROGRAM, np.uint8)
    core.memory[0xFFFC:0xFFFE] = (0x00, 0x02)
    core.reset()
    return core


class ReadyStart(ProgramStart):
    """A start whose core counts every write as a store into a window."""

    def __init__(self, kind: str, **changed: int) -> None:
        super().__init__(board_with(GUARDED), core=kind)
        self._changed = changed

    def make_core(self, key_presses: Iterable[tuple[int, int]] = ()) -> Core:
        core = ready(self.core_kind)
        for address, byte in self._changed.items():
            core.memory[int(address.removeprefix("at_"), 16)] = byte
        return core

    def reset(self, core: Core) -> None:
        core.reset()


def finder_on(kind: str, resets: tuple[int, ...] = (), **changed: int) -> StorePcFinder:
    return StorePcFinder(ReadyStart(kind, **changed), RunInputs(resets=resets))


@pytest.mark.parametrize("kind", ["reference", "compiled"])
def test_each_store_has_its_instruction(kind: str) -> None:
    core = ready(kind)
    core.run(500)
    stores = core.take_stores()
    found = finder_on(kind).find(stores.cycle.tolist())
    expected = {0x4000: 0x0202, 0x4001: 0x0205}
    for cycle, address in zip(stores.cycle.tolist(), stores.address.tolist(), strict=True):
        assert found[cycle] == expected.get(address, 0x0208)
    assert len(found) == len(stores) > 50


def test_reset_during_the_run_is_repeated() -> None:
    core = ready("reference")
    core.run(100)
    at = core.cycle
    core.reset()
    core.run(100)
    late = [cycle for cycle in core.take_stores().cycle.tolist() if cycle > at]
    found = finder_on("reference", (at,)).find(late)
    assert set(found) == set(late)
    assert set(found.values()) == {0x0202, 0x0205, 0x0208}


def refusal(cycle: int) -> str:
    return f"^cycle {cycle:,}: nothing was stored into a window then; ask for the cycle of a store$"


@pytest.mark.parametrize("kind", ["reference", "compiled"])
def test_cycle_without_a_store_is_refused(kind: str) -> None:
    """The present or the next instruction was returned."""
    core = ready(kind)
    core.run(60)
    stores = set(core.take_stores().cycle.tolist())
    for cycle in range(60):
        finder = finder_on(kind)
        if cycle in stores:
            assert set(finder.find([cycle])) == {cycle}
            continue
        with pytest.raises(ValueError, match=refusal(cycle)):
            finder.find([cycle])


def test_cycle_that_is_never_reached_is_refused() -> None:
    # $02 is not an instruction of the 6502.
    with pytest.raises(ValueError, match=refusal(1_000)):
        finder_on("reference", at_0202=0x02).find([1_000])


def test_cycle_before_those_asked_earlier_is_refused() -> None:
    core = ready("compiled")
    core.run(500)
    first, *_, last = core.take_stores().cycle.tolist()
    finder = finder_on("compiled")
    assert set(finder.find([last])) == {last}
    assert set(finder.find([last])) == {last}
    with pytest.raises(ValueError, match=refusal(first)):
        finder.find([first])
