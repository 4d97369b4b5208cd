"""A run that one goes back in shows what it showed, and goes on as if nobody had."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.batch import StoreBatch
from busplay.description.faults import (
    BitFlips,
    EarlyLane,
    ExtraEdges,
    Faults,
    LateLane,
    LostEdges,
    Stalls,
)
from busplay.errors import OutputError
from busplay.history.history import open_history
from busplay.history.live_run import LiveInspector, LiveRun, follow
from busplay.link.load import load_board
from busplay.player.player import Player
from busplay.run.session import Session
from busplay.run.store_stream import StoreStream
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
    live = LiveRun(session, program=follow(session))
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
    live = LiveRun(session)
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
    live = LiveRun(session)
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
    live = LiveRun(session)
    live.run(200_000)
    live.renew()

    def fail(*args: object, **options: object) -> None:
        raise OutputError("the disk is full")

    for name in ("write", "flush", "press", "reset"):
        monkeypatch.setattr(kept.writer, name, fail)
    live.run(1_000_000)
    assert kept.failure is not None
    inspector = LiveInspector(live)
    assert inspector.trouble == "the run can be gone back in up to here only: the disk is full"
    # A key or a reset ended the run.
    live.press(65)
    live.reset()
    assert live.cycle >= 1_200_000
    live.seek(100_000)
    assert live.cycle == 100_000
    live.close()
    session.close()


def in_pieces(live: LiveRun, stop_cycle: int, *, cycles: int = 3_000) -> None:
    """Run in pieces, each a chunk of the trace: an index of writes comes after 64."""
    while live.cycle < stop_cycle:
        live.run(min(cycles, stop_cycle - live.cycle))
        live.renew()


@pytest.mark.thorough
def test_the_latest_part_of_a_long_run_is_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("busplay.run.recording.KEPT_BYTES_MAX", 150_000)
    session = Session("dunlin", program="tides.bin", keep=tmp_path / "run.trace")
    whole = Session("dunlin", program="tides.bin", record=tmp_path / "whole.trace")
    live = LiveRun(session, program=follow(session))
    inspector = LiveInspector(live)
    seen: dict[int, list[bytes]] = {}
    begins = []
    for stop in range(100_000, 2_500_001, 100_000):
        in_pieces(live, stop)
        seen[live.cycle] = pictures(live.displays)
        inspector.refresh(0, playing=False)
        begins.append(live.begin_cycle)
        assert inspector.first_frame == live.reader.frames_before[0]
        assert inspector.begin_edge <= inspector.edge_at(live.cycle) <= inspector.end_edge
        for cycle in [one for one in seen if one >= live.begin_cycle]:
            live.seek(cycle)
            assert (live.cycle, pictures(live.displays)) == (cycle, seen[cycle])
        live.seek(0)
        assert live.cycle == live.begin_cycle
        live.seek(session.cycle)
    assert begins[0] == 0
    assert begins == sorted(begins)
    assert len(set(begins)) > 2
    assert 2_500_000 - begins[-1] > 100_000
    check_history(live, inspector, whole, tmp_path / "whole.trace")
    live.close()
    session.close()


@pytest.mark.thorough
def test_a_full_disk_keeps_the_latest_part_of_a_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The run went on unkept, so what could be gone back to was its oldest part."""
    monkeypatch.setattr("busplay.run.recording.KEPT_BYTES_MAX", 300_000)
    session = Session("dunlin", program="tides.bin", keep=tmp_path / "run.trace")
    live = LiveRun(session)
    inspector = LiveInspector(live)
    in_pieces(live, 1_500_000)
    inspector.refresh(0, playing=False)

    def used() -> int:
        return sum(one.stat().st_size for one in tmp_path.iterdir())

    # Somebody else has filled the disk, and takes a little more of it later.
    room = [used()]
    write = os.write

    def write_where_there_is_room(descriptor: int, data: bytes) -> int:
        if used() + len(data) > room[0]:
            raise OSError(errno.ENOSPC, "No space left on device")
        return write(descriptor, data)

    monkeypatch.setattr("busplay.trace.container.os.write", write_where_there_is_room)
    seen: dict[int, list[bytes]] = {}
    begins = [live.begin_cycle]
    for stop in range(1_600_000, 3_000_001, 100_000):
        if stop == 2_200_000:
            room[0] = used() - 20_000
        in_pieces(live, stop)
        seen[live.cycle] = pictures(live.displays)
        inspector.refresh(0, playing=False)
        begins.append(live.begin_cycle)
        assert inspector.trouble == ""
        assert inspector.pixel("panel", 120, 40).causes
        for cycle in [one for one in seen if one >= live.begin_cycle]:
            live.seek(cycle)
            assert (live.cycle, pictures(live.displays)) == (cycle, seen[cycle])
        live.seek(session.cycle)
    assert used() <= room[0]
    kept = session.recorder.kept
    assert kept is not None
    assert kept.writer.parts_taken > 1
    assert begins == sorted(begins)
    assert 100_000 < 3_000_000 - begins[-1] < 1_500_000
    live.close()
    session.close()


