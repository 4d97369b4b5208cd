"""Buttons, tabs, splitters, menus, lines to type into, texts and what hovering tells."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busplay.view import theme
from busplay.view.widgets.box import Box
from busplay.view.widgets.button import Button, Icon, button_width, draw_button, draw_buttons
from busplay.view.widgets.drawing import Drawing, Fill, Hot, Polygon, Words, hot_at
from busplay.view.widgets.menu import Choice, draw_menu
from busplay.view.widgets.message import draw_message
from busplay.view.widgets.search_line import Typing, draw_search_line
from busplay.view.widgets.splitter import draw_splitter, split_px
from busplay.view.widgets.tabs import draw_tabs
from busplay.view.widgets.text_view import Line, draw_text_view
from busplay.view.widgets.tooltip import draw_tooltip
from tests.view.widgets.look import LOOK, hot_of, overlapping, texts

WINDOW = Box(0, 0, 640, 400)


def test_uppermost_hot_place_answers() -> None:
    hots = [Hot(Box(0, 0, 10, 10), "below"), Hot(Box(5, 5, 10, 10), "above")]
    assert hot_at(hots, 6, 6) is hots[1]
    assert hot_at(hots, 1, 1) is hots[0]
    assert hot_at(hots, 30, 1) is None


@given(st.integers(0, 50), st.integers(0, 50), st.integers(0, 90))
def test_boxes_are_cut_without_gap_or_overlap(width, height, cut) -> None:
    box = Box(3, 4, width, height)
    for first, second in (box.cut_left(cut), box.cut_right(cut)):
        assert first.right == second.left
        assert (first.left, second.right) == (box.left, box.right)
    for first, second in (box.cut_top(cut), box.cut_bottom(cut)):
        assert first.bottom == second.top
        assert (first.top, second.bottom) == (box.top, box.bottom)


@pytest.mark.parametrize("icon", list(Icon)[1:])
def test_button_shows_icon_label_and_keys_and_tells_the_keys(icon: Icon) -> None:
    button = Button("act", icon, "play", "F2", "play, or pause")
    box = Box(0, 0, button_width(button, LOOK), 24)
    drawing = draw_button(button, box, LOOK)
    assert texts(drawing) == ["F2", "play"]
    assert any(isinstance(one, Polygon | Fill) for one in drawing.commands[1:])
    assert hot_of(drawing, "act").tip == "play, or pause  (F2)"
    assert not overlapping(drawing)


def test_button_that_cannot_be_used_answers_nothing_and_is_grey() -> None:
    drawing = draw_button(Button("act", label="play", enabled=False), Box(0, 0, 90, 24), LOOK)
    assert drawing.hots == []
    (words,) = [one for one in drawing.commands if isinstance(one, Words)]
    assert words.colour == theme.DISABLED


def test_button_keeps_its_width_while_its_label_changes() -> None:
    widths = {
        button_width(Button("act", label=label, widest="pause"), LOOK)
        for label in ("play", "pause")
    }
    assert len(widths) == 1


def test_buttons_without_room_are_left_out_whole() -> None:
    buttons: list[Button | None] = [Button("one", label="one"), None, Button("two", label="two")]
    assert texts(draw_buttons(buttons, Box(0, 0, 300, 24), LOOK)) == ["one", "two"]
    assert texts(draw_buttons(buttons, Box(0, 0, 60, 24), LOOK)) == ["one"]
    assert texts(draw_buttons(buttons, Box(0, 0, 10, 24), LOOK)) == []


@pytest.mark.parametrize("width", [80, 200, 400, 1000])
def test_tabs_fill_their_row_and_each_opens_its_panel(width: int) -> None:
    names = ("frames", "pixel", "errors")
    drawing = draw_tabs(
        names, "pixel", Box(5, 0, width, 24), LOOK, lambda name: ("tab", name), keys=("", "", "Tab")
    )
    boxes = [hot_of(drawing, ("tab", name)).box for name in names]
    assert [box.left for box in boxes] == [5, boxes[0].right, boxes[1].right]
    assert boxes[-1].right == 5 + width
    assert not overlapping(drawing)


@given(st.integers(0, 2000), st.integers(0, 1000), st.integers(0, 300), st.integers(0, 300))
def test_split_gives_each_part_what_it_needs_if_there_is_room(whole, share, one, two) -> None:
    first = split_px(whole, share, least_first_px=one, least_second_px=two)
    assert 0 <= first <= whole
    if one + two <= whole:
        assert first >= one
        assert whole - first >= two


def test_splitter_is_easy_to_grab() -> None:
    drawing = draw_splitter(Box(100, 0, 5, 300), LOOK, "split", along="across", hovered=False)
    assert hot_of(drawing, "split").box.width == 9
    assert hot_of(drawing, "split").cursor == "across"


@given(st.integers(-50, 700), st.integers(-50, 500))
def test_tooltip_and_menu_stay_inside_the_window(x: int, y: int) -> None:
    tip = draw_tooltip(["0:01.000", "cycle 8,000,000"], (x, y), WINDOW, LOOK)
    menu = draw_menu([Choice("one", 1), Choice("two", 2, keys="O")], (x, y), WINDOW, LOOK)
    for drawing in (tip, menu):
        box = drawing.commands[0].box
        assert box.left >= 0
        assert box.top >= 0
        assert box.right <= WINDOW.right
        assert box.bottom <= WINDOW.bottom
        assert not overlapping(drawing)


def test_tooltip_that_tells_nothing_is_not_there() -> None:
    assert draw_tooltip([], (5, 5), WINDOW, LOOK) == Drawing()


@pytest.mark.parametrize("height", [40, 120, 400])
def test_menu_stands_in_columns_where_the_window_is_too_low_for_one(height: int) -> None:
    window = Box(0, 0, 900, height)
    choices = [Choice(f"choice {n}", n, keys="Shift F9") for n in range(9)]
    drawing = draw_menu(choices, (800, 300), window, LOOK)
    assert not overlapping(drawing)
    for n in range(9):
        box = hot_of(drawing, n).box
        assert window.left <= box.left < box.right <= window.right
        assert box.bottom <= window.bottom or height == 40


def test_menu_ticks_the_present_choice_and_refuses_what_cannot_be() -> None:
    choices = [Choice("one", 1, ticked=True), Choice("two", 2, enabled=False, why="not here")]
    drawing = draw_menu(choices, (5, 5), WINDOW, LOOK, chosen=0)
    assert hot_of(drawing, 1)
    assert hot_of(drawing, None).tip == "not here"


def test_typing_goes_in_at_the_cursor_and_can_be_taken_back() -> None:
    typing = Typing().typed("$40").moved(-1).typed("5")
    assert (typing.text, typing.cursor) == ("$450", 3)
    assert typing.erased().text == "$40"
    assert typing.erased(ahead=True).text == "$45"
    assert typing.moved(-9).erased() == typing.moved(-9)
    assert Typing().typed("a\tb\x07").text == "ab"
    assert len(Typing().typed("x" * 500).typed("y").text) == 200


def test_line_to_type_into_shows_hint_text_cursor_and_answer() -> None:
    box = Box(0, 0, 300, 24)
    hint = draw_search_line(Typing(hint="find"), box, LOOK, active=False, action="type", keys="F")
    assert texts(hint) == ["F", "find"]
    typed = draw_search_line(
        Typing("$4000", 5, answer="frame 3"), box, LOOK, active=True, action="type"
    )
    assert texts(typed) == ["frame 3", "$4000"]
    cursor = typed.commands[-1]
    assert isinstance(cursor, Fill)
    assert cursor.box.width == 2
    long = draw_search_line(Typing("x" * 200, 200), box, LOOK, active=True, action="type")
    assert long.commands[-1].box.right <= box.right


def test_text_view_puts_labels_and_values_in_columns() -> None:
    lines = [
        Line("panel 3, 4", heading=True),
        Line("colour", "1, 2, 3", swatch=(1, 2, 3)),
        Line("byte", "$11", action="go"),
    ]
    drawing = draw_text_view(lines, Box(0, 0, 300, 200), LOOK)
    assert texts(drawing) == ["panel 3, 4", "colour", "1, 2, 3", "byte", "$11"]
    assert hot_of(drawing, "go").box.width > 250
    assert not overlapping(drawing)
    assert texts(draw_text_view(lines, Box(0, 0, 300, 40), LOOK)) == ["panel 3, 4"]
    assert texts(draw_text_view(lines, Box(0, 0, 300, 200), LOOK, first=2)) == ["byte", "$11"]


def test_message_stands_at_the_top_as_high_as_its_lines() -> None:
    drawing = draw_message("it does not build\n  line 3: no such label", WINDOW, LOOK)
    assert texts(drawing) == ["it does not build", "  line 3: no such label"]
    panel = drawing.commands[0]
    assert isinstance(panel, Fill)
    assert panel.box.top == WINDOW.top + 8
    assert panel.box.height == 2 * 20 + 2 * 8
    assert not overlapping(drawing)
    assert not draw_message("", WINDOW, LOOK).commands


def test_message_without_room_says_how_many_lines_are_left_out() -> None:
    lines = [f"error {number}" for number in range(100)]
    drawing = draw_message("\n".join(lines), Box(0, 0, 300, 132), LOOK)
    assert texts(drawing) == ["error 0", "error 1", "error 2", "error 3", "… 96 more lines"]


def test_line_that_is_cut_tells_all_of_it_when_it_is_hovered() -> None:
    long = "a_label_with_a_very_long_name+12"
    lines = [Line("at", long, action=1, tip="go there"), Line(long), Line("at", "$40", action=2)]
    drawing = draw_text_view(lines, Box(0, 0, 150, 200), LOOK)
    assert not {long} & set(texts(drawing))
    assert hot_of(drawing, 1).tip == f"{long}\ngo there"
    assert hot_of(drawing, None).tip == long
    assert hot_of(drawing, 2).tip == ""
