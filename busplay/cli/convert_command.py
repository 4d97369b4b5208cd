"""`busplay convert`: recordings from one form to another."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Literal, Unpack

import click
from click.core import ParameterSource

from busplay.cli.capture_options import capture_options, map_option
from busplay.cli.files import Described, InFile, OutFile
from busplay.cli.flash_options import SCREEN_HELP, ScreenSize
from busplay.cli.options import Rate, Time, json_option, seed_option
from busplay.cli.renamed import renamed
from busplay.cli.report import print_flashes
from busplay.errors import InputError, printable
from busplay.wording import counted, exact

if TYPE_CHECKING:
    from busplay.conversion.analyser_view import AnalyserView
    from busplay.conversion.convert import ConvertReport
    from busplay.export.film import FilmReport
    from busplay.formats.capture import ReadOptions

# Options that say how an analyser sees the wires.
_OF_SAMPLES = (
    "out_from", "jitter", "skews", "settle", "glitch_ppm", "lost_every", "lost_samples", "swaps",
    "inverted", "seed",
)  # fmt: skip


@click.command("convert", epilog="Example: busplay convert tides.trace tides.vcd --out-to 2ms")
@click.argument("source", metavar="IN", type=InFile())
@click.argument("target", metavar="OUT", type=OutFile())
@click.option(
    "--link",
    "link_source",
    metavar="LINK",
    type=Described(),
    help="Link, where IN does not say it.",
)
@click.option(
    "--board",
    "board_source",
    metavar="BOARD",
    type=Described(),
    help="Board, where IN does not say it.",
)
@click.option("--clock-rate", type=Rate(), help="The link's clock, where nothing else says it.")
@click.option(
    "--as",
    "csv_content",
    type=click.Choice(["frames", "stores", "wires"]),
    help="What a .csv holds: frames (default), stores, or the wires' changes.",
)
@click.option("--out-to", type=Time(), help="Draw wires up to this link time only.")
@click.option(
    "--out-tick",
    type=Time(),
    help="Round a VCD's times down to this: 1ns suits programs that make a sample of every tick.",
)
@click.option("--no-texts", is_flag=True, help="Leave frames and states as texts out of a VCD.")
@click.option(
    "--out-rate", type=Rate(), help="Sample the wires as an analyser of this rate would: 24MHz."
)
@click.option("--out-from", type=Time(), help="Begin the samples at this link time.")
@click.option("--jitter", type=Time(), help="RMS jitter of the clock's edges.")
@click.option("--skew", "skews", metavar="WIRE=TIME", multiple=True, help="Delay WIRE by TIME.")
@click.option(
    "--settle", type=Time(), help="For TIME after a change, samples of a wire read either level."
)
@click.option(
    "--glitch-ppm",
    type=click.IntRange(0, 1_000_000),
    default=0,
    help="Invert this many samples in a million.",
)
@click.option(
    "--lost-every",
    type=click.IntRange(min=0),
    default=0,
    metavar="COUNT",
    help="Lose samples once in COUNT on average.",
)
@click.option(
    "--lost-samples",
    type=click.IntRange(min=1),
    default=1000,
    metavar="COUNT",
    help="Lose COUNT samples each time. Default: 1000.",
)
@click.option("--swap", "swaps", metavar="WIRE=WIRE", multiple=True, help="Swap two probes.")
@click.option("--invert", "inverted", metavar="WIRE", multiple=True, help="Invert a probe.")
@seed_option(default=1)
@click.option("--unit", metavar="NAME", help="Film one unit alone.  [default: all, side by side]")
@click.option(
    "--scale",
    type=click.IntRange(1, 16),
    help="Pixels of the film per pixel of a unit.  [default: 2 for .mp4 and .webm, else 1]",
)
@click.option(
    "--screen",
    "screen_px",
    type=ScreenSize(),
    metavar="WIDTHxHEIGHT",
    help=SCREEN_HELP,
)
@map_option
@capture_options
@json_option
@renamed("--clock", "--clock-rate")
@renamed("--stop", "--out-to")
@renamed("--tick", "--out-tick")
@renamed("--rate", "--out-rate")
@renamed("--begin-at", "--out-from")
@renamed("--slow", "--settle")
def command(
    source: Path,
    target: Path,
    link_source: str | None,
    board_source: str | None,
    clock_rate: int | None,
    csv_content: Literal["frames", "stores", "wires"] | None,
    out_to: int | None,
    out_tick: int | None,
    no_texts: bool,
    out_rate: int | None,
    out_from: int | None,
    jitter: int | None,
    skews: tuple[str, ...],
    settle: int | None,
    glitch_ppm: int,
    lost_every: int,
    lost_samples: int,
    swaps: tuple[str, ...],
    inverted: tuple[str, ...],
    seed: int,
    unit: str | None,
    scale: int | None,
    screen_px: tuple[int, int] | None,
    map_text: str | None,
    as_json: bool,
    **reading: Unpack[ReadOptions],
) -> int:
    """Convert IN to OUT; the suffix of OUT says to what.

    \b
    .trace    a trace that replays
    .vcd      the wires, with frames and states as texts, for a waveform viewer
    .csv      frames as rows; with --as: stores, or the wires' changes
    .pcapng   a packet for each frame, link type 147 (USER0), for network analysers
    .stores   stores as records of 16 bytes
    .gif, .apng, .webp, .mp4, .webm
              a film of the screens, a picture for each refresh; --from and --to choose the part
    NAME-%05d.png
              the same, one file a picture

    With --out-rate the wires are sampled as a cheap analyser would see them, mistakes and all,
    into .vcd, .csv, .sr or raw samples (.bin): test data, and a way to see whether an analyser is
    fast enough before it is bought. Lists what the target format cannot hold.
    """
    from busplay.cli.decode_progress import decode_progress, drawing_progress
    from busplay.cli.json_output import print_json
    from busplay.cli.notice import tell_of_compiling
    from busplay.conversion.analyser_view import AnalyserView
    from busplay.conversion.convert import convert

    tell_of_compiling()
    analyser = None
    if out_rate is None:
        _refuse_unused(target)
    else:
        analyser = AnalyserView(
            rate_hz=out_rate,
            first_ps=out_from or 0,
            jitter_ps=jitter or 0,
            skew_ps=dict(_skew(one) for one in skews),
            settle_ps=settle or 0,
            glitch_ppm=glitch_ppm,
            lost_every=lost_every,
            lost_samples=lost_samples,
            swaps=tuple(_pair(one, "--swap", "WIRE=WIRE") for one in swaps),
            inverted=inverted,
            seed=seed,
        )
    with ExitStack() as stack:
        report = convert(
            source,
            target,
            link=link_source,
            board=board_source,
            csv_content=csv_content,
            clock_hz=clock_rate,
            lane_map=map_text,
            analyser=analyser,
            stop_ps=out_to,
            tick_ps=out_tick,
            texts=not no_texts,
            watch=decode_progress(stack),
            unit=unit,
            scale=scale,
            screen_px=screen_px,
            progress=drawing_progress(stack),
            **reading,
        )
    if as_json:
        print_json(report)
    else:
        _print(report, analyser)
    return 0 if report.is_clean else 1


def _print(report: ConvertReport, analyser: AnalyserView | None) -> None:
    what = {"stores": "store", "film": "picture", "pictures": "picture"}.get(
        report.target_kind, "frame"
    )
    click.echo(
        f"{printable(report.source)} ({report.source_kind}) to {printable(report.target)}"
        f" ({report.target_kind}): {counted(report.carried, what)}"
    )
    if report.film is not None:
        _print_film(report.film)
    if report.left_out:
        click.echo(f"  {report.left_out:,} left out")
    for one in report.not_carried:
        click.echo(f"  not carried: {one}")
    for one in report.notes:
        click.echo(f"  {one}")
    injected = report.injected
    if injected is not None:
        click.echo(
            f"  {injected.samples:,} samples; injected: {injected.glitches:,} inverted,"
            f" {injected.unsettled:,} unsettled, {injected.samples_lost:,} lost in"
            f" {len(injected.loss_places):,} places"
        )
        if analyser is not None and (analyser.swaps or analyser.inverted):
            click.echo(f"  the probes are on --map {injected.map}")


def _print_film(film: FilmReport) -> None:
    stored = "" if film.pictures == film.refreshes else f"; {film.pictures:,} are stored"
    click.echo(
        f"  {film.width_px:,} x {film.height_px:,} pixels, {exact(film.duration_s)} s at"
        f" {film.refresh_hz:,} Hz{stored}"
    )
    if film.brief:
        click.echo(
            f"  {counted(film.brief, 'picture')} of 1/100 s, which browsers show for 1/10 s;"
            " .apng and .webp play as fast as the board"
        )

    print_flashes(film.flashes)


def _refuse_unused(target: Path) -> None:
    """Refuse options of an analyser where there is none."""
    context = click.get_current_context()
    for param in context.command.params:
        told = param.name and context.get_parameter_source(param.name)
        if param.name in _OF_SAMPLES and told == ParameterSource.COMMANDLINE:
            raise InputError(
                place=param.opts[0],
                found=f"a conversion to {target} without --out-rate",
                wanted="it says what an analyser sees: give its --out-rate, or leave it out",
            )


def _pair(text: str, option: str, form: str) -> tuple[str, str]:
    first, equals, second = (part.strip() for part in text.partition("="))
    if not (first and equals and second):
        raise InputError(place=option, found=repr(text), wanted=f"write {form}")
    return first, second


def _skew(text: str) -> tuple[str, int]:
    from busplay.formats.quantities import parse_time_ps

    wire, late = _pair(text, "--skew", "WIRE=TIME")
    return wire, parse_time_ps(late, name="--skew")
