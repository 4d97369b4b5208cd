"""Traces of what arrives: they have the displays' frames, and compare as the accounts count."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.analysis.compare.compare import compare
from busplay.description.board import Board, BusyTime, ReceiverEnd
from busplay.description.faults import BitFlips, Faults, LostEdges, Stalls
from busplay.run.replay import Replay
from busplay.run.tap import Tap
from tests.boards import GUARDED, board_with
from tests.pipeline.test_accounts import every_slot, receivers
from tests.strategies import boards_for, links, store_batches
from tests.wire.plans import plans


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("received")


def recorded(folder: Path, board: Board, stores: object, plan: Faults) -> Tap:
    sent, received = folder / "sent.trace", folder / "received.trace"
    sent.unlink(missing_ok=True)
    received.unlink(missing_ok=True)
    tap = Tap(board, record=sent, record_received=received, faults=plan)
    tap.stores(stores)  # type: ignore[arg-type]
    tap.close()
    return tap


@given(data=st.data())
@settings(max_examples=70)
def test_sent_against_received_has_the_losses_that_the_accounts_count(
    data: st.DataObject, folder: Path
) -> None:
    board = data.draw(boards_for(data.draw(links())))
    board = replace(board, receiver=data.draw(receivers()))
    plan = data.draw(plans(board.link, last_edge=4_000))
    stores = data.draw(store_batches(board, latest=2_000))
    tap = recorded(folder, board, stores, plan)
    accounts = tap.pipeline.counters().accounts.frames
    if not accounts.sent and not accounts.spurious:
        return
    found = compare(folder / "sent.trace", folder / "received.trace")
    assert found.paired_by == "edges"
    assert found.frames_expected == accounts.sent
    assert found.frames_same == accounts.received_intact
    assert found.frames_changed == accounts.received_damaged
    not_delivered = accounts.lost - accounts.received_damaged - accounts.lost_at_sender
    assert found.frames_missing == not_delivered + accounts.in_flight
    assert found.frames_added == accounts.spurious
    assert found.frames_out_of_order == 0


@given(data=st.data())
@settings(max_examples=60)
def test_trace_of_arrivals_replays_what_was_shown(data: st.DataObject, folder: Path) -> None:
    # A link with a check, so that damage that passes does not mislead the replay itself.
    board = data.draw(boards_for(data.draw(links(with_check=True, least_check_bits=8))))
    board = replace(board, receiver=data.draw(receivers()))
    plan = data.draw(plans(board.link, last_edge=4_000))
    stores = data.draw(store_batches(board, latest=2_000))
    tap = recorded(folder, board, stores, plan)
    with Replay(folder / "received.trace") as replay:
        replay.run(replay.end_cycle)
        frames = replay.pipeline.counters().accounts.frames
        assert frames.stores == replay.reader.frames
        if frames.received_intact < frames.stores:
            return
        for name, display in replay.displays.items():
            assert display.state() == tap.pipeline.displays[name].state()


SLOW = ReceiverEnd(fifo_depth=8, service_ns=400, busy=(BusyTime(64_000, 12_000),))
ROUGH = Faults(
    seed=3,
    bit_flips=(BitFlips(1e-3),),
    lost_edges=(LostEdges(1e-5),),
    stalls=(Stalls(200_000, 20_000),),
)


@pytest.mark.thorough
def test_long_noisy_run_is_counted_to_the_last_frame(tmp_path: Path) -> None:
    board = board_with(GUARDED, receiver=SLOW)
    tap = recorded(tmp_path, board, every_slot(150_000, board=board), ROUGH)
    accounts = tap.pipeline.counters().accounts.frames
    assert min(accounts.lost_on_wire, accounts.lost_out_of_sync, accounts.lost_at_receiver) > 50
    found = compare(tmp_path / "sent.trace", tmp_path / "received.trace", list_most=None)
    assert found.frames_missing == accounts.lost - accounts.received_damaged + accounts.in_flight
    assert found.frames_changed == accounts.received_damaged
    assert found.frames_added == accounts.spurious
    assert found.times_equal
    edges = [one.expected.edge for one in found.differences if one.expected is not None]
    assert np.sort(tap.pipeline.losses.edge).tolist() == edges[: len(tap.pipeline.losses)]


def test_replay_records_what_arrives_as_the_run_does(tmp_path: Path) -> None:
    board = board_with(GUARDED, receiver=SLOW)
    recorded(tmp_path, board, every_slot(20_000, board=board), ROUGH)
    again = tmp_path / "again.trace"
    with Replay(tmp_path / "sent.trace", faults=ROUGH, record_received=again) as replay:
        assert not replay.can_seek
        with pytest.raises(ValueError, match="goes forward only"):
            replay.seek(0)
        replay.run(7_001)
        replay.run(replay.end_cycle)
    assert again.read_bytes() == (tmp_path / "received.trace").read_bytes()
