"""What is in a capture, for people."""

from __future__ import annotations

import click

from busplay.errors import printable
from busplay.formats.capture_info import CaptureFileInfo
from busplay.formats.quantities import time_text
from busplay.wording import counted, hertz

_SHOWN_SIGNALS = 40


def print_capture(info: CaptureFileInfo) -> None:
    """Print what is known of a capture, a fact a line, then its signals."""
    whole = "complete" if info.complete else f"CUT: {info.cut_reason}"
    packed = f", in {info.compression}" if info.compression else ""
    rate = f"{hertz(info.sample_rate_hz)} sampled, " if info.sample_rate_hz else ""
    facts = {
        "capture": f"{printable(info.file)}, {info.format}{packed}, {info.file_bytes:,} bytes,"
        f" {whole}",
        "written": info.written_by or "",
        "time": f"{time_text(info.duration_ps)}, from {time_text(info.start_ps)}"
        f" to {time_text(info.stop_ps)}",
        "steps": f"{rate}counts in {info.tick}"
        + (f", shortest step {time_text(info.least_gap_ps)}" if info.least_gap_ps else ""),
        "changes": f"{counted(info.changes, 'value')} of {counted(len(info.signals), 'signal')};"
        f" {counted(info.states, 'different state')} in time",
    }
    for name, value in facts.items():
        if value:
            click.echo(f"{name:8} {value}")
    for note in info.notes:
        click.echo(f"note     {note}")
    shown = info.signals[:_SHOWN_SIGNALS]
    width = max((len(signal.name) for signal in shown), default=0)
    width = min(max(width, len("signal")), 60)
    click.echo(f"\n{'signal':{width}}  {'kind':10} {'bits':>5} {'values':>12}")
    for signal in shown:
        bits = str(signal.bits) if signal.bits else "-"
        click.echo(f"{signal.name:{width}}  {signal.kind:10} {bits:>5} {signal.changes:>12,}")
    if len(info.signals) > len(shown):
        click.echo(f"... and {len(info.signals) - len(shown):,} more; --json has them all")
