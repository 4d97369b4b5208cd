"""What `run` and `demo` do: make the machine, play it, write pictures, print the figures."""

from __future__ import annotations

import sys
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import asdict, dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import IO, BinaryIO

import click

from busplay.analysis.profile import sum_by_routine
from busplay.cli.accounts_report import AccountsReport, open_loss_file
from busplay.cli.fault_options import FaultRequest
from busplay.cli.notice import tell_of_compiling
from busplay.cli.playing import (
    PlayOptions,
    play,
    require_snapshot_units,
    write_snapshots,
)
from busplay.cli.report import pipeline_figures, print_figures, print_routines
from busplay.description.board import Board
from busplay.errors import InputError, printable
from busplay.formats.keys_csv import read_key_presses
from busplay.formats.stores import read_stores
from busplay.link.board_fit import require_link_fits
from busplay.link.load import load_board, load_link
from busplay.program.labels import find_labels_beside, read_labels
from busplay.run.session import Session
from busplay.run.store_stream import StoreStream


@dataclass(frozen=True, slots=True)
class RunRequest:
    """What to run and how long, as the user gave it."""

    board_source: str
    link_source: str | None = None
    program: Path | None = None
    load_address: int | None = None
    stores: Path | None = None
    core: str = "compiled"
    keys: Path | None = None
    record: Path | None = None
    record_received: Path | None = None
    losses: Path | None = None
    cycles: int | None = None
    seconds: Fraction | None = None
    until_exit: bool = False
    profile: bool = False
    labels: Path | None = None
    faults: FaultRequest = FaultRequest()  # noqa: RUF009 - frozen

    def stop_cycle(self, clock_hz: int) -> int | None:
        """Return the cycle at which to stop, the earlier of the two limits; None is no limit."""
        stops = [] if self.cycles is None else [self.cycles]
        if self.seconds is not None:
            stops.append(int(self.seconds * clock_hz))
        return min(stops, default=None)


def run_and_report(
    request: RunRequest, options: PlayOptions, *, as_json: bool, console: IO[bytes]
) -> int:
    """Run, write pictures, print the figures; give the exit status.

    Args:
        request: what to run.
        options: how to play it.
        as_json: print the figures as JSON.
        console: where the bytes go that the program writes to its console register.

    Raises:
        BusplayError: for whatever a user can cause.
    """
    tell_of_compiling()
    board = load_board(request.board_source)
    if request.link_source is not None:
        board = require_link_fits(replace(board, link=load_link(request.link_source)))
    with ExitStack() as stack:
        if request.stores is not None:
            return _run_stores(request, board, options, as_json=as_json, stack=stack)
        return _run_program(request, board, options, as_json=as_json, console=console, stack=stack)


def _run_program(
    request: RunRequest,
    board: Board,
    options: PlayOptions,
    *,
    as_json: bool,
    console: IO[bytes],
    stack: ExitStack,
) -> int:
    session = stack.enter_context(
        Session(
            board,
            program=request.program,
            load_address=request.load_address,
            core=request.core,
            key_presses=read_key_presses(request.keys) if request.keys else (),
            record=request.record,
            record_received=request.record_received,
            profile=request.profile,
            faults=request.faults.plan_for(board.link),
        )
    )
    loss_file = open_loss_file(request.losses, session.pipeline, stack)
    labels = _labels(request) if request.profile or request.labels else {}
    require_snapshot_units(options.snapshots, session.displays)
    title = printable(session.program.name) or board.name

    def pass_console() -> None:
        taken = session.take_console()
        if taken:
            console.write(taken)
            console.flush()

    _play_and_close(session, title, options, request, session.close, after_run=pass_console)
    pass_console()
    stop = session.stop
    figures = pipeline_figures(session.pipeline, cycles=session.cycle)
    figures["program"] = session.program.name
    figures["exit_status"] = stop.exit_status if stop is not None else None
    figures["stopped"] = stop.reason if stop is not None else None
    counted = session.profile()
    routines = None if counted is None else sum_by_routine(counted, labels, regions=board.memory)
    if routines is not None:
        figures["profile"] = [asdict(routine) for routine in routines]
    if len(session.pipeline.losses) and not labels:
        labels = _labels(request)
    if loss_file is not None:
        finder = session.store_pc_finder()
        AccountsReport(session.pipeline, labels=labels, find_counters=finder.find).write(loss_file)
    accounts = AccountsReport(
        session.pipeline, labels=labels, find_counters=session.program_counters
    )
    _print(figures, request, options, accounts, as_json=as_json, title=title)
    if routines is not None and not as_json:
        print_routines(routines)
    if stop is None:
        return 1 if request.until_exit and options.headless else 0
    if stop.exit_status is not None:
        return stop.exit_status
    if stop.kind == "halted":
        return 0
    # Not raised: the figures are out, and as JSON they hold the reason already.
    click.echo(f"busplay: {stop.as_error()}", err=True)
    return 2


