"""The panels and their controls, over a recording made by rule, without a window."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import pytest

from busplay.player.inspector import RoutineFacts
from busplay.player.marks import NOTE_CHARACTERS_MAX, Mark, Marks
from busplay.player.player import Player
from busplay.view.instrument import actions
from busplay.view.instrument.instrument import BREAKPOINT_HINT, Instrument
from busplay.view.instrument.layout import place_parts
from busplay.view.instrument.line import NAMES
from busplay.view.instrument.lists import draw_routines
from busplay.view.instrument.present import SearchEndedError
from busplay.view.instrument.state import InstrumentState, Kept, Overlay, Pixel, Step, Tab
from busplay.view.instrument.tools import draw_tools
from busplay.view.keys import Command, keys_of
from busplay.view.text import Texts
from busplay.view.theme import Sizes
from busplay.view.widgets.box import Box
from busplay.view.widgets.drawing import Drawing, Look, Outline, Words
from busplay.view.widgets.search_line import Typing
from busplay.view.widgets.time_line import track_box
from tests.player.fake_inspector import FakeInspector
from tests.player.fakes import FakePlayable, HandClock
from tests.view.conftest import two_displays
from tests.view.widgets.look import LOOK, overlapping, texts

SIZES = [(320, 200), (500, 300), (640, 480), (1280, 720), (1920, 1080), (400, 900)]


@dataclass
class Bench:
    """An instrument, and what it plays."""

    instrument: Instrument
    inspector: FakeInspector
    playable: FakePlayable
    clock: HandClock
    notes: list[str] = field(default_factory=list)
    drawings: dict[str, Drawing] = field(default_factory=dict)

    def draw(self, size: tuple[int, int] = (1280, 720)) -> dict[str, Drawing]:
        kept = self.instrument.state.kept
        places = place_parts(
            *size,
            LOOK,
            status_px=40,
            side_permille=kept.side_permille,
            below_permille=kept.below_permille,
        )
        self.places = places
        parts = self.instrument.parts(places, LOOK, self.clock())
        self.drawings = {name: part.draw() for name, part in parts.items()}
        for name, drawing in self.drawings.items():
            self.instrument.take_hots(name, drawing)
        return self.drawings

    def click(self, action: object, part: str) -> None:
        """Press the mouse where an action's hot place stands, and let it go."""
        (box,) = [hot.box for hot in self.drawings[part].hots if hot.action == action]
        x, y = box.left + box.width // 2, box.top + box.height // 2
        self.instrument.hover(x, y, None)
        self.instrument.press(x, y, None)
        self.instrument.release(x, y)

    @property
    def track(self) -> Box:
        return track_box(self.places.below, LOOK, NAMES)


def bench_of(*, frames: int = 1000, beside=None, marks: Marks | None = None) -> Bench:
    clock = HandClock()
    playable = FakePlayable(
        clock,
        clock_hz=8_000_000,
        can_seek=True,
        end_cycle=frames * 40,
        displays=two_displays(),
    )
    player = Player(playable, clock)
    inspector = FakeInspector(playable, frames=frames, beside=beside)
    player.stores = inspector
    notes: list[str] = []
    instrument = Instrument(
        player, inspector, marks or Marks(), InstrumentState(kept=Kept()), notes.append
    )
    found = Bench(instrument, inspector, playable, clock, notes)
    found.draw()
    return found


@pytest.fixture
def bench() -> Bench:
    return bench_of()


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("tab", list(Tab))
def test_no_texts_lie_over_each_other_at_any_size(bench: Bench, size, tab) -> None:
    bench.instrument.state.kept.tab = tab
    bench.instrument.state.pinned = Pixel("panel", 3, 4)
    bench.playable.cycle = 20_000
    for name, drawing in bench.draw(size).items():
        assert not overlapping(drawing), name


@pytest.mark.parametrize("size", SIZES)
def test_play_and_step_have_their_buttons_at_any_size(bench: Bench, size) -> None:
    hots = {hot.action: hot for hot in bench.draw(size)["tools"].hots}
    for command in (Command.PAUSE, Command.STEP_ON, Command.STEP_BEFORE):
        assert keys_of(command, hears_keys=False) in hots[actions.Do(command)].tip


