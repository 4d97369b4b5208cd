"""Units in words: what overlaps in their memory, and their registers."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from busplay.description.board import Window
from busplay.explain import board_facts, board_text
from busplay.explain.board import register_rows
from busplay.link.load import parse_board
from tests.description.writing import BOARD
from tests.display.cases import text_unit


@pytest.mark.parametrize(
    ("changes", "remark"),
    [
        ({}, None),
        ({"font_offset": 8}, None),
        ({"font_offset": 7},
         "font of notice at offsets $0007-$0806 overlaps its cells at $0000-$0007"),
        ({"font_offset": 0, "base_offset": 0x7FF},
         "font of notice at offsets $0000-$07FF overlaps its cells at $07FF-$0806"),
        ({"pages": 2, "page_bytes": 8, "font_offset": 12},
         "font of notice at offsets $000C-$080B overlaps its cells at $0000-$000F"),
        ({"pages": 2, "page_bytes": 8}, None),
        ({"pages": 2, "page_bytes": 4, "stride_bytes": 8}, None),
        ({"pages": 2, "page_bytes": 7},
         "pages of notice overlap: they are 7 bytes apart, and each takes 8"),
    ],
)  # fmt: skip
def test_what_overlaps_in_display_memory_is_remarked(
    changes: dict[str, Any], remark: str | None
) -> None:
    unit = text_unit(name="notice", columns=4, rows=2, memory_bytes=0x1000, **changes)
    board = parse_board(BOARD, file="x.toml", folder=Path("/no/such"))
    windows = (Window("cells", 0x4000, 0x4FFF, "notice", "memory"),)
    facts = board_facts(replace(board, units=(unit,), windows=windows))
    found = [one for one in facts.remarks if "overlap" in one]
    assert found == ([] if remark is None else [remark])


def test_registers_are_listed_for_each_unit_with_their_addresses_and_power_on_values() -> None:
    unit = text_unit(name="notice", base_offset=0x12, border_index=3, pages=2, page_bytes=8)
    board = parse_board(BOARD, file="x.toml", folder=Path("/no/such"))
    windows = (
        Window("cells", 0x4000, 0x4007, "notice", "memory"),
        # BASE_HIGH and what follows, up to CURSOR_SHAPE.
        Window("registers", 0x8001, 0x800A, "notice", "registers", 1),
    )
    facts = board_facts(replace(board, units=(unit, *board.units[1:]), windows=windows))
    rows = register_rows(facts, unit)
    assert [row[:3] for row in rows] == [
        ("address", "register", "power-on"),
        ("offset 0", "BASE_LOW", "$12"),
        ("$8001", "BASE_HIGH", "$00"),
        ("$8002", "BORDER", "$03"),
        ("$8003", "BLANK", "$00"),
        ("$8004", "PALETTE_INDEX", "$00"),
        ("$8005", "PALETTE_RED", "$00"),
        ("$8006", "PALETTE_GREEN", "$00"),
        ("$8007", "PALETTE_BLUE", "$00"),
        ("$8008", "CURSOR_LOW", "$00"),
        ("$8009", "CURSOR_HIGH", "$00"),
        ("$800A", "CURSOR_SHAPE", "$00"),
        ("offset 11", "TEXT_COLOURS", "$01"),
        ("offset 12", "PAGE", "$00"),
    ]
    text = board_text(replace(board, units=(unit,), windows=windows))
    assert "\nRegisters of notice\n" in text
