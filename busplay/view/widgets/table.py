"""A virtual table: millions of rows, of which only those that are seen are asked for."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from busplay.view import theme
from busplay.view.theme import Colour
from busplay.view.widgets.box import Box
from busplay.view.widgets.drawing import Align, Clip, Drawing, Fill, Hot, Look


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a table.

    Attributes:
        title: stands on top.
        widest: the widest text that room is kept for, so that nothing moves while it scrolls.
        align: figures stand right.
        fixed: letters in cells of equal width, for hex.
        need: columns of lower need are left out first where the table is too narrow.
        takes_rest: it takes the room that is left.
        told: what it has no room for is told when a row is hovered.
    """

    title: str
    widest: str
    align: Align = "left"
    fixed: bool = False
    need: int = 0
    takes_rest: bool = False
    told: bool = True


@dataclass(frozen=True, slots=True)
class TableCell:
    """A cell: its text, and its colour if that is another than the row's."""

    text: str
    colour: Colour | None = None


@dataclass(frozen=True, slots=True)
class Row:
    """One row: a cell a column, what a click does, and what hovering tells."""

    cells: tuple[TableCell, ...]
    action: object = None
    tip: str = ""


@dataclass(frozen=True, slots=True)
class TableView:
    """What of a table is seen.

    Attributes:
        rows: in all.
        first: the uppermost that is seen.
        here: the row that is marked as the present one, or None.
        chosen: the row that the keyboard has chosen, or None.
        empty: what stands there where there is no row.
    """

    rows: int
    first: int = 0
    here: int | None = None
    chosen: int | None = None
    empty: str = ""


