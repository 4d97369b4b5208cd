"""Shared pages of units with text and with pages: what they show and say."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from busplay.description.board import Board, ReceiverEnd, Unit, Window
from busplay.export.page.share import share
from busplay.history.history import open_history
from busplay.run.replay import Replay
from busplay.run.tap import Tap
from busplay.trace.reader import TraceReader
from tests.browser import OpenTab, Watched
from tests.display.cases import text_unit, unit_with
from tests.documents import PROJECT
from tests.export.films import CLOCK_HZ, record, small_board
from tests.export.pages import go_to_cycle, open_page, require_screens, said

NOTICE = PROJECT / "traces" / "notice.trace"
# 60 refreshes a second of a board of 1 MHz.
REFRESH_CYCLES = [refresh * CLOCK_HZ // 60 for refresh in range(1, 12)]
# Text whose font programs can change, and pixels; both with pages. Stores go to the first memory
# from $4000, its registers from $5000; to the second's from $6000 and $7000.
UNITS = (
    text_unit(
        name="text", columns=6, rows=3, cell_bytes=2, font_offset=100, memory_bytes=100 + 2048,
        pages=2, page_bytes=36, border_px=1,
    ),
    unit_with(
        name="pixels", number=1, width_px=19, height_px=5, bits_per_pixel=2, stride_bytes=6,
        pixel_order="low_first", memory_bytes=90, pages=3, page_bytes=30,
    ),
)  # fmt: skip


def paged_board(*units: Unit) -> Board:
    windows = tuple(
        Window(f"{unit.name} {space}", first, first + 0xFFF, unit.name, space)
        for number, unit in enumerate(units)
        for first, space in (
            (0x4000 + 0x2000 * number, "memory"),
            (0x5000 + 0x2000 * number, "registers"),
        )
    )
    return replace(small_board(60, *units), windows=windows)


def drawing(cycles: int, *, every: int = 331) -> list[tuple[int, int, int]]:
    """Return stores at random to both units, with a new page in most refreshes."""
    rng = np.random.default_rng(6)
    stores = []
    for cycle in range(100, cycles, every):
        first = 0x4000 + 0x2000 * int(rng.integers(2))
        kind, data = rng.integers(8), int(rng.integers(256))
        if kind == 0:
            offset = 12
        elif kind == 1:
            # Not BASE, which hides pages, nor BLANK.
            offset = int(rng.choice([2, 4, 5, 6, 7, 8, 10, 11]))
        else:
            stores.append((cycle, first + int(rng.integers(90)), data))
            continue
        stores.append((cycle, first + 0x1000 + offset, data))
    return stores


@pytest.fixture
def paged(tmp_path: Path) -> Path:
    return record(tmp_path / "paged.trace", paged_board(*UNITS), drawing(200_000))


@pytest.fixture
def notice(tmp_path: Path) -> Path:
    path = tmp_path / "notice.trace"
    path.write_bytes(NOTICE.read_bytes())
    return path


@pytest.mark.thorough
def test_screens_of_the_shipped_notice_equal_python_s(tab: Watched, notice: Path) -> None:
    page = open_page(tab, notice)
    with Replay(notice) as replay:
        end = replay.end_cycle
        for cycle in (end, end // 2, end // 2 - 1, end // 7, 12_345, 0, end - 1):
            require_screens(page, replay, cycle)
    tab.require_silent()


@pytest.mark.thorough
def test_screens_with_pages_equal_python_s_in_any_order(tab: Watched, paged: Path) -> None:
    page = open_page(tab, paged)
    around = np.array(REFRESH_CYCLES)[:, None] + (-9, -5, -4, -3, -2, -1, 0, 1, 4, 9)
    rng = np.random.default_rng(3)
    with Replay(paged) as replay:
        cycles = [*around.ravel().tolist(), *rng.integers(0, replay.end_cycle, 20).tolist()]
        for cycle in rng.permutation(cycles).tolist():
            require_screens(page, replay, cycle)
        require_screens(page, replay, replay.end_cycle)
    turns = page.evaluate("() => player.facts.others.length")
    assert turns > 10
    assert page.evaluate("() => player.recording.errors.at(-1)") == 0
    tab.require_silent()


@pytest.mark.thorough
def test_pages_change_by_the_frames_that_arrived(tab: Watched, tmp_path: Path) -> None:
    end = ReceiverEnd(fifo_depth=4, service_ns=9_000, deadline_ns=40_000)
    board = replace(paged_board(*UNITS), receiver=end)
    path = record(tmp_path / "slow.trace", board, drawing(60_000, every=7))
    page = open_page(tab, path)
    with Replay(path) as replay:
        for cycle in (*range(0, replay.end_cycle, 2_111), replay.end_cycle):
            require_screens(page, replay, cycle)
        lost = replay.pipeline.counters().accounts.frames.lost
    assert page.evaluate("() => player.recording.errors.at(-1)") == lost > 100


@pytest.mark.thorough
def test_page_half_drawn_tears_and_one_drawn_behind_does_not(tab: Watched, tmp_path: Path) -> None:
    """The same picture drawn on the page that is shown, and on the other one."""
    panel = unit_with(
        name="panel", width_px=8, height_px=8, bits_per_pixel=1, memory_bytes=16, pages=2,
        page_bytes=8,
    )  # fmt: skip
    onto_shown = [(1_000 + 3_000 * row, 0x4000 + row, 255) for row in range(8)]
    behind = [(60_000 + 3_000 * row, 0x4008 + row, 255 - row) for row in range(8)]
    stores = [*onto_shown, *behind, (90_000, 0x500C, 1), (199_000, 0x4000, 0)]
    path = record(tmp_path / "tear.trace", paged_board(panel), stores)
    page = open_page(tab, path)

    def rows(cycle: int) -> list[int]:
        go_to_cycle(page, cycle)
        indexes = page.evaluate("() => [...player.recording.screens[0].indexes]")
        return [int("".join(map(str, indexes[at : at + 8])), 2) for at in range(0, 64, 8)]

    assert rows(REFRESH_CYCLES[0]) == [255] * 6 + [0] * 2
    assert rows(REFRESH_CYCLES[1]) == [255] * 8
    # 83,333 is the last refresh before PAGE is written, 100,000 the first one after it.
    assert rows(83_333) == rows(99_999 - 8) == [255] * 8
    assert rows(100_000) == [255 - row for row in range(8)]


@pytest.mark.thorough
def test_page_that_is_shown_is_no_store(tab: Watched, paged: Path) -> None:
    page = open_page(tab, paged)
    with TraceReader(paged) as reader:
        count = reader.frames
    seen = page.evaluate(
        """() => { const { recording } = player, seen = [];
          const frame = () => recording.frameOf(recording.moment);
          for (const steps of [1, -1]) {
            for (let i = 0; i <= player.facts.frames; i++) {
              player.store(steps);
              seen.push(frame());
            }
          }
          return seen; }"""
    )
    assert seen[: count + 1] == [*range(1, count + 1), count]
    assert seen[count + 1 :] == [*range(count - 1, -1, -1), 0]
    page.evaluate("() => player.go(1e12)")
    assert f"frame {count:,}," in page.inner_text("#times output")
    page.evaluate("() => player.go(player.recording.cycleOfEvent(player.recording.ready - 1))")
    assert page.evaluate("() => player.recording.moment") > count - 1


@pytest.mark.thorough
def test_look_up_on_text_and_pages_agrees_with_the_history(tab: Watched, paged: Path) -> None:
    page = open_page(tab, paged)
    rng = np.random.default_rng(9)
    with TraceReader(paged) as reader, Replay(paged) as replay:
        history = open_history(reader)
        for _ in range(20):
            # In the middle between refreshes.
            cycle = int(rng.choice(REFRESH_CYCLES)) + CLOCK_HZ // 120
            index = int(rng.integers(2))
            unit = UNITS[index]
            x, y = int(rng.integers(unit.width_px)), int(rng.integers(unit.height_px))
            go_to_cycle(page, cycle)
            page.evaluate("(at) => player.choose(...at)", [index, x, y])
            causes = history.causes(
                unit.name, x, y, history.frame_at_cycle(cycle), replay.start_edge(cycle)
            )
            told = said(page)
            assert told["colour"] == (
                f"#{bytes(causes.colour).hex().upper()}, palette index {causes.index}"
            )
            assert f"offset {causes.offset:,} = " in told["byte"]
            assert f"value ${causes.value:02X}" in told["byte"]
            assert told["page"] == str(causes.page)
            if causes.byte is None:
                assert told["last write"] == "none so far"
            else:
                assert f" by frame {causes.byte.frame + 1:,}," in told["last write"]
            if causes.cell is not None:
                write = causes.cell.colours_write
                by = "none so far" if write is None else f" by frame {write.frame + 1:,},"
                assert by in told["colours' write"]
                assert told["cell"] == (
                    f"column {x // 8}, row {y // 8}, colours ${causes.cell.colours:02X}"
                )
    tab.require_silent()


@pytest.mark.thorough
def test_losses_at_the_sender_are_counted_once_beside_page_turns(
    tab: Watched, tmp_path: Path
) -> None:
    board = replace(paged_board(*UNITS), sender=replace(small_board(60).sender, fifo_depth=2))
    path = tmp_path / "lost.trace"
    with Tap(board, record=path) as tap:
        for burst in range(0, 190_000, 1_000):
            for i in range(40):
                tap.store(burst + i, 0x4000 + i, (burst + i) % 256)
            tap.store(burst + 900, 0x500C, burst // 1_000)
        tap.flush(stop_cycle=200_000)
        lost = tap.pipeline.counters().frames_overrun
    page = open_page(tab, path)
    assert page.evaluate("() => player.facts.others.length") > 5
    assert page.evaluate("() => player.recording.errors.at(-1)") == lost > 1_000


@pytest.mark.thorough
def test_text_and_pages_that_flash_start_paused_with_a_caution(
    new_tab: OpenTab, tmp_path: Path
) -> None:
    panel = unit_with(
        name="panel", width_px=20, height_px=6, bits_per_pixel=4, memory_bytes=120, pages=2,
        page_bytes=60, palette=((0, 0, 0),) * 15 + ((255, 255, 255),),
    )  # fmt: skip
    white = [(100 + 5 * at, 0x4000 + 60 + at, 255) for at in range(60)]
    turns = [(1_000_000 + 62_500 * turn, 0x500C, turn + 1) for turn in range(32)]
    black_and_white = ((0, 0, 0), (255, 255, 255))
    text = text_unit(name="text", columns=4, rows=2, bits_per_pixel=1, palette=black_and_white)
    cells = [
        (1_000_000 + 62_500 * turn + 5 * at, 0x4000 + at, 0xDB if turn % 2 else 0x20)
        for turn in range(32)
        for at in range(8)
    ]
    for name, unit, stores in (("pages", panel, [*white, *turns]), ("text", text, cells)):
        path = record(tmp_path / f"{name}.trace", paged_board(unit), stores)
        assert not share(path, path.with_suffix(".html")).flashes.is_below
        page = open_page(new_tab(), path, "")
        assert "flashes a second from " in page.inner_text("#caution")
        assert page.evaluate("() => player.playing") == 0
