"""Palettes: by name, as an array, from a file; filled up from the depth's default."""

from __future__ import annotations

from pathlib import Path

import pytest

from busplay.description.palettes import DEFAULT_OF_DEPTH, GRAYS, HTML16, RGB332, Colour
from busplay.description.read_palette import parse_palette
from busplay.errors import DescriptionError
from busplay.link.load import parse_board
from tests.description.writing import BOARD, edited

DEPTHS = (1, 2, 4, 8)


def palette_of(line: str, depth: int, folder: Path = Path("/no/such")) -> tuple[Colour, ...]:
    text = edited(
        BOARD,
        ("bits_per_pixel = 4", f"bits_per_pixel = {depth}\n{line}"),
        ("0x5FFF", "0x40FF"),
    )
    return parse_board(text, file="x.toml", folder=folder).units[0].palette


@pytest.mark.parametrize("depth", DEPTHS)
def test_depth_has_a_default_palette_of_all_its_colours(depth: int) -> None:
    assert palette_of("", depth) == DEFAULT_OF_DEPTH[depth]
    assert len(DEFAULT_OF_DEPTH[depth]) == 2**depth


def test_defaults_are_black_and_white_four_greys_html_and_rgb332() -> None:
    assert palette_of("", 1) == ((0, 0, 0), (255, 255, 255))
    assert palette_of("", 2) == ((0,) * 3, (85,) * 3, (170,) * 3, (255,) * 3)
    assert palette_of("", 4) == HTML16
    assert palette_of("", 8) == RGB332


@pytest.mark.parametrize("depth", DEPTHS)
def test_gray_has_as_many_colours_as_the_depth(depth: int) -> None:
    assert palette_of('palette = "gray"', depth) == GRAYS[depth]


def test_array_shorter_than_the_depth_is_filled_from_the_default() -> None:
    colours = palette_of('palette = ["#010203", "#aAbBcC"]', 2)
    assert colours == ((1, 2, 3), (0xAA, 0xBB, 0xCC), (170,) * 3, (255,) * 3)


def test_named_palette_shorter_than_the_depth_is_filled_from_the_default() -> None:
    assert palette_of('palette = "html16"', 8) == HTML16 + RGB332[16:]


def test_file_holds_one_colour_a_line_and_notes_after_a_semicolon(tmp_path: Path) -> None:
    (tmp_path / "sea.txt").write_text(
        "; the sea at night\r\n#001020\r\n\r\n  #0A0B0C ; foam\r\n", encoding="utf-8"
    )
    assert palette_of('palette = "sea.txt"', 1, tmp_path) == ((0, 0x10, 0x20), (10, 11, 12))


def test_file_with_too_many_colours_is_refused(tmp_path: Path) -> None:
    (tmp_path / "sea.txt").write_text("#001020\n" * 3, encoding="utf-8")
    with pytest.raises(DescriptionError) as caught:
        palette_of('palette = "sea.txt"', 1, tmp_path)
    assert str(caught.value) == (
        "x.toml: units.panel.palette: found 3 colours; with 1 bit a pixel give 2 or fewer"
    )


def test_wrong_line_of_a_file_is_named(tmp_path: Path) -> None:
    path = tmp_path / "sea.txt"
    path.write_text("#001020\nblue\n", encoding="utf-8")
    with pytest.raises(DescriptionError) as caught:
        palette_of('palette = "sea.txt"', 1, tmp_path)
    assert str(caught.value) == (
        f'{path}: line 2: found "blue"; give a colour as #RRGGBB, two hex digits for each of red, '
        "green, blue; notes follow a semicolon"
    )


def test_file_without_colours_is_refused() -> None:
    with pytest.raises(DescriptionError) as caught:
        parse_palette("; nothing\n", file="sea.txt")
    assert str(caught.value) == (
        "sea.txt: found no colours; give at least one, as #RRGGBB on a line"
    )


def test_palette_that_is_a_directory_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DescriptionError) as caught:
        palette_of('palette = "."', 1, tmp_path)
    assert str(caught.value) == f"{tmp_path}: found a directory; give the path of a file"
