"""Sweeps: the same whoever computes them, taken up where they were killed, stopped in time."""

from __future__ import annotations

import contextlib
import json
import os
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busplay.analysis.intervals import wilson_interval
from busplay.analysis.stress import sweep
from busplay.analysis.stress.answers import find_answers
from busplay.analysis.stress.points import Figure, Point, apply, is_random, points_of
from busplay.analysis.stress.state import FORMAT, StateHead, open_state, read_state
from busplay.analysis.stress.stress import stress
from busplay.analysis.stress.sweep import run_sweep
from busplay.analysis.stress.trials import Effort, PointResult, run_point, trial_seed
from busplay.description.board import BusyTime, ReceiverEnd
from busplay.description.faults import BitFlips, EarlyLane, Faults, LateLane, LostEdges, Stalls
from busplay.errors import BusplayError, InputError
from tests.analysis.stress.loads import burst_load
from tests.boards import GUARDED, board_with
from tests.cli.test_faults import FILL

BOARD = board_with(GUARDED, receiver=ReceiverEnd(fifo_depth=16, service_ns=600))
LOAD = burst_load(BOARD)
PLAN = Faults(seed=5)
EFFORT = Effort(budget_frames=20_000)
HEAD = StateHead("bare", "guarded", "load", 1, 0, 1, points=6)
POINTS = points_of({Figure.BER: (1e-4, 1e-2), Figure.FIFO_DEPTH: (1, 8, 32)})


def swept(**more: object) -> list[PointResult]:
    settings: dict[str, object] = {"effort": EFFORT, "busy_period_ns": 1_000_000, "jobs": 1}
    return run_sweep(POINTS, LOAD, BOARD, PLAN, **(settings | more))  # type: ignore[arg-type]


def at(figure: Figure, value: float, effort: Effort = EFFORT) -> PointResult:
    point = Point(figure, value)
    return run_point(point, 1, LOAD, BOARD, PLAN, effort=effort, busy_period_ns=1_000)


def test_same_seed_same_results_whatever_the_number_of_workers() -> None:
    assert swept(jobs=1) == swept(jobs=2)


def test_other_seed_other_results() -> None:
    other = run_sweep(
        POINTS, LOAD, BOARD, replace(PLAN, seed=6), effort=EFFORT, busy_period_ns=1_000, jobs=1
    )
    assert other != swept()


@pytest.mark.thorough
def test_dask_cluster_gives_the_same_results() -> None:
    distributed = pytest.importorskip("distributed", reason="Dask is in the extra `cluster`")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as cluster:
        found = swept(dask_address=cluster.scheduler_address)
    assert found == swept()


def test_no_cluster_is_said_in_a_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed", reason="Dask is in the extra `cluster`")
    monkeypatch.setattr(sweep, "DASK_TIMEOUT", "1s")
    with pytest.raises(
        BusplayError, match=r"--dask tcp://127\.0\.0\.1:1: no cluster answers there"
    ):
        swept(dask_address="tcp://127.0.0.1:1")


class KilledError(Exception):
    """Stands for the signal that ends a run."""


def test_killed_run_goes_on_where_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    state = tmp_path / "sweep.state"
    seen: list[PointResult] = []

    def die_at_third(_: int, result: PointResult) -> None:
        seen.append(result)
        if len(seen) == 3:
            raise KilledError

    with pytest.raises(KilledError):
        swept(state_path=state, on_point=die_at_third)
    # The line under way when the power went is cut.
    state.write_bytes(state.read_bytes() + b'{"point": 4, "resu')
    computed: list[int] = []
    real = sweep.run_point

    def counted(point: Point | None, index: int, *args: object, **more: object) -> PointResult:
        computed.append(index)
        return real(point, index, *args, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(sweep, "run_point", counted)
    told: list[PointResult] = []
    found = swept(state_path=state, on_point=lambda _, result: told.append(result))
    assert computed == [3, 4, 5]
    assert found == swept()
    assert len(told) == len(POINTS) + 1
    lines = state.read_text().splitlines()
    assert [json.loads(line)["point"] for line in lines[1:]] == [0, 1, 2, 3, 4, 5]
    computed.clear()
    assert swept(state_path=state) == found
    assert computed == []


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="there are no named pipes here")
def test_state_on_what_is_no_regular_file_is_refused(tmp_path: Path) -> None:
    """It was read until memory was full."""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for path in (pipe, Path(os.devnull), tmp_path):
        with pytest.raises(InputError) as caught:
            swept(state_path=path)
        assert str(caught.value) == (
            f"{path}: found no regular file; name a file that is not there yet, or one that a sweep"
            " wrote"
        )


