"""`run --watch`: a program runs again whenever it, its board or its link has changed on disk.

With a window the new run takes the place of the old one in it; an error stands over the old picture
until the next change. Without one, each run prints its report, and the next begins after a change.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import click

from busplay.cli.files import InProgram, files_named_in
from busplay.cli.finishing import finish, open_loss_file
from busplay.cli.interrupt import INTERRUPTED_STATUS
from busplay.cli.notice import tell_of_compiling
from busplay.cli.playing import Bench, Renewal, play
from busplay.cli.running import ProgramRun, RunRequest, board_to_run, run_and_report
from busplay.cli.source_watch import SourceWatch
from busplay.cli.watch_options import WatchOptions
from busplay.description.shipped_files import shipped_boards, shipped_links
from busplay.errors import BusplayError
from busplay.formats.keys_csv import read_key_presses
from busplay.history.live_run import LiveRun
from busplay.losses.loss_file import LossFile
from busplay.run.inputs import RunInputs

# A run that catches up goes on in pieces of this, so that the window still hears its keys.
CATCH_UP_S = 0.04
CATCH_UP_CYCLES = 1 << 20


class _SourcesChangedError(Exception):
    """A run without a window is of no interest any more."""


def watch_and_run(request: RunRequest, options: WatchOptions) -> int:
    """Run, and run again after every change, until the window is closed or Ctrl-C is pressed.

    Raises:
        InputError: watchfiles is not installed.
    """
    tell_of_compiling()
    written = [request.run.record, request.losses.record_received, request.losses.losses_path]
    written += [one.path for one in request.play.snapshots]
    with SourceWatch(build=options.build, ignored=filter(None, written)) as watch:
        error = watch.build()
        if request.play.headless:
            return _run_without_window(request, watch, error)
        return _run_in_window(request, watch, error, keep_time=options.keep_time)


def files_of(request: RunRequest) -> Iterator[Path]:
    """Return every file that a run is made of, there or not."""
    for source, shipped in (
        (request.board_source, shipped_boards()),
        (request.run.link_source, shipped_links()),
    ):
        if source is not None and source not in shipped:
            path = Path(source)
            yield path
            yield from (named for _, named in files_named_in(path))
    if request.program is not None:
        yield request.program
        yield from InProgram().beside(request.program)
    given = (request.labels, request.keys, request.faults.fault_file)
    yield from (one for one in given if one is not None)


def _wait(watch: SourceWatch, error: str) -> str:
    """Print an error, if there is one, and wait for a change; return the next build's error."""
    if error:
        click.echo(f"busplay: {error}", err=True)
    click.echo("busplay: waiting for a change", err=True)
    while True:
        found = watch.wait()
        if found.error or found.is_new or error:
            return found.error


def _run_without_window(request: RunRequest, watch: SourceWatch, error: str) -> int:
    def stop_on_change() -> None:
        if watch.has_changed:
            raise _SourcesChangedError

    while True:
        watch.begin(files_of(request))
        if not error:
            try:
                if run_and_report(request, after_run=stop_on_change) == INTERRUPTED_STATUS:
                    return INTERRUPTED_STATUS
            except BusplayError as failed:
                error = str(failed)
            except _SourcesChangedError:
                click.echo("busplay: changed while it ran; running again", err=True)
        error = _wait(watch, error)


def _run_in_window(request: RunRequest, watch: SourceWatch, error: str, *, keep_time: bool) -> int:
    while True:
        watch.begin(files_of(request))
        if not error:
            try:
                runs = _Runs(request, watch, keep_time=keep_time)
            except BusplayError as failed:
                error = str(failed)
            else:
                with runs:
                    return runs.play()
        error = _wait(watch, error)


