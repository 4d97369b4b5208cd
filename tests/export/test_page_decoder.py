"""The player's decoder in a browser, held against Python's: text, Zstandard, traces, displays."""

from __future__ import annotations

import base64
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
import zstandard

from busplay.batch import FrameBatch
from busplay.description.shipped_files import shipped_links
from busplay.display.bank import DisplayBank
from busplay.export.page import page_text
from busplay.export.page.deliveries import FieldColumns
from busplay.export.page.facts import unit_facts
from busplay.export.page.share import share
from busplay.link.layout import FrameLayout
from busplay.link.load import load_link
from busplay.run.replay import Replay
from busplay.run.tap import Tap
from busplay.trace.reader import TraceReader
from tests.boards import board_with
from tests.browser import Watched
from tests.display.vectors import display_vectors
from tests.export.films import moving
from tests.export.pages import open_written

if TYPE_CHECKING:
    from playwright.sync_api import Page

DECODER = files("busplay.export.page").joinpath("decoder.js").read_text(encoding="utf-8")
UNPACK = """([data, size]) => {
  const bytes = Uint8Array.from(atob(data), (letter) => letter.charCodeAt(0));
  const out = Zstd(bytes, 0, size);
  let text = "";
  for (let at = 0; at < size; at += 8192) {
    text += String.fromCharCode(...out.subarray(at, at + 8192));
  }
  return btoa(text);
}"""


@pytest.fixture
def decoder(tab: Watched) -> Page:
    """Return an empty page with the decoder in it."""
    tab.page.goto("about:blank")
    tab.page.add_script_tag(content=DECODER)
    return tab.page


def untexted(text: str) -> bytes:
    """The bytes of a text, bit by bit: the naive inverse of `text_of_bytes`."""
    bits = ""
    for letter in text:
        code = ord(letter)
        if code < 128:
            bits += f"{code:07b}"
        else:
            which, following = divmod(code - page_text.PAIRS_FROM, 128)
            bits += f"{page_text.BARRED[which]:07b}{following:07b}"
    whole = len(bits) // 8 * 8
    return bytes(int(bits[at : at + 8], 2) for at in range(0, whole, 8))


@pytest.mark.parametrize("length", [0, 1, 6, 7, 8, 255, 1000])
def test_text_holds_the_bytes_and_nothing_that_html_changes(length: int) -> None:
    for data in (bytes(length), np.random.default_rng(length).bytes(length), b"\x1a<\r" * length):
        text = page_text.text_of_bytes(data)
        assert untexted(text)[: len(data)] == data
        assert not set(text) & {chr(one) for one in page_text.BARRED}
        assert "<" not in text


def test_text_takes_a_seventh_more_than_the_bytes() -> None:
    data = np.random.default_rng(7).bytes(70_000)
    assert len(page_text.text_of_bytes(data).encode()) <= 80_001


def test_parts_of_a_long_text_join_without_a_seam(monkeypatch: pytest.MonkeyPatch) -> None:
    data = np.random.default_rng(8).bytes(5_000)
    whole = page_text.text_of_bytes(data)
    monkeypatch.setattr(page_text, "_PART_BYTES", 7 * 19)
    assert page_text.text_of_bytes(data) == whole


@pytest.mark.thorough
def test_decoder_reads_the_text(decoder: Page) -> None:
    for data in (b"", bytes(300), bytes(range(256)) * 3, np.random.default_rng(1).bytes(5000)):
        found = decoder.evaluate(
            "([text, length]) => [...bytesOfText(text, length)]",
            [page_text.text_of_bytes(data), len(data)],
        )
        assert bytes(found) == data


