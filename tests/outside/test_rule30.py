"""The cells of the shipped program rule30 against what is published about the rule."""

from __future__ import annotations

import pytest

from tests.roms.machine import Machine

# OEIS A051023, its first 32 terms.
MIDDLE_COLUMN = "11011100110001011001001110101110"


@pytest.mark.source(
    "OEIS A051023", part="middle column of rule 30, grown from one cell", kind="from memory"
)
def test_middle_column_is_the_published_sequence() -> None:
    machine = Machine("rule30")
    machine.run_to("show_rule", at_most_cycles=400_000)
    drawn = "".join("1" if pixel else "0" for pixel in machine.pixels[:32, 127])
    assert drawn == MIDDLE_COLUMN