def rows_seen(box: Box, look: Look) -> int:
    """Return how many rows have room below the titles."""
    return max(0, (box.height - look.row_px) // look.row_px)


def first_row(first: int, rows: int, seen: int) -> int:
    """Return the uppermost row nearest to one that is wanted, so that no room is left empty."""
    return max(0, min(first, rows - seen))


def first_to_show(row: int, first: int, rows: int, seen: int) -> int:
    """Return the uppermost row with which a row is seen, moving as little as can be."""
    if row < first:
        first = row
    elif row >= first + seen:
        first = row - seen + 1
    return first_row(first, rows, seen)


def columns_that_fit(columns: Sequence[Column], width_px: int, look: Look) -> list[int]:
    """Return the indexes of the columns that are shown, the least needed left out first."""
    shown = list(range(len(columns)))
    while len(shown) > 1 and sum(_width(columns[i], look) for i in shown) > width_px:
        shown.remove(min(shown, key=lambda i: (columns[i].need, -i)))
    return shown


def draw_table(
    view: TableView,
    columns: Sequence[Column],
    row_of: Callable[[int], Row],
    box: Box,
    look: Look,
    *,
    scroll_action: object = None,
    hovered: object = None,
) -> Drawing:
    """Return a table's drawing: titles, the rows that are seen, a scroll bar.

    Args:
        view: which rows.
        columns: of every row.
        row_of: called for the rows that are seen only.
        box: where.
        look: sizes.
        scroll_action: of the scroll bar and of the wheel.
        hovered: action under the mouse.
    """
    drawing = Drawing([Clip(box), Fill(box, theme.PANEL)])
    if scroll_action is not None:
        drawing.heat(Hot(box, scroll_action, cursor="arrow"))
    bar_px = look.sizes.pad_px
    body, bar = box.cut_right(bar_px)
    seen = rows_seen(box, look)
    shown = columns_that_fit(columns, body.width, look)
    places = _places(columns, shown, body, look)
    titles, _ = body.cut_top(look.row_px)
    drawing.draw(Fill(titles, theme.BAR))
    for i, (left, width) in zip(shown, places, strict=True):
        place = Box(left, titles.top, width, titles.height)
        column = columns[i]
        drawing.draw(
            look.words(column.title, place, theme.DIM, theme.BAR, align=column.align, small=True)
        )
    if not view.rows and view.empty:
        for number, line in enumerate(
            look.measure.wrapped(view.empty, look.sizes.text_px, body.width - 2 * look.sizes.pad_px)
        ):
            place = Box(
                body.left + look.sizes.pad_px,
                titles.bottom + look.sizes.pad_px + number * look.row_px,
                body.width - 2 * look.sizes.pad_px,
                look.row_px,
            )
            drawing.draw(look.words(line, place, theme.DIM, theme.PANEL))
    first = first_row(view.first, view.rows, seen)
    for number in range(min(seen, view.rows - first)):
        index = first + number
        row = row_of(index)
        top = titles.bottom + number * look.row_px
        strip = Box(body.left, top, body.width, look.row_px)
        ground = theme.PANEL
        if index == view.here:
            ground = theme.HERE
        elif row.action is not None and hovered == row.action:
            ground = theme.CONTROL_HOVER
        if ground != theme.PANEL:
            drawing.draw(Fill(strip, ground))
        if index == view.chosen:
            edge = strip.cut_left(max(3, bar_px // 3))[0]
            drawing.draw(Fill(edge, theme.ACCENT))
        whole = set()
        for i, (left, width) in zip(shown, places, strict=True):
            if i >= len(row.cells) or not row.cells[i].text:
                continue
            cell, column = row.cells[i], columns[i]
            words = look.words(
                cell.text,
                Box(left, top, width, look.row_px),
                cell.colour or theme.TEXT,
                ground,
                align=column.align,
                fixed=column.fixed,
            )
            drawing.draw(words)
            if words.text == cell.text:
                whole.add(i)
        tip = "\n".join(
            [row.tip] * bool(row.tip)
            + [
                f"{column.title} {cell.text}"
                for i, (column, cell) in enumerate(zip(columns, row.cells, strict=False))
                if i not in whole and cell.text and column.told
            ]
        )
        if row.action is not None or tip:
            drawing.heat(Hot(strip, row.action, tip))
    drawing.add(draw_scroll_bar(view.rows, first, seen, bar.cut_top(look.row_px)[1]))
    if scroll_action is not None:
        drawing.heat(Hot(bar, scroll_action, cursor="arrow"))
    return drawing.draw(Clip(None))


def row_at_bar(y: int, bar: Box, rows: int, seen: int) -> int:
    """Return the uppermost row for a place of the mouse on the scroll bar."""
    if bar.height <= 0 or rows <= seen:
        return 0
    along = min(max(0, y - bar.top), bar.height)
    return first_row(along * rows // bar.height - seen // 2, rows, seen)


def draw_scroll_bar(rows: int, first: int, seen: int, bar: Box) -> Drawing:
    """Return a scroll bar; without a handle if all rows are seen."""
    drawing = Drawing([Fill(bar, theme.BAR)])
    if rows <= seen or not bar.height:
        return drawing
    height = max(bar.width * 2, bar.height * seen // rows)
    top = bar.top + (bar.height - height) * first // max(1, rows - seen)
    return drawing.draw(Fill(Box(bar.left + 1, top, bar.width - 2, height), theme.DIM))


def _width(column: Column, look: Look) -> int:
    sizes, measure = look.sizes, look.measure
    width = measure.fixed_width if column.fixed else measure.width
    text = width(column.widest, sizes.text_px)
    return max(text, measure.width(column.title, sizes.small_px)) + sizes.pad_px


def _places(
    columns: Sequence[Column], shown: list[int], body: Box, look: Look
) -> list[tuple[int, int]]:
    """Return left edge and width of the text of each column that is shown."""
    pad = look.sizes.pad_px
    widths = [_width(columns[i], look) for i in shown]
    spare = max(0, body.width - sum(widths))
    takers = [n for n, i in enumerate(shown) if columns[i].takes_rest]
    for n in takers:
        widths[n] += spare // len(takers)
    places = []
    left = body.left
    for width in widths:
        places.append((left + pad // 2, min(width, body.right - left) - pad))
        left += width
    return places
