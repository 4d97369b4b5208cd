"""How long a picture of the window takes with everything open, at 1280 × 720.

Run: pytest tests/bench/test_bench_window.py --benchmark-enable
     python -m tests.bench.test_bench_window [FRAMES]     # median, 99th percentile, largest

A picture must be there 60 times a second, so it has 16.7 ms. The figures of the second are
processor time, as machines are shared; showing the picture on a screen is not in them.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from busplay.analysis.flashes import FlashMeter
from busplay.history.history import open_history
from busplay.history.live_run import LiveInspector, LiveRun, follow
from busplay.history.trace_inspector import TraceInspector
from busplay.player.flash_guard import FlashGuard
from busplay.player.inspector import Inspector
from busplay.player.playable import Playable
from busplay.player.player import Player
from busplay.player.speed import Speed
from busplay.run.replay import Replay
from busplay.run.session import Session
from busplay.units import NS_PER_S, Ratio
from busplay.view import screen
from busplay.view.instrument.state import Kept, Overlay, Pixel, Tab
from busplay.view.window import PlayerWindow
from busplay.write_index.builder import WriteIndexBuilder
from tests.bench.test_bench_history import write

SIZE = 1280, 720
FRAMES = int(os.environ.get("BUSPLAY_BENCH_FRAMES", "4000000"))
SPEEDS: dict[str, Speed] = {"8 MHz": Ratio.of(1, 1), "16 times 8 MHz": Ratio.of(16, 1)}


def _make_meter(width_px: int, height_px: int, *, can_take_back: bool) -> FlashMeter:
    return FlashMeter(width_px, height_px, rate_hz=60, can_take_back=can_take_back)


class Bench:
    """A window whose clock goes a sixtieth of a second on with every picture."""

    def __init__(self, playable: Playable, inspector: Inspector, folder: Path) -> None:
        self.now_ns = 0
        self.player = Player(playable, lambda: self.now_ns, whole_pictures=True)
        self.window = PlayerWindow(
            self.player,
            title="bench",
            clock=lambda: self.now_ns,
            scale=None,
            stacked=False,
            fullscreen=False,
            picture_folder=folder,
            picture_stem="bench",
            inspector=inspector,
            kept=Kept(tab=Tab.FRAMES, width_px=SIZE[0], height_px=SIZE[1]),
            flashes=FlashGuard(_make_meter, calm=True, pictures_hz=60),
        )
        self.instrument = self.window.instrument

    def picture(self) -> None:
        self.now_ns += NS_PER_S // 60
        self.window.advance()
        self.window.paint()


@contextmanager
def live(speed: Speed) -> Iterator[Bench]:
    """A program that runs, its recording beside it."""
    with TemporaryDirectory() as folder, screen.open_screen():
        path = Path(folder) / "run.trace"
        with Session("dunlin", program="tides.bin", keep=path) as session:
            run = LiveRun(session, program=follow(session))
            bench = Bench(run, LiveInspector(run, labels=session.labels), Path(folder))
            bench.player.set_speed(speed)
            bench.player.play()
            yield bench
            run.close()


@contextmanager
def long_recording(frames: int) -> Iterator[Bench]:
    """A long recording that is paused in its middle."""
    with TemporaryDirectory() as folder, screen.open_screen():
        path = Path(folder) / "long.trace"
        write(path, frames, WriteIndexBuilder)
        with Replay(path) as replay:
            inspector = TraceInspector(replay, open_history(replay.reader))
            bench = Bench(replay, inspector, Path(folder))
            bench.player.seek_to(replay.end_cycle // 2)
            yield bench


def pan(bench: Bench) -> Callable[[], None]:
    """Return what zooms half way in and then moves a little with every picture."""
    bench.picture()
    for _ in range(8):
        bench.instrument.zoom(1)
    way = [1]

    def step() -> None:
        view = bench.instrument.state.view
        assert view is not None
        moved = view.moved(way[0] * max(1, view.span_edges // 100))
        if moved == view:
            way[0] = -way[0]
        bench.instrument.state.view = moved
        bench.picture()

    return step


def hover(bench: Bench) -> Callable[[], None]:
    """Return what looks another pixel up with every picture."""
    bench.picture()
    at = [0]

    def step() -> None:
        at[0] += 7919
        bench.instrument.hover(300, 300, Pixel("panel", at[0] % 256, at[0] // 256 % 192))
        bench.picture()

    return step


@pytest.mark.parametrize("speed", SPEEDS)
def test_picture_of_a_program_that_runs(benchmark: BenchmarkFixture, speed: str) -> None:
    benchmark.group = "picture of the window"
    with live(SPEEDS[speed]) as bench:
        benchmark(bench.picture)
        assert bench.player.playable.cycle > 0


@pytest.mark.parametrize("overlay", [Overlay.AGE, Overlay.COUNT])
def test_picture_with_an_overlay(benchmark: BenchmarkFixture, overlay: Overlay) -> None:
    benchmark.group = "picture of the window"
    with live(Ratio.of(1, 1)) as bench:
        bench.instrument.state.overlay = overlay
        benchmark(bench.picture)
        assert bench.window._scene.images


@pytest.mark.parametrize("act", [pan, hover])
def test_picture_of_a_long_recording(
    benchmark: BenchmarkFixture, act: Callable[[Bench], Callable[[], None]]
) -> None:
    benchmark.group = f"{FRAMES:,} frames"
    frames = FRAMES if benchmark.enabled else 200_000
    with long_recording(frames) as bench:
        benchmark(act(bench))
        assert bench.instrument.inspector is not None
        assert bench.instrument.inspector.frames == frames


def _figures(name: str, act: Callable[[], None], count: int = 600) -> None:
    for _ in range(60):
        act()
    spent = []
    for _ in range(count):
        begun = time.process_time_ns()
        act()
        spent.append((time.process_time_ns() - begun) / 1e6)
    print(
        f"{name:36} median {np.median(spent):5.1f} ms, 99 of 100 within"
        f" {np.percentile(spent, 99):5.1f} ms, largest {max(spent):5.1f} ms"
    )


def main(frames: int) -> None:
    """Print all figures."""
    os.environ.setdefault("SDL_VIDEODRIVER", "dummy")
    for name, speed in SPEEDS.items():
        with live(speed) as bench:
            _figures(f"runs at {name}", bench.picture)
    with live(Ratio.of(1, 1)) as bench:
        bench.instrument.state.overlay = Overlay.AGE
        _figures("runs at 8 MHz, age overlay", bench.picture)
    with long_recording(frames) as bench:
        _figures(f"pans, {frames:,} frames", pan(bench))
        _figures(f"hovers, {frames:,} frames", hover(bench))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else FRAMES)