@pytest.mark.parametrize("size", SIZES)
def test_parts_cover_the_window_without_overlap(bench: Bench, size) -> None:
    bench.draw(size)
    boxes = [getattr(bench.places, name) for name in bench.places.__slots__]
    area = sum(box.width * box.height for box in boxes)
    assert area == size[0] * size[1]


def test_part_whose_key_stays_need_not_be_drawn_again(bench: Bench) -> None:
    places = bench.places

    def keys() -> dict[str, tuple[object, ...]]:
        parts = bench.instrument.parts(places, LOOK, bench.clock())
        return {name: part.key for name, part in parts.items()}

    before = keys()
    assert keys() == before
    bench.playable.cycle = 4000
    after = keys()
    assert {name for name in before if before[name] != after[name]} == {"side"}


def test_click_on_a_row_goes_to_its_frame(bench: Bench) -> None:
    bench.click(actions.GoToFrame(5), "side")
    assert bench.inspector.shown_frames == 6
    bench.draw()
    assert bench.playable.cycle == bench.inspector.cycle_showing(5)


def test_list_follows_the_present_until_it_is_scrolled(bench: Bench) -> None:
    bench.instrument.act(actions.GoToFrame(500))
    assert "$41F4" in texts(bench.draw()["side"])
    x, y = bench.places.side.left + 9, bench.places.side.top + 99
    bench.instrument.wheel(x, y, -200)
    assert "$4000" not in texts(bench.draw()["side"])
    bench.instrument.act(actions.GoToFrame(2))
    assert "$4000" in texts(bench.draw()["side"])


def test_rows_are_chosen_and_gone_to_by_keys(bench: Bench) -> None:
    bench.instrument.act(actions.GoToFrame(10))
    bench.draw()
    for _ in range(3):
        assert bench.instrument.do(Command.ROW_DOWN)
    bench.instrument.do(Command.ROW_GO)
    assert bench.inspector.shown_frames == 14


def test_steps_go_by_store_slot_error_and_write_of_the_pixel(bench: Bench) -> None:
    state, instrument, inspector = bench.instrument.state, bench.instrument, bench.inspector
    state.pinned = Pixel("panel", 1, 1)
    state.step = Step.STORE
    instrument.step(1)
    assert inspector.shown_frames == 2
    instrument.step(-1)
    assert inspector.shown_frames == 1
    state.step = Step.SLOT
    before = instrument.here_edge
    instrument.step(1)
    assert 0 < instrument.here_edge - before <= inspector.slot_edges
    state.step = Step.ERROR
    instrument.step(1)
    assert inspector.shown_frames == 11
    instrument.step(1)
    assert inspector.shown_frames == 21
    instrument.step(-1)
    assert inspector.shown_frames == 11
    state.step = Step.PIXEL_WRITE
    instrument.step(1)
    assert inspector.shown_frames == 108
    instrument.step(1)
    assert inspector.shown_frames == 208
    instrument.step(-1)
    assert inspector.shown_frames == 108
    instrument.step(-1)
    instrument.step(-1)
    assert bench.notes[-1] == "no earlier write of this pixel"


def test_step_kinds_are_chosen_in_turn_and_by_the_menu(bench: Bench) -> None:
    instrument = bench.instrument
    # There is no breakpoint to step to, and no pixel.
    for wanted in (Step.SLOT, Step.STORE, Step.INSTRUCTION, Step.ERROR, Step.REFRESH):
        instrument.do(Command.STEP_KIND)
        assert instrument.state.step is wanted
    bench.click(actions.OpenMenu("step"), "tools")
    instrument.above(Box(0, 0, 1280, 720))
    assert instrument.state.menu == "step"
    instrument.type_key("down", "")
    instrument.type_key("return", "")
    assert instrument.state.step is Step.SLOT
    assert instrument.state.menu is None


def test_instruction_steps_go_to_the_cycles_that_the_program_says(bench: Bench) -> None:
    bench.playable.cycle = 100
    bench.instrument.state.step = Step.INSTRUCTION
    bench.instrument.step(1)
    assert bench.playable.cycle == 102
    bench.instrument.step(-1)
    bench.instrument.step(-1)
    assert bench.playable.cycle == 98


