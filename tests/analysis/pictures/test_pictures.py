"""Pictures of frames: what they show is what goes over the wires."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings

from busplay.analysis.pictures.frame_svg import frame_svg
from busplay.analysis.pictures.timing import example_word, timing_of
from busplay.analysis.pictures.timing_text import timing_text
from busplay.description.link import Link
from busplay.description.shipped_files import shipped_links
from busplay.explain.link_facts import link_facts
from busplay.link.layout import FrameLayout
from busplay.link.load import load_link
from busplay.wording import counted
from tests.strategies import links

LINE_CHARACTERS = 80
SVG = "{http://www.w3.org/2000/svg}"

LEAN = """\
One frame between idle ones: space 1, address $1234, data $56
          .   .   .   .   0   1   2   3   4   5   6   7   .   .   .   .
  clock  __/~~~\\___/~~~\\___/~~~\\___/~~~\\___/~~~\\___/~~~\\___/~~~\\___/~~~\\_
  lane 3 ________________________________________________________________
  lane 2 ____________/~~~~~~~\\___________/~~~~~~~~~~~~~~~\\_______________
  lane 1 ________________________/~~~~~~~\\_______/~~~\\___________________
  lane 0 ____________/~~~\\___/~~~\\___/~~~\\___/~~~\\___/~~~\\_______________"""

STROBED_TOP = """\
          .   .   .   .   0   1   2   3   4   .   .   .   .
  clock  __/~\\_/~\\_/~\\_/~\\_/~\\_/~\\_/~\\_/~\\_/~\\_/~\\_/~\\_/~\\_/~
  strobe ________________/~~~\\_______________________________
"""


def test_timing_of_lean_in_text() -> None:
    # The word is 0x41234565 between idle frames of 0x00000005, a hex digit a symbol.
    assert timing_text(load_link("lean")) == LEAN


def test_timing_of_a_strobe_and_a_clock_that_is_sampled_once_a_cycle() -> None:
    assert STROBED_TOP in timing_text(load_link("strobed"))


def test_falling_edges_are_drawn_falling() -> None:
    link = replace(load_link("strobed"), edges="falling")
    assert set(timing_of(link).edges) == {"falling"}
    clock = timing_text(link).splitlines()[2]
    assert clock.split()[1].startswith("~~\\_/~\\_/~\\_")


@settings(deadline=None, max_examples=40, suppress_health_check=[HealthCheck.too_slow])
@given(links())
def test_wires_carry_the_frame_between_idle_symbols(link: Link) -> None:
    layout = FrameLayout(link)
    timing = timing_of(link)
    word, _ = example_word(layout)
    symbols = sum(
        np.array(wire.levels) << (layout.lanes if wire.name == "strobe" else int(wire.name[5:]))
        for wire in timing.wires
    )
    frame = symbols[timing.frame_first : timing.frame_stop]
    sent = layout.to_symbols(np.array([word], np.uint64))[: layout.frame_symbols]
    assert frame.tolist() == sent.tolist()
    before = symbols[: timing.frame_first]
    assert before.tolist() == layout.idle_symbols[-len(before) :].tolist()
    assert len(symbols) == len(timing.edges) <= layout.frame_symbols + 8
    assert max(len(line) for line in timing_text(link).splitlines()) <= LINE_CHARACTERS


def test_long_gap_behind_a_frame_is_not_drawn_out() -> None:
    link = load_link("serial")
    wide = replace(link, framing=replace(link.framing, gap_symbols=4_096))
    assert len(timing_of(wide).edges) == 4 + 32 + 4


@pytest.mark.parametrize("name", shipped_links())
def test_svg_names_every_bit_once_and_draws_every_wire(name: str) -> None:
    link = load_link(name)
    facts = link_facts(link)
    root = ET.fromstring(frame_svg(link))
    texts = [one.text for one in root.iter(f"{SVG}text")]
    for field in facts.fields:
        for bit in range(field.bits):
            assert texts.count(f"{field.code}{bit}") == 1
    timing = timing_of(link)
    assert len(list(root.iter(f"{SVG}path"))) == len(timing.wires) + 1
    for wire in timing.wires:
        # A lane has a row in both pictures, the strobe in one.
        assert texts.count(wire.name) == (1 if wire.name == "strobe" else 2)


@settings(deadline=None, max_examples=30, suppress_health_check=[HealthCheck.too_slow])
@given(links())
def test_svg_of_any_link_is_one_picture_in_which_nothing_leaves_the_sheet(link: Link) -> None:
    root = ET.fromstring(frame_svg(link))
    width, height = float(root.attrib["width"]), float(root.attrib["height"])
    title = root.find(f"{SVG}title")
    assert title is not None
    bits, lanes = counted(link.frame_bits, "bit"), counted(link.lanes, "lane")
    assert title.text == f"Frame of link {link.name}: {bits} on {lanes}"
    for one in root.iter(f"{SVG}rect"):
        x, y = float(one.attrib.get("x", 0)), float(one.attrib.get("y", 0))
        assert x + float(one.attrib["width"]) <= width
        assert y + float(one.attrib["height"]) <= height


def test_svg_escapes_what_a_link_is_called() -> None:
    link = replace(load_link("lean"), name="a<b & c")
    assert ET.fromstring(frame_svg(link))[0].text == "Frame of link a<b & c: 32 bits on 4 lanes"
