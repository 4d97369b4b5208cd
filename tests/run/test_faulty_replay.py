"""Replays with faults and with a receiver that loses frames: jumps change nothing."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from busplay.description.board import BusyTime, ReceiverEnd
from busplay.description.faults import BitFlips, Faults, LostEdges
from busplay.errors import InputError
from busplay.receiver.registers import POSITION
from busplay.run.replay import Replay
from busplay.run.session import Session
from busplay.run.tap import Tap
from tests.boards import GUARDED, board_with
from tests.pipeline.test_accounts import every_slot

SLOW = ReceiverEnd(fifo_depth=8, service_ns=400, busy=(BusyTime(64_000, 12_000),))


@pytest.fixture
def trace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Record 20,000 stores, with a key frame every few thousand frames."""
    monkeypatch.setattr("busplay.trace.writer.CHUNK_FRAMES", 1_000)
    monkeypatch.setattr("busplay.trace.writer.KEY_FRAME_FRAMES", 4_000)
    board = board_with(GUARDED, receiver=SLOW)
    path = tmp_path / "slow.trace"
    with Tap(board, record=path) as tap:
        tap.stores(every_slot(20_000, board=board))
    return path


def test_key_frames_hold_what_waits_in_the_fifo(trace: Path) -> None:
    with Replay(trace) as replay:
        point = replay.reader.seek(150_000)
        assert point.edge > 0
        assert set(point.states) >= {"receiver", "service", "unit panel"}


@pytest.mark.parametrize(
    ("name", "place", "value", "message"),
    [
        (
            "receiver",
            POSITION,
            99,
            "state of the receiver: found a position in the frame of 99, not 0 to 7; record the"
            " trace anew",
        ),
        (
            "service",
            1,
            -5,
            "state of the receiver FIFO: found counts that cannot be; record the trace anew",
        ),
    ],
)
def test_impossible_state_is_refused_with_file_and_place(
    trace: Path, monkeypatch: pytest.MonkeyPatch, name: str, place: int, value: int, message: str
) -> None:
    with Replay(trace) as replay:
        point = replay.reader.seek(150_000)
        numbers = np.frombuffer(point.states[name], "<i8").copy()
        numbers[place] = value
        damaged = {**point.states, name: numbers.tobytes()}
        monkeypatch.setattr(replay.reader, "seek", lambda _: replace(point, states=damaged))
        with pytest.raises(InputError) as caught:
            replay.seek(70_000)
    assert str(caught.value) == f"{trace}: key frame after frame 16,000: {message}"


@pytest.mark.parametrize(
    "faults",
    [None, Faults(seed=4, bit_flips=(BitFlips(1e-4),), lost_edges=(LostEdges(1e-5),))],
)
def test_jump_shows_what_playing_on_shows(trace: Path, faults: Faults | None) -> None:
    with Replay(trace, faults=faults) as played, Replay(trace, faults=faults) as jumped:
        # Otherwise the recent load covers the whole trace, and no key frame is used.
        jumped._recent.span_cycles = 5_000
        for cycle in (70_000, 30_011, 79_000):
            played.reset()
            played.run(cycle)
            jumped.seek(cycle)
            assert jumped.cycle == played.cycle == cycle
            for name, display in played.displays.items():
                assert display.state() == jumped.displays[name].state()
            assert jumped.pipeline.receiver.snapshot() == played.pipeline.receiver.snapshot()


def test_slow_receiver_loses_in_the_replay_what_it_lost_in_the_run(trace: Path) -> None:
    board = board_with(GUARDED, receiver=SLOW)
    tap = Tap(board)
    tap.stores(every_slot(20_000, board=board))
    expected = tap.counters().accounts.frames
    with Replay(trace) as replay:
        replay.run(replay.end_cycle)
        found = replay.pipeline.counters().accounts.frames
        image = replay.display("panel").image()
    assert found == expected
    assert found.lost_at_receiver > 100
    assert np.array_equal(image, tap.display("panel").image())


def test_link_use_after_a_jump_is_that_of_the_time_before(tmp_path: Path) -> None:
    """It was 0.0 % until half a second had been played."""
    board = board_with(GUARDED)
    path = tmp_path / "half.trace"
    with Tap(board, record=path) as tap:
        tap.stores(every_slot(10_000, board=board))
        tap.flush(stop_cycle=80_000)
    with Replay(path) as replay:
        replay.seek(40_000)
        assert replay.status().link_use_permille == 1000
        replay.seek(80_000)
        assert replay.status().link_use_permille == 500
        replay._recent.span_cycles = 10_000
        replay.seek(45_000)
        assert replay.status().link_use_permille == 500
        replay.seek(80_000)
        assert replay.status().link_use_permille == 0


def test_recent_load_after_a_jump_is_that_of_half_a_second(tmp_path: Path) -> None:
    """It may begin where a chunk does: then the frames before need not be decoded."""
    with Session("dunlin", program="tides.bin", record=tmp_path / "a.trace") as session:
        session.run(9_600_000)
    with Replay(tmp_path / "a.trace") as replay:
        edges = np.concatenate([part.edge for part in replay.reader.chunks()])
        slot = replay.pipeline.layout.slot_symbols
        half = replay.clock_hz // 2 * replay.board.link.edges_per_cycle // slot
        begins = replay.reader.edges_before.tolist()
        exact = 0
        for cycle in range(600_000, 9_600_000, 620_000):
            replay.seek(cycle)
            status = replay.status()
            until = replay.pipeline.edge
            first = until - status.slots_in_last_span * slot
            counted = np.count_nonzero((edges >= first) & (edges < until))
            assert abs(status.frames_in_last_span - counted) <= 1
            assert abs(status.slots_in_last_span - min(half, until // slot)) <= half // 8 + 1
            exact += any(0 <= first - begin < slot for begin in begins[1:])
        assert exact > 0
