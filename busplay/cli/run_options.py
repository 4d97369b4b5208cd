"""Options that `run`, `demo` and `replay` have in common."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import click

from busplay.cli.files import Described, InFile, OutFile
from busplay.cli.options import Count, Time, option_group
from busplay.cli.renamed import renamed
from busplay.units import PS_PER_S


@dataclass(frozen=True, slots=True)
class RunOptions:
    """What runs a program, and how long, as the user gave it."""

    link_source: str | None = None
    core: str = "compiled"
    record: Path | None = None
    cycles: int | None = None
    duration_ps: int | None = None
    until_exit: bool = False
    profile: bool = False

    @property
    def has_end(self) -> bool:
        """Whether the run ends without a window that somebody closes."""
        return self.cycles is not None or self.duration_ps is not None or self.until_exit


@dataclass(frozen=True, slots=True)
class LossOptions:
    """What becomes of what arrives, and of what does not."""

    record_received: Path | None = None
    losses_path: Path | None = None
    fail_on_loss: bool = False


def stop_cycle(cycles: int | None, time_ps: int | None, clock_hz: int) -> int | None:
    """Return the cycle at which to stop, the earlier of two limits; None is no limit."""
    stops = [] if cycles is None else [cycles]
    if time_ps is not None:
        stops.append(time_ps * clock_hz // PS_PER_S)
    return min(stops, default=None)


def _complete_core(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[str]:
    from busplay.core.make import core_kinds

    return [kind for kind in core_kinds() if kind.startswith(incomplete)]


run_options = option_group(
    "run",
    RunOptions,
    click.option(
        "--link",
        "link_source",
        metavar="LINK",
        type=Described(),
        help="Use this link file or shipped link, not the board's.",
    ),
    click.option(
        "--core",
        default="compiled",
        show_default=True,
        shell_complete=_complete_core,
        help="Run on this core.",
    ),
    click.option("--record", type=OutFile(), help="Record a trace of what is sent."),
    click.option(
        "--cycles",
        type=Count(),
        help="Stop after COUNT processor cycles; the first 7 are those of the reset.",
    ),
    click.option(
        "--duration", "duration_ps", type=Time(), help="Stop after TIME of the board's time: 0.5s."
    ),
    renamed("--seconds", "--duration"),
    click.option("--until-exit", is_flag=True, help="Run until the program exits."),
    click.option("--profile", is_flag=True, help="Count cycles and stores by routine."),
)

loss_options = option_group(
    "losses",
    LossOptions,
    click.option(
        "--record-received",
        type=OutFile(),
        help="Record a trace of what arrives, to play or to compare with what was sent.",
    ),
    click.option(
        "--losses",
        "losses_path",
        type=OutFile(),
        help="List every store that was not received as sent, as CSV.",
    ),
    click.option(
        "--fail-on-loss",
        is_flag=True,
        help="Exit with status 1 if any store was not received as sent.",
    ),
)

keys_option = click.option(
    "--keys",
    type=InFile(),
    help="Press the keys listed in FILE, a CSV with the columns cycle and code; cycle 0 is the"
    " first of the 7 of the reset.",
)

labels_option = click.option(
    "--labels",
    type=InFile(),
    help="Name addresses by these labels, from an assembler or linker.  [default: PROGRAM's name"
    " with .lbl, .labels or .dbg]",
)