def test_recording_held_against_another_shows_the_difference_unless_asked_otherwise() -> None:
    bench = bench_of(beside=two_displays())
    assert bench.instrument.overlay is Overlay.DIFFERENCE
    bench.instrument.do(Command.OVERLAY)
    assert bench.instrument.overlay is Overlay.AGE
    bench.instrument.toggle()
    assert bench.instrument.beside() is None


def test_overlays_follow_each_other_both_ways(bench: Bench) -> None:
    bench.instrument.do(Command.OVERLAY)
    assert bench.instrument.state.overlay is Overlay.AGE
    bench.instrument.do(Command.LAST_OVERLAY)
    bench.instrument.do(Command.LAST_OVERLAY)
    # Without an expected recording there is no difference to show.
    assert bench.instrument.state.overlay is Overlay.LOST


def test_wheel_zooms_round_the_mouse_and_drag_moves(bench: Bench) -> None:
    instrument, track = bench.instrument, bench.track
    x, y = track.left + track.width // 2, track.top + 50
    whole = instrument.state.view
    assert whole is not None
    instrument.wheel(x, y, 3)
    zoomed = instrument.state.view
    assert zoomed.span_edges < whole.span_edges // 3
    assert abs(zoomed.x_of(whole.edge_at(x, track), track) - x) < 5
    bench.draw()
    instrument.press(x, y, None)
    instrument.hover(x + 100, y, None)
    moved = instrument.state.view
    assert moved.first_edge < zoomed.first_edge
    assert moved.span_edges == zoomed.span_edges
    instrument.release(x + 100, y)
    assert bench.playable.seeks == []
    instrument.do(Command.ZOOM_ALL)
    assert instrument.state.view == whole


def test_drag_with_shift_marks_a_passage_that_loops(bench: Bench) -> None:
    track, player = bench.track, bench.instrument.player
    y = track.top + 50
    bench.instrument.press(track.left + 100, y, None, adds=True)
    bench.instrument.hover(track.left + 300, y, None)
    bench.instrument.release(track.left + 300, y)
    assert player.begin_mark is not None
    assert player.end_mark is not None
    assert 0 < player.begin_mark < player.end_mark < bench.playable.end_cycle


