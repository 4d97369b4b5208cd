"""What a lost edge costs, against stores that went through sender, wire and receiver."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from busplay.analysis.soundness.examine import Examiner
from busplay.analysis.soundness.report import check
from busplay.analysis.soundness.sync import SyncFigures
from busplay.analysis.soundness.traffic import TrafficKind
from busplay.batch import StoreBatch
from busplay.description.board import Board
from busplay.description.faults import Faults, LostEdges
from busplay.description.link import Check, CheckFraming, Field, Link
from busplay.pipeline.pipeline import Pipeline
from tests.boards import GUARDED, LEAN, board_with, with_xor

PANEL_FIRST = 0x4000
LEAD_FRAMES = 16
RANDOM, RISING = "random data", "rising addresses, constant data"
# A check of 4 bits that the rising addresses of a clear of the screen imitate for thousands of
# frames, as the sequence field before them counts through too few values to break the row.
COUNTED = Link(
    name="counted",
    lanes=5,
    edges="both",
    fields=(
        Field("space", 2),
        Field("sequence", 2),
        Field("address", 14),
        Field("data", 8),
        Field("check", 4),
    ),
    framing=CheckFraming(),
    check=Check("check", "custom", 0x7, 0, 0x2, ("space", "sequence", "address", "data")),
)


def board_of(link: Link) -> Board:
    """Put the Dunlin's displays behind a link; if it names no units, a panel of 16,384 bytes."""
    board = board_with(link)
    if link.field_named("unit") is None:
        panel = replace(board.units[0], height_px=128, memory_bytes=0x4000)
        window = replace(board.windows[0], last_address=PANEL_FIRST + 0x3FFF)
        board = replace(board, units=(panel,), windows=(window,))
    return board


def stores_of(
    kind: str, count: int, cycles: int, size: int, random: np.random.Generator
) -> StoreBatch:
    """Draw stores into the panel's memory, one in each slot of that many processor cycles."""
    cycle = np.arange(count, dtype=np.uint64) * np.uint64(cycles)
    address = random.integers(0, size, count)
    data = random.integers(0, 256, count)
    if kind == RISING:
        address = np.arange(count) % size
        # One clear of the screen after the other, each with a value of its own.
        data = random.integers(0, 256, count // size + 1)[np.arange(count) // size]
    return StoreBatch(cycle, (PANEL_FIRST + address).astype(np.uint16), data.astype(np.uint8))


def lost_for_each_edge(link: Link, kind: str, *, edges: int, spacing: int, seed: int) -> float:
    """Send stores, lose edges far from each other, and count the frames that did not arrive."""
    random = np.random.default_rng(seed)
    symbols = link.frame_bits // link.lanes
    slot_cycles = symbols // link.edges_per_cycle
    firsts = (LEAD_FRAMES + 20 + spacing * np.arange(edges)) * symbols
    at = firsts + random.integers(0, 64 * symbols, edges)
    plan = Faults(lost_edges=(LostEdges(at_edges=tuple(at.tolist())),))
    board = board_of(link)
    pipeline = Pipeline(board, faults=plan, timing=False)
    count = edges * spacing
    stores = stores_of(kind, count, slot_cycles, board.units[0].memory_bytes, random)
    pipeline.feed(stores, stop_cycle=count * slot_cycles)
    frames = pipeline.counters().accounts.frames
    assert pipeline.counters().frames_sent == count
    return (count - frames.received_intact) / edges


def figures_of(link: Link, kind: str) -> SyncFigures:
    examiner = Examiner(board=board_of(link), seed=1)
    name = f"panel's memory, {kind}"
    return next(one for one in examiner.examine(link).sync if one.traffic == name)


@pytest.mark.parametrize("kind", [RANDOM, RISING])
@pytest.mark.parametrize("link", [GUARDED, LEAN], ids=lambda link: link.name)
def test_stores_of_a_unit_lose_what_was_worked_out(link: Link, kind: str) -> None:
    found = lost_for_each_edge(link, kind, edges=200, spacing=900, seed=2)
    figures = figures_of(link, kind)
    assert figures.never_ratio == 0
    # Losses differ from edge to edge by a few frames, in a hundredth of the cases by many.
    assert found == pytest.approx(figures.frames_lost.value, rel=0.15)


def test_stores_of_a_unit_that_imitates_frames_are_lost_until_the_end() -> None:
    bad = with_xor(LEAN, 10)
    figures = figures_of(bad, RANDOM)
    assert figures.never_ratio == 1
    lost = lost_for_each_edge(bad, RANDOM, edges=1, spacing=20_000, seed=3)
    assert lost > 19_000


def test_weak_check_of_thirty_bits_loses_what_was_worked_out_for_constant_data() -> None:
    """Of random words alone the check said 16 frames, and a clear of the screen lost 1,000."""
    sync = Examiner(board=None, seed=1).examine(COUNTED).sync
    random = next(one for one in sync if one.kind is TrafficKind.RANDOM)
    assert random.frames_lost.value == pytest.approx(16.3, abs=0.5)
    figures = figures_of(COUNTED, RISING)
    assert figures.never_ratio == 0
    assert figures.frames_lost.low > 1_000
    found = lost_for_each_edge(COUNTED, RISING, edges=200, spacing=12_000, seed=4)
    assert found == pytest.approx(figures.frames_lost.value, rel=0.25)
    report = check(board_of(COUNTED))
    assert not report.is_sound
    assert report.worst_traffic == f"panel's memory, {RISING}"