def test_stress_takes_paths_and_keeps_the_points_that_ctrl_c_left_whole(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    whole = stress("dunlin", FILL, sweeps={Figure.BER: (0.0,)}, cycles=100_000, jobs=1)
    assert not whole.interrupted
    assert whole.points_left == 0
    assert whole.answers is not None

    def interrupted(point: Point | None, *args: object, **more: object) -> PointResult:
        if point is not None:
            raise KeyboardInterrupt
        return run_point(point, *args, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(sweep, "run_point", interrupted)
    report = stress("dunlin", FILL, sweeps={Figure.BER: (0.0,)}, cycles=100_000, jobs=1)
    assert report.interrupted
    assert report.as_it_is == whole.as_it_is
    assert (report.points, report.points_left, report.answers) == ((), 1, None)


def test_state_of_another_run_is_refused(tmp_path: Path) -> None:
    state = tmp_path / "sweep.state"
    swept(state_path=state)
    before = state.read_bytes()
    with pytest.raises(InputError) as caught:
        swept(state_path=state, effort=Effort(budget_frames=10))
    assert str(caught.value) == (
        f"{state}: found the state of another run; give its load, board, faults, points, effort"
        " and seed, or another --state file"
    )
    assert state.read_bytes() == before


def test_state_says_whose_results_it_holds_and_can_be_read_without_the_load(
    tmp_path: Path,
) -> None:
    path = tmp_path / "sweep.state"
    results = swept(state_path=path)
    path.write_bytes(path.read_bytes() + b'{"point": 4, "resu')
    state = read_state(path)
    head = state.head
    assert head is not None
    assert head.points == len(POINTS) + 1 == len(results)
    assert (head.board, head.link, head.seed) == (BOARD.name, "guarded", PLAN.seed)
    assert [state.points[index] for index in sorted(state.points)] == results
    # As earlier versions wrote it.
    lines = path.read_text().splitlines()
    old = {key: value for key, value in json.loads(lines[0]).items() if key != "about"}
    path.write_text("\n".join([json.dumps(old), *lines[1:-1]]) + "\n")
    assert read_state(path).head is None
    assert swept(state_path=path) == results


@pytest.mark.parametrize(
    ("name", "value"),
    [("loss_ratio", "x"), ("frames", -1), ("held_max", 1.5), ("high_ratio", 2), ("value", None)],
)
def test_state_with_impossible_figures_is_refused(tmp_path: Path, name: str, value: object) -> None:
    path = tmp_path / "sweep.state"
    swept(state_path=path)
    lines = path.read_text().splitlines()
    row = json.loads(lines[2])
    row["result"][name] = value
    path.write_text("\n".join([*lines[:2], json.dumps(row), *lines[3:]]) + "\n")
    with pytest.raises(InputError) as caught:
        read_state(path)
    assert str(caught.value) == (
        f"{path}: line 3: found no result of a point; take the line out; its point is then computed"
        " anew"
    )


@pytest.mark.parametrize(
    "content", [b"my notes", b"my notes\n", b'{"a": 1}\n', b"\xff\xfe\n", b"[]\n"]
)
def test_file_that_is_no_state_is_left_alone(tmp_path: Path, content: bytes) -> None:
    state = tmp_path / "notes.txt"
    state.write_bytes(content)
    with pytest.raises(InputError) as caught:
        swept(state_path=state)
    assert str(caught.value) == (
        f"{state}: found no state of a sweep; name a file that is not there yet, or one that a"
        " sweep wrote"
    )
    assert state.read_bytes() == content


@given(st.binary(max_size=80))
def test_damaged_lines_are_read_or_refused(
    tmp_path_factory: pytest.TempPathFactory, tail: bytes
) -> None:
    state = tmp_path_factory.mktemp("state") / "sweep.state"
    head = json.dumps({"format": FORMAT, "run": "x"}).encode() + b"\n"
    state.write_bytes(head + tail)
    with contextlib.suppress(InputError), contextlib.ExitStack() as stack:
        found, _ = open_state(state, "x", HEAD, stack)
        assert all(0 <= point < 6 for point in found)


def test_trials_stop_when_the_interval_is_narrow_or_the_budget_spent() -> None:
    narrow = at(Figure.BER, 1e-2, Effort(1_000_000, 0.1))
    assert narrow.stop == "narrow"
    assert (narrow.high_ratio - narrow.low_ratio) / 2 <= 0.1 * narrow.loss_ratio
    spent = at(Figure.BER, 1e-5, Effort(5_000, 0.01))
    assert spent.stop == "budget"
    assert 5_000 <= spent.frames < 5_000 + len(LOAD.frames)
    certain = at(Figure.BER, 0.0, Effort(5_000))
    assert (certain.stop, certain.trials) == ("certain", 1)
    assert certain.low_ratio == certain.loss_ratio == certain.high_ratio


@pytest.mark.thorough
@pytest.mark.parametrize("budget_frames", [1, 1_500, 4_000])
def test_intervals_hold_the_rate_though_losses_come_in_bunches(budget_frames: int) -> None:
    # A lost edge costs a dozen frames, so that frames are far from independent.
    found = [
        run_point(
            None,
            0,
            LOAD,
            board_with(GUARDED),
            Faults(seed=seed, lost_edges=(LostEdges(3e-4),)),
            effort=Effort(budget_frames=budget_frames, width_ratio=0),
            busy_period_ns=1_000,
        )
        for seed in range(60)
    ]
    rate = sum(one.lost for one in found) / sum(one.frames for one in found)
    held = sum(one.low_ratio <= rate <= one.high_ratio for one in found)
    alone = [wilson_interval(one.lost, one.frames) for one in found]
    held_alone = sum(rate in one for one in alone)
    assert held >= 51
    assert held_alone < held


def test_seeds_of_trials_differ() -> None:
    seeds = {
        trial_seed(seed, point, trial)
        for seed in (1, 2)
        for point in range(9)
        for trial in range(9)
    }
    assert len(seeds) == 2 * 81


def test_smallest_fifo_loses_nothing_and_one_less_does() -> None:
    answers = find_answers(LOAD, BOARD, PLAN)
    # D/D/1: 50 frames every 500 ns that take 600: 1 + 49 - floor(49 * 500 / 600).
    assert answers.smallest_receiver_fifo == 10
    for depth, lost in ((10, False), (9, True)):
        assert (at(Figure.FIFO_DEPTH, depth).lost > 0) is lost


def test_longest_service_loses_nothing_and_a_nanosecond_more_does() -> None:
    longest = find_answers(LOAD, BOARD, PLAN).longest_service_ns
    assert longest is not None
    assert longest > 600
    for service_ns, lost in ((longest, False), (longest + 1, True)):
        assert (at(Figure.SERVICE_NS, service_ns).lost > 0) is lost


def test_each_cause_explains_what_goes_without_it() -> None:
    board = board_with(
        GUARDED,
        receiver=ReceiverEnd(fifo_depth=4, service_ns=400, busy=(BusyTime(100_000, 20_000),)),
    )
    plan = Faults(seed=3, bit_flips=(BitFlips(1e-4),))
    answers = find_answers(LOAD, board, plan)
    assert answers.lost_by_cause["lost_at_receiver"] > 0
    assert answers.lost_by_cause["lost_on_wire"] > 0
    assert answers.explained["flipped bits"] > 0
    assert answers.explained["busy times"] >= answers.lost_by_cause["lost_at_receiver"] - 1
    assert sum(answers.lost_by_cause.values()) > answers.explained["flipped bits"]


def test_point_takes_the_place_of_its_figure_alone() -> None:
    plan = Faults(bit_flips=(BitFlips(0.5, lanes=(1,)),), lost_edges=(LostEdges(0.5, count=3),))
    board = board_with(GUARDED, receiver=ReceiverEnd(busy=(BusyTime(100, 10, 3, 90),)))

    def put(figure: Figure, value: float) -> tuple[ReceiverEnd, Faults]:
        here, faults = apply(Point(figure, value), board, plan, busy_period_ns=77)
        return here.receiver, faults

    assert put(Figure.BER, 0.1)[1].bit_flips == (BitFlips(0.1, lanes=(1,)),)
    assert put(Figure.LOST_EDGES, 0.1)[1].lost_edges == (LostEdges(0.1, count=3),)
    assert put(Figure.FIFO_DEPTH, 9)[0].fifo_depth == 9
    assert put(Figure.SERVICE_NS, 9)[0].service_ns == 9
    assert put(Figure.BUSY_NS, 20)[0].busy == (BusyTime(100, 20, 3, 80),)
    assert put(Figure.BUSY_NS, 0)[0].busy == ()
    bare = apply(Point(Figure.BUSY_NS, 20), board_with(GUARDED), plan, busy_period_ns=77)[0]
    assert bare.receiver.busy == (BusyTime(77, 20),)


@pytest.mark.parametrize(
    ("plan", "busy", "random"),
    [
        (Faults(), (), False),
        (Faults(bit_flips=(BitFlips(0.0),)), (), False),
        (Faults(bit_flips=(BitFlips(1e-3),)), (), True),
        (Faults(late_lanes=(LateLane(0),)), (), False),
        (Faults(late_lanes=(LateLane(0, 0.5),)), (), True),
        (Faults(early_lanes=(EarlyLane(0),)), (), False),
        (Faults(early_lanes=(EarlyLane(0, 0.5),)), (), True),
        (Faults(lost_edges=(LostEdges(at_edges=(5,)),)), (), False),
        (Faults(stalls=(Stalls(10, 5),)), (), True),
        (Faults(), (BusyTime(10, 5),), False),
        (Faults(), (BusyTime(10, 5, 0, 1),), True),
    ],
)
def test_what_is_not_random_is_tried_once(
    plan: Faults, busy: tuple[BusyTime, ...], random: bool
) -> None:
    board = board_with(GUARDED, receiver=ReceiverEnd(busy=busy))
    assert is_random(board, plan) is random
