"""Text and pages on the whole road: live, replayed, looked up in the history."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import busplay
from busplay.description.board import Board, HostPort, Window
from busplay.description.read_font import shipped_font
from busplay.history.trace_inspector import TraceInspector
from busplay.link.load import parse_board
from busplay.run.replay import Replay
from busplay.run.tap import Tap
from tests.boards import GUARDED, LEAN, board_with
from tests.description.test_fonts import bdf_of
from tests.display.cases import bitmap_units, text_units, unit_with
from tests.naive.display import NaiveDisplay

CLOCK_HZ = 1_000_000
REFRESH_HZ = 1_000
PERIOD = CLOCK_HZ // REFRESH_HZ
END_CYCLE = 5 * PERIOD + 300


@st.composite
def boards(draw: st.DrawFn) -> Board:
    """Draw a board of a text and a bitmap, both perhaps with pages, a window for each space."""
    units = draw(text_units(name="a", number=0)), draw(bitmap_units(name="b", number=1))
    windows = tuple(
        Window(f"{unit.name} {space}", first, first + 0x7FF, unit.name, space)
        for unit, first in zip(units, (0x4000, 0x5000), strict=True)
        for first, space in ((first, "memory"), (first + 0x800, "registers"))
    )
    link = draw(st.sampled_from((GUARDED, LEAN)))
    board = board_with(link, clock_hz=CLOCK_HZ, windows=windows)
    return replace(board, units=units, host_port=HostPort(0xA400, refresh_hz=REFRESH_HZ))


stores = st.lists(
    st.tuples(
        st.integers(1, END_CYCLE // 4),
        st.sampled_from((0x4000, 0x4800, 0x4800, 0x5000, 0x5800, 0x5800)),
        st.integers(0, 0x50),
        st.integers(0, 255),
    ),
    max_size=60,
)


def in_order(drawn: list[tuple[int, int, int, int]]) -> list[tuple[int, int, int]]:
    """Stores a slot apart at least, so that none waits; registers are the first thirteen."""
    by_cycle = {}
    for slot, first, offset, data in drawn:
        by_cycle[4 * slot] = first + (offset % 14 if first & 0x800 else offset), data
    return [(cycle, address, data) for cycle, (address, data) in sorted(by_cycle.items())]


def naive_at(
    board: Board, made: list[tuple[int, int, int]], moment: int, lead_edges: int
) -> dict[str, NaiveDisplay]:
    """The displays at a cycle: a page is taken over at the first slot from a refresh on."""
    found = {unit.name: NaiveDisplay(unit) for unit in board.units}
    # A frame of both links takes 4 cycles, 8 edges; each store's goes out in the next slot.
    events = [
        (lead_edges + -(-2 * (cycle + 1) // 8) * 8, 1, address, data)
        for cycle, address, data in made
        if cycle < moment
    ]
    events += [
        (lead_edges + -(-2 * cycle // 8) * 8, 0, 0, 0) for cycle in range(0, moment + 1, PERIOD)
    ]
    for _, is_store, address, data in sorted(events, key=lambda one: one[:2]):
        if not is_store:
            for one in found.values():
                one.refresh()
            continue
        display = found["a" if address < 0x5000 else "b"]
        if address & 0x800:
            display.write_register(address & 0x7FF, data)
        else:
            display.write_memory(address & 0x7FF, data)
    return found


@given(boards(), stores, st.lists(st.integers(0, END_CYCLE), max_size=6), st.data())
def test_pages_change_at_refreshes_however_the_run_is_cut(board, drawn, cuts, data) -> None:
    made = in_order(drawn)
    with TemporaryDirectory() as folder:
        path = Path(folder) / "t.trace"
        with Tap(board, record=path) as tap:
            lead = tap.pipeline.encoder.lead_edges
            at = 0
            # Refreshes are looked at too, since pictures are taken there.
            refreshes = range(PERIOD, END_CYCLE, PERIOD)
            for cycle in sorted({*cuts, *refreshes, END_CYCLE}):
                while at < len(made) and made[at][0] < cycle:
                    tap.store(*made[at])
                    at += 1
                tap.flush(stop_cycle=cycle)
                if cycle in refreshes:
                    naive = naive_at(board, made, cycle, lead)
                    for name, display in tap.pipeline.displays.items():
                        assert display.indices().tolist() == naive[name].indices()
            shown = {name: one.indices() for name, one in tap.pipeline.displays.items()}
        naive = naive_at(board, made, END_CYCLE, lead)
        with Replay(path) as replay:
            replay.run(END_CYCLE)
            for name, display in replay.displays.items():
                assert (display.indices() == shown[name]).all()
                assert display.indices().tolist() == naive[name].indices()
            cycle = data.draw(st.sampled_from(refreshes))
            replay.seek(cycle)
            then = naive_at(board, made, cycle, lead)
            assert {name: one.indices().tolist() for name, one in replay.displays.items()} == {
                name: one.indices() for name, one in then.items()
            }
        with busplay.TraceReader(path) as reader:
            history = busplay.open_history(reader)
            for unit in board.units:
                x = data.draw(st.integers(0, unit.width_px - 1))
                y = data.draw(st.integers(0, unit.height_px - 1))
                causes = history.causes(unit.name, x, y)
                assert causes.index == shown[unit.name][y, x]
                assert causes.page == naive[unit.name].page_shown
                edge = lead + 2 * cycle
                then_causes = history.causes(
                    unit.name, x, y, history.frame_at_cycle(cycle), edge + 7
                )
                assert then_causes.index == then[unit.name].pixel(x, y)


@pytest.fixture
def turned(tmp_path: Path) -> Path:
    """A recording whose second page is shown at refresh 2, long after the last frame before it."""
    unit = unit_with(
        name="panel", width_px=8, height_px=1, bits_per_pixel=1, memory_bytes=2, pages=2,
        page_bytes=1,
    )  # fmt: skip
    windows = (
        Window("pixels", 0x4000, 0x4001, "panel", "memory"),
        Window("registers", 0x5000, 0x500C, "panel", "registers"),
    )
    board = board_with(GUARDED, clock_hz=CLOCK_HZ, windows=windows)
    board = replace(board, units=(unit,), host_port=HostPort(0xA400, refresh_hz=60))
    with Tap(board, record=tmp_path / "turned.trace") as tap:
        for cycle, address, data in (
            (100, 0x4001, 0xFF), (20_000, 0x500C, 1), (60_000, 0x4000, 0),
        ):  # fmt: skip
            tap.store(cycle, address, data)
    return tmp_path / "turned.trace"


# Refresh 2 of 60 a second; frames start on every fourth cycle.
@pytest.mark.parametrize(("cycle", "page"), [(33_328, 0), (33_333, 1), (40_000, 1)])
def test_why_knows_the_page_from_its_refresh_on(turned: Path, cycle: int, page: int) -> None:
    at_ps = cycle * 10**6
    with Replay(turned) as replay:
        replay.seek(cycle)
        assert replay.displays["panel"].page == page
    found = busplay.why(turned, unit="panel", pixel=(0, 0), at_ps=at_ps, against=turned)
    assert found.against is not None
    assert found.picture.page == page
    assert found.colour.index == found.against.colour.index == page


def test_window_asks_for_the_page_that_is_shown(turned: Path) -> None:
    with Replay(turned) as replay:
        inspector = TraceInspector(replay, busplay.open_history(replay.reader))
        for cycle, page in ((33_328, 0), (40_000, 1), (30_000, 0)):
            replay.seek(cycle)
            facts = inspector.pixel("panel", 0, 0)
            (byte,) = [cause for cause in facts.causes if cause.role == "byte"]
            assert (facts.offset, facts.index) == (page, page)
            assert byte.frame == (0 if page else None)


TEXT_BOARD = """\
name = "Notice board"
description = "Made up."
processor = "65c02"
clock_hz = 1_000_000
link = "guarded"
program_load_address = 0xC000

