"""The accounts of a run, for people and as JSON; and the stores that got lost, one by one."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

import click

from busplay.losses.losses import CAUSE_WORDS
from busplay.losses.lost_stores import FindCounters, Labels, LossNames, LostStore
from busplay.pipeline.totals import CAUSES, FrameTotals
from busplay.pipeline.transport import FAULT_NAMES, RunAccounts

if TYPE_CHECKING:
    from busplay.losses.loss_file import LossFile
    from busplay.pipeline.pipeline import Pipeline

LISTED_MAX = 100
LISTED_IN_TEXT = 5
PROGRESS_FROM_ROWS = 5_000


class AccountsReport:
    """The accounts of a pipeline after its run, and the stores that it lost.

    Args:
        pipeline: that ran.
        labels: the program's.
        find_counters: gives the program counters of stores by their cycles; None: nobody knows.
        unknown: why nobody does.
    """

    def __init__(
        self,
        pipeline: Pipeline,
        *,
        labels: Labels | None = None,
        find_counters: FindCounters | None = None,
        unknown: str = "",
    ) -> None:
        self._pipeline = pipeline
        self._unknown = unknown if find_counters is None else ""
        self._names = LossNames(pipeline, labels=labels, find_counters=find_counters)
        self._losses: list[LostStore] | None = None

    @property
    def losses(self) -> list[LostStore]:
        """The first stores that were lost; looked up when they are first asked for."""
        if self._losses is None:
            self._losses = list(self._names.describe(self._pipeline.losses.first(LISTED_MAX)))
        return self._losses

    @property
    def tell_of_losses(self) -> bool:
        """Whether anything went wrong on the way."""
        return self._pipeline.counters().errors > 0

    def write(self, file: LossFile) -> None:
        """Write all stores that were lost, with a progress bar where that takes long.

        Raises:
            OutputError: the file cannot be written.
        """
        hidden = file.rows < PROGRESS_FROM_ROWS or not sys.stderr.isatty()
        with click.progressbar(
            length=file.rows, label="losses", file=sys.stderr, hidden=hidden
        ) as progress:
            file.write(self._names, on_rows=progress.update)

    def figures(self) -> dict[str, object]:
        """Return all of it, ready for JSON."""
        return {
            "accounts": accounts_figures(self._pipeline),
            "losses": [loss_figures(one) for one in self.losses],
            "program_counters": self._unknown or "known",
        }

    def print(self) -> None:
        """Print what got lost and why; nothing where nothing was."""
        print_accounts(self._pipeline.counters().accounts)
        print_places(self.losses)
        if self.losses and self._unknown:
            click.echo(f"  {self._unknown}")


def open_loss_file(path: Path | None, pipeline: Pipeline, stack: ExitStack) -> LossFile | None:
    """Begin to gather a pipeline's losses for a file, if one was asked for.

    Raises:
        OutputError: nothing can be written there.
    """
    if path is None:
        return None
    from busplay.losses.loss_file import LossFile

    file = stack.enter_context(LossFile(path))
    pipeline.watch_losses(file.add)
    return file


def accounts_figures(pipeline: Pipeline) -> dict[str, object]:
    """Return the accounts of a pipeline, ready for JSON."""
    accounts = pipeline.counters().accounts
    fifo = accounts.receiver_fifo
    return {
        "balanced": accounts.is_balanced,
        "frames": accounts.frames.as_figures(),
        "faults": {
            FAULT_NAMES[kind].replace(" ", "_"): one.as_figures()
            for kind, one in accounts.faults.items()
        },
        "receiver_fifo": None
        if fifo is None
        else {
            "frames_served": fifo.frames_served,
            "frames_overrun": fifo.frames_overrun,
            "frames_late": fifo.frames_late,
            "overruns_while_busy": fifo.overruns_while_busy,
            "frames_held_max": fifo.frames_held_max,
            "mean_wait_ns": round(fifo.mean_wait_ns, 3),
        },
    }


def loss_figures(one: LostStore) -> dict[str, object]:
    """Return a lost store, ready for JSON."""
    return {
        "cause": one.cause.name.lower(),
        "edge": one.edge,
        "cycle": one.cycle,
        "cycle_is_exact": one.cycle_is_exact,
        "address": one.address,
        "address_label": one.address_label,
        "data": one.data,
        "pc": one.pc,
        "label": one.label,
        "receiver_busy": list(one.receiver_busy),
    }


def print_accounts(accounts: RunAccounts) -> None:
    """Print what got lost and what became of faults; nothing where nothing happened."""
    frames = accounts.frames
    for name in CAUSES:
        count = getattr(frames, name)
        if count:
            share = count / max(1, frames.lost)
            click.echo(f"  {count:>9,} {CAUSES[name]:34} {share:6.1%} of all losses")
    if frames.spurious or frames.spurious_lost:
        more = f", of them {frames.spurious_lost:,} not served" if frames.spurious_lost else ""
        click.echo(
            f"  {frames.spurious + frames.spurious_lost:>9,} spurious: received, never sent{more}"
        )
    _print_missed(frames, on_a_clean_wire=not accounts.faults)
    for kind, one in accounts.faults.items():
        if one.injected:
            click.echo(
                f"  {one.injected:>9,} {FAULT_NAMES[kind]}: {one.detected_by_check:,} detected"
                f" by the check, {one.detected_by_sync:,} by loss of sync,\n"
                f"{'':12}{one.out_of_sync:,} came out of sync, {one.undetected:,} undetected"
                + (f", {one.in_flight:,} in flight" if one.in_flight else "")
            )
    fifo = accounts.receiver_fifo
    if fifo is not None and (fifo.frames_overrun or fifo.frames_late):
        click.echo(
            f"  the receiver held {fifo.frames_held_max:,} frames at most;"
            f" {fifo.overruns_while_busy:,} overruns came while it was busy"
        )


def _print_missed(frames: FrameTotals, *, on_a_clean_wire: bool) -> None:
    if frames.missed_by_sequence is None or not (frames.missed or frames.missed_by_sequence):
        return
    text = f"  {frames.missed:>9,} missing, of which the sequence field counts"
    text += f" {frames.missed_by_sequence:,}"
    if frames.gaps_too_long:
        times = {1: "once", 2: "twice"}.get(frames.gaps_too_long, f"{frames.gaps_too_long:,} times")
        text += (
            f";\n{'':12}it came round {times}, as {frames.sequence_modulus:,} or more went at once"
        )
    elif on_a_clean_wire and frames.missed_by_sequence > frames.missed:
        text += " (a recording of what arrived has gaps)"
    elif frames.missed_by_sequence != frames.missed:
        text += " (damaged frames mislead it)"
    click.echo(text)


def print_places(losses: Sequence[LostStore]) -> None:
    """Print where in the program the listed losses come from, the most first."""
    places: Counter[tuple[str, str]] = Counter()
    by_instruction = any(one.pc is not None for one in losses)
    for one in losses:
        shown = (
            _place(one.pc, one.label) if by_instruction else _place(one.address, one.address_label)
        )
        if shown:
            places[shown, CAUSE_WORDS[one.cause]] += 1
    if places:
        by = "instruction" if by_instruction else "address"
        click.echo(f"  stores lost, by {by} (of the first {len(losses):,}):")
    for (place, why), count in places.most_common(LISTED_IN_TEXT):
        click.echo(f"  {count:>9,} {place!s:34} {why}")


def _place(address: int | None, label: str | None) -> str:
    if address is None:
        return ""
    return f"${address:04X} {label}" if label else f"${address:04X}"
