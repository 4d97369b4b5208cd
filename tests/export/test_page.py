"""Shared pages in a browser: what they show and say."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from busplay.batch import FrameBatch
from busplay.description.board import ReceiverEnd, Sender
from busplay.description.faults import Faults
from busplay.export.page.share import share
from busplay.history.history import open_history
from busplay.player.marks import Marks
from busplay.run.replay import Replay
from busplay.run.session import Session
from busplay.run.tap import Tap
from busplay.run.trace_writer import TraceWriter
from busplay.trace.reader import TraceReader
from tests.boards import GUARDED, board_with
from tests.browser import OpenTab, Watched
from tests.documents import PROJECT
from tests.export.films import moving, record, slow_receiver, small_board
from tests.export.pages import go_to_cycle, open_page, require_screens, said

HOSTILE = "</script><img src=x onerror=alert(1)>\"'&amp;{{trace}}"


def damaged(folder: Path, *, correct: bool) -> Path:
    """Return a trace with words of one and of several wrong bits."""
    board = replace(
        board_with(GUARDED, clock_hz=1_000_000),
        units=small_board(60).units,
        receiver=ReceiverEnd(correct_one_bit=correct),
    )
    whole = record(folder / "whole.trace", board, moving(60_000, every=37))
    rng = np.random.default_rng(4)
    with TraceReader(whole) as reader:
        sent = FrameBatch.joined(list(reader.chunks()))
        word = sent.word.copy()
        for at in rng.choice(len(word), len(word) // 3, replace=False):
            for bit in rng.choice(40, int(rng.choice([1, 1, 2, 4])), replace=False):
                word[at] ^= np.uint64(1 << int(bit))
        path = folder / f"damaged-{correct}.trace"
        with TraceWriter(path, header=reader.header) as writer:
            writer.write(FrameBatch(sent.edge, word), stop_edge=reader.stop_edge)
    return path


@pytest.mark.thorough
def test_page_says_in_a_line_what_is_recorded(tab: Watched, trace: Path, tides: Path) -> None:
    page = open_page(tab, trace)
    assert page.inner_text("#about") == "board dunlin, 201 frames in 0.200 s"
    page = open_page(tab, tides)
    assert page.inner_text("#about") == (
        "board Dunlin, program tides.bin, 37,420 frames in 0.188 s"
    )


@pytest.mark.thorough
def test_screens_equal_python_s_at_any_moment_in_any_order(tab: Watched, trace: Path) -> None:
    page = open_page(tab, trace)
    rng = np.random.default_rng(3)
    with Replay(trace) as replay:
        for cycle in (0, *rng.integers(0, replay.end_cycle, 20).tolist(), replay.end_cycle, 1):
            require_screens(page, replay, cycle)
    tab.require_silent()


@pytest.mark.thorough
def test_screens_of_the_shipped_recording_equal_python_s(tab: Watched, tides: Path) -> None:
    page = open_page(tab, tides)
    with Replay(tides) as replay:
        for cycle in (1_500_000, 400_000, 399_999, 1_000_001, 12_345):
            require_screens(page, replay, cycle)
    tab.require_silent()


@pytest.mark.thorough
@pytest.mark.parametrize("kind", ["slow", "damaged", "corrected"])
def test_screens_show_what_the_receiver_delivers(tab: Watched, tmp_path: Path, kind: str) -> None:
    path = (
        slow_receiver(tmp_path)
        if kind == "slow"
        else damaged(tmp_path, correct=kind == "corrected")
    )
    page = open_page(tab, path)
    with Replay(path) as replay:
        end = replay.end_cycle
        for cycle in (*range(0, end, max(1, end // 40)), end):
            require_screens(page, replay, cycle)


@pytest.mark.thorough
def test_every_store_is_a_step_and_so_is_every_refresh(tab: Watched, trace: Path) -> None:
    page = open_page(tab, trace)
    with TraceReader(trace) as reader:
        edges = FrameBatch.joined(list(reader.chunks())).edge
        count, clock = reader.frames, 1_000_000
    moments = page.evaluate(
        """() => { const seen = [];
          for (const steps of [1, 1, 1, 1, 1, -1]) {
            player.store(steps);
            seen.push([player.recording.moment, player.cycle]);
          }
          return seen; }"""
    )
    assert [moment for moment, _ in moments] == [1, 2, 3, 4, 5, 4]
    with Replay(trace) as replay:
        for moment, cycle in moments:
            assert replay.start_edge(cycle) >= int(edges[moment - 1]) > replay.start_edge(cycle - 1)
    refreshes = page.evaluate(
        """() => { player.go(0); const seen = [];
          for (let i = 0; i < 4; i++) { player.refresh(1); seen.push(player.cycle); }
          player.store(1); player.refresh(-1); seen.push(player.cycle);
          player.refresh(-1); seen.push(player.cycle);
          return seen; }"""
    )
    assert refreshes == [*(k * clock // 60 for k in (1, 2, 3, 4)), 4 * clock // 60, 3 * clock // 60]
    page.evaluate("() => player.store(1e9)")
    assert page.evaluate("() => player.recording.moment") == count


@pytest.mark.thorough
def test_pixel_look_up_agrees_with_the_history(tab: Watched, tides: Path) -> None:
    page = open_page(tab, tides)
    with TraceReader(tides) as reader:
        history = open_history(reader)
        for cycle, unit, x, y in ((700_000, "panel", 100, 60), (1_400_000, "sign", 12, 5)):
            go_to_cycle(page, cycle)
            index = [one.name for one in history.board.units].index(unit)
            page.evaluate("(at) => player.choose(...at)", [index, x, y])
            causes = history.causes(unit, x, y, history.frame_at_cycle(cycle))
            told = said(page)
            assert f"offset {causes.offset:,} = " in told["byte"]
            assert f"value ${causes.value:02X}" in told["byte"]
            assert told["colour"].startswith("#" + bytes(causes.colour).hex().upper())
            write = causes.byte
            assert write is not None
            assert f"${write.data:02X} by frame {write.frame + 1:,}," in told["last write"]
            last = history.last_write(causes.place, history.frame_at_cycle(cycle))
            assert last is not None
            assert last.frame == write.frame


@pytest.mark.thorough
def test_pixel_look_up_names_the_instruction_as_why_does(tab: Watched, tides: Path) -> None:
    from busplay.chain.why import why

    page = open_page(tab, tides)
    found = why(tides, unit="panel", pixel=(100, 60))
    page.evaluate("() => { player.go(1e12); player.choose(0, 100, 60); }")
    assert found.store is not None
    assert found.store.program_counter is not None
    assert said(page)["instruction"] == (f"${found.store.program_counter:04X} {found.store.label}")
    assert f"= ${found.store.address:04X}" in said(page)["byte"]


@pytest.mark.thorough
def test_pixel_look_up_names_the_source_line(new_tab: OpenTab, tmp_path: Path) -> None:
    shutil.copy(PROJECT / "tests/data/fuzz/debug_file/tiny.dbg", tmp_path)
    # The program of tiny.dbg, at $C000: it stores 5 to $4000 for ever.
    code = bytes.fromhex("A200 A905 8D0040 E8 D0F8 4C00C0") + b"hello, \0"
    rom = code.ljust(0x3FFC, b"\0") + bytes.fromhex("00C0 0000")
    (tmp_path / "tiny.bin").write_bytes(rom)
    path = tmp_path / "tiny.trace"
    with Session("dunlin", program=tmp_path / "tiny.bin", record=path) as session:
        session.run(3_000)
    page = open_page(new_tab(), path)
    page.evaluate("() => { player.go(1e9); player.choose(0, 0, 0); }")
    assert said(page)["instruction"] == "$C004 start@loop+2 tiny.s:10"
    (tmp_path / "tiny.bin").write_bytes(rom[:-1] + b"x")
    page = open_page(new_tab(), path)
    page.evaluate("() => { player.go(1e9); player.choose(0, 0, 0); }")
    assert said(page)["instruction"] == (
        "not known: no tiny.bin with the recorded digest is beside the trace"
    )


@pytest.mark.thorough
def test_sums_of_the_time_line_agree_with_the_history(tab: Watched, tides: Path) -> None:
    page = open_page(tab, tides)
    with TraceReader(tides) as reader:
        history = open_history(reader)
        stop = reader.stop_edge
        line = history.timeline(0, stop, 10)
    found = page.evaluate(
        """(edges) => { const { recording } = player;
          return edges.map((edge) => { const at = recording.eventsUpTo(edge - 1);
            return [at, recording.changes[at]]; }); }""",
        line.edges.tolist(),
    )
    assert np.diff([count for count, _ in found]).tolist() == line.frames.tolist()
    assert found[-1][1] == int(line.changed_bytes.sum())


@pytest.mark.thorough
def test_trace_is_saved_byte_for_byte(tab: Watched, tides: Path) -> None:
    page = open_page(tab, tides)
    with page.expect_download() as waiting:
        page.get_by_role("button", name="Save the trace").click()
    assert waiting.value.suggested_filename == "tides.trace"
    assert Path(waiting.value.path()).read_bytes() == tides.read_bytes()
    tab.require_silent()


@pytest.mark.thorough
def test_errors_are_stores_lost_at_the_sender_and_frames_missed_or_not_shown(
    new_tab: OpenTab, tides: Path, tmp_path: Path
) -> None:
    errors = "() => [player.go(1e12), player.recording.errors[player.recording.moment]][1]"
    board = replace(small_board(60), sender=Sender(fifo_depth=2))
    path = tmp_path / "sender.trace"
    with Tap(board, record=path) as tap:
        for i in range(300):
            tap.store(100 + i, 0x4000 + i % 60, i % 256)
        tap.flush(stop_cycle=9_000)
        lost = tap.counters().frames_overrun
    assert lost > 100
    assert open_page(new_tab(), path).evaluate(errors) == lost
    path = tmp_path / "received.trace"
    with Replay(tides, faults=Faults(ber=1e-4), record_received=path) as replay:
        replay.run(replay.end_cycle)
        missed = replay.pipeline.counters().receiver.frames_missed
    assert missed > 50
    assert open_page(new_tab(), path).evaluate(errors) == missed
    path = slow_receiver(tmp_path)
    assert open_page(new_tab(), path).evaluate(errors) == 175


@pytest.mark.thorough
def test_names_and_notes_are_text(tab: Watched, tmp_path: Path) -> None:
    board = small_board(60)
    units = (replace(board.units[0], name=HOSTILE[:40]), board.units[1])
    windows = tuple(
        replace(one, unit=HOSTILE[:40]) if one.unit == "panel" else one for one in board.windows
    )
    board = replace(board, name=HOSTILE, units=units, windows=windows)
    path = tmp_path / "<b>{{trace}}&lt;\u2028'.trace"
    with Tap(board, record=path) as tap:
        for store in moving(20_000):
            tap.store(*store)
    Marks.beside(path).add(5000, HOSTILE)
    page = open_page(tab, path, "#at=0s&unit=</script>")
    assert page.title() == page.inner_text("h1")
    assert page.inner_text("h1").startswith("<b>{{trace}}&lt;")
    assert HOSTILE in page.inner_text("#about")
    assert HOSTILE[:40] in page.inner_text("figcaption >> nth=0")
    assert HOSTILE[:60] in page.inner_text("#times li")
    assert page.evaluate("() => document.querySelectorAll('img, b, iframe').length") == 0
    with Replay(path) as replay:
        require_screens(page, replay, 15_000)
    tab.require_silent()


@pytest.mark.thorough
def test_page_can_ask_nothing_from_outside(tab: Watched, trace: Path) -> None:
    page = open_page(tab, trace)
    refused = page.evaluate(
        "() => fetch('http://127.0.0.1:9/').then(() => 'came', (error) => error.message)"
    )
    assert refused == "Failed to fetch"
    assert any("Content Security Policy" in one for one in tab.messages)
    assert tab.requests == []


@pytest.mark.thorough
def test_without_script_the_page_says_so(new_tab: OpenTab, trace: Path) -> None:
    share(trace, trace.with_suffix(".html"))
    tab = new_tab(java_script_enabled=False)
    page = tab.open(trace.with_suffix(".html"))
    assert "It needs JavaScript" in page.inner_text("noscript")
    assert tab.requests == []


@pytest.mark.thorough
def test_page_of_a_cut_trace_says_so(tab: Watched, tides: Path) -> None:
    content = tides.read_bytes()
    tides.write_bytes(content[: len(content) - 60])
    page = open_page(tab, tides)
    with TraceReader(tides) as reader:
        assert not reader.complete
        assert reader.cut_reason is not None
        assert reader.cut_reason in page.inner_text("#about")


@pytest.mark.thorough
def test_browser_that_cannot_read_it_is_told(tab: Watched, trace: Path) -> None:
    share(trace, trace.with_suffix(".html"))
    tab.page.add_init_script("delete globalThis.DecompressionStream")
    page = tab.open(trace.with_suffix(".html"))
    page.wait_for_selector("#state:has-text('cannot read it')")


@pytest.mark.thorough
def test_page_of_a_recording_without_frames_opens(tab: Watched, tmp_path: Path) -> None:
    path = tmp_path / "empty.trace"
    board = small_board(60)
    with Tap(board, record=path) as tap:
        tap.flush(stop_cycle=50_000)
    page = open_page(tab, path)
    with Replay(path) as replay:
        require_screens(page, replay, replay.end_cycle)
    page.evaluate("() => { player.store(1); player.store(-1); player.refresh(1); player.play(1); }")
    page.evaluate("() => player.choose(0, 1, 1)")
    assert said(page)["last write"] == "none so far"
    tab.require_silent()
