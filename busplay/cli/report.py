"""The figures of a run, for people and as JSON: one place, so that both say the same."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from busplay.analysis.profile import Routine
    from busplay.pipeline.pipeline import Pipeline

Figures = dict[str, object]


def pipeline_figures(pipeline: Pipeline, *, cycles: int) -> Figures:
    """Return what a pipeline has carried, ready for JSON."""
    counters = pipeline.counters()
    board = pipeline.board
    seen = counters.receiver
    slots = max(1, pipeline.edge // pipeline.layout.slot_symbols)
    return {
        "board": board.name,
        "link": board.link.name,
        "clock_hz": board.clock_hz,
        "cycles": cycles,
        "stores": counters.stores,
        "frames": counters.frames_sent,
        "link_use_ratio": round(counters.frames_sent / slots, 6),
        "frames_received": seen.frames_received,
        "frames_overrun": counters.frames_overrun,
        "checks_failed": seen.checks_failed,
        "syncs_lost": seen.syncs_lost,
        "frames_missed": seen.frames_missed,
        "frames_lost_at_receiver": counters.accounts.frames.lost_at_receiver,
        "frames_late": counters.accounts.frames.lost_late,
        "writes_outside": counters.writes_outside,
        "units": list(pipeline.displays),
    }


def print_figures(figures: Mapping[str, object], *, as_json: bool, title: str) -> None:
    """Print a run's figures: an object in JSON, or a few lines."""
    if as_json:
        click.echo(json.dumps(figures, indent=2))
        return
    cycles, clock_hz = _int(figures["cycles"]), _int(figures["clock_hz"])
    use = figures["link_use_ratio"]
    click.echo(f"{title} on {figures['board']}, link {figures['link']}")
    click.echo(
        f"  ran       {cycles:,} cycles, {cycles / clock_hz:.3f} s at {clock_hz / 1e6:g} MHz"
    )
    click.echo(
        f"  sent      {_counted(figures['frames'], 'frame')} for"
        f" {_counted(figures['stores'], 'store')}, {float(str(use)):.1%} of the link"
    )
    click.echo(f"  received  {_counted(figures['frames_received'], 'frame')}, {_losses(figures)}")
    shown_files = {
        "exit_status": "exit",
        "trace": "trace",
        "received_trace": "arrivals",
        "losses_file": "losses",
        "pictures": "pictures",
    }
    for name, label in shown_files.items():
        value = figures.get(name)
        if value not in (None, []):
            shown = ", ".join(map(str, value)) if isinstance(value, list) else value
            click.echo(f"  {label:9} {shown}")


def print_routines(routines: Sequence[Routine], *, most: int = 20) -> None:
    """Print the routines that took the most cycles, as a table."""
    all_cycles = max(1, sum(routine.cycles for routine in routines))
    click.echo("\nRoutine                      cycles  share      stores   unchanged")
    for routine in routines[:most]:
        click.echo(
            f"{routine.name[:22]:22} {routine.cycles:>12,} {routine.cycles / all_cycles:>6.1%}"
            f" {routine.stores:>11,} {routine.stores_unchanged:>11,}"
        )
    if len(routines) > most:
        click.echo(f"and {len(routines) - most} more; --json lists all")


def _losses(figures: Mapping[str, object]) -> str:
    names = {
        "frames_overrun": "lost at the sender's full FIFO",
        "checks_failed": "checks failed",
        "syncs_lost": "losses of sync",
        "frames_missed": "missed by sequence",
        "frames_lost_at_receiver": "lost at the receiver's full FIFO",
        "frames_late": "served after their deadline",
        "writes_outside": "outside the units",
    }
    found = [f"{_int(figures[key]):,} {words}" for key, words in names.items() if figures[key]]
    return "; ".join(found) or "nothing lost"


def _counted(count: object, noun: str) -> str:
    return f"{_int(count):,} {noun}{'' if count == 1 else 's'}"


def _int(value: object) -> int:
    if not isinstance(value, int):
        raise TypeError(f"a figure is {value!r}, not a whole number")
    return value
