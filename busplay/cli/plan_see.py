"""`busplay plan --can-it-see RATE`: whether an analyser is fast enough, tried with the decoder."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from busplay.cli.json_output import print_json
from busplay.cli.options import Count, Rate, Time, option_group, seed_option
from busplay.cli.progress import shares_bar
from busplay.cli.style import verdict
from busplay.errors import InputError

if TYPE_CHECKING:
    from busplay.description.board import Board
    from busplay.description.link import Link

FRAMES_MAX = 1_000_000


@dataclass(frozen=True, slots=True)
class SeeRequest:
    """What the user says of an analyser; see the options."""

    see_rate: int | None = None
    see_channels: int | None = None
    see_jitter: int | None = None
    see_skews: tuple[str, ...] = ()
    see_frames: int | None = None
    see_seed: int | None = None


see_options = option_group(
    "see",
    SeeRequest,
    click.option(
        "--can-it-see",
        "see_rate",
        type=Rate(),
        metavar="RATE",
        help="Try only whether a logic analyser of this sample rate can see the link.",
    ),
    click.option(
        "--analyser-channels",
        "see_channels",
        type=Count(1, 10_000),
        metavar="COUNT",
        help="Can it see: channels of the analyser.",
    ),
    click.option(
        "--jitter",
        "see_jitter",
        type=Time(),
        metavar="TIME",
        help="Can it see: RMS jitter of the clock.",
    ),
    click.option(
        "--skew",
        "see_skews",
        metavar="WIRE=TIME",
        multiple=True,
        help="Can it see: delay WIRE by TIME.",
    ),
    click.option(
        "--frames",
        "see_frames",
        type=Count(1, FRAMES_MAX),
        metavar="COUNT",
        help="Can it see: try COUNT frames.",
    ),
    seed_option("see_seed"),
)


def see_and_report(
    described: Link | Board,
    see: SeeRequest,
    *,
    processor_hz: int | None,
    trace_path: Path | None,
    as_json: bool,
) -> int:
    """Try and show; return the exit status: 1 if it cannot see the link.

    Raises:
        InputError: a wire or its skew is none, or the trace is of another link.
    """
    from busplay.analysis.sampling.visibility import Answer, can_it_see
    from busplay.cli.notice import tell_of_compiling
    from busplay.cli.plan_see_text import see_text, verdict_text
    from busplay.link.load import as_link_and_board

    if see.see_rate is None:
        raise click.UsageError("what is said of an analyser goes with --can-it-see RATE")
    tell_of_compiling()
    link, _ = as_link_and_board(described)
    with shares_bar(label="trying") as progress:
        report = can_it_see(
            described,
            see.see_rate,
            processor_hz=processor_hz,
            channels=see.see_channels,
            jitter_ps=see.see_jitter or 0,
            skew_ps=_skews(link, see.see_skews),
            trace=trace_path,
            frames=see.see_frames,
            seed=1 if see.see_seed is None else see.see_seed,
            progress=progress,
        )
    if as_json:
        print_json(report)
    else:
        ok = report.answer is not Answer.NO
        click.echo(verdict(verdict_text(report), ok=ok))
        click.echo("\n".join(see_text(report)))
    return 1 if report.answer is Answer.NO else 0


def _skews(link: Link, skews: tuple[str, ...]) -> tuple[int, ...]:
    from busplay.capture.lane_map import wires_of
    from busplay.formats.quantities import parse_time_ps

    wires = wires_of(link)[1:]
    skew_ps = [0] * len(wires)
    for one in skews:
        wire, parted, text = one.partition("=")
        if not parted:
            raise InputError(
                place="--skew", found=one, wanted="a wire and a time, such as lane0=2ns"
            )
        if wire not in wires:
            raise InputError(
                place="--skew",
                found=f"wire {wire!r}",
                wanted=f"skew is against the clock, so the wires are {', '.join(wires)}",
            )
        skew_ps[wires.index(wire)] = parse_time_ps(text, name="--skew")
    return tuple(skew_ps)
