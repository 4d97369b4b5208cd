"""Eyes as pictures: the same boxes and texts as SVG and as pixels."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from pathlib import Path

import numpy as np
import pytest

from busplay.capture.eye import LaneEye, lane_eye
from busplay.errors import OutputError
from busplay.export.eye import BAR, OPEN, eyes_image, eyes_svg, write_eyes


def some_eyes() -> list[LaneEye]:
    counts = np.zeros(256, np.int64)
    counts[60:66] = 900
    counts[188:194] = 900
    quiet = np.zeros(256, np.int64)
    return [
        lane_eye(counts, wire="lane0", signal="top.<d0>", sample_at_ps=-1_500, period_ps=62_500),
        lane_eye(quiet, wire="strobe", signal="cs", sample_at_ps=0, period_ps=62_500),
    ]


def test_svg_is_well_formed_and_says_each_wire_its_moment_and_its_margins() -> None:
    svg = eyes_svg(some_eyes(), title="Eyes of a <b> & c")
    texts = [one.text or "" for one in ElementTree.fromstring(svg).iter() if one.text]
    for wanted in (
        "Eyes of a <b> & c",
        "lane0",
        "top.<d0>",
        "read at -1.50 ns",
        "usual 30.3 + 29.3 ns",
        "never changes",
        "-62.5 ns",
    ):
        assert wanted in texts


def test_pixels_show_what_the_svg_has_at_the_same_places() -> None:
    image = eyes_image(some_eyes())
    root = ElementTree.fromstring(eyes_svg(some_eyes()))
    assert image.shape == (int(root.attrib["height"]), int(root.attrib["width"]), 3)
    boxes = [one for one in root.iter() if one.tag.endswith("rect") and "x" in one.attrib]
    bars = [one for one in boxes if one.attrib["fill"] == "#{:02X}{:02X}{:02X}".format(*BAR)]
    assert len(bars) == 12
    for bar in bars:
        x, y, width, height = (int(bar.attrib[n]) for n in ("x", "y", "width", "height"))
        assert (image[y : y + height, x : x + width] == BAR).all()
    # The opening between the bars is shaded.
    assert (image == OPEN).all(axis=2).sum() > 10_000


def test_a_picture_that_cannot_be_written_says_so_and_leaves_nothing(tmp_path: Path) -> None:
    (tmp_path / "taken.svg").mkdir()
    with pytest.raises(OutputError) as failure:
        write_eyes(tmp_path / "taken.svg", some_eyes())
    assert str(failure.value) == (
        f"{tmp_path / 'taken.svg'}: found is a directory; give a place that can be written to"
    )
    assert [one.name for one in tmp_path.iterdir()] == ["taken.svg"]
