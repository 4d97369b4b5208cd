"""Lists beside the screens: frames round the present, and errors."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence

from busplay.description.full_address import address_text
from busplay.player.inspector import ErrorRow, FrameRow, Inspector, RoutineFacts
from busplay.view import theme
from busplay.view.instrument.actions import ChooseRoutine, GoToEdge, GoToFrame, Scroll
from busplay.view.instrument.state import Tab
from busplay.view.instrument.timing import EdgeTimes
from busplay.view.widgets.box import Box
from busplay.view.widgets.drawing import Drawing, Look
from busplay.view.widgets.table import Column, Row, TableCell, TableView, draw_table, rows_seen
from busplay.wording import counted as numbered

FRAME_COLUMNS = (
    Column("cycle", "000,000,000", "right", need=9),
    Column("address", "$0000", fixed=True, need=8),
    Column("label", "some_label+99", need=6, takes_rest=True),
    Column("data", "00", "right", fixed=True, need=7),
    Column("to", "panel $DDDD", need=4),
    Column("fate", "lost on the wire", need=5),
)
ROUTINE_COLUMNS = (
    Column("routine", "some_label", need=9, takes_rest=True),
    Column("cycles", "100.0%", "right", need=8),
    Column("link", "100.0%", "right", need=6),
    Column("stores", "0,000,000", "right", need=7),
    Column("for nothing", "0,000,000", "right", need=5),
    Column("calls", "0,000,000", "right", need=4),
)
ERROR_COLUMNS = (
    Column("time", "00:00.000 000", "right", need=9),
    Column("cause", "receiver's FIFO full", need=8),
    Column("address", "$0000", fixed=True, need=7),
    Column("label", "some_label+99", need=5, takes_rest=True),
    Column("data", "00", "right", fixed=True, need=6),
)


def frame_columns(one: FrameRow | None) -> tuple[Column, ...]:
    """Return the columns for frames of a link, one of which is given."""
    fields = "" if one is None else " ".join("0" * len(value) for _, value in one.fields)
    bits = "" if one is None else "0" * len(one.bits)
    return (
        *FRAME_COLUMNS,
        # Hovering a row tells them with their names.
        Column("fields", fields, fixed=True, need=3, told=False),
        Column("bits", bits, fixed=True, need=1),
    )


def frame_row(row: FrameRow) -> Row:
    """Return a frame as a row."""
    place = f"{row.unit} ${row.offset:04X}"
    if row.space != "memory":
        place = f"{row.unit} {row.space} {row.offset}"
    return Row(
        (
            TableCell(f"{row.cycle:,}"),
            TableCell("" if row.address is None else address_text(row.address)),
            TableCell(row.code_label or row.address_label, theme.DIM),
            TableCell(f"{row.data:02X}"),
            TableCell(place, theme.DIM),
            TableCell(row.fate or "received", theme.ERROR if row.fate else theme.DIM),
            TableCell(" ".join(value for _, value in row.fields), theme.DIM),
            TableCell(row.bits, theme.DIM),
        ),
        GoToFrame(row.index),
        f"frame {row.index:,}: " + ", ".join(f"{name} ${value}" for name, value in row.fields),
    )


def draw_frames(
    inspector: Inspector,
    box: Box,
    look: Look,
    *,
    here: int,
    first: int | None,
    chosen: int | None,
    hovered: object,
) -> tuple[Drawing, int]:
    """Return the list of frames and its uppermost frame.

    Args:
        inspector: whose frames.
        box, look: where, and how large.
        here: frames that have been shown; the last of them is the present one.
        first: the uppermost frame; None: the present one stands in the middle.
        chosen: frame that the keyboard has chosen.
        hovered: action under the mouse.
    """
    seen = rows_seen(box, look)
    if first is None:
        first = here - 1 - seen // 2
    begin = inspector.first_frame
    first = max(begin, min(first, inspector.frames - seen))
    rows = inspector.rows(first, first + seen)
    view = TableView(
        rows=inspector.frames - begin,
        first=first - begin,
        here=here - 1 - begin,
        chosen=None if chosen is None else chosen - begin,
        empty="No frames: the program has stored nothing into a window yet.",
    )
    drawing = draw_table(
        view,
        frame_columns(rows[0] if rows else None),
        lambda index: frame_row(rows[index + begin - first]),
        box,
        look,
        scroll_action=Scroll(Tab.FRAMES.value),
        hovered=hovered,
    )
    return drawing, first


def draw_errors(
    errors: Sequence[ErrorRow],
    times: EdgeTimes,
    box: Box,
    look: Look,
    *,
    counted: int,
    here_edge: int,
    first: int | None,
    chosen: int | None,
    hovered: object,
) -> tuple[Drawing, int]:
    """Return the list of errors and its uppermost row; the present is the last so far.

    Args:
        errors: those known one by one.
        times: of the recording.
        box, look: where, and how large.
        counted: errors so far; after a jump, those before it are not known one by one.
        here_edge: the present position.
        first: the uppermost row; None: the present one stands in the middle.
        chosen: row that the keyboard has chosen.
        hovered: action under the mouse.
    """
    seen = rows_seen(box, look)
    here = bisect_right(errors, here_edge, key=lambda one: one.edge) - 1
    if first is None:
        first = here - seen // 2
    first = max(0, min(first, len(errors) - seen))

    def row_of(index: int) -> Row:
        one = errors[index]
        return Row(
            (
                TableCell(times.text(one.edge, tick_edges=times.edges_per_second // 500_000)),
                TableCell(one.cause, theme.ERROR),
                TableCell("" if one.address is None else address_text(one.address)),
                TableCell(one.address_label, theme.DIM),
                TableCell(f"{one.data:02X}"),
            ),
            GoToEdge(one.edge),
        )

    view = TableView(
        rows=len(errors),
        first=first,
        here=here if here >= 0 else None,
        chosen=chosen,
        empty=(
            f"{numbered(counted, 'error')} so far, before what was played since the last"
            " jump: go to the previous error."
            if counted
            else "No errors so far: every store was received as sent."
        ),
    )
    drawing = draw_table(
        view,
        ERROR_COLUMNS,
        row_of,
        box,
        look,
        scroll_action=Scroll(Tab.ERRORS.value),
        hovered=hovered,
    )
    return drawing, first


def draw_routines(
    routines: Sequence[RoutineFacts] | None,
    chosen: RoutineFacts | None,
    box: Box,
    look: Look,
    *,
    first: int | None,
    row: int | None,
    hovered: object,
) -> tuple[Drawing, int]:
    """Return the routines of a passage, the most cycles first, and the uppermost row."""
    rows = routines or ()
    first = max(0, min(first or 0, len(rows) - rows_seen(box, look)))

    def row_of(index: int) -> Row:
        one = rows[index]
        return Row(
            (
                TableCell(one.name, theme.PAUSED if one == chosen else None),
                TableCell(f"{one.cycles_ratio:.1%}"),
                TableCell(f"{one.link_use_ratio:.1%}"),
                TableCell(f"{one.stores:,}"),
                TableCell(f"{one.stores_unchanged:,}", theme.DIM),
                TableCell(f"{one.calls:,}", theme.DIM),
            ),
            ChooseRoutine(one),
            "go to its next call; what it writes is shown over the screens",
        )

    empty = "Pause to see the routines of the last second, or of the passage that loops."
    if routines is None:
        empty = (
            "The routines are worked out by running the program again: it must be there, and the"
            " passage within the first seconds of the run. busplay profile has no such limit."
        )
    drawing = draw_table(
        TableView(len(rows), first, chosen=row, empty=empty),
        ROUTINE_COLUMNS,
        row_of,
        box,
        look,
        scroll_action=Scroll(Tab.ROUTINES.value),
        hovered=hovered,
    )
    return drawing, first
