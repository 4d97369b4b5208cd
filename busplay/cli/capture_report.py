"""What is in a capture, for people and as JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from busplay.cli.report import Figures
from busplay.formats.quantities import rate_text, time_text

if TYPE_CHECKING:
    from busplay.batch import CaptureInfo
    from busplay.formats.capture import Capture

_SHOWN_SIGNALS = 40


def count_rows(capture: Capture) -> int:
    """Read a capture to its end, with a progress bar for a large one on a terminal."""
    from busplay.cli.progress import capture_progress

    rows = 0
    with capture_progress(capture, label="reading") as move:
        for batch in capture.batches():
            rows += len(batch)
            move()
    return rows


def capture_figures(info: CaptureInfo, *, rows: int, file_bytes: int) -> Figures:
    """Return what is known of a capture that was read, ready for JSON."""
    return {
        "file": info.file,
        "format": info.format,
        "compression": info.compression or None,
        "complete": info.complete,
        "cut_reason": info.cut_reason or None,
        "signals": [signal.name for signal in info.signals],
        "changes": info.changes,
        "states": rows,
        "duration_ps": info.duration_ps,
        "start_ps": info.start_ps,
        "stop_ps": info.stop_ps,
        "least_gap_ps": info.least_gap_ps or None,
        "sample_rate_hz": info.sample_rate_hz,
        "tick": info.tick or None,
        "written_by": info.written_by or None,
        "file_bytes": file_bytes,
        "notes": list(info.notes),
        "per_signal": [
            {
                "name": signal.name,
                "bits": signal.bits,
                "kind": signal.kind,
                "changes": signal.changes,
            }
            for signal in info.signals
        ],
    }


def print_capture(info: CaptureInfo, *, rows: int, file_bytes: int) -> None:
    """Print what is known of a capture, a fact a line, then its signals."""
    whole = "complete" if info.complete else f"CUT: {info.cut_reason}"
    packed = f", in {info.compression}" if info.compression else ""
    rate = f"{rate_text(info.sample_rate_hz)} sampled, " if info.sample_rate_hz else ""
    facts = {
        "capture": f"{info.file}, {info.format}{packed}, {file_bytes:,} bytes, {whole}",
        "written": info.written_by,
        "time": f"{time_text(info.duration_ps)}, from {time_text(info.start_ps)}"
        f" to {time_text(info.stop_ps)}",
        "steps": f"{rate}counts in {info.tick}"
        + (f", shortest step {time_text(info.least_gap_ps)}" if info.least_gap_ps else ""),
        "changes": f"{info.changes:,} values of {len(info.signals):,} signals;"
        f" {rows:,} different states in time",
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
