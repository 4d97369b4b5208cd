"""Shared pages: what they hold, and what they show in a browser."""

from __future__ import annotations

import hashlib
import re
import shutil
import zlib
from base64 import b64encode
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from busplay.batch import FrameBatch
from busplay.description.board import ReceiverEnd, Sender
from busplay.description.faults import Faults
from busplay.errors import OutputError
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
from tests.export.films import flashing_panel, moving, record, slow_receiver, small_board
from tests.export.pages import READY, go_to_cycle, open_page, require_screens, said

TIDES = PROJECT / "traces" / "tides.trace"
HOSTILE = "</script><img src=x onerror=alert(1)>\"'&amp;{{trace}}"


@pytest.fixture
def trace(tmp_path: Path) -> Path:
    return record(tmp_path / "a.trace", small_board(60), moving(200_000))


@pytest.fixture
def tides(tmp_path: Path) -> Path:
    path = tmp_path / "tides.trace"
    path.write_bytes(TIDES.read_bytes())
    return path


# -- the file


def test_policy_allows_nothing_but_the_script_and_style_that_are_there(trace: Path) -> None:
    share(trace, trace.with_suffix(".html"))
    text = trace.with_suffix(".html").read_text(encoding="utf-8")
    policy = re.search(r'Policy" content="([^"]*)"', text)
    assert policy is not None

    def digest(tag: str) -> str:
        content = re.search(rf"<{tag}>(.*?)</{tag}>", text, re.DOTALL)
        assert content is not None
        return b64encode(hashlib.sha256(content[1].encode()).digest()).decode()

    assert policy[1] == (
        f"default-src 'none'; script-src 'sha256-{digest('script')}';"
        f" style-src 'sha256-{digest('style')}'; base-uri 'none'; form-action 'none'"
    )
    assert not re.search(r"https?:|@import|url\(|\bsrc=", text.partition("<main>")[0])


def test_report_says_what_is_in_the_page(trace: Path) -> None:
    Marks.beside(trace).add(1000, "here")
    report = share(trace, trace.with_suffix(".html"))
    assert report.page_bytes == trace.with_suffix(".html").stat().st_size
    assert (report.trace_bytes, report.frames) == (trace.stat().st_size, 201)
    assert (report.frames_not_shown, report.marks, report.instructions) == (0, 1, 0)
    assert report.origins_unknown == "no program is recorded with the trace"


def test_same_trace_makes_the_same_page(trace: Path, tmp_path: Path) -> None:
    share(trace, tmp_path / "1.html")
    share(trace, tmp_path / "2.html")
    assert (tmp_path / "1.html").read_bytes() == (tmp_path / "2.html").read_bytes()


def test_page_over_its_own_trace_is_refused(trace: Path) -> None:
    content = trace.read_bytes()
    with pytest.raises(OutputError, match="found an input file"):
        share(trace, trace)
    assert trace.read_bytes() == content


def test_frames_that_were_lost_are_counted(tmp_path: Path) -> None:
    path = slow_receiver(tmp_path)
    with Replay(path) as replay:
        replay.run(replay.end_cycle)
        lost = replay.pipeline.counters().accounts.frames.lost
    assert share(path, tmp_path / "a.html").frames_not_shown == lost > 100


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


# -- in a browser


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
    assert said(page)["instruction"] == "$C004 @loop+2 tiny.s:10"
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
def test_address_names_moment_unit_and_pixel(tab: Watched, trace: Path) -> None:
    page = open_page(tab, trace, "#at=100ms&unit=sign&pixel=3,2")
    assert page.evaluate("() => [player.cycle, player.unit, player.pixel, player.playing]") == [
        100_000,
        1,
        [3, 2],
        0,
    ]
    page.evaluate("() => { player.go(50001); player.choose(0, 7, 1); }")
    page.wait_for_url("**#at=0.050001s&unit=panel&pixel=7,1")
    page.evaluate("() => { location.hash = '#at=0.02s&unit=nobody&pixel=x'; }")
    page.wait_for_timeout(50)
    assert page.evaluate("() => [player.cycle, player.unit, player.pixel]") == [20_000, 0, [7, 1]]
    tab.require_silent()


