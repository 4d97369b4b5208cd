"""A profile for people: the verdict first, tables behind `--full`."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from busplay.analysis.profile.report import ProfileReport
from busplay.analysis.profile.rows import AddressProfile, RoutineProfile
from busplay.cli.style import heading, warning
from busplay.description.full_address import address_text
from busplay.errors import printable
from busplay.wording import counted

ROUTINES_LISTED = 10
LINES_LISTED = 5
ADVICE_LISTED = 2
_ROUTINE_HEAD = (
    f"{'Routine':18} {'cycles':>12} {'share':>6} {'with callees':>12} {'calls':>8} {'stores':>9}"
    f" {'unchanged':>9}"
)
_WIDTH = 80


def profile_verdict(report: ProfileReport) -> str:
    """Return a profile's first line."""
    name = printable(report.program or report.board)
    if not report.stores:
        return f"{name}: {report.cycles:,} cycles, no store in a window"
    nothing = max(report.stores_unchanged, report.stores_replaced)
    # A routine that mostly waits is not the one to look at.
    top = max(report.routines, key=lambda row: row.cycles - row.waiting_cycles)
    busy = (top.cycles - top.waiting_cycles) / max(1, report.cycles - report.waiting_cycles)
    of = "busy cycles" if report.waiting_cycles else "the cycles"
    return (
        f"{name}: {nothing / report.stores:.1%} of {report.stores:,} stores for nothing,"
        f" {busy:.1%} of {of} in {printable(top.name)}"
    )


def profile_text(report: ProfileReport, *, full: bool) -> Iterator[str]:
    """Yield the lines of a profile behind its verdict."""
    if report.interrupted:
        yield warning("  interrupted; the figures are those of the cycles that ran")
    ran_s = report.cycles / report.clock_hz
    stop = report.first_cycle + report.cycles
    rows = [
        ("board", f"{report.board}, link {report.link}"),
        (
            "counted",
            f"cycles {report.first_cycle:,} to {stop:,}, {ran_s:.3f} s,"
            f" {ran_s * report.refresh_hz:.1f} refreshes",
        ),
    ]
    if report.waiting_cycles:
        share = report.waiting_cycles / max(1, report.cycles)
        rows.append(("waiting", f"{report.waiting_cycles:,} cycles in WAI, {share:.1%}"))
    if report.interrupts:
        rows.append(
            (
                "interrupt",
                f"{counted(report.interrupts, 'interrupt')}, {report.interrupt_cycles:,} cycles",
            )
        )
    rows.append(
        (
            "stores",
            f"{report.stores:,} ({report.link_use_ratio:.1%} of the link):"
            f" {report.stores_unchanged:,} changed nothing,"
            f" {report.stores_replaced:,} replaced",
        )
    )
    if report.bursts:
        burst = report.bursts[0]
        rows.append(
            (
                "burst",
                f"{burst.frames_waiting_max:,} frames waited in {counted(burst.stores, 'store')}"
                f" from cycle {burst.first_cycle:,}, by {burst.routine}",
            )
        )
    if report.stopped:
        rows.append(("stopped", report.stopped))
    for label, text in rows:
        yield f"  {label:9} {printable(text)}"
    yield from _advice(report, full=full)
    # With both tables, still about a screen.
    routines = ROUTINES_LISTED // 2 if report.source_lines else ROUTINES_LISTED
    yield from routine_table(report, limit=None if full else routines)
    yield from _lines(report, limit=None if full else LINES_LISTED)
    if not full:
        yield "--full lists all, with calls, addresses and refreshes"
        return
    yield from _calls(report)
    yield from _addresses("Stored to most", report.written_most)
    yield from _addresses("Replaced within a refresh", report.replaced_most)
    yield from _refreshes(report)


def _advice(report: ProfileReport, *, full: bool) -> Iterator[str]:
    for one in report.advice if full else report.advice[:ADVICE_LISTED]:
        text = f"advice    {printable(one.text)}"
        if one.cycles_saved:
            text += f" (up to {one.cycles_saved:,} cycles)"
        yield from textwrap.wrap(text, _WIDTH, initial_indent="  ", subsequent_indent=" " * 12)


def routine_table(report: ProfileReport, *, limit: int | None) -> Iterator[str]:
    """Yield the routines as a table, the most cycles first."""
    yield ""
    yield heading(_ROUTINE_HEAD)
    for row in report.routines[:limit]:
        yield (
            f"{_cut(_routine(row), 18):18} {row.cycles:>12,} {row.cycles_ratio:>6.1%}"
            f" {row.cycles_with_callees:>12,} {row.calls:>8,} {row.stores:>9,}"
            f" {row.stores_unchanged:>9,}"
        )
    if limit is not None and len(report.routines) > limit:
        yield f"and {len(report.routines) - limit} more"


def _cut(name: str, characters: int) -> str:
    text = printable(name)
    return text if len(text) <= characters else f"{text[: characters - 1]}…"


def _routine(row: RoutineProfile) -> str:
    return f"{row.name} (irq)" if row.is_interrupt else row.name


def _lines(report: ProfileReport, *, limit: int | None) -> Iterator[str]:
    if not report.source_lines:
        return
    yield ""
    yield heading("Source line                           cycles     stores  unchanged   replaced")
    for line in report.source_lines[:limit]:
        place = f"{line.file}:{line.line}" + ("" if line.kind == "assembler" else f" ({line.kind})")
        yield (
            f"{printable(place)[-30:]:30} {line.cycles:>12,} {line.stores:>10,}"
            f" {line.stores_unchanged:>10,} {line.stores_replaced:>10,}"
        )
    without = [
        whole - sum(of_lines)
        for whole, of_lines in (
            (report.cycles, (line.cycles for line in report.source_lines)),
            (report.stores, (line.stores for line in report.source_lines)),
            (report.stores_unchanged, (line.stores_unchanged for line in report.source_lines)),
            (report.stores_replaced, (line.stores_replaced for line in report.source_lines)),
        )
    ]
    if any(without):
        cycles, *stores = without
        figures = "".join(f" {figure:>10,}" for figure in stores)
        yield f"{'of no known line':30} {cycles:>12,}{figures}"


def _calls(report: ProfileReport) -> Iterator[str]:
    yield ""
    head = f"{'calls':>9} {'entries':>9} {'cycles':>12}"
    yield heading(f"{'Caller':22} {'Callee':22} {head}")
    for call in report.calls:
        caller, callee = _cut(call.caller, 22), _cut(call.callee, 22)
        figures = f"{call.calls:>9,} {call.entries:>9,} {call.cycles:>12,}"
        yield f"{caller:22} {callee:22} {figures}"


def _addresses(title: str, rows: Sequence[AddressProfile]) -> Iterator[str]:
    if not rows:
        return
    yield ""
    yield heading(f"{title:36}     stores  unchanged   replaced")
    for row in rows:
        place = f"{address_text(row.address, row.page)} {row.label or row.window}"
        yield (
            f"{_cut(place, 36):36} {row.stores:>10,} {row.stores_unchanged:>10,}"
            f" {row.stores_replaced:>10,}"
        )


def _refreshes(report: ProfileReport) -> Iterator[str]:
    yield ""
    yield heading("Refresh from     cycles    waiting     stores  unchanged   replaced   link")
    for row in report.refreshes:
        yield (
            f"{row.first_cycle:>12,} {row.cycles:>10,} {row.waiting_cycles:>10,} {row.stores:>10,}"
            f" {row.stores_unchanged:>10,} {row.stores_replaced:>10,}"
            f" {row.link_use_ratio:>6.1%}"
        )
