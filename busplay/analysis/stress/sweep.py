"""All points of a run, on as many processes as there are, taken up where it was killed.

Each finished point is a line of the state file, written and flushed before the next; a run with
the same load, board, faults, effort and seed reads it and leaves out what stands there. The
first line says whose results they are.
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
from busplay.analysis.stress.trials import Effort, PointResult, run_point
from busplay.description.board import Board
from busplay.description.faults import Faults
from busplay.description.plain import board_to_plain
from busplay.errors import BusplayError, InputError, OutputError

FORMAT = "busplay stress 2"
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
            found, write = _open_state(state_path, digest, len(numbered), stack)
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


def _open_state(
    path: Path, digest: str, point_count: int, stack: ExitStack
) -> tuple[dict[int, PointResult], Callable[[int, PointResult], None]]:
    """Open a state file: the points that an earlier run finished, and what adds another.

    A last line that was cut is left out. Each line is with the operating system before the next
    point begins.
    """
    if path.exists() and not path.is_file():
        raise _foreign(path, "no regular file")
    try:
        stream = stack.enter_context(path.open("a+b"))
        stream.seek(0)
        content = stream.read()
    except OSError as error:
        raise _refusal(path, error) from error
    # Without its end of line the last one may be cut, even where it reads.
    *whole, cut = content.split(b"\n")
    if cut.strip() and not whole:
        raise _foreign(path, "no state of a sweep")
    found = _parse_state(path, whole, digest, point_count) if whole else {}

    def write(line: dict[str, object]) -> None:
        try:
            stream.write(json.dumps(line).encode() + b"\n")
            stream.flush()
        except OSError as error:
            raise _refusal(path, error) from error

    stream.truncate(len(content) - len(cut))
    if not whole:
        write({"format": FORMAT, "run": digest})
    return found, lambda index, result: write({"point": index, "result": asdict(result)})


def _parse_state(
    path: Path, lines: Sequence[bytes], digest: str, point_count: int
) -> dict[int, PointResult]:
    try:
        head = json.loads(lines[0])
        is_ours, is_same = head["format"] == FORMAT, head["run"] == digest
    except (ValueError, TypeError, KeyError, RecursionError):
        is_ours = False
    if not is_ours:
        raise _foreign(path, "no state of a sweep")
    if not is_same:
        raise InputError(
            file=str(path),
            found="the state of another run",
            wanted="give its load, board, faults, points, effort and seed, or another --state file",
        )
    found: dict[int, PointResult] = {}
    for number, line in enumerate(lines[1:], start=2):
        try:
            row = json.loads(line)
            index = row["point"]
            if not isinstance(index, int) or not 0 <= index < point_count:
                raise ValueError("no such point")
            found[index] = PointResult.from_figures(row["result"])
        except (ValueError, TypeError, KeyError, RecursionError):
            raise InputError(
                file=str(path),
                place=f"line {number}",
                found="no result of a point",
                wanted="take the line out; its point is then computed anew",
            ) from None
    return found


def _foreign(path: Path, found: str) -> InputError:
    return InputError(
        file=str(path),
        found=found,
        wanted="name a file that is not there yet, or one that a sweep wrote",
    )


def _refusal(path: Path, error: OSError) -> OutputError:
    return OutputError(
        file=str(path),
        found=(error.strerror or str(error)).lower(),
        wanted="the state of the sweep cannot be written there; name another file",
    )
