from __future__ import annotations

from dataclasses import replace

import numpy as np
import pygame
import pytest

from busplay.description.board import Unit
from busplay.display.arrangement import arrange
from busplay.display.display import Display
from busplay.link.load import load_board
from busplay.player.marks import Marks
from busplay.player.player import Player
from busplay.view import theme
from busplay.view.draw import Painter, Scene
from busplay.view.help import CAUTION, CAUTION_TITLE
from busplay.view.instrument.instrument import Instrument
from busplay.view.instrument.state import InstrumentState, Kept
from busplay.view.picture import shrunk
from busplay.view.screens import PlacedScreens, Screens, ShownScreen, layouts_compared
from busplay.view.status_line import status_cells
from busplay.view.text import Texts
from busplay.view.theme import Sizes
from busplay.view.widgets.box import Box
from tests.player.fake_inspector import FakeInspector
from tests.player.fakes import FakePlayable, HandClock
from tests.view.conftest import two_displays

pytestmark = pytest.mark.usefixtures("opened")

SIZES = [(320, 200), (400, 300), (640, 480), (1024, 768), (1920, 1080), (300, 900), (3840, 2160)]


def scene_of(*, replay: bool = False, is_open: bool = False, **options) -> Scene:
    clock = HandClock()
    playable = FakePlayable(
        clock, displays=two_displays(), can_seek=replay, end_cycle=1_000_000 if replay else None
    )
    player = Player(playable, clock)
    inspector = FakeInspector(playable) if replay else None
    state = InstrumentState(kept=Kept(is_open=is_open))
    instrument = Instrument(player, inspector, Marks(), state, lambda text: None)
    return Scene(instrument, cells=status_cells(player, playable.state), **options)


def painted(size: tuple[int, int], scene: Scene) -> tuple[np.ndarray, int]:
    surface = pygame.Surface(size, depth=32)
    drawn = Painter().paint(surface, scene)
    return pygame.surfarray.array3d(surface).swapaxes(0, 1), drawn.scale


def places_of(picture: np.ndarray, image: np.ndarray, scale: int) -> list[tuple[int, int]]:
    """Find where an image stands in a picture, enlarged."""
    large = image.repeat(scale, axis=0).repeat(scale, axis=1)
    height, width = large.shape[:2]
    found = []
    last_row, last_column = picture.shape[0] - height + 1, picture.shape[1] - width + 1
    candidates = (picture[:last_row, :last_column] == large[0, 0]).all(axis=2)
    candidates &= (picture[height - 1 :, width - 1 :] == large[-1, -1]).all(axis=2)
    candidates &= (picture[height - 1 :, :last_column] == large[-1, 0]).all(axis=2)
    candidates &= (picture[:last_row, width - 1 :] == large[0, -1]).all(axis=2)
    for y, x in np.argwhere(candidates):
        if (picture[y : y + height, x : x + width] == large).all():
            found.append((int(x), int(y)))
    return found


@pytest.mark.parametrize("size", [(640, 480), (1024, 768)])
@pytest.mark.parametrize("stacked", [False, True])
def test_every_unit_is_shown_at_one_scale_in_its_place(size, stacked) -> None:
    scene = scene_of(stacked=stacked)
    picture, scale = painted(size, scene)
    displays = scene.instrument.player.playable.displays
    (panel,) = places_of(picture, displays["panel"].image(), scale)
    (sign,) = places_of(picture, displays["sign"].image(), scale)
    border = 2 * scale
    if stacked:
        assert sign[0] == panel[0] - border
        assert sign[1] > panel[1] + 48 * scale + border
    else:
        assert sign[1] == panel[1] - border
        assert sign[0] > panel[0] + 64 * scale + border
    x, y = panel
    assert (picture[y - border : y, x : x + 64 * scale] == displays["panel"].border_rgb).all()


def test_scale_is_the_largest_that_fits_or_the_one_asked_for() -> None:
    _, fitting = painted((1024, 768), scene_of())
    assert fitting > 4
    # One more would not fit, even without bars and captions.
    units = scene_of().units
    larger = arrange(units, scale=fitting + 2, gap_px=0)
    assert larger.width_px > 1024 or larger.height_px > 768
    _, asked = painted((1024, 768), scene_of(scale=2))
    assert asked == 2


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("replay", [False, True])
@pytest.mark.parametrize("help_open", [False, True])
@pytest.mark.parametrize("is_open", [False, True])
def test_any_size_of_window_can_be_painted(size, replay, help_open, is_open) -> None:
    scene = scene_of(replay=replay, is_open=is_open, help_open=help_open, note="saved tide-001.png")
    picture, scale = painted(size, scene)
    assert picture.shape == (size[1], size[0], 3)
    assert scale >= 1


