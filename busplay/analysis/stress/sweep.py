"""All points of a run, on as many processes as there are, taken up where it was killed.

A run with the same load, board, faults, effort and seed reads the state file and leaves out what
stands there.
"""

from __future__ import annotations

import hashlib
import json
import signal
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, suppress
from dataclasses import asdict
from pathlib import Path
from typing import Any

from busplay.analysis.stress.load import Load
from busplay.analysis.stress.points import Point
from busplay.analysis.stress.state import StateHead, open_state
from busplay.analysis.stress.trials import Effort, PointResult, run_point
from busplay.description.board import Board
from busplay.description.faults import Faults
from busplay.description.plain import board_to_plain
from busplay.errors import BusplayError

DASK_TIMEOUT = "10s"


def run_sweep(
    points: Sequence[Point],
    load: Load,
    board: Board,
    faults: Faults,
    *,
    effort: Effort,
    busy_period_ns: int,
    jobs: int = -1,
    dask_address: str | None = None,
    state_path: Path | None = None,
    on_point: Callable[[int, PointResult], None] = lambda *_: None,
) -> list[PointResult]:
    """Find out what gets lost at each point, the board as it is first.

    Args:
        points: in order; each has the seeds of its place.
        load, board, faults: what is sent, over what; the plan's seed is the run's.
        effort: when a point is done.
        busy_period_ns: see `points.apply`.
        jobs: processes; -1 is one a core.
        dask_address: scheduler of a Dask cluster that computes instead.
        state_path: file to which each point is written as it is done.
        on_point: called with each point's number (0: the board as it is) and result, those read
            from the state file included.

    Raises:
        InputError: the state file is of another run.
        OutputError: it cannot be written.
        BusplayError: a package is missing, or no cluster answers.
    """
    numbered = list(enumerate([None, *points]))
    found: dict[int, PointResult] = {}
    with ExitStack() as stack:
        write: Callable[[int, PointResult], None] = lambda *_: None  # noqa: E731
        if state_path is not None:
            digest = _digest(load, board, faults, effort, busy_period_ns, points)
            about = StateHead(
                board=board.name,
                link=board.link.name,
                load=load.name,
                frames=len(load.frames),
                stores_lost_at_sender=load.lost_at_sender,
                seed=faults.seed,
                points=len(numbered),
            )
            found, write = open_state(state_path, digest, about, stack)
        for index in sorted(found):
            on_point(index, found[index])
        waiting = [(index, point) for index, point in numbered if index not in found]
        tasks = [
            (point, index, load, board, faults, effort, busy_period_ns) for index, point in waiting
        ]
        computed = _computed(tasks, jobs=jobs, dask_address=dask_address)
        for index, result in computed:
            found[index] = result
            write(index, result)
            on_point(index, result)
    return [found[index] for index, _ in numbered]


Task = tuple[Point | None, int, Load, Board, Faults, Effort, int]


def _run_in_worker(task: Task) -> tuple[int, PointResult]:
    """Leave Ctrl-C, which reaches every process of a terminal, to the process that waits."""
    with suppress(ValueError):  # not in the main thread
        signal.signal(signal.SIGINT, signal.SIG_IGN)
    return _run_task(task)


def _run_task(task: Task) -> tuple[int, PointResult]:
    point, index, load, board, faults, effort, busy_period_ns = task
    return index, run_point(
        point, index, load, board, faults, effort=effort, busy_period_ns=busy_period_ns
    )


def _computed(
    tasks: Sequence[Task], *, jobs: int, dask_address: str | None
) -> Iterator[tuple[int, PointResult]]:
    """Return results as they are done, in any order."""
    if not tasks:
        return
    if dask_address is None and jobs == 1:
        yield from map(_run_task, tasks)
        return
    import joblib  # type: ignore[import-untyped]

    with ExitStack() as stack:
        if dask_address is not None:
            stack.enter_context(_dask_client(dask_address))
            stack.enter_context(joblib.parallel_config(backend="dask"))
            parallel = joblib.Parallel(return_as="generator_unordered", pre_dispatch="all")
        else:
            # Joblib keeps large columns in a file that all processes map.
            parallel = joblib.Parallel(n_jobs=jobs, return_as="generator_unordered")
        yield from parallel(joblib.delayed(_run_in_worker)(task) for task in tasks)


def _dask_client(address: str) -> Any:
    try:
        from distributed import Client
    except ImportError as error:
        raise BusplayError(
            "--dask needs Dask; install it with: pip install 'busplay[cluster]'"
        ) from error
    try:
        return Client(address, timeout=DASK_TIMEOUT)  # type: ignore[no-untyped-call]
    except (OSError, TimeoutError, ValueError) as error:
        raise BusplayError(
            f"--dask {address}: no cluster answers there ({error}); start a scheduler and workers"
            " first"
        ) from error


def _digest(
    load: Load,
    board: Board,
    faults: Faults,
    effort: Effort,
    busy_period_ns: int,
    points: Sequence[Point],
) -> str:
    """Return a digest that differs where results do."""
    digest = hashlib.sha256()
    plan = asdict(faults)
    plan.pop("file")
    described = [
        board_to_plain(board),
        plan,
        asdict(effort),
        busy_period_ns,
        [asdict(one) for one in points],
        load.stop_edge,
    ]
    digest.update(json.dumps(described, sort_keys=True, default=str).encode())
    digest.update(load.frames.edge.tobytes())
    digest.update(load.frames.word.tobytes())
    return digest.hexdigest()