def test_no_more_is_kept_than_most_of_what_the_disk_has(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    free = SimpleNamespace(free=80_000)
    monkeypatch.setattr("busplay.run.recording.disk_usage", lambda _: free)
    with Session("dunlin", program="tides.bin", keep=tmp_path / "run.trace") as session:
        kept = session.recorder.kept
        assert kept is not None
        assert kept.writer._bytes_max == 60_000


def check_history(live: LiveRun, inspector: LiveInspector, whole: Session, path: Path) -> None:
    """Hold what is known of a run's last part against the whole recording of the same run."""
    whole.run(live.session.cycle)
    whole.close()
    session = live.session
    with TraceReader(path) as reader:
        history = open_history(reader)
        begin, shown = inspector.first_frame, inspector.frames
        assert begin > 0
        assert history.frames >= shown
        random = np.random.default_rng(3)
        for x, y in random.integers(0, 192, (40, 2)).tolist():
            known = live.history.causes("panel", x, y, shown)
            wanted = history.causes("panel", x, y, shown)
            assert (known.colour, known.offset) == (wanted.colour, wanted.offset)
            for one, other in ((known.byte, wanted.byte), (known.base, wanted.base)):
                if other is None or other.frame < begin:
                    assert one is None
                else:
                    assert one == other
            edge = int(random.integers(reader.header.edge_at(live.begin_cycle), reader.stop_edge))
            assert live.history.frame_at_edge(edge) == history.frame_at_edge(edge)
        first, stop = inspector.begin_edge, inspector.edge_at(session.cycle)
        known_line = live.history.timeline(first, stop, 50)
        wanted_line = history.timeline(first, stop, 50)
        np.testing.assert_array_equal(known_line.keys, wanted_line.keys)
        assert abs(known_line.frames.sum() - wanted_line.frames.sum()) <= 1
        rows = inspector.rows(begin - 5, begin + 3)
        assert [row.index for row in rows] == [begin, begin + 1, begin + 2]
        assert inspector.find("=11", begin, back=True) is None
        sums = inspector.write_sums("panel", first)
        assert int(sums.writes.sum()) == np.count_nonzero(
            [
                one.unit == "panel" and one.space == "memory"
                for number in range(begin, shown, 1_000)
                for one in inspector.rows(number, min(number + 1_000, shown))
            ]
        )


DAMAGE = [
    Faults(ber=1e-4),
    Faults(ber=1e-5, lost_edges=(LostEdges(1e-6),), extra_edges=(ExtraEdges(1e-6),), seed=5),
    Faults(late_lanes=(LateLane(2, 1e-3),), early_lanes=(EarlyLane(1, 1e-3),)),
    Faults(stalls=(Stalls(1_000_000, 200_000),), bit_flips=(BitFlips(1e-5, burst_edges=9),)),
]


@pytest.mark.thorough
@pytest.mark.parametrize("faults", DAMAGE)
def test_a_jump_back_finds_the_same_wire_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, faults: Faults
) -> None:
    """Wherever one jumps to, errors are those of the run; also where the beginning is dropped."""
    monkeypatch.setattr("busplay.run.recording.KEPT_BYTES_MAX", 150_000)
    session = Session("dunlin", program="tides.bin", faults=faults, keep=tmp_path / "run.trace")
    live = LiveRun(session)
    live._snapshot_edges //= 50
    seen: dict[int, list[bytes]] = {}
    for stop in range(60_000, 1_800_001, 60_000):
        in_pieces(live, stop)
        seen[live.cycle] = pictures(live.displays)
    assert live.begin_cycle > 0
    random = np.random.default_rng(9)
    known = [cycle for cycle in seen if cycle >= live.begin_cycle]
    assert len(known) > 3
    for cycle in random.permutation(known * 2).tolist():
        live.seek(cycle)
        assert (live.cycle, pictures(live.displays)) == (cycle, seen[cycle])
    live.seek(known[0])
    for cycle in known[1:]:
        live.run(cycle - live.cycle)
        assert pictures(live.displays) == seen[cycle]
    live.close()
    session.close()


def test_errors_of_the_whole_run_are_known_in_its_past(tmp_path: Path) -> None:
    """After a jump back the list began anew, so the next error was not to be found."""
    faults = Faults(ber=1e-5)
    session = Session("dunlin", program="tides.bin", faults=faults, keep=tmp_path / "run.trace")
    live = LiveRun(session)
    inspector = LiveInspector(live)
    live.run(800_000)
    errors = list(inspector.errors())
    assert len(errors) > 5
    live.seek(100_000)
    inspector.refresh(0, playing=False)
    assert list(inspector.errors()) == errors
    live.close()
    session.close()


