"""A run that one goes back in shows what it showed, and goes on as if nobody had."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.description.faults import Faults
from busplay.errors import OutputError
from busplay.history.history import open_history
from busplay.history.live_run import LiveInspector, LiveRun, follow
from busplay.link.load import load_board
from busplay.player.player import Player
from busplay.run.session import Session
from busplay.trace.reader import TraceReader

MOMENTS = range(100_000, 1_600_000, 100_000)


def pictures(displays) -> list[bytes]:
    return [display.image().tobytes() for display in displays.values()]


@pytest.fixture(scope="module")
def straight() -> dict[int, list[bytes]]:
    """What a run that nobody touches shows, by the cycle that it has come to."""
    session = Session("dunlin", program="tides.bin")
    found = {}
    for cycle in MOMENTS:
        session.run(cycle - session.cycle)
        found[session.cycle] = pictures(session.displays)
    return found


@pytest.fixture
def live(tmp_path: Path) -> Iterator[LiveRun]:
    session = Session("dunlin", program="tides.bin", keep=tmp_path / "run.trace")
    live = LiveRun(session, tmp_path / "run.trace", program=follow(session))
    yield live
    live.close()
    session.close()


def test_past_shows_what_was_shown_and_the_head_goes_on_as_ever(live, straight) -> None:
    seen = []
    for cycle, wanted in straight.items():
        live.run(cycle - live.cycle)
        assert live.cycle == cycle
        assert pictures(live.displays) == wanted
        seen.append(cycle)
        for earlier in (seen[len(seen) // 2], seen[0]):
            live.seek(earlier)
            assert live.is_at_head == (earlier == cycle)
            assert live.cycle == earlier
            assert pictures(live.displays) == straight[earlier]
        live.seek(cycle)
        assert live.is_at_head


def test_playing_on_from_the_past_comes_to_the_head_and_runs_the_program(live, straight) -> None:
    last = max(straight)
    middle = sorted(straight)[len(straight) // 2]
    live.run(middle)
    live.seek(150_000)
    while live.cycle < last:
        live.run(min(30_000, last - live.cycle))
    assert live.is_at_head
    assert pictures(live.displays) == straight[last]


@settings(max_examples=10, deadline=None)
@given(st.lists(st.tuples(st.booleans(), st.integers(1, 200_000)), min_size=1, max_size=8))
def test_going_back_and_forth_changes_nothing(tmp_path_factory, moves) -> None:
    path = tmp_path_factory.mktemp("live") / "run.trace"
    session = Session("dunlin", program="keys.bin", keep=path)
    live = LiveRun(session, path)
    live.press(65)
    for is_back, cycles in moves:
        if is_back:
            live.seek(max(0, live.cycle - cycles))
            live.press(66)
        else:
            live.run(cycles)
    live.seek(session.cycle)
    other = Session("dunlin", program="keys.bin")
    other.press(65)
    other.run(session.cycle - other.cycle)
    at_head = [code for _, code in session.key_presses[1:]]
    if not at_head:
        assert pictures(live.displays) == pictures(other.displays)
        assert session.registers == other.registers
    live.close()
    session.close()


def test_key_in_the_past_is_heard_by_nobody(live) -> None:
    live.run(200_000)
    live.seek(100_000)
    live.press(65)
    assert live.session.key_presses == ()
    live.seek(200_000_000)
    live.press(66)
    assert [code for _, code in live.session.key_presses] == [66]


def test_faults_of_the_run_are_those_of_its_past(tmp_path: Path) -> None:
    path = tmp_path / "run.trace"
    session = Session("dunlin", program="tides.bin", faults=Faults(ber=1e-4), keep=path)
    live = LiveRun(session, path)
    live.run(400_000)
    wanted = pictures(live.displays)
    cycle = live.cycle
    live.run(100_000)
    live.seek(cycle)
    assert not live.is_at_head
    assert pictures(live.displays) == wanted
    live.close()
    session.close()


def test_inspector_has_all_frames_when_it_is_paused_and_goes_through_the_program(live) -> None:
    inspector = LiveInspector(live)
    for cycles in (300_000, 300_000):
        live.run(cycles)
        inspector.refresh(0, playing=False)
        assert inspector.frames == live.session.pipeline.frames_carried
        facts = inspector.machine()
        assert facts is not None
        assert dict(facts.registers)["PC"] == f"${live.session.registers.pc:04X}"
    version = inspector.version
    inspector.refresh(0, playing=False)
    assert inspector.version == version
    live.seek(inspector.cycle_showing(1000))
    assert inspector.shown_frames == 1001
    assert inspector.pixel("panel", 100, 90).causes
    assert inspector.end_edge >= inspector.edge_at(live.session.cycle)


def test_time_line_of_a_run_that_goes_on_moves_seldom(live) -> None:
    inspector = LiveInspector(live)
    ends = set()
    for _ in range(100):
        live.run(80_000)
        ends.add(inspector.end_edge)
        assert inspector.end_edge > inspector.edge_at(live.cycle)
    assert len(ends) < 40


def test_player_plays_a_live_run_backwards_and_on(live) -> None:
    now = [0]
    player = Player(live, lambda: now[0], whole_pictures=True)
    live.run(1_000_000)
    player.play_back()
    for _ in range(3):
        now[0] += 20_000_000
        player.tick()
    assert 500_000 <= live.cycle <= 560_000
    player.play()
    for _ in range(8):
        now[0] += 20_000_000
        player.tick()
    assert live.is_at_head
    assert live.cycle > 1_000_000


def test_run_goes_on_where_what_is_kept_cannot_be_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "run.trace"
    session = Session("dunlin", program="tides.bin", keep=path)
    kept = session.recorder.kept
    assert kept is not None
    live = LiveRun(session, path)
    live.run(200_000)
    live.renew()

    def fail(*args: object, **options: object) -> None:
        raise OutputError("the disk is full")

    monkeypatch.setattr(kept.writer, "write", fail)
    monkeypatch.setattr(kept.writer, "flush", fail)
    live.run(1_000_000)
    assert kept.is_full
    assert live.cycle >= 1_200_000
    live.seek(100_000)
    assert live.cycle == 100_000
    live.close()
    session.close()


def test_recording_that_is_full_goes_no_further_and_the_run_does(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("busplay.run.recording.KEPT_BYTES_MAX", 2_000)
    path = tmp_path / "run.trace"
    session = Session("dunlin", program="tides.bin", keep=path)
    live = LiveRun(session, path)
    for _ in range(5):
        live.run(400_000)
        live.seek(100_000)
        live.seek(session.cycle)
    kept = session.recorder.kept
    assert kept is not None
    assert kept.is_full
    size = path.stat().st_size
    live.run(1_000_000)
    live.seek(150_000)
    assert path.stat().st_size == size
    assert np.any(next(iter(live.displays.values())).memory)
    live.close()
    session.close()


@pytest.mark.parametrize("is_slow", [False, True])
def test_history_that_goes_on_equals_one_made_anew(tmp_path: Path, is_slow: bool) -> None:
    board = load_board("dunlin")
    if is_slow:
        # Its receiver's FIFO runs full, so that frames have fates.
        receiver = replace(board.receiver, service_ns=9_000, fifo_depth=2)
        board = replace(board, receiver=receiver)
    path = tmp_path / "run.trace"
    session = Session(board, program="tides.bin", keep=path)
    live = LiveRun(session, path)
    cycles = np.random.default_rng(5).integers(1_000, 60_000, 90).tolist()
    in_trace, fates = set(), 0
    for number, count in enumerate(cycles):
        live.run(count)
        live.renew()
        if number % 8 and number < 60:
            continue
        index = live.history.index
        with TraceReader(path) as reader:
            anew = open_history(reader).index
            assert index.kinds == anew.kinds
            assert (index.written == anew.written).all()
            assert (index.spans == anew.spans).all()
            assert (index.sums_before == anew.sums_before).all()
            assert (index.frames_before == anew.frames_before).all()
            assert (index.counts_before[-1] == anew.counts_before[-1]).all()
            assert index.fates.keys() == anew.fates.keys()
            assert all((index.fates[n] == anew.fates[n]).all() for n in anew.fates)
        in_trace.add(index.chunks_in_trace)
        fates = len(index.fates)
    # A stretch of the index was stored in the trace in between.
    assert in_trace == {0, 64}
    assert bool(fates) == is_slow
    live.close()
    session.close()