def test_hovering_the_time_line_tells_time_cycle_and_figures(bench: Bench) -> None:
    track = bench.track
    bench.instrument.hover(track.left + track.width // 2, track.top + 50, None)
    told = texts(bench.instrument.above(Box(0, 0, 1280, 720))[1])
    assert told[:2] == ["0:00.002 499", "cycle 19,996"]
    assert any(line.startswith(("link use 49", "link use 50")) for line in told)
    assert bench.instrument.cursor == "arrow"


def test_hovering_a_pixel_tells_what_it_is_and_a_click_pins_it(bench: Bench) -> None:
    instrument = bench.instrument
    pixel = Pixel("panel", 3, 4)
    instrument.hover(200, 300, pixel)
    told = texts(instrument.above(Box(0, 0, 1280, 720))[1])
    assert told == [
        "panel 3, 4: $4007, byte $11",
        "colour 1: 1, 254, 7",
        "written at 0:00.000 034, cycle 278",
        "to row+7",
        "put_byte+3",
    ]
    instrument.player.play()
    told = texts(instrument.above(Box(0, 0, 1280, 720))[1])
    assert told[2:] == ["written by 0:00.000 035, cycle 280", "to row+7"]
    instrument.player.pause()
    assert instrument.cursor == "cross"
    instrument.press(200, 300, pixel)
    assert instrument.state.pinned == pixel
    assert instrument.state.kept.tab is Tab.PIXEL
    assert "$11 at cycle 278" in texts(bench.draw()["side"])
    bench.click(actions.GoToFrame(7), "side")
    assert bench.inspector.shown_frames == 8
    instrument.do(Command.UNPIN)
    assert instrument.state.pinned is None


def test_pinned_pixel_has_the_whole_chain_and_each_link_goes_there(bench: Bench) -> None:
    instrument, inspector = bench.instrument, bench.inspector
    instrument.press(200, 300, Pixel("panel", 3, 4))
    shown = texts(bench.draw()["side"])
    (row,) = inspector.rows(7, 8)
    for text in ("$C0DE  sta $4007", "put_byte+3", "frame 7", "0007", "address $0007, data $07"):
        assert text in shown
    # The highest lane first.
    lanes = [text for text in shown if text.startswith("lane")]
    assert lanes == list(reversed(inspector.lane_names))
    at = shown.index(lanes[0])
    assert shown[at + 1] == " ".join(str(level) for level in row.lanes[1])
    bench.click(actions.GoToEdge(row.edge), "side")
    assert bench.playable.cycle == inspector.cycle_at(row.edge)
    instrument.act(actions.ShowSymbols(7, row.edge))
    view = instrument.state.view
    assert view is not None
    assert view.first_edge <= row.edge < view.stop_edge <= row.edge + 2 * inspector.slot_edges
    bench.draw()
    bench.click(actions.GoToInstruction(275), "side")
    assert bench.playable.cycle == 275
    assert instrument.state.kept.tab is Tab.PROGRAM


def test_chain_scrolls_and_its_links_are_chosen_by_keys(bench: Bench) -> None:
    instrument = bench.instrument
    instrument.state.pinned, instrument.state.kept.tab = Pixel("panel", 3, 4), Tab.PIXEL
    size = (1280, 330)
    whole = texts(bench.draw(size)["side"])
    assert "unpin" not in whole
    side = bench.places.side
    for _ in range(9):
        instrument.wheel(side.left + 20, side.top + 60, -3)
        bench.draw(size)
    assert "unpin" in texts(bench.drawings["side"])
    instrument.state.first_rows.clear()
    for _ in range(3):
        instrument.do(Command.ROW_DOWN)
        bench.draw(size)
    chosen = instrument.state.chosen_rows[Tab.PIXEL]
    assert instrument._lines[chosen].action is not None
    while instrument._lines[instrument.state.chosen_rows[Tab.PIXEL]].action != actions.Unpin():
        instrument.do(Command.ROW_DOWN)
        bench.draw(size)
    instrument.do(Command.ROW_GO)
    assert instrument.state.pinned is None


def test_list_of_frames_names_the_storing_instruction_fields_bits_and_fate(bench: Bench) -> None:
    instrument = bench.instrument
    instrument.state.kept.tab, instrument.state.kept.side_permille = Tab.FRAMES, 700
    bench.playable.cycle = bench.inspector.cycle_showing(50)
    shown = texts(bench.draw((1920, 1080))["side"])
    assert "put_byte+3" in shown
    assert "0032 32" in shown
    assert "0000000000110010" in shown
    assert "received" in shown
    assert "lost on the wire" in shown


def test_hovered_frame_tells_what_has_no_room(bench: Bench) -> None:
    bench.playable.cycle = bench.inspector.cycle_showing(50)
    side = bench.draw((1000, 600))["side"]
    assert "0032 32" not in texts(side)
    (hot,) = [hot for hot in side.hots if hot.action == actions.GoToFrame(50)]
    bench.instrument.hover(hot.box.left + 9, hot.box.top + 5, None)
    above = bench.instrument.above(Box(0, 0, 1000, 600))[1]
    told = texts(above)
    # Beside the list, over no other row of it.
    (tip,) = [one.box for one in above.commands if isinstance(one, Outline)]
    assert 0 <= tip.left < tip.right <= bench.places.side.left
    assert told[0] == "frame 50: address $0032, data $32"
    assert "bits 0000000000110010" in told
    assert "fate lost on the wire" in told


def test_receivers_figures_stand_right_in_one_column(bench: Bench) -> None:
    bench.instrument.state.kept.tab = Tab.RECEIVER
    commands = bench.draw()["side"].commands
    figures = [
        one for one in commands if isinstance(one, Words) and one.text.replace(",", "").isdigit()
    ]
    assert [one.text for one in figures] == ["16", "2", "5", "120", "12", "0"]
    assert {(one.align, one.left_px) for one in figures} == {("right", figures[0].left_px)}


def test_pixel_is_pinned_and_moved_by_keys(bench: Bench) -> None:
    for command in (Command.PIXEL_LEFT, Command.PIXEL_LEFT, Command.PIXEL_UP):
        bench.instrument.do(command)
    assert bench.instrument.state.pinned == Pixel("panel", 31, 23)
    for _ in range(99):
        bench.instrument.do(Command.PIXEL_RIGHT)
    assert bench.instrument.state.pinned == Pixel("panel", 63, 23)


def test_search_goes_to_the_next_and_the_last_and_says_what_it_cannot_find(bench: Bench) -> None:
    instrument = bench.instrument
    instrument.do(Command.SEARCH)
    for letter in "$4020":
        assert instrument.type_key("", letter)
    instrument.type_key("return", "")
    assert bench.inspector.shown_frames == 0x20 + 1
    instrument.do(Command.FIND_NEXT)
    assert instrument.state.searched.answer == "no more after this"
    assert "no more after this" in texts(bench.draw((1920, 1080))["tools"])


def test_search_for_a_label_of_code_goes_to_its_instruction(bench: Bench) -> None:
    instrument = bench.instrument
    bench.playable.cycle = 2000
    instrument.state.searched = Typing("draw", 4)
    instrument.do(Command.FIND_NEXT)
    assert bench.playable.cycle == 2500
    instrument.do(Command.FIND_LAST)
    assert bench.playable.cycle == 2000
    assert instrument.state.searched.answer == "cycle 2,000"


def test_keys_reach_the_line_that_is_typed_into_until_escape(bench: Bench) -> None:
    instrument = bench.instrument
    instrument.do(Command.SEARCH)
    assert instrument.type_key("", "m")
    assert instrument.type_key("escape", "")
    assert instrument.state.typing is None
    assert not instrument.type_key("", "m")


def test_breakpoint_is_typed_run_to_both_ways_and_stepped_to(bench: Bench) -> None:
    instrument = bench.instrument
    instrument.do(Command.RUN_TO)
    assert bench.notes[-1] == "R sets a breakpoint"
    instrument.do(Command.BREAKPOINT)
    for letter in "draw":
        assert instrument.type_key("", letter)
    instrument.type_key("return", "")
    assert (instrument.state.breakpoint, bench.playable.cycle) == ("draw", 1000)
    assert instrument.state.kept.tab is Tab.PROGRAM
    shown = texts(bench.draw()["side"])
    assert {"breakpoint", "draw", "next", "T", "previous", "Shift T", "return", "U"} <= set(shown)
    instrument.do(Command.RUN_TO)
    assert bench.playable.cycle == 2000
    instrument.state.step = Step.BREAKPOINT
    instrument.do(Command.STEP_BEFORE)
    assert bench.playable.cycle == 1000
    bench.draw()
    bench.click(actions.StartTyping("breakpoint"), "side")
    assert instrument.state.typing == Typing("draw", 4, BREAKPOINT_HINT)


def test_breakpoint_that_is_none_or_not_reached_is_noted_and_nothing_moves(bench: Bench) -> None:
    instrument = bench.instrument
    bench.playable.cycle = 500
    instrument.act(actions.RunTo("nonsense"))
    assert bench.notes[-1] == "breakpoint: found 'nonsense'; give a label"
    instrument.act(actions.RunTo("$C000"))
    assert bench.playable.cycle == 1500
    bench.playable.cycle = 500
    instrument.do(Command.RUN_BACK_TO)
    assert bench.notes[-1] == "$C000: not reached before this moment"
    assert bench.playable.cycle == 500


def test_run_goes_to_the_return_and_to_an_instruction_that_is_clicked(bench: Bench) -> None:
    instrument = bench.instrument
    bench.playable.cycle, instrument.state.kept.tab = 400, Tab.PROGRAM
    bench.draw()
    instrument.do(Command.RUN_TO_RETURN)
    assert bench.playable.cycle == 460
    bench.draw()
    bench.click(actions.RunTo("$00EA"), "side")
    assert (instrument.state.breakpoint, bench.playable.cycle) == ("$00EA", 1460)
    bench.draw()
    instrument.do(Command.ROW_DOWN)
    chosen = instrument.state.chosen_rows[Tab.PROGRAM]
    assert isinstance(instrument._lines[chosen].action, actions.RunTo)


def test_search_of_the_program_that_is_ended_leaves_everything_as_it_was(bench: Bench) -> None:
    def end_it(cycle: int) -> None:
        raise SearchEndedError

    instrument = bench.instrument
    instrument.begin_search = lambda: end_it
    bench.playable.cycle = 500
    instrument.act(actions.RunTo("$C000"))
    assert bench.playable.cycle == 500
    assert bench.inspector.on_search is None
    assert bench.notes[-1] == "the search was ended"


def test_search_line_has_room_beside_buttons_with_control_keys(opened) -> None:
    """A running program's window of 1280 pixels had no search line."""
    look = Look(Texts(), Sizes.for_instrument(1280, 720, big=False))
    bench = bench_of()
    tools = replace(bench.instrument._tools(), hears_keys=True)
    drawing = draw_tools(tools, Box(0, 0, 1280, 30), look, None)
    shown = texts(drawing)
    assert {"find", "Ctrl F"} <= set(shown)
    assert {"Ctrl Shift Space", "Ctrl S", "F2", "Ctrl O"} <= set(shown)
    assert not {"Ctrl Home", "Ctrl End"} & set(shown)
    tips = {hot.tip for hot in drawing.hots}
    assert "to the beginning  (Ctrl Home)" in tips


def test_every_command_that_has_keys_has_a_place_for_the_mouse() -> None:
    """Reset, saved pictures, full screen and the loop's marks were for the keyboard alone."""
    bench = bench_of()
    instrument, size = bench.instrument, (1920, 1080)
    instrument.state.pinned = Pixel("panel", 3, 4)
    places: set[object] = set()
    for tab in Tab:
        instrument.state.kept.tab = tab
        places |= {hot.action for drawing in bench.draw(size).values() for hot in drawing.hots}
    for menu in ("step", "overlay", "all"):
        instrument.act(actions.OpenMenu(menu))
        places |= {hot.action for hot in instrument.above(Box(0, 0, *size))[1].hots}
    commands = {action.command for action in places if isinstance(action, actions.Do)}
    other_ways = {
        actions.DragTime(): {"BACK", "FORWARD", "FAR_BACK", "FAR_FORWARD", "VIEW_BACK", "VIEW_ON"},
        actions.ChooseStep("STORE"): {"STEP", "STEP_BACK", "NEXT_STORE", "LAST_STORE", "STEP_KIND"},
        actions.ChooseOverlay("AGE"): {"OVERLAY", "LAST_OVERLAY"},
        actions.ChooseTab("frames"): {"NEXT_TAB", "LAST_TAB"},
        actions.StartTyping("search"): {"SEARCH"},
        actions.GoToFrame(0): {"ROW_UP", "ROW_DOWN", "ROW_GO"},
        actions.Unpin(): {"UNPIN"},
        actions.OpenMenu("all"): {"MENU"},
        actions.DragSplitter("side"): {"SIDE_NARROWER", "SIDE_WIDER"},
        actions.DragSplitter("below"): {"BELOW_LOWER", "BELOW_HIGHER"},
    }
    assert set(other_ways) <= places
    # A click pins a pixel, and the wheel zooms.
    found = {"PIXEL_LEFT", "PIXEL_RIGHT", "PIXEL_UP", "PIXEL_DOWN", "ZOOM_IN", "ZOOM_OUT"}
    found |= {command.name for command in commands}.union(*other_ways.values())
    assert found == {command.name for command in Command}


def test_menu_of_everything_opens_by_its_key_and_does_what_is_chosen(bench: Bench) -> None:
    instrument = bench.instrument
    done: list[Command] = []
    instrument.on_command = done.append
    instrument.do(Command.MENU)
    shown = texts(instrument.above(Box(0, 0, 1280, 720))[1])
    assert {"reset", "F4", "no loop", "C", "close the window", "Ctrl Q"} <= set(shown)
    instrument.type_key("down", "")
    instrument.type_key("return", "")
    assert done == [Command.FULL_SPEED]
    assert instrument.state.menu is None


def test_wheel_over_the_screens_asks_for_larger_or_smaller_pixels(bench: Bench) -> None:
    done: list[Command] = []
    bench.instrument.on_command = done.append
    x, y = bench.places.screens.left + 50, bench.places.screens.top + 50
    bench.instrument.wheel(x, y, 1)
    bench.instrument.wheel(x, y, -2)
    assert done == [Command.LARGER, Command.SMALLER]


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("is_open", [True, False])
@pytest.mark.parametrize("what", ["search", "note", "breakpoint"])
def test_what_is_typed_is_seen_at_any_size_and_without_panels(bench, size, is_open, what) -> None:
    """It was typed blind where the row of buttons had no room for the line, or was not there."""
    instrument = bench.instrument
    instrument.act(actions.StartTyping(what))
    instrument.type_key("", "Q7")
    instrument.state.kept.is_open = is_open
    bench.draw(size)
    if not is_open:
        instrument._places = replace(bench.places, tools=Box(0, 0, 0, 0))
        bench.drawings.pop("tools")
    above = instrument.above(Box(0, 0, *size))[1]
    seen = [one for drawing in (above, *bench.drawings.values()) for one in texts(drawing)]
    assert seen.count("Q7") == 1
    assert not overlapping(above)


def test_click_into_the_line_that_is_typed_into_keeps_what_is_there(bench: Bench) -> None:
    instrument = bench.instrument
    instrument.do(Command.SEARCH)
    instrument.type_key("", "$40")
    bench.draw((1920, 1080))
    bench.click(actions.StartTyping("search"), "tools")
    assert instrument.state.typing is not None
    assert instrument.state.typing.text == "$40"


def test_note_ends_where_a_marks_note_has_its_end(bench: Bench) -> None:
    """Longer ones were cut when they were kept, without a word."""
    instrument = bench.instrument
    instrument.do(Command.MARK)
    for _ in range(NOTE_CHARACTERS_MAX + 9):
        instrument.type_key("", "n")
    assert instrument.state.typing is not None
    assert instrument.state.typing.text == "n" * NOTE_CHARACTERS_MAX


def test_marks_are_set_with_a_note_gone_to_and_removed(bench: Bench) -> None:
    instrument, marks = bench.instrument, bench.instrument.marks
    instrument.act(actions.GoToFrame(100))
    instrument.do(Command.MARK)
    for letter in "ebb":
        instrument.type_key("", letter)
    instrument.type_key("return", "")
    assert marks.all == (Mark(4000, "ebb"),)
    assert "ebb" in texts(bench.draw()["below"])
    instrument.act(actions.GoToFrame(5))
    instrument.do(Command.NEXT_MARK)
    assert bench.playable.cycle == 4000
    instrument.do(Command.NEXT_MARK)
    assert bench.notes[-1] == "no mark after this moment"
    instrument.do(Command.REMOVE_MARK)
    assert marks.all == ()


def test_splitters_and_keys_resize_the_panels(bench: Bench) -> None:
    instrument = bench.instrument
    before = bench.places.side.width
    hot = next(hot for hot in bench.drawings["side splitter"].hots)
    x, y = hot.box.left + 4, hot.box.top + 50
    instrument.press(x, y, None)
    instrument.hover(x - 100, y, None)
    instrument.release(x - 100, y)
    bench.draw()
    assert abs(bench.places.side.width - before - 100) <= 4
    before = bench.places.below.height
    instrument.do(Command.BELOW_HIGHER)
    bench.draw()
    assert bench.places.below.height > before
    for _ in range(99):
        instrument.do(Command.SIDE_WIDER)
        instrument.do(Command.BELOW_HIGHER)
    bench.draw()
    assert bench.places.screens.width >= 200
    assert bench.places.screens.height >= 100


def test_tabs_open_by_click_and_by_keys(bench: Bench) -> None:
    bench.click(actions.ChooseTab("errors"), "side")
    assert "lost on the wire" in texts(bench.draw()["side"])
    bench.instrument.do(Command.NEXT_TAB)
    assert "registers" in texts(bench.draw()["side"])
    bench.instrument.do(Command.NEXT_TAB)
    assert {"draw", "75.0%", "12.5%", "340"} <= set(texts(bench.draw()["side"]))
    bench.instrument.do(Command.NEXT_TAB)
    assert bench.instrument.state.kept.tab is Tab.RECEIVER
    assert "SYNC" in texts(bench.draw()["side"])
    bench.instrument.do(Command.NEXT_TAB)
    bench.instrument.do(Command.LAST_TAB)
    assert bench.instrument.state.kept.tab is Tab.RECEIVER


def test_a_routines_stores_in_a_second_are_printed_whole() -> None:
    """Figures of six digits were cut to `270,...`."""
    facts = RoutineFacts("put", 0xC050, 0xC058, 0.576, 17, 1_270_671, 1_135_336, 0.135)
    box = Box(0, 0, 300, 100)
    drawing, _ = draw_routines([facts], None, box, LOOK, first=0, row=None, hovered=None)
    assert {"put", "57.6%", "1,270,671"} <= set(texts(drawing))


def test_click_on_a_routine_goes_to_its_next_call_and_shows_its_writes(bench: Bench) -> None:
    bench.instrument.act(actions.ChooseTab("routines"))
    bench.draw()
    (routine,) = bench.inspector.routines(0, 1)
    bench.click(actions.ChooseRoutine(routine), "side")
    assert bench.playable.cycle == 1000
    assert bench.instrument.overlay is Overlay.ROUTINE
    bench.instrument.player.play()
    assert any(text.startswith("Pause to see") for text in texts(bench.draw()["side"]))


def test_lists_change_ten_times_a_second_while_it_plays_and_at_once_when_paused(
    bench: Bench,
) -> None:
    instrument, places = bench.instrument, bench.places

    def key() -> tuple[object, ...]:
        return instrument.parts(places, LOOK, bench.clock())["side"].key

    before = key()
    instrument.player.play()
    bench.playable.cycle = 400
    assert key() == before
    bench.clock.pass_ns(100_000_001)
    after = key()
    assert after != before
    bench.playable.cycle = 800
    assert key() == after
    instrument.player.pause()
    assert key() != after


def test_time_line_asks_for_its_sums_once_as_long_as_nothing_changes(bench: Bench) -> None:
    asked = len(bench.inspector.asked_sums)
    bench.draw()
    bench.playable.cycle = 4000
    bench.draw()
    assert len(bench.inspector.asked_sums) == asked
    bench.instrument.do(Command.ZOOM_IN)
    bench.draw()
    assert len(bench.inspector.asked_sums) == asked + 1


def test_time_line_of_a_hundred_million_frames_asks_for_one_number_a_column() -> None:
    bench = bench_of(frames=100_000_000)
    first, stop, columns = bench.inspector.asked_sums[-1]
    assert (first, columns) == (0, bench.track.width)
    assert stop == bench.inspector.end_edge


def test_single_frames_are_shown_when_they_are_wide_enough(bench: Bench) -> None:
    bench.instrument.act(actions.GoToFrame(500))
    for _ in range(30):
        bench.instrument.do(Command.ZOOM_IN)
    drawing = bench.draw()["below"]
    assert "frames" in texts(drawing)
    assert any(text.startswith("address 01F4") for text in texts(drawing))
    assert "lane 1" in texts(drawing)


def test_errors_before_a_jump_are_not_denied() -> None:
    bench = bench_of(frames=0)
    bench.instrument.state.kept.tab = Tab.ERRORS
    assert "No errors so far" in " ".join(texts(bench.draw()["side"]))
    bench.playable.state = replace(bench.playable.state, errors=2888)
    bench.playable.cycle += 1
    assert "2,888 errors so far" in " ".join(texts(bench.draw()["side"]))


def test_recording_without_a_frame_says_so() -> None:
    bench = bench_of(frames=0)
    assert "No frames" in " ".join(texts(bench.drawings["side"]))
    bench.instrument.do(Command.ROW_DOWN)
    bench.instrument.do(Command.NEXT_ERROR)
    assert bench.notes[-1] == "no error after this moment"


def test_without_a_recording_the_panels_say_so_and_keys_do_nothing() -> None:
    clock = HandClock()
    playable = FakePlayable(clock, displays=two_displays())
    instrument = Instrument(
        Player(playable, clock), None, Marks(), InstrumentState(kept=Kept()), lambda text: None
    )
    bench = Bench(instrument, FakeInspector(playable), playable, clock)
    assert "Nothing is kept" in " ".join(texts(bench.draw()["below"]))
    for command in Command:
        instrument.do(command)
    bench.draw()


def test_what_ends_the_keeping_of_a_run_is_said_once(bench: Bench) -> None:
    bench.inspector.trouble = "the run can be gone back in up to here only: the disk is full"
    bench.draw()
    bench.draw()
    assert bench.notes == [bench.inspector.trouble]