@pytest.mark.thorough
def test_address_is_kept_while_the_recording_is_read(tab: Watched, trace: Path) -> None:
    # The moment shown meanwhile had replaced the one asked for, where reading took over 200 ms.
    tab.page.add_init_script(
        "const later = setTimeout; globalThis.setTimeout = (does, ms) => later(does, ms ?? 400);"
    )
    page = open_page(tab, trace, "#at=100ms&unit=sign&pixel=3,2")
    assert page.evaluate("() => [player.cycle, player.unit, player.pixel]") == [100_000, 1, [3, 2]]


@pytest.mark.thorough
def test_moment_chosen_while_the_recording_is_read_is_shown_once_it_is(
    tab: Watched, trace: Path
) -> None:
    share(trace, trace.with_suffix(".html"))
    tab.page.add_init_script(
        "const later = setTimeout; globalThis.setTimeout = (does, ms) => later(does, ms ?? 400);"
    )
    tab.page.emulate_media(reduced_motion="reduce")
    page = tab.open(trace.with_suffix(".html"))
    page.wait_for_selector("#screens canvas")
    page.evaluate("() => player.go(1e9)")
    assert page.evaluate("() => player.recording.moment") == 0
    page.wait_for_selector(READY, state="attached")
    assert page.evaluate("() => player.recording.moment") == 201
    with Replay(trace) as replay:
        require_screens(page, replay, replay.end_cycle)


@pytest.mark.thorough
def test_plays_by_itself_unless_it_flashes_or_motion_is_not_wanted(
    new_tab: OpenTab, tmp_path: Path
) -> None:
    trace = record(tmp_path / "a.trace", small_board(60), moving(9_000_000, every=99_991))
    playing = "() => [player.playing, player.cycle > 0]"
    page = open_page(new_tab(), trace, "")
    page.wait_for_timeout(100)
    assert page.evaluate(playing) == [1, True]
    calm = open_page(new_tab(reduced_motion="reduce"), trace, "")
    calm.wait_for_timeout(100)
    assert calm.evaluate(playing) == [0, False]
    flashes = record(tmp_path / "f.trace", small_board(60), flashing_panel())
    page = open_page(new_tab(), flashes, "")
    page.wait_for_timeout(100)
    assert page.evaluate(playing) == [0, False]
    caution = page.inner_text("#caution")
    assert "flashes a second from " in caution
    assert "no medical test" in caution
    assert "flashing" in page.inner_text("#times ul")


@pytest.mark.thorough
def test_plays_both_ways_at_a_speed_and_stops_at_the_ends(tab: Watched, trace: Path) -> None:
    page = open_page(tab, trace)
    page.get_by_label("Speed").select_option("4")
    page.get_by_role("button", name="Play", exact=True).click()
    page.wait_for_timeout(300)
    assert page.evaluate(
        "() => [player.playing, player.cycle === player.facts.time.end_cycle]"
    ) == [
        0,
        True,
    ]
    page.get_by_label("Speed").select_option("0.1")
    page.get_by_role("button", name="Play back").click()
    page.wait_for_timeout(200)
    first, way = page.evaluate("() => [player.cycle, player.playing]")
    assert way == -1
    assert 0 < first < 200_000
    page.get_by_role("button", name="Pause").click()
    assert page.evaluate("() => player.playing") == 0
    tab.require_silent()


