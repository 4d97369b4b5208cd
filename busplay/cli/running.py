"""What `run` and `demo` do: make the machine, play it, report."""

from __future__ import annotations

import sys
from collections.abc import Callable
from contextlib import ExitStack, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, BinaryIO, Self

import click

from busplay.cli.finishing import Ending, NamedLosses, PlayRequest, play_and_report
from busplay.cli.interrupt import INTERRUPTED_STATUS
from busplay.cli.notice import tell_of_compiling
from busplay.cli.playing import Bench, require_snapshot_units
from busplay.cli.progress import shares_bar
from busplay.cli.run_options import RunOptions, stop_cycle
from busplay.core.cycles import RESET_CYCLES
from busplay.description.board import Board
from busplay.errors import InputError
from busplay.formats.keys_csv import read_key_presses
from busplay.formats.stores import read_stores
from busplay.link.board_fit import require_link_fits
from busplay.link.load import load_board, load_link
from busplay.program.labels import Labels, labels_for
from busplay.program.symbols import find_symbols
from busplay.run.inputs import RunInputs
from busplay.run.session import Session
from busplay.run.store_stream import StoreStream
from busplay.wording import counted

if TYPE_CHECKING:
    from busplay.analysis.profile.report import ProfileReport


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRequest(PlayRequest):
    """What to run and how, as the user gave it."""

    board_source: str
    run: RunOptions
    program: Path | None = None
    load_address: int | None = None
    stores: Path | None = None
    keys: Path | None = None
    labels: Path | None = None
    alone: bool = False

    def read_labels(self, board: Board) -> Labels:
        """Read the labels that were given, or those beside the program."""
        return labels_for(self.labels, self.program, board.banks)


def run_and_report(request: RunRequest, *, after_run: Callable[[], None] = lambda: None) -> int:
    """Run, write pictures and files, print the figures; return the exit status.

    Args:
        request: what the user asked for.
        after_run: called after every piece of a program's run; an error that it raises ends that.

    Raises:
        BusplayError: for whatever a user can cause.
    """
    tell_of_compiling()
    board = board_to_run(request)
    with ExitStack() as stack:
        if request.stores is not None:
            return _run_stores(request, board, stack)
        run = stack.enter_context(ProgramRun(request, board))

        def after_piece() -> None:
            run.pass_console()
            after_run()

        status = play_and_report(
            run.session,
            title=run.title,
            stop_cycle=run.stop_cycle,
            options=request,
            losses=run.losses,
            ending=run.ending,
            stack=stack,
            after_run=after_piece,
            bench=run.bench,
        )
        return run.exit_status(status)


def board_to_run(request: RunRequest) -> Board:
    """Load the board, with the link that was asked for.

    Raises:
        InputError: it does not fit the other options.
    """
    board = load_board(request.board_source)
    if request.run.link_source is not None:
        board = require_link_fits(replace(board, link=load_link(request.run.link_source)))
    if request.run.until_exit and board.host_port is None:
        raise InputError(
            place="--until-exit",
            found=f"board {board.name} without a host port",
            wanted="no program can exit on it; add a [host_port] table, or give --cycles COUNT or"
            " --duration TIME",
        )
    require_snapshot_units(request.play.snapshots, [unit.name for unit in board.units])
    return board