@pytest.mark.parametrize("scale", [1, 2, 3, 5, 9])
@pytest.mark.parametrize("replay", [False, True])
def test_window_that_is_asked_for_a_scale_has_room_for_just_that(scale, replay) -> None:
    scene = scene_of(replay=replay)
    size = Painter().window_size_for(scene, scale, (640, 480))
    _, fitting = painted(size, scene)
    assert fitting == scale
    _, smaller = painted((size[0] - 1, size[1] - 1), scene)
    assert smaller == max(1, scale - 1)


def test_picture_larger_than_the_window_is_cut_not_refused() -> None:
    picture, scale = painted((320, 200), scene_of(scale=9))
    assert scale == 9
    assert (picture[-1] == theme.BAR).all()


def test_time_line_is_there_for_a_recording_only() -> None:
    surface = pygame.Surface((640, 480), depth=32)
    assert not Painter().paint(surface, scene_of()).places.below.height
    assert Painter().paint(surface, scene_of(replay=True)).places.below.height


def test_picture_that_would_be_the_same_is_not_painted_again() -> None:
    surface = pygame.Surface((1024, 768), depth=32)
    scene, painter = scene_of(replay=True, is_open=True), Painter()
    assert painter.paint(surface, scene).is_new
    assert not painter.paint(surface, scene).is_new
    scene.note = "saved"
    assert painter.paint(surface, scene).is_new
    scene.instrument.player.seek_to(1000)
    assert painter.paint(surface, scene).is_new
    assert not painter.paint(surface, scene).is_new
    painter.forget()
    assert painter.paint(surface, scene).is_new


@pytest.mark.parametrize("size", [(320, 200), (400, 300), (640, 480), (1024, 768), (1920, 1080)])
@pytest.mark.parametrize("replay", [False, True])
def test_help_shows_caution_and_keys_inside_the_window(monkeypatch, size, replay) -> None:
    drawn: list[tuple[pygame.Surface, str, pygame.Rect]] = []
    draw = Texts.draw

    def watched(self, target, text, place, *, size_px, colour):
        width = draw(self, target, text, place, size_px=size_px, colour=colour)
        drawn.append((target, text, pygame.Rect(*place, width, self.height(size_px))))
        return width

    monkeypatch.setattr(Texts, "draw", watched)
    scene = scene_of(replay=replay, help_open=True)
    scene.cells = scene.cells[:1]
    surface = pygame.Surface(size, depth=32)
    Painter().paint(surface, scene)
    # The last panel that was made is the one that is shown.
    panel = next(target for target, _, _ in reversed(drawn) if target is not surface)
    texts = [text for target, text, _ in drawn if target is panel]
    assert CAUTION_TITLE in texts
    assert CAUTION in " ".join(texts)
    rows = scene.instrument.help_rows
    assert all(row.keys in texts and row.does in texts for row in rows)
    assert all(panel.get_rect().contains(place) for target, _, place in drawn if target is panel)
    if size[0] >= 400:
        assert panel.get_width() <= size[0]
        assert panel.get_height() <= size[1]


def test_long_note_is_shortened_to_the_window() -> None:
    texts = Texts()
    short = texts.shortened("a very long name of a file " * 9, 20, 200)
    assert short.endswith("…")
    assert texts.width(short, 20) <= 200
    assert texts.shortened("short", 20, 200) == "short"
    assert texts.shortened("short", 20, 0) == ""


def test_wrapped_lines_fit_and_keep_every_word() -> None:
    texts = Texts()
    lines = texts.wrapped(CAUTION, 20, 300)
    assert " ".join(lines) == CAUTION
    assert all(texts.width(line, 20) <= 300 for line in lines)
    assert texts.wrapped("", 20, 300) == []


def compared(size: tuple[int, int]) -> tuple[list[str], PlacedScreens]:
    displays = [Display(unit) for unit in load_board("dunlin").units]
    layouts = layouts_compared(
        [
            [
                ShownScreen(one, f"{one.unit.name}: {what}")
                for what in ("expected", "actual", "diff")
            ]
            for one in displays
        ]
    )
    units = [[[[one.display.unit for one in c] for c in row] for row in one] for one in layouts]
    sizes = Sizes.for_instrument(1280, 720, big=False)
    index, placed = Screens(Texts()).choose(units, Box(0, 0, *size), sizes, scale=None)
    return [one.title for row in layouts[index] for column in row for one in column], placed


