from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busplay.view.widgets.box import Box
from busplay.view.widgets.drawing import Fill, Words
from busplay.view.widgets.table import (
    Column,
    Row,
    TableCell,
    TableView,
    columns_that_fit,
    draw_table,
    first_row,
    first_to_show,
    row_at_bar,
    rows_seen,
)
from tests.view.widgets.look import LOOK, hot_of, overlapping, texts, words_box

COLUMNS = (
    Column("cycle", "000,000", "right", need=9),
    Column("address", "$0000", fixed=True, need=8),
    Column("label", "a_label", need=2, takes_rest=True),
)
BOX = Box(10, 20, 400, 200)
MILLIONS = 50_000_000


def row(index: int) -> Row:
    cells = (TableCell(f"{index:,}"), TableCell(f"${index & 0xFFFF:04X}"), TableCell("main"))
    return Row(cells, ("row", index))


def test_only_the_rows_that_are_seen_are_asked_for() -> None:
    asked: list[int] = []

    def row_of(index: int) -> Row:
        asked.append(index)
        return row(index)

    drawing = draw_table(TableView(MILLIONS, first=40_000_000), COLUMNS, row_of, BOX, LOOK)
    seen = rows_seen(BOX, LOOK)
    assert asked == list(range(40_000_000, 40_000_000 + seen))
    assert hot_of(drawing, ("row", 40_000_003)).box.width < BOX.width
    assert not overlapping(drawing)


def test_figures_stand_under_each_other_by_digit() -> None:
    drawing = draw_table(TableView(200, first=95), COLUMNS, row, BOX, LOOK)
    boxes = [words_box(one) for one in drawing.commands if isinstance(one, Words)]
    cycles = [
        box
        for box, one in zip(
            boxes, (one for one in drawing.commands if isinstance(one, Words)), strict=True
        )
        if one.text.isdigit()
    ]
    assert len({box.right for box in cycles}) == 1
    assert len({box.width for box in cycles}) == 2


def test_columns_do_not_move_while_it_scrolls() -> None:
    def lefts(first: int) -> list[int]:
        drawing = draw_table(TableView(MILLIONS, first=first), COLUMNS, row, BOX, LOOK)
        return [one.left_px for one in drawing.commands if isinstance(one, Words)]

    assert lefts(0) == lefts(12_345_678)


def test_narrow_table_leaves_out_the_least_needed_columns() -> None:
    assert columns_that_fit(COLUMNS, 400, LOOK) == [0, 1, 2]
    assert columns_that_fit(COLUMNS, 180, LOOK) == [0, 1]
    assert columns_that_fit(COLUMNS, 1, LOOK) == [0]


def test_present_and_chosen_rows_are_marked() -> None:
    plain = draw_table(TableView(50), COLUMNS, row, BOX, LOOK)
    marked = draw_table(TableView(50, here=3, chosen=4), COLUMNS, row, BOX, LOOK)
    fills = [one for one in marked.commands if isinstance(one, Fill)]
    assert len(fills) == len([one for one in plain.commands if isinstance(one, Fill)]) + 2


def test_empty_table_says_why() -> None:
    drawing = draw_table(TableView(0, empty="nothing yet"), COLUMNS, row, BOX, LOOK)
    assert "nothing yet" in " ".join(texts(drawing))


@given(
    st.integers(0, MILLIONS), st.integers(0, MILLIONS), st.integers(1, 60), st.integers(0, 10**8)
)
def test_row_to_be_shown_is_seen_and_no_room_is_left_empty(rows, first, seen, wanted) -> None:
    wanted = min(wanted, max(0, rows - 1))
    first = first_row(first, rows, seen)
    found = first_to_show(wanted, first, rows, seen)
    assert found <= wanted < found + seen or not rows
    assert 0 <= found <= max(0, rows - seen)


def test_bar_leads_to_every_row_from_top_to_bottom() -> None:
    bar = Box(0, 100, 10, 200)
    tops = [row_at_bar(y, bar, MILLIONS, 10) for y in range(100, 301)]
    assert tops[0] == 0
    assert tops[-1] == MILLIONS - 10
    assert all(a <= b for a, b in pairwise(tops))
    assert row_at_bar(0, bar, 5, 10) == 0


@pytest.mark.parametrize("size", [(0, 0), (5, 300), (300, 5), (80, 40)])
def test_table_without_room_is_drawn_as_far_as_it_goes(size: tuple[int, int]) -> None:
    draw_table(TableView(100, first=90, here=95), COLUMNS, row, Box(0, 0, *size), LOOK)
