"""Controls of a shared page: address, playing, keys, mouse, touch, sizes, the time line."""

from __future__ import annotations

from pathlib import Path

import pytest

from busplay.export.page.share import share
from busplay.player.marks import Marks
from busplay.run.replay import Replay
from busplay.trace.reader import TraceReader
from tests.browser import OpenTab, Watched
from tests.documents import PROJECT
from tests.export.films import flashing_panel, moving, record, slow_receiver, small_board
from tests.export.pages import READY, open_page, require_screens


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
