"""Shared pages opened in a browser, and what they must show."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from busplay.display.display import Display
from busplay.export.page.share import share
from busplay.run.replay import Replay
from tests.browser import Watched

if TYPE_CHECKING:
    from playwright.sync_api import Page

READY = "html[data-ready]"
# The canvas's bytes as a text of a character each: a tenth of the time of a list.
CANVAS = """(i) => {
  const canvas = document.querySelectorAll("#screens canvas")[i];
  // Chromium warns of a canvas that is read often, so its copy is.
  const copy = new OffscreenCanvas(canvas.width, canvas.height);
  const pen = copy.getContext("2d", { willReadFrequently: true });
  pen.drawImage(canvas, 0, 0);
  const { data } = pen.getImageData(0, 0, canvas.width, canvas.height);
  let text = "";
  for (let at = 0; at < data.length; at += 8192) {
    text += String.fromCharCode(...data.subarray(at, at + 8192));
  }
  return text;
}"""


def open_page(tab: Watched, trace: Path, fragment: str = "#at=0s") -> Page:
    """Share a trace, open its page and wait until all is read; the fragment keeps it still."""
    target = trace.with_suffix(".html")
    share(trace, target)
    return open_written(tab, target, fragment)


def open_written(tab: Watched, target: Path, fragment: str = "#at=0s") -> Page:
    """Open a page that is there."""
    page = tab.open(target, fragment)
    page.wait_for_selector(READY, state="attached")
    return page


def go_to_cycle(page: Page, cycle: int) -> None:
    page.evaluate("(cycle) => { player.play(0); player.go(cycle); }", cycle)


def canvas_bytes(page: Page, index: int) -> bytes:
    """Return the RGBA bytes of a screen's canvas."""
    text: str = page.evaluate(CANVAS, index)
    return text.encode("latin-1")


def expected_bytes(display: Display) -> bytes:
    """Return the RGBA bytes of a display with its border."""
    unit = display.unit
    edge = unit.border_px
    rows, columns = unit.height_px + 2 * edge, unit.width_px + 2 * edge
    picture = np.full((rows, columns, 4), 255, np.uint8)
    picture[..., :3] = display.border_rgb
    picture[edge : edge + unit.height_px, edge : edge + unit.width_px, :3] = display.image()
    return picture.tobytes()


def require_screens(page: Page, replay: Replay, cycle: int) -> None:
    """Fail unless page and replay show the same at a cycle."""
    go_to_cycle(page, cycle)
    replay.seek(cycle)
    for index, display in enumerate(replay.displays.values()):
        assert canvas_bytes(page, index) == expected_bytes(display), (cycle, display.unit.name)


def said(page: Page) -> dict[str, str]:
    """Return the table on the pixel."""
    rows: list[Any] = page.evaluate(
        "() => [...document.querySelectorAll('#lookup tr')].map((row) =>"
        " [...row.children].map((cell) => cell.textContent))"
    )
    return dict(rows)
