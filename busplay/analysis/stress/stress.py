"""Find out what breaks a board: sweeps over noise and over the receiver, and what it needs."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from os import PathLike
from pathlib import Path

from busplay.analysis.stress.answers import Answers, find_answers
from busplay.analysis.stress.load import Load, load_trace, run_program
from busplay.analysis.stress.points import DEFAULT_BUSY_PERIOD_NS, DEFAULTS, Figure, points_of
from busplay.analysis.stress.sweep import run_sweep
from busplay.analysis.stress.trials import Effort, PointResult
from busplay.description.board import Board
from busplay.description.faults import Faults
from busplay.description.read_faults import as_faults
from busplay.errors import InputError
from busplay.link.load import as_board
from busplay.trace.reader import is_trace

CONFIDENCE_RATIO = 0.95
PROGRAM_CYCLES = 8_000_000


@dataclass(frozen=True, slots=True)
class StressReport:
    """What breaks a board that has to carry a load.

    Attributes:
        board, link, load: their names.
        frames: that the load sends in a trial.
        stores_lost_at_sender: stores that found the sender FIFO full before.
        seed: random seed.
        confidence_ratio: of every interval.
        interrupted: Ctrl-C stopped it; `points` holds the finished ones.
        points_left: points that were not done.
        answers: what the receiver needs, and what causes the losses; None: stopped before.
        as_it_is: the board as it is; None: stopped before.
        points: the sweeps, in order.
    """

    board: str
    link: str
    load: str
    frames: int
    stores_lost_at_sender: int
    seed: int
    confidence_ratio: float
    interrupted: bool
    points_left: int
    answers: Answers | None
    as_it_is: PointResult | None
    points: tuple[PointResult, ...]

    @property
    def loses(self) -> bool:
        """The board as it is loses something of the load."""
        as_it_is = self.as_it_is
        return bool(self.stores_lost_at_sender or (as_it_is is not None and as_it_is.lost))


def stress(
    board: Board | str | Path,
    load: Load | str | PathLike[str],
    *,
    sweeps: Mapping[str, Sequence[float]] | None = None,
    faults: Faults | str | Path | None = None,
    busy_period_ns: int = DEFAULT_BUSY_PERIOD_NS,
    cycles: int = PROGRAM_CYCLES,
    load_address: int | None = None,
    frames: int | None = None,
    max_frames: int = Effort().budget_frames,
    precision_ratio: float = Effort().width_ratio,
    jobs: int = -1,
    dask_address: str | None = None,
    state: str | Path | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> StressReport:
    """Send a load over a board again and again, varying one figure at a time.

    Ctrl-C ends it; the report then has the points that were done.

    Args:
        board: a board, its file, or the name of a shipped one.
        load: a trace or a program, or what `load` made of one.
        sweeps: values of each figure: `ber`, `lost_edges`, `fifo_depth`, `service_ns`, `busy_ns`;
            None: the usual ones of all figures.
        faults: what is injected anyway, and the random seed, or the file that describes it; None:
            nothing, seed 1.
        busy_period_ns: of the busy time that is swept where the board has none.
        cycles: that a program runs.
        load_address: of a raw program.
        frames: send no more than these in a trial.
        max_frames: of one point.
        precision_ratio: stop a point where half the interval is this share of the rate.
        jobs: processes; -1 is one a core.
        dask_address: scheduler of a Dask cluster that computes instead.
        state: file that keeps each point; an existing one is gone on from.
        progress: called with (steps done, steps).

    Raises:
        InputError: the load is of another link, sends nothing, or cannot be read; a busy time is
            as long as its period; the state is of another run.
        OutputError: the state cannot be written.
        BusplayError: a package is missing, or no cluster answers.
        ValueError: there is no such figure.

    >>> import busplay
    >>> report = busplay.stress(
    ...     "dunlin", "fill.trace", sweeps={"ber": [1e-4]}, frames=2_000, jobs=1
    ... )
    >>> report.loses, len(report.points)
    (False, 1)
    """
    board = as_board(board)
    faults = as_faults(faults, board.link) or Faults()
    if not isinstance(load, Load):
        load = _read(Path(load), board, cycles=cycles, load_address=load_address)
    if frames is not None:
        load = load.first(frames)
    if not len(load.frames):
        raise InputError(
            file=load.name,
            found="nothing that goes on the link",
            wanted="give a trace with frames, or a program that stores into a window in --cycles",
        )
    asked = {Figure(name): values for name, values in (sweeps or DEFAULTS).items()}
    _require_lengths(asked.get(Figure.BUSY_NS, ()), board, busy_period_ns)
    points = points_of(asked)
    results: dict[int, PointResult] = {}
    tell = progress or (lambda done, total: None)
    total = 1 + len(points)
    answers = None
    interrupted = False

    def add(index: int, result: PointResult) -> None:
        results[index] = result
        tell(len(results), total)

    try:
        tell(0, total)
        run_sweep(
            points,
            load,
            board,
            faults,
            effort=Effort(max_frames, precision_ratio),
            busy_period_ns=busy_period_ns,
            jobs=jobs,
            dask_address=dask_address,
            state_path=None if state is None else Path(state),
            on_point=add,
        )
        answers = find_answers(load, board, faults)
    except KeyboardInterrupt:
        interrupted = True
    return StressReport(
        board=board.name,
        link=board.link.name,
        load=load.name,
        frames=len(load.frames),
        stores_lost_at_sender=load.lost_at_sender,
        seed=faults.seed,
        confidence_ratio=CONFIDENCE_RATIO,
        interrupted=interrupted,
        points_left=1 + len(points) - len(results),
        answers=answers,
        as_it_is=results.get(0),
        points=tuple(results[index] for index in sorted(results) if index),
    )


def _read(path: Path, board: Board, *, cycles: int, load_address: int | None) -> Load:
    if is_trace(path, wanted="name a trace or a program"):
        return load_trace(path, board)
    return run_program(board, path, cycles=cycles, load_address=load_address)


def _require_lengths(lengths: Sequence[float], board: Board, period_ns: int) -> None:
    busy = board.receiver.busy
    period = busy[0].period_ns if busy else period_ns
    for length in lengths:
        if length >= period:
            raise InputError(
                place="--sweep-busy",
                found=f"{length:,.0f} ns",
                wanted=f"the busy time comes every {period:,} ns, so give less",
            )