class _Runs:
    """The run in a window, and the runs that replace it.

    Args:
        request: what to run.
        watch: what tells of changes.
        keep_time: bring each run to the moment of the one before, with its keys.

    Attributes:
        run: the present run.

    Raises:
        BusplayError: the first run cannot begin.
    """

    def __init__(self, request: RunRequest, watch: SourceWatch, *, keep_time: bool) -> None:
        self._request = request
        self._watch = watch
        self._keep_time = keep_time
        self.run = ProgramRun(request, board_to_run(request))
        self._loss_file = open_loss_file(request, self.run.session, self.run.stack)
        self._bench: Bench | None = None
        self._next: ProgramRun | None = None
        self._next_loss_file: LossFile | None = None
        self._is_closed = False
        self._next_cycle = 0

    def __enter__(self) -> _Runs:
        return self

    def __exit__(self, *_: object) -> None:
        with ExitStack() as stack:
            stack.callback(self.run.close)
            stack.callback(self._drop_next)

    def play(self) -> int:
        """Play until the window is closed; finish the run that is then in it."""
        first = self.run
        interrupted, flashes = play(
            first.session,
            title=first.title,
            board=first.session.board,
            options=self._request.play,
            flashes=self._request.flashes,
            stop_cycle=first.stop_cycle,
            after_run=first.pass_console,
            bench=self._new_bench,
            renew=self._renew,
        )
        last = self.run
        status = finish(
            last.session,
            title=last.title,
            options=self._request,
            losses=last.losses,
            ending=last.ending,
            loss_file=self._loss_file,
            flashes=flashes,
            interrupted=interrupted,
        )
        return last.exit_status(status)

    def _new_bench(self) -> Bench:
        self._bench = self.run.bench()
        return self._bench

    # -- before each picture

    def _renew(self) -> Renewal | None:
        """Return what the window shows from now on, if that is something else."""
        try:
            change = self._watch.take()
            if change is not None:
                self._drop_next()
                if change.error:
                    return Renewal(message=change.error)
                if not change.is_new and not self._is_closed:
                    return Renewal()
                self._begin_next()
            return None if self._next is None else self._go_on(self._next)
        except BusplayError as error:
            self._drop_next()
            return Renewal(message=f"It cannot run\n{error}")

    def _begin_next(self) -> None:
        self._watch.begin(files_of(self._request))
        board = board_to_run(self._request)
        inputs, cycle = None, 0
        if self._keep_time:
            old = self.run.session
            shown_cycle = self._moment()
            inputs = _at_clock(
                _inputs_up_to(self._request, old.inputs, shown_cycle), old.clock_hz, board.clock_hz
            )
            cycle = shown_cycle * board.clock_hz // old.clock_hz
        # Two runs at once cannot write one recording; its run is over, whatever comes.
        self.run.session.close()
        self._is_closed = True
        self._next, self._next_cycle = ProgramRun(self._request, board, inputs), cycle
        self._next_loss_file = open_loss_file(self._request, self._next.session, self._next.stack)

    def _moment(self) -> int:
        """Return the cycle that the window shows."""
        shown = None if self._bench is None else self._bench.playable
        return shown.cycle if isinstance(shown, LiveRun) else self.run.session.cycle

    def _go_on(self, run: ProgramRun) -> Renewal:
        """Bring the next run to its moment, a piece at a time; it then takes the place."""
        session, due = run.session, time.monotonic() + CATCH_UP_S
        while session.cycle < self._next_cycle and not session.ended:
            session.run(min(CATCH_UP_CYCLES, self._next_cycle - session.cycle))
            if time.monotonic() > due:
                at_s, to_s = (one / session.clock_hz for one in (session.cycle, self._next_cycle))
                return Renewal(message=f"Running again\n{at_s:.1f} s of {to_s:.1f} s")
        old, self.run, self._next = self.run, run, None
        bench = self._new_bench()
        old.close()
        self._is_closed = False
        self._loss_file = self._next_loss_file
        board = session.board
        return Renewal(
            playable=session,
            bench=bench,
            stop_cycle=run.stop_cycle,
            after_run=run.pass_console,
            title=f"{run.title} on {board.name}",
            refresh_hz=board.refresh_hz,
        )

    def _drop_next(self) -> None:
        dropped, self._next = self._next, None
        if dropped is not None:
            dropped.close()


def _inputs_up_to(request: RunRequest, inputs: RunInputs, cycle: int) -> RunInputs:
    """Return what was pressed up to a cycle, and the keys of the request after it."""
    later = read_key_presses(request.keys) if request.keys else []
    return RunInputs(
        tuple(
            [one for one in inputs.key_presses if one[0] <= cycle]
            + [one for one in later if one[0] > cycle]
        ),
        tuple(one for one in inputs.resets if one <= cycle),
    )


def _at_clock(inputs: RunInputs, old_hz: int, new_hz: int) -> RunInputs:
    """Return inputs by one clock at the same times by another."""
    return RunInputs(
        tuple((cycle * new_hz // old_hz, code) for cycle, code in inputs.key_presses),
        tuple(cycle * new_hz // old_hz for cycle in inputs.resets),
    )
