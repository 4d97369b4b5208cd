"""Every case of the open per-cycle test set on the compiled core, both processors."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from busplay.core.interface import Core
from busplay.core.make import make_core
from tests.outside.test_processor_cases import (
    EVERY,
    cases_by_opcode,
    load,
    memory_after,
    rows_of,
    source,
    writes_of,
)


@cache
def compiled_core(processor: str) -> Core:
    return make_core("compiled", processor)


@source
@pytest.mark.parametrize(("processor", "opcode"), EVERY)
def test_compiled_core_agrees_with_every_case(processor: str, opcode: int) -> None:
    core = compiled_core(processor)
    for case in cases_by_opcode(processor)[opcode]:
        load(core, case)
        first_cycle = core.cycle
        cycles = core.step()
        assert core.stop is None
        got = [core.pc, core.s, core.a, core.x, core.y, core.p & 0xCF]
        assert got == [*case["final"][:5], case["final"][5] & 0xCF], case["name"]
        assert cycles == core.cycle - first_cycle == len(case["bus"]), case["name"]
        assert rows_of(core.take_stores(), first_cycle) == writes_of(case), case["name"]
        assert np.array_equal(core.memory, memory_after(case)), case["name"]
