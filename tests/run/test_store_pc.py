"""Program counters of stores, found by a rerun."""

from __future__ import annotations

import numpy as np
import pytest

from busplay.core.interface import Core
from busplay.core.make import make_core
from busplay.run.store_pc import StorePcFinder

# $0200 LDA #1, STA $4000, INC $4001, PHA, JMP $0200
PROGRAM = bytes.fromhex("A901 8D0040 EE0140 48 4C0002")


def ready(kind: str) -> Core:
    core = make_core(kind, "6502")
    core.memory[0x0200 : 0x0200 + len(PROGRAM)] = np.frombuffer(PROGRAM, np.uint8)
    core.memory[0xFFFC:0xFFFE] = (0x00, 0x02)
    core.reset()
    return core


@pytest.mark.parametrize("kind", ["reference", "compiled"])
def test_each_store_has_its_instruction(kind: str) -> None:
    core = ready(kind)
    core.run(500)
    stores = core.take_stores()
    found = StorePcFinder(ready(kind)).find(stores.cycle.tolist())
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
    found = StorePcFinder(ready("reference"), [(at, lambda one: one.reset())]).find(late)
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
        finder = StorePcFinder(ready(kind))
        if cycle in stores:
            assert set(finder.find([cycle])) == {cycle}
            continue
        with pytest.raises(ValueError, match=refusal(cycle)):
            finder.find([cycle])


def test_cycle_that_is_never_reached_is_refused() -> None:
    core = ready("reference")
    core.memory[0x0202] = 0x02  # not an instruction of the 6502
    with pytest.raises(ValueError, match=refusal(1_000)):
        StorePcFinder(core).find([1_000])


def test_cycle_before_those_asked_earlier_is_refused() -> None:
    core = ready("compiled")
    core.run(500)
    first, *_, last = core.take_stores().cycle.tolist()
    finder = StorePcFinder(ready("compiled"))
    assert set(finder.find([last])) == {last}
    assert set(finder.find([last])) == {last}
    with pytest.raises(ValueError, match=refusal(first)):
        finder.find([first])