@pytest.mark.parametrize("size", [(696, 486), (860, 486), (440, 800), (1300, 700), (900, 320)])
def test_all_pictures_compared_are_seen_whole_where_any_layout_has_room(size) -> None:
    # At 1280 x 720 the third picture was cut at the right edge.
    titles, placed = compared(size)
    assert sorted(titles) == sorted(
        f"{unit}: {what}" for unit in ("panel", "sign") for what in ("expected", "actual", "diff")
    )
    for place in placed.arrangement.places:
        assert placed.left_px + place.left_px >= 0
        assert placed.left_px + place.left_px + place.width_px <= size[0]
        assert placed.top_px + place.top_px + place.height_px <= size[1]


def test_pictures_compared_stand_in_a_row_for_each_unit_where_there_is_room() -> None:
    titles, placed = compared((1300, 700))
    assert titles[0:3] == ["panel: expected", "panel: actual", "panel: diff"]
    tops = [place.top_px for place in placed.arrangement.places]
    assert tops[0] == tops[1] == tops[2] < tops[3] == tops[4] == tops[5]


@pytest.mark.parametrize(
    ("width_px", "expected", "is_small"),
    [
        (200, ["sign: expected", "sign: actual", "sign: difference"], False),
        (90, ["sign: expected", "sign: actual", "sign: difference"], True),
        (70, ["expected", "actual", "difference"], True),
    ],
)
def test_titles_of_small_pictures_are_small_then_short_and_alike(
    width_px: int, expected: list[str], is_small: bool
) -> None:
    """At 1024 x 720 a sign's stood as `sign: exp…`."""
    display = Display(load_board("dunlin").unit_named("sign"))
    shown = [ShownScreen(display, f"sign: {what}") for what in ("expected", "actual", "difference")]
    place = arrange([display.unit], scale=1, gap_px=0).places[0]
    places = [replace(place, width_px=width_px)] * 3
    sizes = Sizes.for_instrument(1024, 720, big=False)
    titles = Screens(Texts())._titles(shown, places, sizes)
    size_px = sizes.small_px if is_small else sizes.text_px
    assert titles == [(text, size_px) for text in expected]


@pytest.mark.parametrize("size", [(430, 160), (300, 260), (320, 140)])
def test_pictures_without_room_are_shown_smaller_and_whole(size: tuple[int, int]) -> None:
    """At 320 x 200 the second unit was cut at the window's edge."""
    titles, placed = compared(size)
    assert placed.shrink > 1
    assert len(titles) == len(placed.arrangement.places) == 6
    for place in placed.arrangement.places:
        assert placed.left_px + place.left_px + place.width_px <= size[0]
        assert placed.top_px + place.top_px + place.height_px <= size[1]
        middle = placed.left_px + place.picture_left_px + place.unit.width_px // 2
        found = placed.pixel_at(middle, placed.top_px + place.picture_top_px)
        assert found is not None
        name, x, y = found
        assert (name, y) == (place.unit.name, 0)
        assert any(box.left == middle for box in placed.boxes_of(name, x, y))


def test_units_that_fit_stand_as_asked_for_and_others_as_they_fit() -> None:
    displays = [Display(unit) for unit in load_board("dunlin").units]
    units = [one.unit for one in displays]
    screens, sizes = Screens(Texts()), Sizes.for_instrument(1280, 720, big=False)
    in_row: list[list[list[Unit]]] = [[[one] for one in units]]
    assert screens.has_room(in_row, Box(0, 0, 600, 400), sizes)
    narrow = Box(0, 0, 320, 400)
    assert not screens.has_room(in_row, narrow, sizes)
    chosen, placed = screens.choose([in_row, [[units]]], narrow, sizes, scale=None)
    assert (chosen, placed.scale, placed.shrink) == (1, 1, 1)


def test_shrunk_picture_has_the_mean_of_its_pixels() -> None:
    image = np.zeros((5, 4, 3), np.uint8)
    image[:2, :2] = [[[100, 0, 10], [200, 0, 20]], [[100, 0, 10], [200, 0, 20]]]
    image[4] = 40
    found = shrunk(image, 2)
    assert found.shape == (3, 2, 3)
    assert found[0].tolist() == [[150, 0, 15], [0, 0, 0]]
    assert found[2].tolist() == [[40] * 3] * 2
