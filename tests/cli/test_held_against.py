"""Two recordings side by side in the window: their differences are errors there."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import numpy as np
import pytest

import busplay
from busplay.analysis.compare.compare import compare
from busplay.analysis.compare.streams import Kind
from busplay.cli.held_against import HeldAgainst, differences_between
from busplay.history.as_sent import SentHistory
from busplay.history.history import open_history
from busplay.history.trace_inspector import TraceInspector
from busplay.link.load import load_board
from busplay.losses.losses import CAUSE_WORDS, Cause
from busplay.player.inspector import ErrorRow
from busplay.run.replay import Replay
from tests.chain.test_why_registers import SLOW, arrived, frames_of, record, word_of

CYCLES = 150_000


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run with faults: what was sent, and what arrived."""
    path = tmp_path_factory.mktemp("against")
    with busplay.Session(
        load_board("dunlin"),
        program="fill.bin",
        faults=busplay.Faults(ber=1e-3, seed=3),
        record=path / "sent.trace",
        record_received=path / "received.trace",
    ) as session:
        session.run(CYCLES)
    return path


def bench_of(sent: Path, received: Path) -> tuple[Replay, TraceInspector, HeldAgainst]:
    replay, other = Replay(sent), Replay(received)
    found = differences_between(replay.reader, other.reader, {0x4000: ("screen",)})
    history = open_history(replay.reader)
    inspector = TraceInspector(replay, history, against=other, differences=found)
    return replay, inspector, HeldAgainst(replay, inspector)


def edges_of(rows: list[ErrorRow]) -> list[int]:
    return [one.edge for one in rows]


@pytest.mark.thorough
def test_status_counts_what_did_not_arrive_so_far(folder: Path) -> None:
    """It said "errors 0", whatever the other recording lacked."""
    found = compare(folder / "sent.trace", folder / "received.trace", list_most=None)
    frames = [one.expected or one.actual for one in found.differences]
    cycles = [one.cycle for one in frames if one is not None and one.cycle is not None]
    assert len(cycles) > 20
    replay, inspector, played = bench_of(folder / "sent.trace", folder / "received.trace")
    for cycle in (CYCLES // 3, 2 * CYCLES // 3, 20_000, replay.end_cycle):
        played.seek(cycle)
        status = played.status()
        expected = sum(one <= cycle + 8 for one in cycles)
        assert abs(status.errors - expected) <= 1
        assert len(inspector.errors()) == status.errors
    causes = Counter(one.cause for one in inspector.errors())
    assert status.error_text == "; ".join(f"{count:,} {cause}" for cause, count in causes.items())
    assert set(causes) <= {*CAUSE_WORDS.values(), "missing", "changed", "added"}
    assert CAUSE_WORDS[Cause.WIRE] in causes
    replay.close()


@pytest.mark.thorough
def test_losses_band_and_frames_show_the_differences(folder: Path) -> None:
    found = compare(folder / "sent.trace", folder / "received.trace", list_most=None)
    missing = [one.expected for one in found.differences if one.kind is Kind.MISSING]
    replay, inspector, _ = bench_of(folder / "sent.trace", folder / "received.trace")
    replay.seek(replay.end_cycle)
    sums = inspector.sums(0, inspector.end_edge, 50)
    total = sum(column.sum() for column in sums.losses.values())
    assert total == len(found.differences)
    rows = inspector.rows(0, inspector.frames)
    fates = {row.edge for row in rows if row.fate}
    assert {one.edge for one in missing if one is not None} <= fates
    lost = inspector.write_sums("panel", 0).lost
    on_panel = [one for one in missing if one is not None and one.unit == "panel"]
    offsets = Counter(one.offset for one in on_panel if one.space == "memory")
    assert {int(at): int(lost[at]) for at in np.flatnonzero(lost)} == dict(offsets)
    replay.close()


def test_store_that_the_boards_receiver_loses_too_counts_once(tmp_path: Path) -> None:
    """The recording of arrivals lacks it, and the replay's own receiver loses it."""
    spaced = [(1_000 * at, 0x4000 + at, at) for at in range(1, 21)]
    burst = [(10_500 + 4 * at, 0x4800 + at, 0x80 + at) for at in range(8)]
    sent = record(tmp_path, sorted([*spaced, *burst]), SLOW)
    with Replay(sent) as replay:
        replay.run(replay.end_cycle)
        own = replay.status().errors
    assert own > 3
    with busplay.TraceReader(sent) as reader:
        lost = SentHistory(open_history(reader)).lost_edges().tolist()
    assert len(lost) == own
    frames = frames_of(sent)
    missing = frames[3]
    came = [one for one in frames if one[0] not in lost and one != missing]
    spurious = (frames[-3][0] + 800, word_of(0xA303, 1))
    received = arrived(sent, [*came, spurious])
    replay, inspector, played = bench_of(sent, received)
    played.seek(replay.end_cycle)
    causes = Counter(one.cause for one in inspector.errors())
    assert causes["receiver FIFO full"] == own
    assert causes["added"] == causes["missing"] == 1
    assert played.status().errors == own + 2
    assert sorted(edges_of(list(inspector.errors()))) == edges_of(list(inspector.errors()))
    (added,) = (one for one in inspector.errors() if one.cause == "added")
    assert (added.address, added.data) == (0xA303, 1)
    replay.close()
