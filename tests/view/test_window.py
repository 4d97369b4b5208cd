from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pygame
import pytest

from busplay.display.arrangement import compose
from busplay.display.display import Display
from busplay.errors import OutputError
from busplay.player.marks import Marks
from busplay.png import encode_png
from busplay.units import Ratio
from busplay.view import screen
from busplay.view.instrument.actions import Do
from busplay.view.instrument.line import NAMES
from busplay.view.instrument.state import Kept, Pixel, Tab
from busplay.view.kept import read_layout, write_layout
from busplay.view.keys import Command
from busplay.view.widgets.drawing import Look
from busplay.view.widgets.time_line import track_box
from busplay.view.window import PlayerWindow, WindowReport, open_window
from tests.display.cases import unit_with
from tests.player.fake_inspector import FakeInspector
from tests.player.fakes import FakePlayable, HandClock
from tests.view.conftest import MakeWindow, two_displays

S = 1_000_000_000


def key_down(key: int, text: str = "", modifiers: int = 0) -> None:
    pygame.event.post(pygame.event.Event(pygame.KEYDOWN, key=key, mod=modifiers, unicode=text))


def key_up(key: int) -> None:
    pygame.event.post(pygame.event.Event(pygame.KEYUP, key=key, mod=0, unicode=""))


def tap(window: PlayerWindow, key: int, text: str = "", modifiers: int = 0) -> None:
    key_down(key, text, modifiers)
    key_up(key)
    window.handle_events()


def note_of(window: PlayerWindow) -> str:
    return window._scene.note


def shown(**options) -> tuple[WindowReport, FakePlayable, HandClock]:
    clock = HandClock()
    names = ("clock_hz", "end_cycle", "can_seek", "cost_ns_per_kilocycle")
    playable_options = {name: options.pop(name) for name in names if name in options}
    playable = FakePlayable(clock, displays=two_displays(), **playable_options)
    report = open_window(playable, title="made up", clock=clock, wait_ns=clock.pass_ns, **options)
    return report, playable, clock


def test_sixty_pictures_are_a_second_of_the_board() -> None:
    report, playable, clock = shown(stop_after_pictures=61, clock_hz=8_000_000)
    assert report == WindowReport(61, 8_000_000, "pictures")
    assert playable.cycle == 8_000_000
    assert clock.now_ns == 1_000 + S
    assert not pygame.display.get_init()


def test_window_runs_at_the_speed_asked_for_and_paused_not_at_all() -> None:
    assert shown(stop_after_pictures=61, speed=Ratio.of(1, 4))[1].cycle == 2_000_000
    assert shown(stop_after_pictures=61, paused=True)[1].cycle == 0


def test_core_that_is_too_slow_leaves_pictures_out_and_stays_in_time() -> None:
    report, playable, clock = shown(stop_after_pictures=30, cost_ns_per_kilocycle=1_000_000)
    assert report.pictures == 30
    # Each picture has its tick of 12 ms, and a slice more at the most.
    assert clock.now_ns < 30 * 20_000_000
    assert playable.cycle > 30 * 8_000


def test_window_stays_after_the_end_unless_asked_to_close() -> None:
    report, _, _ = shown(stop_after_pictures=100, end_cycle=1_000)
    assert report == WindowReport(100, 1_000, "pictures")
    report, _, _ = shown(close_at_end=True, end_cycle=1_000)
    assert report == WindowReport(2, 1_000, "ended")


def test_full_screen_takes_the_desktop() -> None:
    report, _, _ = shown(stop_after_pictures=2, fullscreen=True)
    assert report.pictures == 2


def test_what_the_playable_raises_comes_out_and_the_window_is_closed() -> None:
    class Full(FakePlayable):
        def run(self, cycles: int) -> int:
            raise OutputError("the disk is full")

    clock = HandClock()
    with pytest.raises(OutputError, match="the disk is full"):
        open_window(Full(clock), title="x", clock=clock, wait_ns=clock.pass_ns)
    assert not pygame.display.get_init()