class ProgramRun:
    """A program that runs on a board as a user asked for, and what to say of it in the end.

    Args:
        request: what the user asked for.
        board: of `board_to_run`.
        inputs: keys and resets in place of those of the request; None: these.

    Attributes:
        session: the running machine.
        title: what runs.
        stop_cycle: where to stop, or None.
        stack: closes the session, and what else belongs to the run.

    Raises:
        BusplayError: program, keys or labels cannot be read, or a trace cannot be written.
    """

    def __init__(self, request: RunRequest, board: Board, inputs: RunInputs | None = None) -> None:
        if inputs is None:
            inputs = RunInputs(tuple(read_key_presses(request.keys)) if request.keys else ())
        self._request = request
        self.stack = ExitStack()
        with ExitStack() as stack:
            keep = None if request.play.headless else _place_to_keep(stack)
            self.session = stack.enter_context(
                Session(
                    board,
                    program=request.program,
                    load_address=request.load_address,
                    core=request.run.core,
                    key_presses=inputs.key_presses,
                    resets=inputs.resets,
                    record=request.run.record,
                    record_received=request.losses.record_received,
                    keep=keep,
                    faults=request.faults.plan_for(board.link),
                )
            )
            self._labels = request.read_labels(board) if request.labels else {}
            self.stack = stack.pop_all()
        if request.play.headless and sys.stdin is not None:
            with suppress(OSError, ValueError):
                # Without a file behind it, as in some tests, it has no descriptor.
                self.session.serial_lines.attach_terminal(sys.stdin.fileno())
        for name, path in self.session.serial_lines.terminals.items():
            click.echo(f"serial line of {name}: {path}", err=True)
        self._console = sys.stderr.buffer if request.as_json else sys.stdout.buffer
        self.title = self.session.program.name or board.name
        self.stop_cycle = stop_cycle(request.run.cycles, request.run.duration_ps, board.clock_hz)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the session and what the window showed of it."""
        dropped = self.session.serial_lines.bytes_dropped
        if dropped:
            text = f"{counted(dropped, 'byte')} dropped, since nothing reads the pseudo-terminal"
            click.echo(f"serial lines: {text}", err=True)
        self.stack.close()

    def pass_console(self) -> None:
        """Print what the program has written to its console."""
        taken = self.session.take_console()
        if taken:
            self._console.write(taken)
            self._console.flush()

    def bench(self) -> Bench:
        """Return what the window shows of the run."""
        return _bench(self._request, self.session, self.stack)

    def losses(self) -> NamedLosses:
        """Return the names of the stores that were lost."""
        session, known = self.session, self._labels
        # Read late: most runs lose nothing, and unneeded labels are no reason to stop.
        if len(session.pipeline.losses):
            known = known or self._request.read_labels(session.board)
        return NamedLosses(session.pipeline, labels=known, make_finder=session.store_pc_finder)

    def ending(self) -> Ending:
        """Return what is known of the run at its end."""
        self.pass_console()
        session, run = self.session, self._request.run
        counters, stop = session.core.counters, session.stop
        reason = None if stop is None else stop.reason
        if self._is_too_early:
            reason = f"the program has not exited by cycle {session.cycle:,}"
        return Ending(
            program=session.program.name or None,
            stopped=reason,
            exit_status=None if stop is None else stop.exit_status,
            stores_to_rom=counters.rom_writes_ignored,
            stores_to_nothing=counters.unmapped_writes_ignored,
            trace=run.record,
            profile=_profile(session, self._request) if run.profile else None,
        )

    @property
    def _is_too_early(self) -> bool:
        request = self._request
        return self.session.stop is None and request.run.until_exit and request.play.headless

    def exit_status(self, status: int) -> int:
        """Return the command's exit status, and say why the processor cannot go on.

        Args:
            status: of `play_and_report`.
        """
        stop = self.session.stop
        if status == INTERRUPTED_STATUS or stop is None or stop.kind == "halted":
            return status or int(self._is_too_early)
        if stop.exit_status is not None:
            return stop.exit_status or status
        # Not raised: the figures are out, and as JSON they hold the reason already.
        click.echo(f"busplay: {stop.as_error()}", err=True)
        return 2


def _profile(session: Session, request: RunRequest) -> ProfileReport | None:
    """Run once more what the session ran, and return its profile; None if it ran nothing."""
    from busplay.analysis.profile.profile import profile_run

    if session.cycle <= RESET_CYCLES:
        return None
    with shares_bar(label="profile") as progress:
        return profile_run(
            session.start,
            stop_cycle=session.cycle,
            symbols=find_symbols(session.start.path, request.labels, session.board.banks),
            inputs=session.inputs,
            on_progress=progress,
        )


def _place_to_keep(stack: ExitStack) -> Path | None:
    """Return where a run is kept, as long as it is shown, to go back to; None: there is no room."""
    try:
        return Path(stack.enter_context(TemporaryDirectory(prefix="busplay-"))) / "run.trace"
    except OSError:
        return None


def _bench(request: RunRequest, session: Session | StoreStream, stack: ExitStack) -> Bench:
    """Return what the window shows of a live run: what is kept of it, and its program."""
    if session.recorder.kept is None or not session.board.units:
        return Bench(alone=request.alone)
    from busplay.cli.window_profile import profile_of_run
    from busplay.history.live_run import LiveInspector, LiveRun, follow
    from busplay.history.program_history import MEMORY_MB

    if isinstance(session, StoreStream):
        live = LiveRun(session)
        stack.callback(live.close)
        labels = request.read_labels(session.board)
        return Bench(LiveInspector(live, labels=labels), playable=live)
    memory_mb = request.play.history_mb or MEMORY_MB
    program = follow(session, labels=request.labels, memory_mb=memory_mb)
    live = LiveRun(session, program=program)
    stack.callback(live.close)
    profile_of = None if program is None else profile_of_run(program, lambda: session.inputs)
    labels = request.read_labels(session.board)
    inspector = LiveInspector(live, labels=labels, profile_of=profile_of)
    return Bench(inspector, alone=request.alone, playable=live)


def _run_stores(request: RunRequest, board: Board, stack: ExitStack) -> int:
    source = request.stores or Path("-")
    is_live = str(source) == "-"
    name = "standard input" if is_live else str(source)
    stream = _open_standard_input() if is_live else stack.enter_context(_open_stores(source))
    feed = stack.enter_context(
        StoreStream(
            board,
            read_stores(stream, name),
            name=name,
            wait=request.play.headless,
            record=request.run.record,
            record_received=request.losses.record_received,
            keep=None if request.play.headless else _place_to_keep(stack),
            faults=request.faults.plan_for(board.link),
        )
    )
    return play_and_report(
        feed,
        title=f"stores from {name}",
        stop_cycle=stop_cycle(request.run.cycles, request.run.duration_ps, board.clock_hz),
        options=request,
        losses=lambda: NamedLosses(
            feed.pipeline,
            labels=request.read_labels(board),
            unknown="no program counters: stores from elsewhere come without",
        ),
        ending=lambda: Ending(trace=request.run.record),
        stack=stack,
        bench=lambda: _bench(request, feed, stack),
    )


def _open_standard_input() -> BinaryIO:
    # Not Python's own stream: it is locked while the reading thread waits for a silent pipe, and
    # Python aborts when it ends and cannot lock it.
    return open(0, "rb", closefd=False)


def _open_stores(path: Path) -> BinaryIO:
    try:
        return path.open("rb")
    except OSError as error:
        raise InputError(
            file=str(path),
            found=error.strerror or str(error),
            wanted="name a file of stores, or - for standard input",
        ) from error
