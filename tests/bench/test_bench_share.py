"""How large a shared page is, and how fast it is in a browser.

Run: pytest tests/bench/test_bench_share.py --benchmark-enable
     python -m tests.bench.test_bench_share [FRAMES]     # all figures

The recordings: a million frames (BUSPLAY_BENCH_FRAMES for others) of the shipped programs tides and
stars. The browser is headless Chromium, so its pictures reach no screen.
"""

from __future__ import annotations

import os
import shutil
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from busplay.export.page.share import PageReport, share
from busplay.run.session import Session
from tests.browser import CHROMIUM, OpenTab
from tests.export.pages import open_written

if TYPE_CHECKING:
    from playwright.sync_api import Page

FRAMES = int(os.environ.get("BUSPLAY_BENCH_FRAMES", "1000000"))
PIECE_CYCLES = 100_000
SEEKS = 400
PLAYED_S = 5
# Moments at random, but the same ones each time (a multiplicative generator modulo 2 ** 31 - 1).
SEEK = """(count) => {
  const times = [];
  for (let i = 0, at = 65; i < count; i++) {
    at = at * 48271 % 2147483647;
    const began = performance.now();
    player.go(at % (player.time.end_cycle + 1));
    times.push(performance.now() - began);
  }
  return times.sort((a, b) => a - b);
}"""
PLAY = """async (seconds) => {
  let drawn = 0;
  const { draw } = player;
  player.draw = () => { drawn++; draw.call(player); };
  player.go(player.time.clock_hz);
  const first = player.cycle;
  player.play(1);
  await new Promise((resolve) => setTimeout(resolve, seconds * 1000));
  player.play(0);
  return [drawn / seconds, (player.cycle - first) / player.time.clock_hz / seconds];
}"""


def record_program(program: str, path: Path, frames: int) -> None:
    """Record a shipped program until it has sent so many frames."""
    with Session("dunlin", program=f"{program}.bin", record=path) as session:
        while session.pipeline.frames_carried < frames:
            session.run(PIECE_CYCLES)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("share")
    record_program("tides", path / "tides.trace", FRAMES)
    share(path / "tides.trace", path / "tides.html")
    return path


def test_share(benchmark: BenchmarkFixture, folder: Path) -> None:
    report = benchmark.pedantic(
        lambda: share(folder / "tides.trace", folder / "again.html"), rounds=3
    )
    benchmark.extra_info["page_bytes"] = report.page_bytes
    assert report.frames >= FRAMES


def test_seek_in_a_page(benchmark: BenchmarkFixture, folder: Path, new_tab: OpenTab) -> None:
    page = open_written(new_tab(), folder / "tides.html")
    times_ms = benchmark.pedantic(lambda: page.evaluate(SEEK, SEEKS), rounds=3)
    benchmark.extra_info["ms_in_95_of_100"] = times_ms[SEEKS * 95 // 100]
    assert len(times_ms) == SEEKS


@contextmanager
def open_browser() -> Iterator[Callable[[Path], Page]]:
    """Return what opens a page in a tab of its own."""
    from playwright.sync_api import sync_playwright

    options = ["--no-sandbox"] if os.geteuid() == 0 else []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=shutil.which(CHROMIUM), args=options)

        def open_page(path: Path) -> Page:
            page = browser.new_page(viewport={"width": 1280, "height": 720})
            page.goto(path.as_uri() + "#at=0s")
            page.wait_for_selector("html[data-ready]", state="attached")
            return page

        yield open_page
        browser.close()


def print_figures(program: str, report: PageReport, share_s: float, page: Page) -> None:
    first_ms = page.evaluate("() => performance.getEntriesByName('first picture')[0].startTime")
    read_ms = page.evaluate("() => performance.now()")
    seeks_ms = page.evaluate(SEEK, SEEKS)
    pictures, speed = page.evaluate(PLAY, PLAYED_S)
    print(
        f"{program}: {report.frames:,} frames, trace {report.trace_bytes:,} bytes,"
        f" page {report.page_bytes:,} bytes, made in {share_s:.1f} s\n"
        f"  first picture {first_ms:.0f} ms, all read {read_ms:.0f} ms\n"
        f"  seek: median {seeks_ms[SEEKS // 2]:.1f} ms, 95 of 100 {seeks_ms[SEEKS * 95 // 100]:.1f}"
        f" ms, longest {seeks_ms[-1]:.1f} ms\n"
        f"  {pictures:.1f} pictures drawn a second, at {speed:.3f} of real time"
    )


def main() -> None:
    """Print all figures."""
    frames = int(sys.argv[1]) if len(sys.argv) > 1 else FRAMES
    with TemporaryDirectory() as folder, open_browser() as open_page:
        for program in ("tides", "stars"):
            trace = Path(folder, f"{program}.trace")
            record_program(program, trace, frames)
            began = time.perf_counter()
            report = share(trace, trace.with_suffix(".html"))
            share_s = time.perf_counter() - began
            print_figures(program, report, share_s, open_page(trace.with_suffix(".html")))


if __name__ == "__main__":
    main()
