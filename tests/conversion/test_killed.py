"""Writers that are killed over an existing file: the old one or the new one is there, whole."""

from __future__ import annotations

import os
import random
import signal
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from busplay.conversion.analyser_view import AnalyserView
from busplay.conversion.convert import convert
from busplay.conversion.decode import decode
from busplay.link.layout import FrameLayout
from busplay.link.load import load_board
from tests.capture.captures import frames_on_grid
from tests.conversion.test_frames_and_stores import write_trace

KILLS = 50
DUNLIN = load_board("dunlin")
SAMPLED = AnalyserView(rate_hz=100_000_000)

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="the system has no fork")


@pytest.fixture(scope="module")
def sources(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A trace of some hundred frames, and its wires."""
    folder = tmp_path_factory.mktemp("sources")
    frames = frames_on_grid(FrameLayout(DUNLIN.link), 400, np.random.default_rng(1))
    write_trace(folder / "a.trace", frames, link=DUNLIN.link, board=DUNLIN)
    convert(folder / "a.trace", folder / "a.vcd")
    return {"trace": folder / "a.trace", "wires": folder / "a.vcd"}


WRITERS: dict[str, Callable[[dict[str, Path], Path], object]] = {
    "decode.trace": lambda sources, target: decode(sources["wires"], board=DUNLIN, output=target),
    "decoded.trace": lambda sources, target: convert(sources["wires"], target, board=DUNLIN),
    "rewritten.trace": lambda sources, target: convert(sources["trace"], target),
    "wires.vcd": lambda sources, target: convert(sources["trace"], target),
    "frames.csv": lambda sources, target: convert(sources["trace"], target),
    "packets.pcapng": lambda sources, target: convert(sources["trace"], target),
    "records.stores": lambda sources, target: convert(sources["trace"], target),
    "samples.sr": lambda sources, target: convert(sources["trace"], target, analyser=SAMPLED),
    "samples.bin": lambda sources, target: convert(sources["trace"], target, analyser=SAMPLED),
}


@pytest.mark.parametrize("name", WRITERS)
def test_a_killed_writer_leaves_the_old_file_or_the_new_one(
    name: str, sources: dict[str, Path], tmp_path: Path
) -> None:
    write, target = WRITERS[name], tmp_path / name
    write(sources, target)
    new = target.read_bytes()
    old = b"what was there before\n" * 100
    begun = time.monotonic()
    write(sources, target)
    usual_s = time.monotonic() - begun
    draw = random.Random(name)
    found = {old: 0, new: 0}
    for _ in range(KILLS):
        target.write_bytes(old)
        child = os.fork()
        if not child:
            try:
                write(sources, target)
            finally:
                os._exit(0)
        time.sleep(draw.uniform(0, 1.3 * usual_s))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        content = target.read_bytes()
        assert content in found
        found[content] += 1
        for part in tmp_path.glob("*.part*"):
            part.unlink()
    assert found[old]
