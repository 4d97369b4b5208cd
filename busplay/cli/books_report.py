"""The books of a run, for people and as JSON; and the stores that got lost, one by one."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

import click

from busplay.books.losses import CAUSE_WORDS, NO_CYCLE, Cause
from busplay.books.totals import CAUSES, FrameTotals
from busplay.carriage import FAULT_NAMES, BooksOfRun
from busplay.receiver.service.service import Busy

if TYPE_CHECKING:
    from busplay.road import Road

LISTED_MAX = 100
LISTED_IN_TEXT = 5

Labels = Mapping[int, tuple[str, ...]]
FindCounters = Callable[[Sequence[int]], dict[int, int]]


class BookReport:
    """The books of a road after its run, and the stores that it lost.

    Args:
        road: that ran.
        labels: the program's.
        find_counters: gives the program counters of stores by their cycles; None: nobody knows.
    """

    def __init__(
        self,
        road: Road,
        *,
        labels: Labels | None = None,
        find_counters: FindCounters | None = None,
    ) -> None:
        self._road = road
        self._labels = labels
        self._find_counters = find_counters
        self._losses: list[dict[str, object]] | None = None

    @property
    def losses(self) -> list[dict[str, object]]:
        """The first stores that were lost; looked up when they are first asked for."""
        if self._losses is None:
            self._losses = loss_figures(
                self._road, labels=self._labels, find_counters=self._find_counters
            )
        return self._losses

    def figures(self) -> dict[str, object]:
        """Give all of it, ready for JSON."""
        return {"books": books_figures(self._road), "losses": self.losses}

    def print(self) -> None:
        """Print what got lost and why; nothing where nothing was."""
        print_books(self._road.counters().books, self.losses)


def books_figures(road: Road) -> dict[str, object]:
    """Give the books of a road, ready for JSON."""
    books = road.counters().books
    service = books.service
    return {
        "balanced": books.is_balanced,
        "frames": books.frames.as_figures(),
        "faults": {
            FAULT_NAMES[kind].replace(" ", "_"): one.as_figures()
            for kind, one in books.faults.items()
        },
        "service": None
        if service is None
        else {
            "frames_served": service.frames_served,
            "frames_overrun": service.frames_overrun,
            "frames_late": service.frames_late,
            "overruns_while_busy": service.overruns_while_busy,
            "frames_held_max": service.frames_held_max,
            "mean_wait_ns": round(service.mean_wait_ns, 3),
        },
    }


def loss_figures(
    road: Road, *, labels: Labels | None = None, find_counters: FindCounters | None = None
) -> list[dict[str, object]]:
    """List the first stores that were not received right, ready for JSON.

    Args:
        road: that lost them.
        labels: the program's.
        find_counters: gives the program counters of stores by their cycles; None: nobody knows.
    """
    losses = road.losses.first(LISTED_MAX)
    known = [int(cycle) for cycle in losses.cycle if cycle != NO_CYCLE]
    counters = find_counters(known) if find_counters is not None and known else {}
    starts = sorted(labels or {})
    listed: list[dict[str, object]] = []
    for index in range(len(losses)):
        cycle, edge = int(losses.cycle[index]), int(losses.edge[index])
        from_store = cycle != NO_CYCLE
        if not from_store:
            cycle = latest_cycle_of_frame(road, edge)
        address: int | None = int(losses.address[index])
        if not from_store:
            address = address_of_frame(road, int(losses.word[index]))
        pc = counters.get(cycle) if from_store else None
        busy = Busy(int(losses.busy[index]))
        listed.append(
            {
                "cause": Cause(int(losses.cause[index])).name.lower(),
                "edge": edge,
                "cycle": cycle,
                "cycle_is_exact": from_store,
                "address": address,
                "pc": pc,
                "label": None if pc is None else label_of(pc, labels or {}, starts),
                "receiver_busy": [flag.name.lower() for flag in Busy if flag in busy and flag.name],
            }
        )
    return listed


def latest_cycle_of_frame(road: Road, edge: int) -> int:
    """Give the last cycle whose store can go out in a frame that starts at an edge."""
    encoder = road.encoder
    ratio = encoder.edges_per_cycle
    ready = max(0, edge - encoder.lead_edges)
    return max(0, ready * ratio.denominator // ratio.numerator - 1)


def address_of_frame(road: Road, word: int) -> int | None:
    """Give the lowest processor address whose store makes such a frame, or None."""
    import numpy as np

    layout, tables = road.layout, road.encoder.tables
    kept = 0
    for name in ("space", "unit", "address"):
        if layout.link.field_named(name) is not None:
            for place in layout.bit_places(name):
                kept |= 1 << place
    mask = np.uint64(kept)
    found = np.flatnonzero(tables.in_window & ((tables.address & mask) == (np.uint64(word) & mask)))
    return int(found[0]) if len(found) else None


def label_of(address: int, labels: Labels, starts: Sequence[int]) -> str | None:
    """Name an address by the label at or before it: `draw`, `draw+12`; None before the first."""
    from bisect import bisect_right

    index = bisect_right(starts, address) - 1
    if index < 0:
        return None
    name = labels[starts[index]][0]
    offset = address - starts[index]
    return f"{name}+{offset}" if offset else name


def print_books(books: BooksOfRun, losses: Sequence[Mapping[str, object]]) -> None:
    """Print what got lost and what became of faults; nothing where nothing happened."""
    frames = books.frames
    for name in CAUSES:
        count = getattr(frames, name)
        if count:
            share = count / max(1, frames.lost)
            click.echo(f"  {count:>9,} {CAUSES[name]:34} {share:6.1%} of all losses")
    if frames.invented:
        click.echo(f"  {frames.invented:>9,} received that nobody sent")
    _print_missed(frames)
    for kind, one in books.faults.items():
        if one.put_in:
            click.echo(
                f"  {one.put_in:>9,} {FAULT_NAMES[kind]}: {one.noticed_by_check:,} noticed by the"
                f" check, {one.noticed_by_step:,} by loss of step,\n{'':12}{one.out_of_step:,} came"
                f" out of step, {one.unnoticed:,} unnoticed"
                + (f", {one.under_way:,} under way" if one.under_way else "")
            )
    service = books.service
    if service is not None and (service.frames_overrun or service.frames_late):
        click.echo(
            f"  the receiver held {service.frames_held_max:,} frames at most;"
            f" {service.overruns_while_busy:,} overruns came while it was busy"
        )
    _print_places(losses)


def _print_missed(frames: FrameTotals) -> None:
    if frames.missed_counted is None or not (frames.missed_really or frames.missed_counted):
        return
    text = f"  {frames.missed_really:>9,} missing, of which the sequence field tells"
    text += f" {frames.missed_counted:,}"
    if frames.gaps_too_long:
        text += f" (it came round in {frames.gaps_too_long:,} gaps)"
    elif frames.missed_counted != frames.missed_really:
        text += " (damaged frames mislead it)"
    click.echo(text)


def _print_places(losses: Sequence[Mapping[str, object]]) -> None:
    """Print where in the program the listed losses come from, the most first."""
    places: Counter[tuple[object, object]] = Counter()
    for one in losses:
        pc = one["pc"]
        if isinstance(pc, int):
            shown = f"${pc:04X}" + (f" {one['label']}" if one["label"] else "")
            cause = CAUSE_WORDS[Cause[str(one["cause"]).upper()]]
            places[shown, cause] += 1
    if places:
        click.echo(f"  stores lost, by instruction (of the first {len(losses):,}):")
    for (place, why), count in places.most_common(LISTED_IN_TEXT):
        click.echo(f"  {count:>9,} {place!s:34} {why}")
