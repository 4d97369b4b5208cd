from __future__ import annotations

import os
import struct
from pathlib import Path

import numpy as np
import pytest

from busplay.display.arrangement import GAP_PX, GAP_RGB, compose
from busplay.display.display import Display
from busplay.errors import OutputError
from busplay.png import encode_png, write_numbered_png, write_png
from tests.display.cases import unit_with

IMAGE = np.arange(5 * 7 * 3, dtype=np.uint8).reshape(5, 7, 3)


def test_same_picture_gives_the_same_bytes() -> None:
    assert encode_png(IMAGE) == encode_png(IMAGE.copy())


def test_indexes_are_packed_as_narrow_as_the_palette_allows() -> None:
    depth_at = 24
    for colours, bits in ((2, 1), (3, 2), (4, 2), (5, 4), (16, 4), (17, 8), (256, 8)):
        data = encode_png(np.zeros((2, 3), np.uint8), palette=np.zeros((colours, 3), np.uint8))
        assert data[depth_at] == bits


@pytest.mark.parametrize(
    ("image", "palette", "message"),
    [
        (np.zeros((2, 2), np.uint8), None, r"\[rows, columns, 3\], not \(2, 2\)"),
        (np.zeros((2, 2, 3), np.uint8), np.zeros((2, 3), np.uint8), "do not match"),
        (
            np.full((2, 2), 2, np.uint8),
            np.zeros((2, 3), np.uint8),
            "index 2 is not one of 2 colours",
        ),
    ],
)
def test_impossible_picture_is_refused(image, palette, message) -> None:
    with pytest.raises(ValueError, match=message):
        encode_png(image, palette=palette)


def test_write_replaces_a_file_and_leaves_nothing_beside_it(tmp_path: Path) -> None:
    target = tmp_path / "shot.png"
    target.write_bytes(b"old")
    write_png(target, IMAGE)
    assert target.read_bytes() == encode_png(IMAGE)
    assert os.listdir(tmp_path) == ["shot.png"]  # noqa: PTH208


def test_file_that_cannot_be_written_is_an_output_error(tmp_path: Path) -> None:
    target = tmp_path / "missing" / "shot.png"
    with pytest.raises(OutputError) as caught:
        write_png(target, IMAGE)
    assert str(caught.value) == (
        f"{target}: found no such file or directory; give a place that can be written to"
    )
    with pytest.raises(OutputError, match="no such file or directory"):
        write_numbered_png(tmp_path / "missing", "shot", IMAGE)


def test_failed_write_keeps_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = tmp_path / "shot.png"
    target.write_bytes(b"old")

    def full(self: Path, data: bytes) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(OutputError, match="no space left on device"):
        write_png(target, IMAGE)
    assert target.read_bytes() == b"old"
    with pytest.raises(OutputError, match="no space left on device"):
        write_numbered_png(tmp_path, "other", IMAGE)
    assert [path.name for path in tmp_path.iterdir()] == ["shot.png"]


def test_numbered_pictures_never_overwrite(tmp_path: Path) -> None:
    (tmp_path / "tide-002.png").write_bytes(b"mine")
    names = [write_numbered_png(tmp_path, "tide", IMAGE).name for _ in range(3)]
    assert names == ["tide-001.png", "tide-003.png", "tide-004.png"]
    assert (tmp_path / "tide-002.png").read_bytes() == b"mine"
    assert (tmp_path / "tide-003.png").read_bytes() == encode_png(IMAGE)


def test_header_says_width_then_height() -> None:
    assert struct.unpack(">II", encode_png(IMAGE)[16:24]) == (7, 5)


def test_composed_units_stand_side_by_side_with_their_borders() -> None:
    panel = Display(unit_with(name="panel", border_px=1, border_index=3))
    sign = Display(unit_with(name="sign", width_px=2, height_px=1, bits_per_pixel=8))
    panel.write_memory([0], [0x12])
    sign.write_memory([0, 1], [9, 200])
    picture = compose([panel, sign])
    assert picture.shape == (4, 10 + GAP_PX + 2, 3)
    assert (picture[1:3, 1:9] == panel.image()).all()
    assert picture[0, :10].tolist() == [list(panel.unit.palette[3])] * 10
    assert (picture[:, 10 : 10 + GAP_PX] == GAP_RGB).all()
    assert (picture[0:1, 10 + GAP_PX :] == sign.image()).all()
    assert (picture[1:, 10 + GAP_PX :] == GAP_RGB).all()


def test_one_unit_without_border_is_its_picture() -> None:
    display = Display(unit_with())
    assert (compose([display]) == display.image()).all()