def _labels(request: RunRequest) -> dict[int, tuple[str, ...]]:
    if request.labels is None and request.program is None:
        return {}
    path = request.labels or find_labels_beside(request.program or "")
    return read_labels(path) if path is not None else {}


def _run_stores(
    request: RunRequest, board: Board, options: PlayOptions, *, as_json: bool, stack: ExitStack
) -> int:
    source = request.stores or Path("-")
    is_live = str(source) == "-"
    name = "standard input" if is_live else str(source)
    stream = sys.stdin.buffer if is_live else stack.enter_context(_open_stores(source))
    feed = stack.enter_context(
        StoreStream(
            board,
            read_stores(stream, name),
            name=name,
            wait=options.headless,
            record=request.record,
            record_received=request.record_received,
            faults=request.faults.plan_for(board.link),
        )
    )
    loss_file = open_loss_file(request.losses, feed.pipeline, stack)
    require_snapshot_units(options.snapshots, feed.displays)
    _play_and_close(feed, name, options, request, feed.close)
    figures = pipeline_figures(feed.pipeline, cycles=feed.cycle)
    accounts = AccountsReport(
        feed.pipeline,
        labels=_labels(request),
        unknown="no program counters: stores from elsewhere come without",
    )
    if loss_file is not None:
        accounts.write(loss_file)
    _print(figures, request, options, accounts, as_json=as_json, title=f"Stores from {name}")
    return 0


def _open_stores(path: Path) -> BinaryIO:
    try:
        return path.open("rb")
    except OSError as error:
        raise InputError(
            file=str(path),
            found=error.strerror or str(error),
            wanted="name a file of stores, or - for standard input",
        ) from error


def _play_and_close(
    playable: Session | StoreStream,
    title: str,
    options: PlayOptions,
    request: RunRequest,
    close: Callable[[], None],
    *,
    after_run: Callable[[], None] = lambda: None,
) -> None:
    """Play, and whatever ends it, write the pictures and the trace's end."""
    try:
        play(
            playable,
            title=title,
            board=playable.board,
            options=options,
            stop_cycle=request.stop_cycle(playable.clock_hz),
            after_run=after_run,
        )
    except KeyboardInterrupt:
        # Ctrl-C ends a run as closing the window does: with its pictures, trace and figures.
        pass
    finally:
        close()
    write_snapshots(options.snapshots, playable.displays)


def _print(
    figures: dict[str, object],
    request: RunRequest,
    options: PlayOptions,
    accounts: AccountsReport,
    *,
    as_json: bool,
    title: str,
) -> None:
    figures["trace"] = None if request.record is None else str(request.record)
    received, losses = request.record_received, request.losses
    figures["received_trace"] = None if received is None else str(received)
    figures["losses_file"] = None if losses is None else str(losses)
    figures["pictures"] = [str(snapshot.path) for snapshot in options.snapshots]
    if options.headless or as_json or accounts.tell_of_losses:
        figures |= accounts.figures()
        print_figures(figures, as_json=as_json, title=title)
        if not as_json:
            accounts.print()
