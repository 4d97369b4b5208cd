"""What a notebook shows of results: a screen's pixels, a report's verdict; names are text."""

from __future__ import annotations

import io
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

import busplay
from busplay.demo.programs import shipped_file


class TextOf(HTMLParser):
    """Collects the tags and the text of HTML."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.text = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)

    def handle_data(self, data: str) -> None:
        self.text += data


def test_display_is_a_picture_of_its_pixels_enlarged_by_a_whole_number() -> None:
    session = busplay.Session("dunlin", program="tides")
    session.run(800_000)
    for unit, scale in (("panel", 2), ("sign", 4)):
        display = session.display(unit)
        with Image.open(io.BytesIO(display._repr_png_())) as picture:
            shown = np.array(picture.convert("RGB"))
        assert np.array_equal(shown[::scale, ::scale], display.image())
        assert np.array_equal(shown, display.image().repeat(scale, 0).repeat(scale, 1))


@pytest.mark.thorough
def test_check_report_shows_its_verdict_and_what_decided_it() -> None:
    html = TextOf(busplay.check("lean")._repr_html_())
    assert html.tags == ["div", "p", "strong", "pre"]
    assert html.text.startswith("✓ Link lean is sound: ")
    assert "weakness" in html.text.partition(": ")[2]


def test_comparison_shows_its_verdict_and_names_as_text(tmp_path: Path) -> None:
    trace = shipped_file("traces", "fill.trace")
    equal = busplay.compare(trace, trace)
    assert TextOf(equal._repr_html_()).text.startswith("✓ equal: ")
    received = tmp_path / "received.trace"
    noise = busplay.Faults(ber=1e-4, seed=3)
    with busplay.Replay(trace, faults=noise, record_received=received) as replay:
        replay.run(1_000_000)
    hostile = replace(busplay.compare(trace, received), actual="<script>x</script>&amp;.trace")
    html = TextOf(hostile._repr_html_())
    assert html.tags == ["div", "p", "strong", "pre"]
    assert html.text.startswith("✗ DIFFERENT: ")
    assert "&amp;.trace (actual) against fill.trace (expected)" in html.text