@pytest.mark.thorough
def test_keyboard_alone_reaches_everything(tab: Watched, trace: Path) -> None:
    Marks.beside(trace).add(1000, "here")
    page = open_page(tab, trace)
    reached = set()
    focus = """() => { const one = document.activeElement;
      return one === document.body ? "" : [...document.querySelectorAll("*")].indexOf(one); }"""
    for _ in range(60):
        page.keyboard.press("Tab")
        if (found := page.evaluate(focus)) == "":
            break
        reached.add(found)
    wanted = page.evaluate(
        """() => { const all = [...document.querySelectorAll("*")];
          const kinds = "button, select, input, summary, a, canvas:not(#line)";
          return all.filter((one) => one.matches(kinds) && one.offsetParent)
            .map((one) => all.indexOf(one)); }"""
    )
    assert set(wanted) <= reached
    state = "() => [player.cycle, player.recording.moment, player.pixel]"
    page.evaluate("() => document.activeElement.blur()")
    for key, found in ((".", [1, None]), (".", [2, None]), (",", [1, None])):
        page.keyboard.press(key)
        assert page.evaluate(state)[1:] == found
    page.keyboard.press("]")
    assert page.evaluate(state)[0] == 1_000_000 // 60
    page.keyboard.press("Space")
    assert page.evaluate("() => player.playing") == 1
    page.keyboard.press("Space")
    assert page.evaluate("() => player.playing") == 0
    page.focus("#screens canvas >> nth=1")
    for key in ("ArrowRight", "ArrowRight", "ArrowDown", "ArrowLeft"):
        page.keyboard.press(key)
    assert page.evaluate("() => [player.unit, player.pixel]") == [1, [0, 1]]
    span = page.evaluate("() => player.line.span")
    page.keyboard.press("+")
    assert page.evaluate("() => player.line.span") == span / 2
    tab.require_silent()


@pytest.mark.thorough
def test_mouse_and_touch_choose_pixels_moments_and_zoom(new_tab: OpenTab, trace: Path) -> None:
    tab = new_tab(viewport={"width": 800, "height": 900}, has_touch=True)
    page = open_page(tab, trace)
    box = page.locator("#screens canvas >> nth=0").bounding_box()
    assert box is not None
    each = box["width"] / 24
    assert each == int(each)
    page.mouse.click(box["x"] + 5.5 * each, box["y"] + 3.5 * each)
    assert page.evaluate("() => player.pixel") == [3, 1]
    page.touchscreen.tap(box["x"] + 7.5 * each, box["y"] + 2.5 * each)
    assert page.evaluate("() => player.pixel") == [5, 0]
    line = page.locator("#line").bounding_box()
    assert line is not None
    page.touchscreen.tap(line["x"] + line["width"] / 4, line["y"] + 20)
    assert page.evaluate("() => player.cycle") == pytest.approx(50_000, rel=0.02)
    page.mouse.move(line["x"] + line["width"] / 2, line["y"] + 20)
    page.mouse.wheel(0, -100)
    page.wait_for_timeout(50)
    assert page.evaluate("() => player.line.span") < 180_000
    tab.require_silent()


@pytest.mark.thorough
def test_two_fingers_zoom_the_time_line(new_tab: OpenTab, trace: Path) -> None:
    tab = new_tab(viewport={"width": 800, "height": 900}, has_touch=True)
    page = open_page(tab, trace)
    page.locator("#line").scroll_into_view_if_needed()
    line = page.locator("#line").bounding_box()
    assert line is not None
    session = page.context.new_cdp_session(page)

    def touch(kind: str, *apart_px: int) -> None:
        middle, y = line["x"] + line["width"] / 2, line["y"] + 30
        points = [{"x": middle + one, "y": y, "id": i} for i, one in enumerate(apart_px)]
        session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    touch("touchStart", -50, 50)
    for apart_px in (60, 80, 100):
        touch("touchMove", -apart_px, apart_px)
    touch("touchEnd")
    page.wait_for_timeout(50)
    first, span = page.evaluate("() => [player.line.first, player.line.span]")
    assert span == pytest.approx(199_501 / 2, rel=0.05)
    assert 0 < first < 100_000
    tab.require_silent()


@pytest.mark.thorough
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [360, 1920])
def test_axe_finds_nothing_serious_and_the_page_fits(
    new_tab: OpenTab, tides: Path, scheme: str, width: int
) -> None:
    Marks.beside(tides).add(1000, "a note that is as long as notes may be, sixty letters in all")
    tab = new_tab(viewport={"width": width, "height": 720}, color_scheme=scheme)
    page = open_page(tab, tides, "#at=0.1s&pixel=3,3")
    for one in page.locator("summary").all():
        one.click()
    assert tab.grave_violations() == []
    assert page.evaluate("() => document.documentElement.scrollWidth") <= width
    broken = page.evaluate(
        """() => [...document.querySelectorAll("th")].filter((one) => {
          const range = document.createRange();
          range.selectNodeContents(one);
          return !one.textContent.includes(" ") && range.getClientRects().length > 1;
        }).map((one) => one.textContent)"""
    )
    assert broken == []
    tab.require_silent()