def samples() -> list[tuple[str, bytes]]:
    """Return bytes that make Zstandard use each kind of block, literals and tables."""
    rng = np.random.default_rng(8878)
    words = b"".join(rng.choice([b"tide ", b"harbour ", b"dunlin ", b"sea "], 40_000).tolist())
    skewed = rng.choice(np.arange(256), 60_000, p=np.arange(256, 0, -1) / sum(range(257)))
    few = rng.choice(np.array([1, 2, 3, 7, 200]), 30_000, p=[0.9, 0.04, 0.03, 0.02, 0.01])
    return [
        ("nothing", b""),
        ("one byte", b"x"),
        ("noise", rng.bytes(70_000)),
        ("one value", bytes([7]) * 400_000),
        ("text", words),
        ("skewed", skewed.astype(np.uint8).tobytes()),
        ("few values", few.astype(np.uint8).tobytes()),
        ("short", b"abcabcabcabd" * 3),
        ("steps", (np.arange(65_536) // 3 % 251).astype(np.uint8).tobytes()),
        ("long matches", rng.bytes(1000) * 200 + rng.bytes(50) + rng.bytes(1000) * 200),
        ("mixed", rng.bytes(3000) + bytes(200_000) + words[:90_000] + rng.bytes(100_000)),
    ]


@pytest.mark.thorough
@pytest.mark.source("zstandard (python-zstandard, libzstd)", part="levels -5 to 22", kind="library")
def test_decoder_unpacks_what_libzstd_packs(decoder: Page) -> None:
    for name, data in samples():
        for level in (-5, 1, 3, 7, 19, 22):
            packed = zstandard.ZstdCompressor(level=level, write_content_size=True).compress(data)
            found = decoder.evaluate(UNPACK, [base64.b64encode(packed).decode(), len(data)])
            assert base64.b64decode(found) == data, (name, level)


@pytest.mark.thorough
def test_decoder_s_displays_pass_the_vectors_of_busplay_s(decoder: Page) -> None:
    for vector in display_vectors():
        unit = vector.unit
        found = decoder.evaluate(
            """([unit, writes]) => {
              const screen = new Screen(unit);
              for (const [space, offset, data] of writes) {
                if (space) screen.write(space, offset, data); else screen.turn(data);
              }
              const pixels = new Uint32Array(
                (unit.width_px + 2 * unit.border_px) * (unit.height_px + 2 * unit.border_px));
              screen.draw(pixels);
              const { memory, palette, registers, border, blank, page, indexes } = screen;
              return { memory: [...memory], palette: [...palette], base: registers[1],
                border, blank, page, indexes: [...indexes],
                bytes: [...new Uint8Array(pixels.buffer)] };
            }""",
            [unit_facts(unit), vector.writes],
        )
        assert found["memory"] == vector.memory
        assert found["palette"] == [part for colour in vector.palette for part in colour]
        assert (found["base"], found["border"]) == (vector.base, vector.border)
        assert (found["blank"], found["page"]) == (vector.is_blank, vector.page)
        assert found["indexes"] == [index for row in vector.picture for index in row]
        edge = unit.border_px
        bytes_drawn = np.array(found["bytes"]).reshape(unit.height_px + 2 * edge, -1, 4)
        picture = slice(edge, edge + unit.height_px), slice(edge, edge + unit.width_px)
        around = np.delete(bytes_drawn, picture[0], axis=0)
        assert (around == [*vector.palette[vector.border], 255]).all()
        drawn = bytes_drawn[picture][..., :3]
        assert drawn.tolist() == np.array(vector.palette)[np.array(vector.picture)].tolist()


@pytest.mark.thorough
@pytest.mark.parametrize("name", sorted(shipped_links()))
def test_page_has_the_frames_of_a_trace_on_every_shipped_link(
    tab: Watched, tmp_path: Path, name: str
) -> None:
    board = board_with(load_link(name), clock_hz=1_000_000)
    path = tmp_path / "sent.trace"
    with Tap(board, record=path) as tap:
        for store in moving(60_000, every=53):
            tap.store(*store)
    share(path, tmp_path / "sent.html")
    page = open_written(tab, tmp_path / "sent.html")
    found = page.evaluate(
        """() => { const { edge, goal, offset, data, count } = player.recording.events;
          return [count, [...edge], [...goal], [...offset], [...data]]; }"""
    )
    with TraceReader(path) as reader:
        sent = FrameBatch.joined(list(reader.chunks()))
        bank = DisplayBank(board, FrameLayout(board.link))
    columns = FieldColumns.of(bank.fields, sent.word)
    assert found[0] == len(sent) > 500
    assert found[1] == sent.edge.tolist()
    assert found[2] == (4 * bank.unit_indexes[columns.unit] + columns.space.astype(int)).tolist()
    assert found[3] == columns.offset.tolist()
    assert found[4] == columns.data.tolist()
    cycles = np.random.default_rng(8).integers(0, 60_000, 50).tolist()
    times = page.evaluate(
        """(cycles) => { const { recording } = player;
          return [cycles.map((one) => recording.startEdge(one)),
            cycles.map((one) => recording.momentOfCycle(one)),
            [0, 1, 99, 500].map((event) => recording.cycleOfEvent(event))]; }""",
        cycles,
    )
    with Replay(path) as replay:
        cycles = [min(one, replay.end_cycle - 1) for one in cycles]
        assert times[0] == [replay.start_edge(one) for one in cycles]
        moments = np.searchsorted(sent.edge, np.array(times[0], np.uint64), side="right")
        assert times[1] == moments.tolist()
        for event, cycle in zip((0, 1, 99, 500), times[2], strict=True):
            edge = int(sent.edge[event])
            assert replay.start_edge(cycle - 1) < edge <= replay.start_edge(cycle)
    tab.require_silent()
