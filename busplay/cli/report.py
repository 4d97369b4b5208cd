"""The report of a run or a replay, for people."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from busplay.cli.style import verdict, warning
from busplay.description.full_address import address_text
from busplay.errors import printable
from busplay.wording import counted

if TYPE_CHECKING:
    from busplay.analysis.flashes import FlashReport
    from busplay.cli.run_report import AccountsReport, RunReport
    from busplay.losses.lost_stores import LostStore
    from busplay.pipeline.totals import FrameTotals

Figures = dict[str, object]

PLACES_LISTED = 5
ROUTINES_LISTED = 20


def print_run(report: RunReport, *, title: str, errors: str, keeps_old: bool) -> None:
    """Print a report, its verdict first.

    Args:
        report: of a run or a replay.
        title: what ran.
        errors: what went wrong on the way; empty if nothing did.
        keeps_old: traces that were there are left in place, and the new ones beside them.
    """
    is_fine = not (report.stores_lost or report.accounts.frames.spurious)
    click.echo(verdict(f"{printable(title)}: {_verdict(report)}", ok=is_fine))
    if report.interrupted:
        click.echo(warning("  interrupted; the figures are those of the cycles that ran"))
    ran_s = report.cycles / report.clock_hz
    rows = [
        ("board", f"{report.board}, link {report.link}"),
        ("ran", f"{report.cycles:,} cycles, {ran_s:.3f} s at {report.clock_hz / 1e6:g} MHz"),
        (
            "sent",
            f"{counted(report.frames_sent, 'frame')} for {counted(report.stores, 'store')},"
            f" {report.link_use_ratio:.1%} of the link",
        ),
        ("received", f"{counted(report.frames_received, 'frame')}, {errors or 'nothing lost'}"),
    ]
    if report.stores_to_rom or report.stores_to_nothing:
        rom, nothing = report.stores_to_rom or 0, report.stores_to_nothing or 0
        rows.append(("ignored", f"{counted(rom, 'store')} to ROM, {nothing:,} to nothing"))
    if report.exit_status is not None:
        rows.append(("exit", f"{report.exit_status}, at cycle {report.cycles:,}"))
    elif report.stopped:
        rows.append(("stopped", report.stopped))
    files = {
        "trace": report.trace,
        "arrivals": report.received_trace,
        "losses": report.losses_file,
    }
    rows += [(label, printable(path)) for label, path in files.items() if path is not None]
    if report.pictures:
        rows.append(("pictures", ", ".join(map(printable, report.pictures))))
    for label, text in rows:
        click.echo(f"  {label:9} {text}")
    if keeps_old:
        click.echo(warning("  what was recorded stands beside the old trace, which is kept"))
    _print_accounts(report.accounts)
    _print_places(report.losses)
    if report.losses and report.program_counters != "known":
        click.echo(f"  {report.program_counters}")
    if report.profile is not None:
        from busplay.cli.profile_text import routine_table

        click.echo("\n".join(routine_table(report.profile, limit=ROUTINES_LISTED)))


def print_flashes(flashes: FlashReport) -> None:
    """Print a caution for each stretch that flashes; nothing if there is none."""
    cautions = flashes.cautions()
    for one in cautions:
        click.echo(warning(f"  caution: {one}"))
    if cautions:
        click.echo("  No medical test: pictures below these thresholds can harm people, too.")


def _verdict(report: RunReport) -> str:
    if not report.stores:
        return "no store in a window"
    if report.stores_lost:
        return f"{report.stores_lost:,} of {counted(report.stores, 'store')} not received as sent"
    in_flight = report.accounts.frames.in_flight
    arrived = report.stores - in_flight
    text = f"{'all ' if arrived > 1 else ''}{counted(arrived, 'store')} received"
    return f"{text}, {in_flight:,} in flight" if in_flight else text


def _print_accounts(accounts: AccountsReport) -> None:
    """Print losses and faults; nothing if there are none."""
    frames = accounts.frames
    for what, count in frames.losses().items():
        click.echo(f"  {count:>9,} {what:34} {count / max(1, frames.lost):6.1%} of all losses")
    spurious = frames.spurious + frames.spurious_lost
    if spurious:
        more = f", of them {frames.spurious_lost:,} not served" if frames.spurious_lost else ""
        click.echo(f"  {spurious:>9,} spurious: received, never sent{more}")
    _print_missed(frames, on_a_clean_wire=not accounts.faults)
    for kind, one in accounts.faults.items():
        if one.injected:
            kinds = kind.replace("_", " ")
            noun = kinds.removesuffix("s") if one.injected == 1 else kinds
            click.echo(
                f"  {one.injected:>9,} {noun}: {one.detected_by_check:,} detected"
                f" by the check, {one.detected_by_sync:,} by loss of sync,\n"
                f"{'':12}{one.out_of_sync:,} while out of sync, {one.undetected:,} undetected"
                + (f", {one.in_flight:,} in flight" if one.in_flight else "")
            )
    fifo = accounts.receiver_fifo
    if fifo is not None and (fifo.frames_overrun or fifo.frames_late):
        click.echo(
            f"  the receiver held {counted(fifo.frames_held_max, 'frame')} at most;"
            f" {counted(fifo.overruns_while_busy, 'overrun')} while it was busy"
        )


def _print_missed(frames: FrameTotals, *, on_a_clean_wire: bool) -> None:
    if frames.missed_by_sequence is None or not (frames.missed or frames.missed_by_sequence):
        return
    text = f"  {frames.missed:>9,} missing, of which the sequence field counts"
    text += f" {frames.missed_by_sequence:,}"
    if frames.gaps_too_long:
        times = {1: "once", 2: "twice"}.get(frames.gaps_too_long, f"{frames.gaps_too_long:,} times")
        text += f";\n{'':12}it wrapped {times} ({frames.sequence_modulus:,} or more missed at once)"
    elif on_a_clean_wire and frames.missed_by_sequence > frames.missed:
        text += " (a recording of what arrived has gaps)"
    elif frames.missed_by_sequence != frames.missed:
        text += " (damaged frames mislead it)"
    click.echo(text)


def _print_places(losses: Sequence[LostStore]) -> None:
    """Print where in the program the listed losses come from, the most first."""
    from busplay.losses.losses import CAUSE_WORDS

    places: Counter[tuple[str, str]] = Counter()
    by_instruction = any(one.pc is not None for one in losses)
    for one in losses:
        shown = (
            _place(one.pc, one.pc_page, one.label)
            if by_instruction
            else _place(one.address, one.page, one.address_label)
        )
        if shown:
            places[shown, CAUSE_WORDS[one.cause]] += 1
    if places:
        by = "instruction" if by_instruction else "address"
        click.echo(f"  stores lost, by {by} (of the first {len(losses):,}):")
    for (place, why), count in places.most_common(PLACES_LISTED):
        click.echo(f"  {count:>9,} {place!s:34} {why}")


def _place(address: int | None, page: int | None, label: str | None) -> str:
    if address is None:
        return ""
    return f"{address_text(address, page)} {label or ''}".rstrip()