@pytest.mark.thorough
def test_pixels_are_whole_on_screens_of_any_density(new_tab: OpenTab, trace: Path) -> None:
    for ratio in (1, 1.5, 3):
        tab = new_tab(viewport={"width": 360, "height": 640}, device_scale_factor=ratio)
        page = open_page(tab, trace)
        widths = page.evaluate(
            "() => [...document.querySelectorAll('#screens canvas')].map((one) =>"
            " parseFloat(one.style.width) * devicePixelRatio / one.width)"
        )
        assert all(width == pytest.approx(round(width), abs=1e-6) for width in widths)
        assert len(set(map(round, widths))) == 1


@pytest.mark.thorough
def test_without_script_the_page_says_so(new_tab: OpenTab, trace: Path) -> None:
    share(trace, trace.with_suffix(".html"))
    tab = new_tab(java_script_enabled=False)
    page = tab.open(trace.with_suffix(".html"))
    assert "It needs JavaScript" in page.inner_text("noscript")
    assert tab.requests == []


def test_recording_of_what_arrived_says_why_instructions_are_not_known(
    tides: Path, tmp_path: Path
) -> None:
    received = tmp_path / "received.trace"
    faults = Faults(ber=1e-4)
    with Replay(tides, faults=faults, record_received=received) as replay:
        replay.run(200_000)
    report = share(received, tmp_path / "received.html")
    assert (report.instructions, report.origins_unknown) == (
        0,
        "tides.bin sends other frames than the recording has",
    )


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


def test_packed_parts_inflate_to_facts_and_trace(trace: Path) -> None:
    from tests.export.test_page_decoder import untexted

    share(trace, trace.with_suffix(".html"))
    text = trace.with_suffix(".html").read_bytes().decode("utf-8")
    found = re.search(r'id="trace" data-bytes="(\d+)">(.*?)</script>', text, re.DOTALL)
    assert found is not None
    packed = untexted(found[2])[: int(found[1])]
    assert zlib.decompress(packed, -15) == trace.read_bytes()


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


@pytest.mark.thorough
def test_keys_marks_and_errors_have_a_row_each(tab: Watched, tmp_path: Path) -> None:
    keys = tmp_path / "keys.trace"
    keys.write_bytes((PROJECT / "traces" / "keys.trace").read_bytes())
    drawn = """() => { const { canvas } = player.line, seen = {};
      const pen = new Proxy(canvas.getContext("2d"), {
        get: (pen, name) => name === "fillText" ? (text) => { seen[text] = (seen[text] ?? 0) + 1; }
          : typeof pen[name] === "function" ? pen[name].bind(pen) : pen[name],
        set: (pen, name, value) => { pen[name] = value; return true; } });
      player.line.drawRows(pen, canvas.clientWidth, getComputedStyle(canvas));
      return seen; }"""
    with TraceReader(keys) as reader:
        presses = len(reader.key_presses())
    Marks.beside(keys).add(1000, "here")
    seen = open_page(tab, keys).evaluate(drawn)
    assert (seen["|"], seen["◆"], seen.get("▲", 0)) == (presses, 1, 0)
    assert presses > 3
    seen = open_page(tab, slow_receiver(tmp_path)).evaluate(drawn)
    assert seen["▲"] > 10
    assert {"errors", "keys", "marks"} <= set(seen)
    tab.require_silent()


def test_player_takes_40_kb_and_a_page_little_more_than_its_trace(trace: Path) -> None:
    report = share(trace, trace.with_suffix(".html"))
    text = trace.with_suffix(".html").read_text(encoding="utf-8")
    packed = re.findall(r'<script type="text/plain"[^>]*>(.*?)</script>', text, re.DOTALL)
    data_bytes = sum(len(one.encode()) for one in packed)
    assert report.page_bytes - data_bytes <= 40_000
    # The facts are 3 kB.
    assert data_bytes <= report.trace_bytes * 8 / 7 + 4_000
