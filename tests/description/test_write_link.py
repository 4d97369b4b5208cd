"""A link that is written reads back as the same link."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings

from busplay.description.link import Link
from busplay.description.write_link import link_toml
from busplay.link.layout import FrameLayout
from busplay.link.load import load_link, parse_link
from tests.strategies import links

SHIPPED = ("guarded", "lean", "strobed", "marked", "serial")


@given(link=links())
@settings(max_examples=100)
def test_any_sound_link_reads_back_the_same(link: Link) -> None:
    # No file says what a marker overwrites, and files keep what a check covers in wire order.
    layout = FrameLayout(link)
    word = np.array([layout.idle_word], np.uint64)
    carried = {name: int(layout.unpack_field(word, name)[0]) for name in link.idle}
    link = replace(link, idle={name: value for name, value in carried.items() if value})
    if link.check is not None:
        names = (one.name for one in link.fields)
        covers = tuple(name for name in names if name in link.check.covers)
        link = replace(link, check=replace(link.check, covers=covers))
    assert parse_link(link_toml(link), file=link.file) == link


@pytest.mark.parametrize("name", SHIPPED)
def test_shipped_link_reads_back_the_same(name: str) -> None:
    link = load_link(name)
    assert parse_link(link_toml(link), file=link.file) == link


def test_name_and_description_keep_quotes_lines_and_odd_characters() -> None:
    link = replace(load_link("lean"), name='a "b" \\ c', description="two\nlines, Ä, “x”")
    assert parse_link(link_toml(link), file=link.file) == link


def test_file_of_a_strobed_link_stands_as_a_person_writes_it() -> None:
    text = link_toml(load_link("serial"))
    assert text.startswith('name = "serial"\ndescription = "One lane and a select')
    assert "\nlanes = 1\n" in text
    assert "\nclock_hz = 40_000_000\n" in text
    assert text.endswith(
        '[check]\nfield = "check"\nkind = "crc4_g704"\nxor = 0x5\n\n'
        '[framing]\nmethod = "strobe"\nspan = "frame"\nactive = "low"\ngap_symbols = 2\n'
    )