def test_close_button_closes(make_window: MakeWindow) -> None:
    window, playable, clock = make_window()
    pygame.event.post(pygame.event.Event(pygame.QUIT))
    assert window.loop(wait_ns=clock.pass_ns) == WindowReport(0, 0, "closed")
    window, playable, clock = make_window()
    key_down(pygame.K_q, "\x11", pygame.KMOD_LCTRL)
    assert window.loop(wait_ns=clock.pass_ns) == WindowReport(0, 0, "closed")
    assert playable.pressed == []


def test_other_keys_reach_the_host_port_and_repeat_while_held(make_window: MakeWindow) -> None:
    window, playable, _ = make_window()
    for key, text in ((pygame.K_a, "a"), (pygame.K_a, "A"), (pygame.K_UP, ""), (pygame.K_TAB, "")):
        tap(window, key, text)
    tap(window, pygame.K_SPACE, " ")
    for _ in range(3):
        key_down(pygame.K_x, "x")
    window.handle_events()
    assert playable.pressed == [ord("a"), ord("A"), 128, ord(" "), *b"xxx"]
    assert not window._player.playing


def test_pause_key_happens_once_while_it_is_held(make_window: MakeWindow) -> None:
    window, _, _ = make_window()
    for _ in range(4):
        key_down(pygame.K_F2)
    window.handle_events()
    assert window._player.playing
    key_up(pygame.K_F2)
    key_down(pygame.K_F2)
    window.handle_events()
    assert not window._player.playing
    # A key that goes up elsewhere is forgotten with the focus.
    pygame.event.post(pygame.event.Event(pygame.WINDOWFOCUSLOST))
    key_down(pygame.K_F2)
    window.handle_events()
    assert window._player.playing


def test_single_picture_key_runs_one_refresh_and_repeats_while_held(
    make_window: MakeWindow,
) -> None:
    window, playable, _ = make_window(clock_hz=6_000)
    tap(window, pygame.K_F3)
    window.advance()
    assert playable.cycle == 100
    for _ in range(3):
        key_down(pygame.K_F3)
        window.handle_events()
        window.advance()
    assert playable.cycle == 400


def test_reset_speed_and_pause_keys_reach_the_player(make_window: MakeWindow) -> None:
    window, playable, _ = make_window()
    player = window._player
    tap(window, pygame.K_F4)
    assert playable.resets == 1
    assert note_of(window) == "reset"
    tap(window, pygame.K_F6)
    assert player.speed == Ratio.of(2, 1)
    assert note_of(window) == "speed: 2×"
    tap(window, pygame.K_F6, modifiers=pygame.KMOD_LSHIFT)
    assert player.speed is None
    tap(window, pygame.K_F5)
    assert player.speed == Ratio.of(16, 1)
    tap(window, pygame.K_F5, modifiers=pygame.KMOD_LSHIFT)
    assert player.speed == Ratio.of(1, 1)


