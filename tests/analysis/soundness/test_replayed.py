"""What a lost edge costs, against stores that went through sender, wire and receiver."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from busplay.analysis.soundness.examine import Examiner
from busplay.analysis.soundness.sync import SyncFigures
from busplay.batch import StoreBatch
from busplay.description.faults import Faults, LostEdges
from busplay.description.link import Link
from busplay.pipeline.pipeline import Pipeline
from tests.boards import GUARDED, LEAN, board_with

PANEL_FIRST, PANEL_BYTES = 0x4000, 0x6000
STORE_CYCLES = 4
LEAD_FRAMES = 16


def stores_of(kind: str, count: int, random: np.random.Generator) -> StoreBatch:
    """Draw stores into the panel's memory, one in each slot."""
    cycle = np.arange(count, dtype=np.uint64) * np.uint64(STORE_CYCLES)
    address = random.integers(0, PANEL_BYTES, count)
    data = random.integers(0, 256, count)
    if kind == "rising addresses, constant data":
        address = np.arange(count) % PANEL_BYTES
        # One clear of the screen after the other, each with a value of its own.
        data = random.integers(0, 256, count // PANEL_BYTES + 1)[np.arange(count) // PANEL_BYTES]
    return StoreBatch(cycle, (PANEL_FIRST + address).astype(np.uint16), data.astype(np.uint8))


def lost_for_each_edge(link: Link, kind: str, *, edges: int, spacing: int, seed: int) -> float:
    """Send stores, lose edges far from each other, and count the frames that did not arrive."""
    random = np.random.default_rng(seed)
    symbols = 8
    firsts = (LEAD_FRAMES + 20 + spacing * np.arange(edges)) * symbols
    at = firsts + random.integers(0, 64 * symbols, edges)
    plan = Faults(lost_edges=(LostEdges(at_edges=tuple(at.tolist())),))
    pipeline = Pipeline(board_with(link), faults=plan, timing=False)
    count = edges * spacing
    stores = stores_of(kind, count, random)
    pipeline.feed(stores, stop_cycle=count * STORE_CYCLES)
    frames = pipeline.counters().accounts.frames
    assert pipeline.counters().frames_sent == count
    return (count - frames.received_intact) / edges


def figures_of(link: Link, kind: str) -> SyncFigures:
    examiner = Examiner(board=board_with(link), seed=1)
    name = f"panel's memory, {kind}"
    return next(one for one in examiner.examine(link).sync if one.traffic == name)


@pytest.mark.parametrize("kind", ["random data", "rising addresses, constant data"])
@pytest.mark.parametrize("link", [GUARDED, LEAN], ids=lambda link: link.name)
def test_stores_of_a_unit_lose_what_was_worked_out(link: Link, kind: str) -> None:
    found = lost_for_each_edge(link, kind, edges=200, spacing=900, seed=2)
    figures = figures_of(link, kind)
    assert figures.never_ratio == 0
    # Losses differ from edge to edge by a few frames, in a hundredth of the cases by many.
    assert found == pytest.approx(figures.frames_lost.value, rel=0.15)


def test_stores_of_a_unit_that_imitates_frames_are_lost_until_the_end() -> None:
    assert LEAN.check is not None
    bad = replace(LEAN, check=replace(LEAN.check, xor=10))
    figures = figures_of(bad, "random data")
    assert figures.never_ratio == 1
    lost = lost_for_each_edge(bad, "random data", edges=1, spacing=20_000, seed=3)
    assert lost > 19_000