[[memory]]
kind = "ram"
first_address = 0x0000
last_address = 0x3FFF

[[memory]]
kind = "rom"
first_address = 0xC000
last_address = 0xFFFF

[[windows]]
name = "cells"
first_address = 0x4000
last_address = 0x404F
unit = "notice"
space = "memory"

[[windows]]
name = "registers"
first_address = 0x8000
last_address = 0x800C
unit = "notice"
space = "registers"

[units.notice]
mode = "text"
columns = 20
rows = 4
"""


def shown(text: str, *stores: tuple[int, int]) -> np.ndarray:
    board = parse_board(text, file="x.toml", folder=Path())
    tap = Tap(board)
    for i, (address, data) in enumerate(stores):
        tap.store(4 * i, address, data)
    return tap.display("notice").indices()


def test_character_is_drawn_in_ink_on_paper_and_the_cursor_swaps_them() -> None:
    glyph = shipped_font("plain_8x8").glyphs[ord("B")]
    rows = [[int(bit) for bit in f"{byte:08b}"] for byte in bytes.fromhex(glyph)]
    picture = shown(TEXT_BOARD, (0x4001, ord("B")), (0x800B, 0x2E))
    assert picture.shape == (32, 160)
    assert picture[:8, 8:16].tolist() == [[14 if bit else 2 for bit in row] for row in rows]
    swapped = shown(
        TEXT_BOARD,
        *((0x4001, ord("B")), (0x800B, 0x2E), (0x8008, 1), (0x8009, 0), (0x800A, 2)),
    )
    assert swapped[:8, 8:16].tolist() == [[2 if bit else 14 for bit in row] for row in rows]
    assert (swapped[8:] == picture[8:]).all()


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("columns = 20", 'columns: found nothing; give a whole number from 1 to 512'),
        ('mode = "letters"', 'mode: found "letters"; give "bitmap" or "text"'),
        ("width_px = 8", "width_px: found a key of a bitmap; columns, rows and the font say it in"
         " text mode, so take it out"),
        ("bits_per_pixel = 8", "bits_per_pixel: found 8; give 1, 2 or 4 in text mode"),
        ("bits_per_pixel = 3", "bits_per_pixel: found 3; give 1, 2 or 4 in text mode"),
        ("cell_bytes = 3", "cell_bytes: found 3; give a whole number from 1 to 2"),
        ('font = "plane_8x8"', 'font: found "plane_8x8"; no font and no file (relative to the board'
         ' file) has that name; did you mean plain_8x8?'),
        ("stride_bytes = 19", "stride_bytes: found 19; a row of 20 cells of 1 byte takes 20 bytes,"
         " so give 20 or more"),
        ("font_offset = 100\nmemory_bytes = 2000", "font_offset: found the font up to byte 2,148;"
         " the unit has 2,000 bytes of memory, so give less, or memory_bytes"),
        ("pages = 3\nmemory_bytes = 200", "pages: found 3 pages, 80 bytes apart, up to byte 240;"
         " the unit has 200 bytes of memory, so give less, or memory_bytes"),
        ("page_bytes = 80", "page_bytes: found one page; give pages too, or take it out"),
    ],
)  # fmt: skip
def test_impossible_text_is_refused(line: str, message: str) -> None:
    text = TEXT_BOARD
    if line == "columns = 20":
        text = text.replace("columns = 20\n", "")
    elif line.startswith("mode"):
        text = text.replace('mode = "text"', line)
    else:
        text += line + "\n"
    with pytest.raises(busplay.DescriptionError) as caught:
        parse_board(text, file="x.toml", folder=Path())
    assert str(caught.value) == f"x.toml: units.notice.{message}"


def test_error_in_a_font_names_board_unit_and_key(tmp_path: Path) -> None:
    font = bdf_of(shipped_font("plain_8x8"))
    (tmp_path / "own.bdf").write_text(font.replace("ENCODING 65\n", "ENCODING -1\n"))
    (tmp_path / "wide.bdf").write_text(font.replace("BOX 8 8", "BOX 9 8"))
    for name, message in (
        ("own.bdf", "\"own.bdf\": no glyph for $41 ('A'); a font has the printable characters of"
         " ASCII, $20 to $7E"),
        ("wide.bdf", '"wide.bdf", line 2: cells of 9 x 8 pixels; give a font of up to 8 x 32'),
        (".", '".": a directory; give the path of a file'),
    ):  # fmt: skip
        with pytest.raises(busplay.DescriptionError) as caught:
            parse_board(TEXT_BOARD + f'font = "{name}"\n', file="x.toml", folder=tmp_path)
        assert str(caught.value) == f"x.toml: units.notice.font: found {message}"


@pytest.mark.parametrize(
    ("keys", "memory_bytes"),
    [
        # As many bytes for each page, unless the last one reaches further.
        ("pages = 3\npage_bytes = 100", 300),
        ("pages = 3\npage_bytes = 40", 160),
        # Nothing belongs behind the last page; pages may stand side by side.
        ("pages = 3\npage_bytes = 100\nmemory_bytes = 280", 280),
        ("stride_bytes = 40\npages = 2\npage_bytes = 20", 160),
    ],
)
def test_memory_has_room_for_all_pages(keys: str, memory_bytes: int) -> None:
    board = parse_board(TEXT_BOARD + keys + "\n", file="x.toml", folder=Path())
    assert board.units[0].memory_bytes == memory_bytes


def test_key_of_text_in_a_bitmap_is_refused() -> None:
    text = TEXT_BOARD.replace('mode = "text"\ncolumns = 20', "width_px = 8\nheight_px = 8")
    with pytest.raises(busplay.DescriptionError) as caught:
        parse_board(text, file="x.toml", folder=Path())
    assert str(caught.value) == (
        'x.toml: units.notice.rows: found a key of text; give mode = "text" too, or take it out'
    )