def test_help_holds_the_program_and_the_next_key_only_closes_it(make_window: MakeWindow) -> None:
    window, playable, clock = make_window(clock_hz=1000)
    window.do(Command.PAUSE)
    tap(window, pygame.K_F1)
    clock.pass_ns(S)
    window.advance()
    window.paint()
    assert playable.cycle == 0
    assert window._scene.cells[0].value == "held"
    tap(window, pygame.K_a, "a")
    assert playable.pressed == []
    clock.pass_ns(S // 10)
    window.advance()
    assert playable.cycle == 100
    tap(window, pygame.K_a, "a")
    assert playable.pressed == [ord("a")]


def test_held_help_key_does_not_open_and_close_in_turn(make_window: MakeWindow) -> None:
    window, _, _ = make_window()
    for _ in range(5):
        key_down(pygame.K_F1)
    window.handle_events()
    assert window._scene.help_open


def test_picture_key_saves_exact_pixels_under_a_new_name(
    make_window: MakeWindow, tmp_path: Path
) -> None:
    window, playable, _ = make_window(scale=3)
    (tmp_path / "tide-001.png").write_bytes(b"mine")
    tap(window, pygame.K_F9)
    assert note_of(window) == "saved tide-002.png"
    wanted = encode_png(compose(playable.displays.values()))
    assert (tmp_path / "tide-002.png").read_bytes() == wanted
    assert (tmp_path / "tide-001.png").read_bytes() == b"mine"


def test_shifted_picture_key_saves_the_window_as_it_is(
    make_window: MakeWindow, tmp_path: Path
) -> None:
    """The name of the picture before, said in a note, stood in the next one."""
    window, _, _ = make_window()
    window._scene.note = ""
    window.paint()
    surface = window._window.surface
    wanted = np.ascontiguousarray(pygame.surfarray.array3d(surface).swapaxes(0, 1))
    for number in (1, 2):
        tap(window, pygame.K_F9, modifiers=pygame.KMOD_LSHIFT)
        assert note_of(window) == f"saved tide-00{number}.png"
        assert (tmp_path / f"tide-00{number}.png").read_bytes() == encode_png(wanted)


def test_window_s_picture_tells_the_time_of_what_it_shows(make_window: MakeWindow) -> None:
    window, playable, clock = make_window(clock_hz=1000)
    window.do(Command.PAUSE)
    window.paint()
    clock.pass_ns(S // 10)
    window.advance()
    playable.state = replace(playable.state, clock_hz=1000, cycle=playable.cycle)
    window.paint()
    assert window._scene.cells[1].value == "0:00.000"
    window.do(Command.WINDOW_PICTURE)
    assert window._scene.cells[1].value == "0:00.100"


def test_picture_that_cannot_be_saved_is_told_and_the_window_goes_on(
    make_window: MakeWindow, tmp_path: Path
) -> None:
    window, _, _ = make_window()
    window._folder = tmp_path / "missing"
    tap(window, pygame.K_F9)
    assert "found no such file or directory" in note_of(window)


def test_first_window_fits_the_units_and_the_desktop(make_window: MakeWindow) -> None:
    desktop = screen.desktop_size()
    window, _, _ = make_window()
    width, height = window._window.size
    assert width <= desktop[0] * 85 // 100
    assert height <= desktop[1] * 85 // 100
    window, _, _ = make_window(scale=2)
    window.paint()
    assert window._drawn.scale == 2


def test_larger_pixels_make_the_window_larger_where_needed(make_window: MakeWindow) -> None:
    window, _, _ = make_window(scale=2)
    window.paint()
    before = window._window.size
    for _ in range(4):
        tap(window, pygame.K_F8)
        window.paint()
    assert window._drawn.scale == 6
    after = window._window.size
    assert after > before
    tap(window, pygame.K_F7)
    window.paint()
    assert window._drawn.scale == 5
    assert window._window.size == after


def test_pixels_stay_between_one_and_what_the_desktop_has_room_for(
    make_window: MakeWindow,
) -> None:
    window, _, _ = make_window(scale=1)
    window.paint()
    tap(window, pygame.K_F7)
    assert note_of(window) == "pixels cannot be smaller"
    for _ in range(40):
        window.paint()
        tap(window, pygame.K_F8)
    assert note_of(window) == f"no room for scale {window._drawn.scale + 1}"
    size = window._window.size
    assert size <= screen.desktop_size()


def test_fit_key_follows_the_size_of_the_window_again(make_window: MakeWindow) -> None:
    window, _, _ = make_window(scale=1)
    window._window.resize((900, 700))
    window.paint()
    assert window._drawn.scale == 1
    tap(window, pygame.K_F7, modifiers=pygame.KMOD_LSHIFT)
    window.paint()
    large = window._drawn.scale
    assert large > 4
    window._window.resize((500, 400))
    window.paint()
    assert 1 <= window._drawn.scale < large


def test_full_screen_and_back_keeps_the_window_s_size(make_window: MakeWindow) -> None:
    window, _, _ = make_window()
    before = window._window.size
    tap(window, pygame.K_F11)
    window.paint()
    assert window._window.size == screen.desktop_size()
    tap(window, pygame.K_F11)
    window.paint()
    assert window._window.size == before


def test_arrange_key_stacks_units_and_back(make_window: MakeWindow) -> None:
    window, _, _ = make_window()
    tap(window, pygame.K_F10)
    assert window._scene.stacked
    window.paint()
    tap(window, pygame.K_F10)
    assert not window._scene.stacked


def replay(make_window: MakeWindow) -> tuple[PlayerWindow, FakePlayable, HandClock]:
    return make_window(clock_hz=1000, can_seek=True, end_cycle=60_000)


def test_keys_move_about_in_a_replay_and_reach_no_program(make_window: MakeWindow) -> None:
    window, playable, _ = replay(make_window)
    stops = []
    for key in (
        pygame.K_END,
        pygame.K_LEFT,
        pygame.K_PAGEUP,
        pygame.K_RIGHT,
        pygame.K_PAGEDOWN,
        pygame.K_HOME,
        pygame.K_LEFT,
    ):
        tap(window, key)
        stops.append(playable.cycle)
    assert stops == [60_000, 59_000, 49_000, 50_000, 60_000, 0, 0]
    tap(window, pygame.K_SPACE, " ")
    assert window._player.playing
    assert playable.pressed == []


def mouse(window: PlayerWindow, kind: int, x: int, y: int, **more) -> None:
    pygame.event.post(pygame.event.Event(kind, pos=(x, y), button=1, **more))
    window.handle_events()


def test_click_and_drag_on_the_time_line_go_there(make_window: MakeWindow) -> None:
    window, playable, _ = replay(make_window)
    window.paint()
    drawn = window._drawn
    assert drawn is not None
    look = Look(window._painter.texts, window._scene.sizes(*window._window.size))
    track = track_box(drawn.places.below, look, NAMES)
    y = track.top + track.height // 2
    inspector = window.instrument.inspector
    assert inspector is not None

    def x_of(cycle: int) -> int:
        view = window.instrument.state.view
        assert view is not None
        return view.x_of(inspector.edge_at(cycle), track)

    mouse(window, pygame.MOUSEMOTION, x_of(10_000), y)
    assert playable.seeks == []
    mouse(window, pygame.MOUSEBUTTONDOWN, x_of(30_000), y)
    assert playable.seeks == []
    mouse(window, pygame.MOUSEBUTTONUP, x_of(30_000), y)
    assert abs(playable.cycle - 30_000) <= 60_000 // track.width + 1
    # A drag shows every moment under the mouse, and goes on beyond the line's ends.
    mouse(window, pygame.MOUSEBUTTONDOWN, x_of(30_000), y)
    mouse(window, pygame.MOUSEMOTION, x_of(20_000), y)
    assert abs(playable.cycle - 20_000) <= 60_000 // track.width + 1
    mouse(window, pygame.MOUSEMOTION, track.right + 500, 5)
    end = playable.cycle
    assert end == inspector.cycle_at(inspector.end_edge)
    mouse(window, pygame.MOUSEBUTTONUP, 0, 5)
    mouse(window, pygame.MOUSEMOTION, x_of(0), y)
    assert playable.cycle == end


def test_the_first_mark_of_a_recording_goes_to_its_file(
    make_window: MakeWindow, tmp_path: Path
) -> None:
    """Marks of a recording that had none were forgotten when the window closed."""
    marks = Marks.beside(tmp_path / "tides.trace")
    window, playable, _ = make_window(can_seek=True, end_cycle=1_000_000, marks=marks)
    window._player.seek_to(250_000)
    tap(window, pygame.K_m, "m")
    assert window._is_held
    for letter in "bell":
        tap(window, ord(letter), letter)
    tap(window, pygame.K_RETURN)
    assert not window._is_held
    text = (tmp_path / "tides.trace.marks.toml").read_text()
    assert text == f'[[marks]]\ncycle = {playable.cycle}\nnote = "bell"\n'


def test_marks_are_set_told_and_cleared(make_window: MakeWindow) -> None:
    window, _, _ = replay(make_window)
    window._player.seek_to(12_000)
    tap(window, pygame.K_b, "b")
    assert note_of(window) == "loops from 0:12.000 to the end"
    window._player.seek_to(40_500)
    tap(window, pygame.K_e, "e")
    assert note_of(window) == "loops from 0:12.000 to 0:40.500"
    window.paint()
    tap(window, pygame.K_c, "c")
    assert note_of(window) == "no loop"


def test_status_is_asked_for_at_most_five_times_a_second_while_it_runs(
    make_window: MakeWindow,
) -> None:
    window, playable, clock = make_window()
    asked = []
    state = playable.state
    playable.status = lambda: asked.append(clock()) or state  # type: ignore[method-assign]
    window.do(Command.PAUSE)
    for _ in range(60):
        clock.pass_ns(S // 60)
        window.advance()
        window.paint()
    assert 5 <= len(asked) <= 7


def test_note_goes_after_some_seconds(make_window: MakeWindow) -> None:
    window, _, clock = make_window()
    assert note_of(window) == "F1: keys. Caution: programs may flash"
    clock.pass_ns(3 * S)
    window.paint()
    assert note_of(window)
    clock.pass_ns(2 * S)
    window.paint()
    assert note_of(window) == ""


def test_board_without_units_has_a_window_all_the_same(make_window: MakeWindow) -> None:
    window, _, _ = make_window(displays={})
    window.paint()
    assert window._drawn.scale == 1


def test_writes_show_in_the_next_picture(make_window: MakeWindow) -> None:
    display = Display(unit_with(name="dot", width_px=1, height_px=1, bits_per_pixel=8))
    window, _, _ = make_window(scale=40, displays={"dot": display})
    display.write_memory([0], [200])
    window.paint()
    picture = pygame.surfarray.array3d(window._window.surface)
    assert (picture == display.palette[200]).all(axis=2).sum() >= 40 * 40


def test_instrument_key_shows_the_panels_in_a_window_that_has_room_and_hides_them(
    make_window: MakeWindow,
) -> None:
    window, _, _ = make_window(clock_hz=1000, can_seek=True, end_cycle=60_000, scale=1)
    window._window.resize((400, 300))
    window.paint()
    tap(window, pygame.K_F12)
    assert window.instrument.is_open
    window.paint()
    desktop = screen.desktop_size()
    assert window._window.size == (min(1280, desktop[0]), min(720, desktop[1]))
    assert window._drawn is not None
    assert window._drawn.places.side.width
    tap(window, pygame.K_F12)
    window.paint()
    assert not window._drawn.places.side.width


def test_layout_is_that_of_the_last_start_but_not_the_choice_of_beginning_alone(
    tmp_path: Path,
) -> None:
    layout = tmp_path / "window.toml"
    kept = Kept(is_open=True, tab=Tab.ERRORS, side_permille=333, width_px=900, height_px=600)
    write_layout(layout, kept)
    shown(stop_after_pictures=2, layout_file=layout, alone=True)
    assert read_layout(layout) == kept
    shown(stop_after_pictures=2, layout_file=layout)
    assert read_layout(layout) == kept


def test_two_recordings_begin_with_the_panels_whatever_was_kept(tmp_path: Path) -> None:
    layout = tmp_path / "window.toml"
    kept = Kept(is_open=False, tab=Tab.ERRORS)
    write_layout(layout, kept)
    begun: list[bool] = []
    clock = HandClock()
    playable = FakePlayable(clock, displays=two_displays())
    open_window(
        playable,
        title="made up",
        clock=clock,
        wait_ns=clock.pass_ns,
        stop_after_pictures=1,
        layout_file=layout,
        inspector=FakeInspector(playable, beside=two_displays()),
        on_picture=lambda window: begun.append(window.instrument.is_open),
    )
    assert begun[0]
    # It is no choice of the user's either.
    assert read_layout(layout) == kept


def test_mouse_over_a_unit_finds_its_pixel_and_a_click_pins_it(make_window: MakeWindow) -> None:
    window, _, _ = make_window(
        clock_hz=1000, can_seek=True, end_cycle=60_000, kept=Kept(width_px=1000, height_px=700)
    )
    window.paint()
    assert window._drawn is not None
    (box,) = window._drawn.screens.boxes_of("panel", 5, 7)
    mouse(window, pygame.MOUSEMOTION, box.left + 1, box.top + 1)
    assert window.instrument.state.pixel == Pixel("panel", 5, 7)
    mouse(window, pygame.MOUSEBUTTONDOWN, box.left + 1, box.top + 1)
    mouse(window, pygame.MOUSEBUTTONUP, box.left + 1, box.top + 1)
    assert window.instrument.state.pinned == Pixel("panel", 5, 7)
    tap(window, pygame.K_ESCAPE, "\x1b")
    assert window.instrument.state.pinned is None


def test_what_is_typed_reaches_the_search_line_and_no_program(make_window: MakeWindow) -> None:
    window, playable, _ = make_window(
        clock_hz=1000,
        can_seek=True,
        hears_keys=True,
        end_cycle=60_000,
        kept=Kept(width_px=1000, height_px=700),
    )
    window.paint()
    tap(window, pygame.K_f, "\x06", pygame.KMOD_LCTRL)
    for letter in "$4020":
        tap(window, ord(letter), letter)
    tap(window, pygame.K_RETURN, "\r")
    assert playable.pressed == []
    assert window.instrument.inspector.shown_frames == 0x21
    tap(window, pygame.K_f, "f")
    assert playable.pressed == [ord("f")]


def test_help_that_has_no_room_scrolls(make_window: MakeWindow) -> None:
    """At 320 x 200 the lower half of the keys could not be read."""
    window, _, _ = make_window(can_seek=True)
    window._window.resize((320, 200))
    tap(window, pygame.K_F1)
    window.paint()
    assert window._scene.help_scroll_px == 0
    seen = {bytes(window._window.surface.get_buffer())}
    for _ in range(100):
        tap(window, pygame.K_DOWN)
        window.paint()
        seen.add(bytes(window._window.surface.get_buffer()))
    end = window._scene.help_scroll_px
    assert end > 100
    assert len(seen) > 5
    pygame.event.post(pygame.event.Event(pygame.MOUSEWHEEL, y=1, x=0))
    window.handle_events()
    assert window._scene.help_scroll_px == end - 24
    tap(window, pygame.K_a, "a")
    assert not window._scene.help_open


def test_screens_alone_have_a_place_to_click_for_panels_and_help(make_window: MakeWindow) -> None:
    """Somebody with a mouse alone had no way to either."""
    window, _, _ = make_window()
    window.paint()
    for command in (Command.INSTRUMENT, Command.HELP):
        hots = window.instrument._hots["status"]
        (box,) = [hot.box for hot in hots if hot.action == Do(command)]
        place = box.left + box.width // 2, box.top + box.height // 2
        for kind in (pygame.MOUSEBUTTONDOWN, pygame.MOUSEBUTTONUP):
            event = pygame.event.Event(kind, button=pygame.BUTTON_LEFT, pos=place)
            pygame.event.post(event)
        window.handle_events()
        window.paint()
    assert window.instrument.is_open
    assert window._scene.help_open
    assert Do(Command.INSTRUMENT) not in {hot.action for hot in window.instrument._hots["status"]}
