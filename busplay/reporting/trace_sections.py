"""Sections of a report on a trace: each takes what a command's function found, and lays it out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from busplay.analysis.flashes import FlashReport
from busplay.analysis.plan import PlanReport
from busplay.analysis.plan_text import peak_rows, summary_rows, trace_rows
from busplay.analysis.plan_text import verdict_text as plan_verdict
from busplay.analysis.profile.report import ProfileReport
from busplay.analysis.soundness.report import CheckReport
from busplay.analysis.soundness.text import summary_rows as check_rows
from busplay.analysis.soundness.text import verdict_text as check_verdict
from busplay.description.board import Board
from busplay.description.full_address import address_text
from busplay.history.history import History
from busplay.losses.losses import CAUSE_WORDS
from busplay.losses.lost_stores import LossNames
from busplay.pipeline.accounts import FAULT_NAMES, RunAccounts
from busplay.pipeline.pipeline import Pipeline
from busplay.pipeline.totals import CAUSES, FrameTotals
from busplay.program.labels import Labels, NearestLabels
from busplay.program.pages import FullAddresses
from busplay.program.places import PlaceNames
from busplay.reporting.figures import draw_addresses, draw_heat, draw_time, screen_figure
from busplay.reporting.page import (
    FactList,
    FigureRow,
    ReportPart,
    ReportProse,
    ReportSection,
    ReportTable,
)
from busplay.reporting.played import PlayedTrace, ScreenMoment
from busplay.run.replay import Replay
from busplay.trace.info import TraceInfo
from busplay.trace.reader import TraceReader
from busplay.wording import counted, hertz

COLUMNS = 200
ADDRESSES_LISTED = 12
ROUTINES_LISTED = 14
BURSTS_LISTED = 5
LOSSES_LISTED = 10
LOSSES_NAMED = 100_000
KEYS_LISTED = 40
LETTERS = "ABCDEFGHIJ"


def ran_section(info: TraceInfo, board: Board, reader: TraceReader) -> ReportSection:
    """Return what ran: program, board, link, time, counts."""
    seconds = info.duration_s or 0.0
    lost = f", {info.stores_lost:,} of them lost at the sender" if info.stores_lost else ""
    units = "; ".join(f"{unit.name}, {unit.shows}" for unit in board.units)
    rows = [
        ("program", info.program or "none: stores from elsewhere, or the board's images alone"),
        ("its SHA-256", info.program_sha256 or "not recorded"),
        ("board", f"{board.name}, a {board.processor.upper()} at {hertz(board.clock_hz)}"),
        ("link", f"{info.link}, {info.frame_bits} bits a frame"),
        ("units", units),
        ("time", f"{info.cycles:,} processor cycles, {seconds:,.3f} s"),
        ("stores", f"{info.stores:,} into windows{lost}"),
        ("frames", f"{info.frames:,}"),
        ("keys", f"{info.key_presses:,} pressed"),
        ("trace", f"{info.file.name}, {info.file_bytes:,} bytes, busplay {info.recorded_by}"),
    ]
    if info.arrived_of is not None:
        rows.append(("arrivals", f"these frames arrived, of {info.arrived_of:,} that were sent"))
    parts: list[ReportPart] = []
    if not info.complete:
        parts.append(ReportProse(f"The trace is cut: {info.cut_reason}.", is_warning=True))
    parts.append(FactList(tuple((label, text) for label, text in rows if text)))
    presses = reader.key_presses()
    if presses:
        more = f"and {len(presses) - KEYS_LISTED:,} more" if len(presses) > KEYS_LISTED else ""
        parts.append(
            ReportTable(
                "Keys pressed",
                ("cycle", "time, s", "code"),
                tuple(
                    (f"{one.cycle:,}", f"{one.cycle / board.clock_hz:.3f}", f"${one.code:02X}")
                    for one in presses[:KEYS_LISTED]
                ),
                left=frozenset(),
                more=more,
            )
        )
    return ReportSection("What ran", tuple(parts))


def screens_section(moments: Sequence[ScreenMoment], clock_hz: int) -> ReportSection:
    """Return the screens at the moments that matter, each with its letter."""
    figures = []
    for letter, moment in zip(LETTERS, moments, strict=False):
        at = f"{moment.cycle / clock_hz:.3f} s"
        titles = "; ".join(moment.titles)
        figures.append(
            screen_figure(
                moment.image,
                title=f"{letter} · {at}",
                alt=f"All screens at {at}: {titles}.",
                note=f"{_capital(titles)}. Cycle {moment.cycle:,}.",
            )
        )
    return ReportSection("Screens", (FigureRow(tuple(figures)),))


def link_section(
    history: History,
    moments: Sequence[ScreenMoment],
    plan: PlanReport,
    profile: ProfileReport | None,
    pipeline: Pipeline,
) -> ReportSection:
    """Return link use over time, bursts, and how full the FIFOs were."""
    reader = history.reader
    header = reader.header
    line = history.timeline(0, max(reader.stop_edge, 1), COLUMNS)
    fifo = pipeline.receiver_fifo
    depth = pipeline.board.receiver.fifo_depth
    parts: list[ReportPart] = [
        draw_time(
            line,
            header.edges_per_second or 1,
            losses=line.losses(),
            fifo_depth=None if fifo is None else depth,
            moments_s=[
                (header.edge_at(one.cycle) / (header.edges_per_second or 1), letter)
                for letter, one in zip(LETTERS, moments, strict=False)
            ],
        )
    ]
    if fifo is None:
        parts.append(
            ReportProse(
                "The receiver serves each frame before the next can come, so its FIFO never holds"
                " more than one frame."
            )
        )
    elif not line.fifo_high_water.any():
        parts.append(ReportProse(f"The receiver FIFO (depth {depth:,}) stayed empty."))
    load = plan.trace
    if load is not None:
        head, *rows = peak_rows(load)
        parts.append(FactList(tuple(trace_rows(load, plan))))
        parts.append(
            ReportTable(
                "Bursts: the busiest stretch of each length",
                head,
                tuple(rows),
                left=frozenset(),
                more="Above 100 % of the link the sender has to hold frames back.",
            )
        )
    if profile is not None and profile.bursts:
        parts.append(
            ReportTable(
                "Bursts with the most waiting frames",
                ("routine", "from cycle", "stores", "frames waiting"),
                tuple(
                    (
                        f"{one.routine}, {address_text(one.program_counter, one.page)}",
                        f"{one.first_cycle:,}",
                        f"{one.stores:,}",
                        f"{one.frames_waiting_max:,}",
                    )
                    for one in profile.bursts[:BURSTS_LISTED]
                ),
            )
        )
    return ReportSection("Link use", tuple(parts))


def errors_section(
    played: PlayedTrace, replay: Replay, labels: Labels, totals: FrameTotals, *, arrived: bool
) -> ReportSection:
    """Return what was lost or damaged, by cause, address and time.

    Args:
        played: the trace.
        replay: of it.
        labels: of the program.
        totals: what became of every store.
        arrived: the trace is of what arrived, so what was lost before is not in it.
    """
    losses = played.losses
    causes = totals.losses()
    if not causes:
        text = "Every store was received as sent."
        if arrived:
            text = "Every frame of the recording, which is of what arrived, reaches its display."
        if played.counters.errors:
            text += f" Besides: {played.counters.error_text()}."
        return ReportSection("Errors", (ReportProse(text),))
    parts: list[ReportPart] = [
        ReportTable(
            "By cause",
            ("cause", "stores", "of all errors"),
            tuple(
                (words, f"{count:,}", f"{count / totals.lost:.1%}")
                for words, count in causes.items()
            ),
        )
    ]
    if not len(losses):
        parts.append(
            ReportProse(
                "What found the sender FIFO full never became a frame, so a trace has its count and"
                " neither its address nor its moment; the link's time line has it where it was"
                " counted."
            )
        )
        return ReportSection("Errors", tuple(parts))
    full = FullAddresses(replay.board.banks, replay.reader.shown_pages)
    names = LossNames(replay.pipeline, labels=labels, by_edge=full)
    by_address: Counter[str] = Counter()
    addresses: list[int] = []
    first: list[tuple[str, ...]] = []
    clock_hz = replay.clock_hz
    for one in names.describe(losses.first(LOSSES_NAMED)):
        place = "not known"
        if one.address is not None:
            place = address_text(one.address, one.page)
        place += f" {one.address_label}" if one.address_label else ""
        by_address[place] += 1
        if one.address is not None:
            addresses.append(one.address)
        if len(first) < LOSSES_LISTED:
            time = f"{one.cycle / clock_hz:.6f}"
            first.append((CAUSE_WORDS[one.cause], time, place, f"${one.data:02X}"))
    of_first = f" of the first {LOSSES_NAMED:,}" if len(losses) > LOSSES_NAMED else ""
    parts += [
        draw_addresses(
            dict(by_address.most_common()),
            addresses,
            title="By address",
            label=f"stores lost or damaged{of_first}",
        ),
        ReportTable(
            f"The first {len(first):,} of {counted(len(losses), 'error')}",
            ("cause", "time, s", "address", "data"),
            tuple(first),
            left=frozenset({0, 2}),
            more="By time: see the link's time line. By lane: a recording of what was sent has no"
            " wires; --against a recording of what arrived, or a capture, tells lanes.",
        ),
    ]  # fmt: skip
    return ReportSection("Errors", tuple(parts))


def addresses_section(history: History, replay: Replay, labels: Labels) -> ReportSection:
    """Return how often each address was written: on each screen, and the busiest.

    Args:
        history: of the trace.
        replay: at its end, for the pixels of each byte.
        labels: of the program.
    """
    parts: list[ReportPart] = []
    places = PlaceNames(history.board)
    windows = [(one.first_address, one.last_address) for one in history.board.windows]
    nearest = NearestLabels(labels, windows, history.board.banks)
    busiest: list[tuple[int, tuple[str, str, str, str, str]]] = []
    for name, display in replay.displays.items():
        counts = history.write_counts(name)
        written = int(np.count_nonzero(counts))
        if not written:
            parts.append(ReportProse(f"{name}: no byte was written."))
            continue
        most = int(counts.argmax())
        what = "character's code" if display.unit.is_text else "pixel's byte"
        page = f" Page {display.page} is shown." if display.unit.pages > 1 else ""
        parts.append(
            draw_heat(
                counts[display.byte_offsets()],
                title=f"{name}: writes to each {what}",
                alt=f"{name}: {written:,} of {len(counts):,} bytes were written, the most often"
                f" offset {most:,}, {int(counts[most]):,} times.",
                note=f"{written:,} of {len(counts):,} bytes were written. White: never.{page}",
                label="writes",
            )
        )
        for offset in np.argsort(-counts, kind="stable")[:ADDRESSES_LISTED].tolist():
            if counts[offset]:
                address = places.address(display.unit.number, 1, offset)
                shown = "none" if address is None else f"${address:04X}"
                label = nearest.of_store(address) or ""
                row = (shown, name, label, f"{offset:,}", f"{int(counts[offset]):,}")
                busiest.append((int(counts[offset]), row))
    busiest.sort(key=lambda one: -one[0])
    if busiest:
        table = [("address", "unit", "label", "offset", "writes")]
        table += [row for _, row in busiest[:ADDRESSES_LISTED]]
        labelled = any(row[2] for row in table[1:])
        head, *rows = (row if labelled else (*row[:2], *row[3:]) for row in table)
        parts.append(
            ReportTable(
                "The bytes written most",
                head,
                tuple(rows),
                left=frozenset({0, 1, 2} if labelled else {0, 1}),
            )
        )
    return ReportSection("Addresses", tuple(parts))


def routines_section(profile: ProfileReport | None, why_not: str) -> ReportSection:
    """Return where the program spends its cycles and stores.

    Args:
        profile: of the run; None: the program is not there.
        why_not: what is said then.
    """
    if profile is None:
        return ReportSection("Routines", (ReportProse(why_not),))
    share = profile.waiting_cycles / max(1, profile.cycles)
    waiting = f", {share:.1%} of them waiting" if profile.waiting_cycles else ""
    unchanged = profile.stores_unchanged / max(1, profile.stores)
    parts: list[ReportPart] = [
        ReportProse(
            f"{profile.cycles:,} cycles{waiting}; {profile.stores:,} stores,"
            f" {unchanged:.1%} of them changed nothing and {profile.stores_replaced:,} were"
            " replaced within the same refresh."
        )
    ]
    parts += [ReportProse(f"Advice: {one.text}.") for one in profile.advice[:3]]
    rows = tuple(
        (
            f"{row.name}{' (interrupt)' if row.is_interrupt else ''}",
            f"{row.cycles:,}",
            f"{row.cycles_ratio:.1%}",
            f"{row.calls:,}",
            f"{row.stores:,}",
            f"{row.stores_unchanged:,}",
            f"{row.link_use_ratio:.2%}",
        )
        for row in profile.routines[:ROUTINES_LISTED]
    )
    more = len(profile.routines) - len(rows)
    parts.append(
        ReportTable(
            "Routines, the most cycles first",
            ("routine", "cycles", "share", "calls", "stores", "unchanged", "of the link"),
            rows,
            more=f"{counted(more, 'more routine')}; busplay profile lists all." if more > 0 else "",
        )
    )
    return ReportSection("Routines", tuple(parts))


def flashes_section(flashes: FlashReport) -> ReportSection:
    """Return which seconds flash, where, and how often."""
    cautions = flashes.cautions()
    parts: list[ReportPart] = [
        ReportProse(f"{_capital(one)}.", is_warning=True) for one in cautions
    ]
    if not cautions:
        parts.append(
            ReportProse(
                f"None of the {flashes.pictures:,} pictures at the board's refreshes is over the"
                " thresholds of WCAG 2.2 for general and red flashes."
            )
        )
    parts.append(
        ReportProse(
            "This is no medical test: pictures below these thresholds can harm people, too. A field"
            f" of 10 degrees is taken as {flashes.field_width_px:,} by"
            f" {flashes.field_height_px:,} pixels of the picture."
        )
    )
    return ReportSection("Flashes", tuple(parts))


def plan_section(plan: PlanReport) -> ReportSection:
    """Return the plan's summary."""
    rows = tuple(summary_rows(plan))
    return ReportSection("Plan", (ReportProse(f"{_capital(plan_verdict(plan))}."), FactList(rows)))


