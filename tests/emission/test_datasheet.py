"""The data sheet: true to the wire, whole in both forms, and a page that anybody can read."""

from __future__ import annotations

import re
import subprocess
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings

import busplay
from busplay.emission.datasheet.blocks import Grid
from busplay.emission.datasheet.frame import example_sections
from tests.browser import Watched
from tests.emission.firmware import missing, model_of
from tests.naive.receiver import NaiveLink, number
from tests.strategies import links

SHIPPED = ("guarded", "lean", "marked", "serial", "strobed")


class Text(HTMLParser):
    """The words of a page, without its style and drawings."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.words: list[str] = []
        self.tags: list[str] = []
        self.inside: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        if tag in ("style", "svg", "nav", "title"):
            self.inside.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if self.inside and self.inside[-1] == tag:
            self.inside.pop()

    def handle_data(self, data: str) -> None:
        if not self.inside:
            self.words += data.split()


def sheet(name: str, folder: Path) -> Path:
    busplay.emit(name, folder, only=["datasheet"])
    return folder / "datasheet"


def test_both_forms_say_the_same_and_name_their_drawings(tmp_path: Path) -> None:
    folder = sheet("strobed", tmp_path)
    page = (folder / "strobed.html").read_text(encoding="utf-8")
    text = (folder / "strobed.md").read_text(encoding="utf-8")
    drawings = re.findall(r"!\[.*\]\((.*)\)", text)
    assert drawings == ["strobed_layout.svg", "strobed_memory.svg", "strobed_register.svg"]
    for name in drawings:
        svg = (folder / name).read_text(encoding="utf-8")
        ElementTree.fromstring(svg)
        assert svg.partition("-->\n")[2] in page
    plain = re.sub(r"\\(.)", r"\1", re.sub(r"[|#>*]|---:|---|!\[|\]\(.*\)", " ", text))
    found = {word.strip(".,`") for word in plain.split()}
    missing = {word.strip(".,") for word in Text(page).words} - found
    assert missing <= {"", "·", "from"}
    for heading in ("Purpose", "Pins and levels", "Timing requirements", "Sync and errors"):
        assert f"## {heading}\n" in text
    for caution in ("Levels", "Power", "Static"):
        assert f"**Caution:** {caution}. " in text


@settings(max_examples=60)
@given(link=links())
def test_worked_examples_are_what_a_slow_sender_puts_on_the_wires(link: busplay.Link) -> None:
    model = model_of(link)
    naive = NaiveLink(link)
    for section in list(example_sections(model))[1:]:
        fields, edges = [block for block in section.blocks if isinstance(block, Grid)]
        values = {row[0]: int(row[1]) for row in fields.rows}
        bits = naive.frame(**values)
        assert f"0x{number(bits):X}"[2:] in str(section.blocks[0])
        assert [row[-2] for row in edges.rows] == [f"0x{one:X}" for one in naive.symbols(bits)]
        wires = [name for name in edges.head if name.startswith(("lane", "strobe"))]
        assert len(wires) == model.symbol_bits
        for row in edges.rows:
            assert int("".join(row[2:-2]), 2) == int(row[-2], 16)


def test_sheet_of_a_board_follows_a_store_of_its_processor(tmp_path: Path) -> None:
    model = model_of(busplay.load_board("dunlin"))
    _, memory, registers = example_sections(model)
    assert memory.title == "STA $4123"
    assert "offset $0123 of the memory of unit panel" in str(memory.blocks[0])
    # Space 1, unit 0, sequence 5, address 0x123, data 0x56: check of ITU-T I.432.1 by hand.
    assert "0x45012356DF" in str(memory.blocks[0])
    assert registers.title == "STA $A302"


@pytest.mark.thorough
@pytest.mark.parametrize("name", ["dunlin", "serial", "marked"])
def test_page_is_silent_readable_and_no_wider_than_its_screen(
    name: str,
    tab: Watched,
    tmp_path: Path,
) -> None:
    folder = sheet(name, tmp_path)
    page = tab.open(next(folder.glob("*.html")))
    tab.require_silent()
    assert tab.grave_violations() == []
    for width in (1280, 420):
        page.set_viewport_size({"width": width, "height": 800})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    # Printed on A4 no figure or table is cut off.
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 680, "height": 960})
    assert page.evaluate("document.documentElement.scrollWidth") <= 680
    # A table that fits on a page stays on one.
    tables = "[...document.querySelectorAll('table')]"
    short = f"{tables}.filter(table => table.tBodies[0].rows.length <= 20)"
    assert page.evaluate(f"{short}.length") > 5
    assert page.evaluate(f"{short}.every(table => getComputedStyle(table).breakInside == 'avoid')")
    assert page.pdf(format="A4").startswith(b"%PDF")


@pytest.mark.thorough
@pytest.mark.skipif(bool(missing("pdftotext")), reason=missing("pdftotext"))
@pytest.mark.parametrize("name", ["dunlin", "lean", "strobed"])
def test_no_printed_page_parts_a_table_from_the_text_that_leads_to_it(
    name: str, tab: Watched, tmp_path: Path
) -> None:
    page = tab.open(next(sheet(name, tmp_path).glob("*.html")))
    printed = tmp_path / "sheet.pdf"
    page.pdf(format="A4", path=printed)
    done = subprocess.run(["pdftotext", "-layout", printed, "-"], capture_output=True, text=True)
    pages = [text.strip() for text in done.stdout.split("\f") if text.strip()]
    assert len(pages) > 3
    assert [text.splitlines()[-1] for text in pages if text.endswith(":")] == []
