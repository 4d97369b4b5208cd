"""What `run`, `demo` and `replay` share: play, write files and pictures, report."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from busplay.cli.fault_options import FaultRequest
from busplay.cli.flash_options import FlashOptions
from busplay.cli.interrupt import hold_interrupt, say_interrupted
from busplay.cli.json_output import print_json
from busplay.cli.playing import Bench, PlayOptions, play, write_snapshots
from busplay.cli.progress import late_bar
from busplay.cli.report import print_flashes, print_run
from busplay.cli.run_options import LossOptions
from busplay.cli.run_report import RunReport, accounts_report
from busplay.losses.loss_file import LossFile
from busplay.losses.lost_stores import LossNames, LostStore
from busplay.pipeline.pipeline import Pipeline, PipelineCounters
from busplay.program.labels import Labels
from busplay.program.pages import FullAddresses
from busplay.run.replay import Replay
from busplay.run.session import Session
from busplay.run.store_pc import StorePcFinder
from busplay.run.store_stream import StoreStream

if TYPE_CHECKING:
    from busplay.analysis.flashes import FlashReport
    from busplay.analysis.profile.report import ProfileReport

LISTED_MAX = 100

Played = Session | StoreStream | Replay


@dataclass(frozen=True, slots=True, kw_only=True)
class PlayRequest:
    """What a user asked for, as far as playing is concerned."""

    play: PlayOptions
    flashes: FlashOptions
    losses: LossOptions
    faults: FaultRequest
    as_json: bool


@dataclass(frozen=True, slots=True)
class Ending:
    """What only the player knows at the end; see `RunReport`.

    Attributes:
        lost_at_sender: stores lost at the sender FIFO, where the sender was not here.
    """

    program: str | None = None
    stopped: str | None = None
    exit_status: int | None = None
    stores_to_rom: int | None = None
    stores_to_nothing: int | None = None
    complete: bool | None = None
    trace: Path | None = None
    profile: ProfileReport | None = None
    lost_at_sender: int | None = None


class NamedLosses:
    """The stores that a pipeline lost, by name.

    Args:
        pipeline: that ran.
        labels: the program's.
        make_finder: makes what finds the program counters of stores by their cycles; None: they
            are not known.
        by_edge: full addresses of frames by their edges; None: not known.
        unknown: why they are not.
    """

    def __init__(
        self,
        pipeline: Pipeline,
        *,
        labels: Labels,
        make_finder: Callable[[], StorePcFinder] | None = None,
        by_edge: FullAddresses | None = None,
        unknown: str = "",
    ) -> None:
        self._pipeline = pipeline
        self._labels = labels
        self._make_finder = make_finder
        self._by_edge = by_edge
        self.program_counters = "known" if make_finder is not None else unknown

    def _names(self) -> LossNames:
        finder = None if self._make_finder is None else self._make_finder()
        return LossNames(
            self._pipeline,
            labels=self._labels,
            find_counters=None if finder is None else finder.find,
            by_cycle=None if finder is None else finder.full_addresses,
            by_edge=self._by_edge,
        )

    def first(self) -> tuple[LostStore, ...]:
        """Return the first stores that were lost."""
        losses = self._pipeline.losses.first(LISTED_MAX)
        return tuple(self._names().describe(losses)) if len(losses) else ()

    def write(self, file: LossFile) -> None:
        """Write all stores that were lost, with a progress bar where that takes long.

        Raises:
            OutputError: the file cannot be written.
        """
        done = 0

        def count(rows: int) -> None:
            nonlocal done
            done += rows
            move_to(done)

        with late_bar(file.rows, label="losses") as move_to:
            file.write(self._names(), on_rows=count)


def play_and_report(
    playable: Played,
    *,
    title: str,
    stop_cycle: int | None,
    options: PlayRequest,
    losses: Callable[[], NamedLosses],
    ending: Callable[[], Ending],
    stack: ExitStack,
    after_run: Callable[[], None] = lambda: None,
    bench: Callable[[], Bench] = Bench,
) -> int:
    """Play to the end, close the recordings, write pictures and losses, print the figures.

    Args:
        playable: session, stream or replay.
        title: what plays.
        stop_cycle: play no further than this; None: no limit.
        options: as the user gave them.
        losses: called at the end, for the names of what got lost.
        ending: called at the end, for what else is known.
        stack: closes the file of losses.
        after_run: called after every piece that was run.
        bench: called for a window only; returns what it shows besides the screens.

    Returns:
        The exit status: 0, 1 where losses were to fail, or 130.

    Raises:
        BusplayError: for whatever a user can cause.
    """
    loss_file = open_loss_file(options, playable, stack)
    interrupted, flashes = play(
        playable,
        title=title,
        board=playable.board,
        options=options.play,
        flashes=options.flashes,
        stop_cycle=stop_cycle,
        after_run=after_run,
        bench=bench,
    )
    return finish(
        playable,
        title=title,
        options=options,
        losses=losses,
        ending=ending,
        loss_file=loss_file,
        flashes=flashes,
        interrupted=interrupted,
    )


def open_loss_file(options: PlayRequest, playable: Played, stack: ExitStack) -> LossFile | None:
    """Return the file for the losses of what is to play, if one was asked for.

    Args:
        options: as the user gave them.
        playable: nothing of it has run yet.
        stack: closes the file.

    Raises:
        OutputError: it cannot be written.
    """
    if options.losses.losses_path is None:
        return None
    file = stack.enter_context(LossFile(options.losses.losses_path))
    playable.pipeline.watch_losses(file.add)
    return file


def finish(
    playable: Played,
    *,
    title: str,
    options: PlayRequest,
    losses: Callable[[], NamedLosses],
    ending: Callable[[], Ending],
    loss_file: LossFile | None,
    flashes: FlashReport | None,
    interrupted: bool,
) -> int:
    """Close the recordings, write pictures and losses, print the figures; return the status.

    Args:
        playable, title, options, losses, ending: as for `play_and_report`.
        loss_file: where the losses go, or None.
        flashes: in what was shown.
        interrupted: by Ctrl-C.

    Raises:
        BusplayError: for whatever a user can cause.
    """
    # A second Ctrl-C ends even this: stores are named by running the program once more.
    with hold_interrupt() as held:
        end = ending()
        playable.close(keeps_old=interrupted)
        write_snapshots(options.play.snapshots, playable.displays)
        named = losses()
        if loss_file is not None:
            named.write(loss_file)
        counters = playable.pipeline.counters()
        if end.lost_at_sender is not None:
            counters = replace(
                counters,
                stores=counters.frames_sent + end.lost_at_sender,
                frames_overrun=end.lost_at_sender,
            )
        report = _report(playable, counters, options, end, named, flashes, interrupted=interrupted)
    if held.pressed:
        interrupted, report = True, replace(report, interrupted=True)
    if options.as_json:
        print_json(report)
    elif options.play.headless or interrupted or counters.errors:
        print_run(
            report,
            title=title,
            errors=counters.error_text(),
            keeps_old=any(one != other for one, other in playable.recorder.places.items()),
        )
    if flashes is not None and not options.as_json:
        print_flashes(flashes)
    if interrupted:
        return say_interrupted()
    return int(options.losses.fail_on_loss and report.stores_lost > 0)


def _report(
    playable: Played,
    counters: PipelineCounters,
    options: PlayRequest,
    end: Ending,
    named: NamedLosses,
    flashes: FlashReport | None,
    *,
    interrupted: bool,
) -> RunReport:
    pipeline, places = playable.pipeline, playable.recorder.places
    received = options.losses.record_received
    seen, frames = counters.receiver, counters.accounts.frames
    slots = max(1, pipeline.edge // pipeline.layout.slot_symbols)
    return RunReport(
        board=playable.board.name,
        link=playable.board.link.name,
        program=end.program,
        clock_hz=playable.board.clock_hz,
        cycles=playable.cycle,
        interrupted=interrupted,
        stopped=end.stopped,
        exit_status=end.exit_status,
        stores=counters.stores,
        stores_to_rom=end.stores_to_rom,
        stores_to_nothing=end.stores_to_nothing,
        frames_sent=counters.frames_sent,
        link_use_ratio=round(counters.frames_sent / slots, 6),
        frames_received=seen.frames_received,
        frames_overrun=counters.frames_overrun,
        frames_lost_at_receiver=frames.lost_at_receiver,
        frames_late=frames.lost_late,
        frames_missed=seen.frames_missed,
        checks_failed=seen.checks_failed,
        syncs_lost=seen.syncs_lost,
        writes_outside=counters.writes_outside,
        units=tuple(pipeline.displays),
        complete=end.complete,
        trace=None if end.trace is None else places.get(end.trace, end.trace),
        received_trace=None if received is None else places.get(received, received),
        losses_file=options.losses.losses_path,
        pictures=tuple(snapshot.path for snapshot in options.play.snapshots),
        profile=end.profile,
        accounts=accounts_report(pipeline),
        flashes=flashes,
        losses=named.first(),
        program_counters=named.program_counters,
    )
