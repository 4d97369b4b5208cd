"""`busplay plan --can-it-see RATE`: whether an analyser is fast enough, worked out and tried."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import click

from busplay.errors import InputError

if TYPE_CHECKING:
    from busplay.analysis.sampling.verdict import Verdict
    from busplay.analysis.sampling.visibility import Sampling
    from busplay.batch import FrameBatch
    from busplay.description.board import Board
    from busplay.description.link import Link

R = TypeVar("R")
FRAMES_MAX = 1_000_000


@dataclass(frozen=True, slots=True)
class SeeRequest:
    """What the user says of an analyser; see the options."""

    asked: str | None = None
    rate: str | None = None
    channels: int | None = None
    jitter: str | None = None
    skews: tuple[str, ...] = ()
    frames: int | None = None
    seed: int | None = None


def see_options(command: Callable[..., R]) -> Callable[..., R]:
    """Add the options that ask about an analyser; the command gets them as `see`."""

    @wraps(command)
    def with_see(*args: object, **values: object) -> R:
        given = {
            name: values.pop(f"see_{name}")
            for name in ("asked", "rate", "channels", "jitter", "skews", "frames", "seed")
        }
        return command(*args, see=SeeRequest(**given), **values)  # type: ignore[arg-type]

    options = [
        click.option(
            "--can-it-see",
            "see_asked",
            metavar="RATE",
            help="Ask only whether a logic analyser of this sample rate, such as 24MHz, can see"
            " the link; worked out, and tried with the decoder. Or: --can-it-see LINK --rate RATE.",
        ),
        click.option(
            "--rate", "see_rate", metavar="RATE", help="Can it see: the rate, behind a link."
        ),
        click.option(
            "--analyser-channels",
            "see_channels",
            type=click.IntRange(1, 10_000),
            help="Can it see: channels that it has.",
        ),
        click.option(
            "--jitter",
            "see_jitter",
            metavar="TIME",
            help="Can it see: RMS by which each clock edge strays.",
        ),
        click.option(
            "--skew",
            "see_skews",
            metavar="WIRE=TIME",
            multiple=True,
            help="Can it see: a wire comes so much later than it should.",
        ),
        click.option(
            "--frames",
            "see_frames",
            type=click.IntRange(0, FRAMES_MAX),
            help="Can it see: frames to try; 4,000; 0: only work it out.",
        ),
        click.option(
            "--seed", "see_seed", type=click.IntRange(0, (1 << 63) - 1), help="Can it see: seed; 1."
        ),
    ]
    decorated: Callable[..., R] = with_see
    for option in reversed(options):
        decorated = option(decorated)
    return decorated


def question_of(source: str | None, see: SeeRequest) -> tuple[str, SeeRequest]:
    """Tell link and rate apart, whichever of the two stands behind --can-it-see."""
    if see.asked is None:
        raise click.UsageError("what is said of an analyser goes with --can-it-see RATE")
    if see.rate is None:
        if source is None:
            raise click.UsageError(
                "--can-it-see wants a link and a rate: LINK --can-it-see 24MHz, or --can-it-see"
                " LINK --rate 24MHz"
            )
        return source, replace(see, rate=see.asked)
    if source is not None:
        raise click.UsageError(
            f"with --rate the link stands behind --can-it-see, and {source!r} is one too many"
        )
    return see.asked, see


def see_and_report(
    described: Link | Board,
    see: SeeRequest,
    *,
    processor_hz: int | None,
    trace_path: Path | None,
    as_json: bool,
) -> int:
    """Answer and show; give the exit status: 1 if it cannot.

    Raises:
        InputError: a rate, time or wire is none, or the trace is of another link.
    """
    from busplay.analysis.plan import DEFAULT_PROCESSOR_HZ
    from busplay.analysis.sampling.verdict import Answer
    from busplay.cli.plan_see_text import see_json, see_text
    from busplay.description.board import Board

    board = described if isinstance(described, Board) else None
    link = described.link if isinstance(described, Board) else described
    stated_hz = processor_hz or (board.clock_hz if board else None)
    clock_hz = link.clock_hz or stated_hz or DEFAULT_PROCESSOR_HZ
    sampling = _sampling(link, clock_hz, see)
    verdict = _verdict(sampling, see, trace_path)
    traffic = "random frames" if trace_path is None else f"frames of {trace_path.name}"
    if as_json:
        click.echo(json.dumps(see_json(verdict, traffic), indent=2))
    else:
        assumed = not (link.clock_hz or stated_hz)
        click.echo("\n".join(see_text(verdict, traffic, clock_assumed=assumed)))
    return 1 if verdict.answer is Answer.NO else 0


def _sampling(link: Link, clock_hz: int, see: SeeRequest) -> Sampling:
    from busplay.analysis.sampling.visibility import Sampling
    from busplay.capture.lane_map import wires_of
    from busplay.formats.quantities import parse_rate_hz, parse_time_ps

    wires = wires_of(link)[1:]
    skew_ps = [0] * len(wires)
    for one in see.skews:
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
    jitter_ps = 0 if see.jitter is None else parse_time_ps(see.jitter, name="--jitter")
    if jitter_ps < 0:
        raise InputError(
            place="--jitter", found=str(see.jitter), wanted="a time that is not negative"
        )
    sampling = Sampling(
        link,
        clock_hz,
        parse_rate_hz(str(see.rate), name="--can-it-see"),
        channels=see.channels,
        jitter_ps=jitter_ps,
        skew_ps=tuple(skew_ps),
    )
    most_ps = int(sampling.symbol_ps)
    for wire, skew in zip(wires, skew_ps, strict=True):
        if abs(skew) >= most_ps:
            raise InputError(
                place="--skew",
                found=f"{wire}={skew / 1000:g}ns",
                wanted=f"less than a symbol, which takes {most_ps / 1000:g} ns",
            )
    return sampling


def _verdict(sampling: Sampling, see: SeeRequest, trace_path: Path | None) -> Verdict:
    from busplay.analysis.sampling.trial import (
        FRAMES,
        frames_for_trial,
        random_frames,
        spelled,
        symbols_of,
        try_it,
    )
    from busplay.analysis.sampling.verdict import judge
    from busplay.cli.notice import tell_of_compiling
    from busplay.link.layout import FrameLayout

    tell_of_compiling()
    wanted = FRAMES if see.frames is None else see.frames
    seed = 1 if see.seed is None else see.seed
    count = wanted if see.frames is not None else frames_for_trial(sampling, wanted)
    frames = (
        random_frames(sampling.link, count or FRAMES, seed=seed)
        if trace_path is None
        else _recorded(trace_path, sampling.link, count or FRAMES)
    )
    stretches = spelled(frames, FrameLayout(sampling.link))
    symbols = symbols_of(stretches)
    trial = None
    if count:
        with click.progressbar(
            length=len(symbols),
            label="trying",
            file=sys.stderr,
            hidden=not sys.stderr.isatty(),
        ) as bar:
            trial = try_it(
                sampling,
                frames,
                stretches,
                seed=seed,
                progress=lambda done: bar.update(min(done, len(symbols)) - bar.pos),
            )
    return judge(sampling, symbols, trial)


def _recorded(path: Path, link: Link, count: int) -> FrameBatch:
    """Return the first frames of a trace, from a few slots before the first of them."""
    import numpy as np

    from busplay.analysis.budget import start_grid
    from busplay.analysis.sampling.trial import lead_slots
    from busplay.batch import FrameBatch
    from busplay.trace.reader import TraceReader

    with TraceReader(path) as reader:
        if replace(reader.header.link, file="") != replace(link, file=""):
            raise InputError(
                file=str(path),
                found=f"frames of link {reader.header.link.name}",
                wanted=f"a trace of link {link.name}, which is asked about",
            )
        parts, held = [], 0
        for batch in reader.chunks():
            parts.append(batch)
            held += len(batch)
            if held >= count:
                break
    if not held:
        raise InputError(file=str(path), found="no frames", wanted="a trace with some")
    edge = np.concatenate([one.edge for one in parts])[:count]
    word = np.concatenate([one.word for one in parts])[:count]
    _, step = start_grid(link)
    first = max(0, int(edge[0]) // step - lead_slots(link)) * step
    return FrameBatch(edge - np.uint64(first), word)