def check_section(found: CheckReport, symbol_ns: float | None) -> ReportSection:
    """Return the check's summary."""
    rows = tuple(check_rows(found, symbol_ns=symbol_ns))
    return ReportSection("Check", (ReportProse(f"{check_verdict(found)}."), FactList(rows)))


def symbol_ns_of(board: Board) -> float:
    """Return the time of a symbol on a board's link."""
    return 1e9 / ((board.link.clock_hz or board.clock_hz) * board.link.edges_per_cycle)


def whole_totals(totals: FrameTotals, *, lost_at_sender: int) -> FrameTotals:
    """Return a replay's totals with the stores that never became frames."""
    return replace(totals, stores=totals.stores + lost_at_sender, lost_at_sender=lost_at_sender)


def accounts_section(
    accounts: RunAccounts, totals: FrameTotals, pipeline: Pipeline, *, arrived: bool
) -> ReportSection:
    """Return what became of every store and fault, and what the receiver counted.

    Args:
        accounts: of the pipeline.
        totals: its frames, with the stores that never became any.
        pipeline: through which the trace was played.
        arrived: the trace is of what arrived.
    """
    rows = [("received as sent", totals.received_intact)]
    rows += [(words, getattr(totals, name)) for name, words in CAUSES.items()]
    rows += [("in flight at the end", totals.in_flight), ("sum: stores", totals.stores)]
    is_balanced = totals.balance() == 0 and accounts.is_balanced
    parts: list[ReportPart] = [
        ReportTable(
            "What became of every store",
            ("fate", "stores", "share"),
            tuple(
                (words, f"{count:,}", f"{count / max(1, totals.stores):.2%}")
                for words, count in rows
            ),
            more="The accounts balance: the sum equals its parts."
            if is_balanced
            else "The accounts do not balance; this is a fault of busplay.",
        )
    ]
    if arrived:
        text = "The recording is of what arrived, so frames that were lost before are not in it."
        if totals.missed_by_sequence:
            count = counted(totals.missed_by_sequence, "missing frame")
            text += f" The sequence field counts {count}."
        parts.insert(0, ReportProse(text, is_warning=bool(totals.missed_by_sequence)))
    spurious = totals.spurious + totals.spurious_lost
    if spurious:
        parts.append(ReportProse(f"{spurious:,} frames were received that were never sent."))
    if totals.missed_by_sequence and not arrived:
        parts.append(
            ReportProse(
                f"The sequence field counts {totals.missed_by_sequence:,} missing frames;"
                f" {totals.missed:,} are missing."
            )
        )
    faults = [(FAULT_NAMES[kind], one) for kind, one in accounts.faults.items() if one.injected]
    if faults:
        parts.append(
            ReportTable(
                "What became of every injected fault",
                ("fault", "injected", "by check", "by sync", "out of sync", "undetected"),
                tuple(
                    (
                        name,
                        f"{one.injected:,}",
                        f"{one.detected_by_check:,}",
                        f"{one.detected_by_sync:,}",
                        f"{one.out_of_sync:,}",
                        f"{one.undetected:,}",
                    )
                    for name, one in faults
                ),
            )
        )
    parts.append(FactList(_receiver_rows(accounts, pipeline)))
    return ReportSection("Accounts", tuple(parts))


def _receiver_rows(accounts: RunAccounts, pipeline: Pipeline) -> tuple[tuple[str, str], ...]:
    seen = pipeline.receiver.counters
    rows = [
        ("receiver", f"{counted(seen.frames_received, 'frame')}, {seen.frames_idle:,} idle"),
        ("checks", f"{seen.checks_failed:,} failed, {seen.frames_corrected:,} corrected"),
        (
            "sync",
            f"gained {counted(seen.syncs_gained, 'time')}, lost {counted(seen.syncs_lost, 'time')}",
        ),
    ]
    fifo = accounts.receiver_fifo
    if fifo is not None:
        rows.append(
            (
                "receiver FIFO",
                f"{fifo.frames_served:,} served in time, {fifo.frames_overrun:,} overrun,"
                f" {fifo.frames_late:,} late; held {counted(fifo.frames_held_max, 'frame')} at"
                f" most, mean wait {fifo.mean_wait_ns:,.0f} ns",
            )
        )
    return tuple(rows)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
