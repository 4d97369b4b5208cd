"""How fast two recordings are compared, next to a plain look whether their columns are equal.

Run: pytest tests/bench/test_bench_compare.py --benchmark-enable
Frames are in memory; each group holds one kind of damage, the column in brackets is the ratio
to the plain look. `frames_per_s` stands with --benchmark-json.

The kinds: `equal`; `late` the same a constant time later; `losses` one frame in a thousand
lost; `outages` a thousand frames lost in every hundred thousand; `flips` one frame in a
thousand with a wrong bit; `fields` equal, over another link, compared by what frames say.
"""

from __future__ import annotations

import numpy as np
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from busplay.analysis.compare.frames import compare_frames
from busplay.batch import FrameBatch
from tests.analysis.compare.recordings import HEADERS, recording
from tests.boards import GUARDED, LEAN
from tests.trace.cases import piece

FRAMES = 4_000_000
CHUNK = 1 << 16
ROUNDS = 5
KINDS = ("equal", "late", "losses", "outages", "flips", "fields")


def chunks(frames: FrameBatch) -> list[FrameBatch]:
    return [piece(frames, at, at + CHUNK) for at in range(0, len(frames), CHUNK)]


def damaged(frames: FrameBatch, kind: str) -> FrameBatch:
    """Make the actual recording."""
    random = np.random.default_rng(4)
    index = np.arange(len(frames))
    keep = np.ones(len(frames), np.bool_)
    edge, word = frames.edge, frames.word
    if kind == "late":
        edge = edge + np.uint64(800)
    elif kind == "losses":
        keep = random.random(len(frames)) > 1e-3
    elif kind == "outages":
        keep = index % 100_000 >= 1_000
    elif kind == "flips":
        word = word ^ np.where(random.random(len(frames)) < 1e-3, 1 << 12, 0).astype(np.uint64)
    elif kind == "fields":
        return recording(LEAN, FRAMES)
    return FrameBatch(edge[keep], word[keep])


@pytest.mark.parametrize("kind", KINDS)
def test_compare(benchmark: BenchmarkFixture, kind: str) -> None:
    benchmark.group = f"compare, {kind}"
    frames = recording(GUARDED, FRAMES)
    expected, actual = chunks(frames), chunks(damaged(frames, kind))
    header = HEADERS["lean" if kind == "fields" else "guarded"]

    def compare() -> int:
        found = compare_frames(
            expected, actual, expected_header=HEADERS["guarded"], actual_header=header
        )
        return found.figures.frames_expected

    assert benchmark.pedantic(compare, rounds=ROUNDS, warmup_rounds=1) == FRAMES
    if benchmark.enabled and benchmark.stats:
        benchmark.extra_info["frames_per_s"] = FRAMES / benchmark.stats.stats.min


@pytest.mark.parametrize("kind", KINDS)
def test_plain_look(benchmark: BenchmarkFixture, kind: str) -> None:
    benchmark.group = f"compare, {kind}"
    frames = recording(GUARDED, FRAMES)
    edge, word = frames.edge.copy(), frames.word.copy()

    def look() -> bool:
        return bool((frames.edge == edge).all() and (frames.word == word).all())

    assert benchmark.pedantic(look, rounds=ROUNDS, warmup_rounds=1)
