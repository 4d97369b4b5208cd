"""The display passes the vectors that every display must pass."""

from __future__ import annotations

import pytest

from busplay.display.display import Display
from tests.display.vectors import REFRESH, DisplayVector, display_vectors


@pytest.mark.parametrize("vector", list(display_vectors()), ids=lambda one: one.unit.mode)
def test_display_passes_the_vectors(vector: DisplayVector) -> None:
    display = Display(vector.unit)
    for space, offset, data in vector.writes:
        if space == REFRESH:
            display.refresh()
            assert display.page == data
            continue
        write = display.write_registers if space == 2 else display.write_memory
        write([offset], [data])
    assert display.memory.tolist() == vector.memory
    assert display.palette.tolist() == vector.palette
    assert (display.base_offset, display.border_index) == (vector.base, vector.border)
    assert (display.is_blank, display.page) == (vector.is_blank, vector.page)
    assert display.indices().tolist() == vector.picture
