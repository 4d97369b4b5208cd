"""What a run or a replay sent, received and lost, as data: what `--json` prints."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from busplay.pipeline.accounts import FAULT_NAMES
from busplay.pipeline.totals import FaultTotals, FrameTotals

if TYPE_CHECKING:
    from busplay.analysis.flashes import FlashReport
    from busplay.analysis.profile.report import ProfileReport
    from busplay.losses.lost_stores import LostStore
    from busplay.pipeline.pipeline import Pipeline


@dataclass(frozen=True, slots=True)
class FifoReport:
    """What the receiver FIFO saw.

    Attributes:
        frames_served: in time.
        frames_overrun: found the FIFO full.
        frames_late: served after their deadline.
        overruns_while_busy: overruns that came in a busy time or a stall.
        frames_held_max: frames in the FIFO at most.
        mean_wait_ns: mean time that a frame waited for its service.
    """

    frames_served: int
    frames_overrun: int
    frames_late: int
    overruns_while_busy: int
    frames_held_max: int
    mean_wait_ns: float


@dataclass(frozen=True, slots=True)
class AccountsReport:
    """What became of every frame and every injected fault.

    Attributes:
        balanced: whether every sum is what its parts add up to.
        frames: stores in windows by what became of them.
        faults: injected faults by kind: `flipped_symbols`, `late_symbols`, `early_symbols`,
            `stuck_symbols`, `lost_edges`, `extra_edges`; empty where none were to be injected.
        receiver_fifo: null where the receiver's timing cannot lose anything.
    """

    balanced: bool
    frames: FrameTotals
    faults: dict[str, FaultTotals]
    receiver_fifo: FifoReport | None


@dataclass(frozen=True, slots=True)
class RunReport:
    """What a run or a replay sent, received and lost.

    Attributes:
        board: name of the board.
        link: name of its link.
        program: file name of the program; null for stores from elsewhere, and for ROM alone.
        clock_hz: the processor's clock.
        cycles: processor cycles run or replayed; cycle 0 is the first of the 7 of the reset.
        interrupted: whether Ctrl-C ended it.
        stopped: why it ended before its limits; null if it did not.
        exit_status: what the program wrote to its exit register; null if nothing.
        stores: stores in windows.
        stores_to_rom: stores to ROM outside windows; null where no processor ran.
        stores_to_nothing: stores where nothing is; null where no processor ran.
        frames_sent: frames that left the sender, idle ones not counted.
        link_use_ratio: share of the slots that carried one of them.
        frames_received: frames that the receiver delivered.
        frames_overrun: stores lost as the sender FIFO was full.
        frames_lost_at_receiver: frames lost as the receiver FIFO was full.
        frames_late: frames served after their deadline.
        frames_missed: frames that the receiver missed by the sequence field.
        checks_failed: frames whose check failed.
        syncs_lost: times that the receiver lost sync.
        writes_outside: delivered frames whose unit or offset does not exist.
        units: names of the units.
        complete: whether the trace that was replayed has its end; null for a run.
        trace: file that holds what was sent, or null; `NAME.part` where an interrupted run left
            the trace that was there in its place.
        received_trace: file that holds what arrived, or null; as for `trace`.
        losses_file: file in which all lost stores are listed, or null.
        pictures: snapshots that were written.
        profile: as `busplay profile --json` prints it; null if not asked for.
        accounts: what became of every frame and every injected fault.
        flashes: in the pictures at the board's refreshes, or in those that a window showed; null
            for a board without units.
        losses: the first 100 stores that were not received as sent.
        program_counters: `known`, or why those of `losses` are not.
    """

    board: str
    link: str
    program: str | None
    clock_hz: int
    cycles: int
    interrupted: bool
    stopped: str | None
    exit_status: int | None
    stores: int
    stores_to_rom: int | None
    stores_to_nothing: int | None
    frames_sent: int
    link_use_ratio: float
    frames_received: int
    frames_overrun: int
    frames_lost_at_receiver: int
    frames_late: int
    frames_missed: int
    checks_failed: int
    syncs_lost: int
    writes_outside: int
    units: tuple[str, ...]
    complete: bool | None
    trace: Path | None
    received_trace: Path | None
    losses_file: Path | None
    pictures: tuple[Path, ...]
    profile: ProfileReport | None
    accounts: AccountsReport
    flashes: FlashReport | None
    losses: tuple[LostStore, ...]
    program_counters: str

    @property
    def stores_lost(self) -> int:
        """Stores that were not received as sent, by the end of the run."""
        return self.frames_overrun + self.accounts.frames.lost - self.accounts.frames.lost_at_sender


def accounts_report(pipeline: Pipeline) -> AccountsReport:
    """Return the accounts of a pipeline."""
    accounts = pipeline.counters().accounts
    fifo = accounts.receiver_fifo
    return AccountsReport(
        balanced=accounts.is_balanced,
        frames=accounts.frames,
        faults={
            FAULT_NAMES[kind].replace(" ", "_"): totals for kind, totals in accounts.faults.items()
        },
        receiver_fifo=None
        if fifo is None
        else FifoReport(
            frames_served=fifo.frames_served,
            frames_overrun=fifo.frames_overrun,
            frames_late=fifo.frames_late,
            overruns_while_busy=fifo.overruns_while_busy,
            frames_held_max=fifo.frames_held_max,
            mean_wait_ns=round(fifo.mean_wait_ns, 3),
        ),
    )