def test_the_latest_errors_of_a_long_run_are_listed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After the first ten thousand there were no more."""
    for module in ("losses.latest", "pipeline.frame_accounts", "history.trace_inspector"):
        monkeypatch.setattr(f"busplay.{module}.LOSSES_MAX", 50)
    faults = Faults(ber=1e-3)
    session = Session("dunlin", program="tides.bin", faults=faults, keep=tmp_path / "run.trace")
    live = LiveRun(session)
    inspector = LiveInspector(live)
    every: list[int] = []
    session.pipeline.watch_losses(lambda losses: every.extend(losses.edge.tolist()))
    for _ in range(60):
        live.run(10_000)
        edges = [one.edge for one in inspector.errors()]
        assert len(edges) <= 100
        assert edges == sorted(every)[len(every) - len(edges) :]
        assert {edge for edge in edges if edge in inspector._fates} == set(edges)
    assert len(every) > 200
    live.close()
    session.close()


def test_few_snapshots_are_kept_however_long_the_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("busplay.history.live_run.SNAPSHOTS_MAX", 4)
    faults = Faults(ber=1e-5)
    session = Session("dunlin", program="tides.bin", faults=faults, keep=tmp_path / "run.trace")
    live = LiveRun(session)
    live._snapshot_edges //= 100
    for _ in range(40):
        live.run(40_000)
        assert len(live._snapshots) <= 4
    wanted, cycle = pictures(live.displays), live.cycle
    live.run(40_000)
    live.seek(cycle)
    assert pictures(live.displays) == wanted
    live.close()
    session.close()


def test_stores_from_elsewhere_can_be_gone_back_in(tmp_path: Path) -> None:
    board = load_board("dunlin")
    program = Session(board, program="tides.bin")
    stores: list[StoreBatch] = []
    taken = program.core.take_stores

    def take_stores() -> StoreBatch:
        stores.append(taken())
        return stores[-1]

    program.core.take_stores = take_stores  # type: ignore[method-assign]
    seen = {}
    for cycle in MOMENTS[:8]:
        program.run(cycle - program.cycle)
        seen[program.cycle] = pictures(program.displays)
    stream = StoreStream(
        board, iter(stores), name="stores.csv", wait=True, keep=tmp_path / "run.trace"
    )
    live = LiveRun(stream)
    inspector = LiveInspector(live)
    for cycle in seen:
        while live.cycle < cycle - 100 and not live.ended:
            live.run(cycle - live.cycle)
    inspector.refresh(0, playing=False)
    assert inspector.frames > 10_000
    assert not inspector.has_program
    for cycle in list(seen)[:5]:
        live.seek(cycle)
        assert (live.cycle, pictures(live.displays)) == (cycle, seen[cycle])
    live.press(65)
    live.reset()
    assert live.is_at_head
    live.close()
    stream.close()


@pytest.mark.thorough
@pytest.mark.parametrize("is_slow", [False, True])
def test_history_that_goes_on_equals_one_made_anew(tmp_path: Path, is_slow: bool) -> None:
    board = load_board("dunlin")
    if is_slow:
        # Its receiver's FIFO runs full, so that frames have fates.
        receiver = replace(board.receiver, service_ns=9_000, fifo_depth=2)
        board = replace(board, receiver=receiver)
    path = tmp_path / "run.trace"
    session = Session(board, program="tides.bin", keep=path)
    live = LiveRun(session)
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
            in_trace.add(anew.chunks_in_trace)
            assert index.kinds == anew.kinds
            assert (index.written == anew.written).all()
            assert (index.block_first == anew.block_first).all()
            assert (index.spans == anew.spans).all()
            assert (index.sums_before == anew.sums_before).all()
            assert (index.frames_before == anew.frames_before).all()
            assert (index.spans_before == anew.spans_before).all()
            assert (index.counts_before[-1] == anew.counts_before[-1]).all()
            assert index.fates.keys() == anew.fates.keys()
            assert all((index.fates[n] == anew.fates[n]).all() for n in anew.fates)
        fates = len(index.fates)
    # A stretch of the index was stored in the trace in between.
    assert in_trace == {0, 64}
    assert bool(fates) == is_slow
    live.close()
    session.close()


def test_keys_that_are_pressed_ahead_are_part_of_the_programs_own_run(tmp_path: Path) -> None:
    keep = tmp_path / "run.trace"
    ahead = [(300_000, 128), (900_000, 129)]
    with Session("dunlin", program="keys", keep=keep, key_presses=ahead) as session:
        live = LiveRun(session, program=follow(session))
        live.run(600_000)
        live.press(130)
        live.run(600_000)
        assert live.program is not None
        assert [code for _, code in session.key_presses] == [128, 130, 129]
        for cycle in (1_150_000, 700_000):
            live.program.go_to(cycle)
            straight = Session("dunlin", program="keys", key_presses=session.key_presses)
            straight.run(cycle)
            assert bytes(live.program.memory) == bytes(straight.memory)
        live.close()


def test_inspector_answers_between_a_jump_and_the_next_refresh(live) -> None:
    """A jump takes up what was sent since, and the inspector's trace was closed with that."""
    inspector = LiveInspector(live)
    live.run(400_000)
    inspector.refresh(0, playing=True)
    known = inspector.frames
    live.run(800_000)
    live.seek(700_000)
    assert inspector.frames == known
    # As where the chunks that were decoded last are others.
    live.reader._decoded.clear()
    assert len(inspector.rows(known - 15_000, known - 14_990)) == 10
    assert inspector.write_sums("panel", inspector.edge_at(100_000), unchanged=True).writes.any()
    inspector.refresh(0, playing=False)
    assert inspector.frames > known
