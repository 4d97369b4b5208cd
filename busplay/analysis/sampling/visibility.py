"""Can an analyser that samples at a fixed rate see a link: tried, before one is bought.

A trial decides: frames on the wires, an analyser's samples, the decoder. Beside it stand the
trade's rules of thumb, for those who choose a rate: samples so close that no level of the clock
can fall between two; so close that a lane's change is seen on the right side of a clock edge;
and several in every level.

`STEADY_CLOCK` stands for captures that come out right only because the decoder follows a steady
clock, whose edges it knows better than a sample.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from fractions import Fraction
from pathlib import Path

from busplay.analysis.budget import link_wires
from busplay.analysis.plan import DEFAULT_PROCESSOR_HZ
from busplay.analysis.sampling import trial as trials
from busplay.analysis.sampling.sampling import Sampling
from busplay.analysis.sampling.trial import SamplingTrial
from busplay.description.board import Board
from busplay.description.link import Link
from busplay.errors import InputError
from busplay.link.load import as_link_and_board

# This share of a trial's frames may be lost and the rest still be of use.
LOSS_ALLOWED = 0.01
# A decoder that has just begun to follow a clock doubts a few symbols more than later.
DOUBT_ALLOWED = 0.01


class Answer(Enum):
    """Whether it can see the link."""

    YES = "Yes"
    STEADY_CLOCK_AND_CHECK = "Only with a steady clock and the check"
    STEADY_CLOCK = "Only with a steady clock"
    NO = "No"


@dataclass(frozen=True, slots=True)
class VisibilityReport:
    """Whether an analyser can see a link.

    Attributes:
        link: its name.
        clock_hz: of the link's clock wire.
        clock_assumed: nobody stated it.
        rate_hz: at which the analyser samples.
        answer: `yes`, `steady_clock_and_check`, `steady_clock` or `no`.
        reasons: in sentences.
        wires: to probe, ground aside.
        channels: of the analyser; None: enough.
        sample_ns, symbol_ns: from one sample to the next, and how long a symbol stands.
        samples_per_cycle, samples_per_edge: of the link's clock; in a cycle, and in a level.
        traffic: what the wires carried.
        trial: what came of it; None: a frame takes too many samples to try.
        every_edge_above_hz: rule of thumb: above it no level of the clock falls between two
            samples; None: no rate is enough.
        order_from_hz: rule of thumb: from it on a lane's change is seen on the right side of a
            clock edge; None: no rate is enough.
        usual_from_hz: the usual advice, several samples in each level of the clock.
    """

    link: str
    clock_hz: int
    clock_assumed: bool
    rate_hz: int
    answer: Answer
    reasons: tuple[str, ...]
    wires: int
    channels: int | None
    sample_ns: Fraction
    symbol_ns: Fraction
    samples_per_cycle: Fraction
    samples_per_edge: Fraction
    traffic: str
    trial: SamplingTrial | None
    every_edge_above_hz: int | None
    order_from_hz: int | None
    usual_from_hz: int


def can_it_see(
    described: Link | Board | str | Path,
    rate_hz: int,
    *,
    processor_hz: int | None = None,
    channels: int | None = None,
    jitter_ps: int = 0,
    skew_ps: tuple[int, ...] = (),
    trace: str | Path | None = None,
    frames: int | None = None,
    seed: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> VisibilityReport:
    """Try whether an analyser can see a link.

    Args:
        described: a link or board, its file, or the name of a shipped one.
        rate_hz: samples in a second.
        processor_hz: the processor's clock; else the board's, or 8 MHz.
        channels: that the analyser has; None: enough.
        jitter_ps: root mean square by which each clock edge strays.
        skew_ps: for lanes from 0 on and the strobe, how much later than it should each comes.
        trace: a trace whose frames are sent; None: random ones.
        frames: to try; None: as many as take seconds.
        seed: random seed.
        progress: called with (symbols sampled, symbols).

    Raises:
        InputError: a file is damaged, the trace is of another link or has no frames, or a wire is
            late by a symbol or more.
    """
    link, board = as_link_and_board(described)
    stated_hz = link.clock_hz or processor_hz or (board.clock_hz if board else None)
    clock_hz = stated_hz or DEFAULT_PROCESSOR_HZ
    sampling = Sampling(link, clock_hz, rate_hz, jitter_ps=jitter_ps, skew_ps=skew_ps)
    for skew in skew_ps:
        if abs(skew) >= sampling.symbol_ps:
            raise InputError(
                place="--skew",
                found=f"{skew / 1000:g}ns",
                wanted=f"less than a symbol, which takes {float(sampling.symbol_ps) / 1000:g} ns",
            )
    count = trials.frames_for_trial(sampling, trials.FRAMES) if frames is None else frames
    tried = None
    if count:
        sent = (
            trials.random_frames(link, count, seed=seed)
            if trace is None
            else trials.recorded_frames(Path(trace), link, count)
        )
        tried = trials.try_it(sampling, sent, seed=seed, progress=progress)
    answer, reasons = judge(sampling, tried, channels=channels)
    return VisibilityReport(
        link=link.name,
        clock_hz=clock_hz,
        clock_assumed=stated_hz is None,
        rate_hz=rate_hz,
        answer=answer,
        reasons=tuple(reasons),
        wires=link_wires(link),
        channels=channels,
        sample_ns=sampling.sample_ps / 1000,
        symbol_ns=sampling.symbol_ps / 1000,
        samples_per_cycle=Fraction(rate_hz, clock_hz),
        samples_per_edge=Fraction(rate_hz, 2 * clock_hz),
        traffic="random frames" if trace is None else f"frames of {Path(trace).name}",
        trial=tried,
        every_edge_above_hz=sampling.every_level_hz,
        order_from_hz=sampling.order_hz,
        usual_from_hz=sampling.usual_hz,
    )


def judge(
    sampling: Sampling, tried: SamplingTrial | None, *, channels: int | None = None
) -> tuple[Answer, list[str]]:
    """Answer, from what came of a trial; without one from the usual advice."""
    wires = link_wires(sampling.link)
    if channels is not None and channels < wires:
        return Answer.NO, [f"The link has {wires} wires, the analyser {channels} channels."]
    if tried is None:
        if sampling.rate_hz >= sampling.usual_hz:
            return Answer.YES, ["There are more samples in each level than the usual advice asks."]
        return Answer.NO, ["It was not tried, and there are fewer samples than is usual."]
    reasons = [_outcome(tried)]
    if tried.refused or tried.spurious or tried.lost > LOSS_ALLOWED * tried.frames:
        every = sampling.every_level_hz
        if every is None or sampling.rate_hz <= every:
            reasons.append("A level of the clock can fall between two samples.")
        return Answer.NO, reasons
    if tried.is_clean and tried.in_doubt_ratio <= DOUBT_ALLOWED:
        if sampling.rate_hz < sampling.usual_hz:
            reasons.append("There are fewer samples than the usual advice asks for.")
        return Answer.YES, reasons
    reasons.append("Where the clock is steady, its edges are known better than a sample.")
    if sampling.link.check is None:
        return Answer.STEADY_CLOCK, [*reasons, "The link has no check to find a wrong symbol by."]
    return Answer.STEADY_CLOCK_AND_CHECK, [*reasons, "The check finds frames read wrong."]


def _outcome(tried: SamplingTrial) -> str:
    if tried.refused:
        return "The decoder finds no clock."
    spurious = f", and {tried.spurious:,} are spurious" if tried.spurious else ""
    if tried.lost:
        return f"{tried.lost:,} of {tried.frames:,} frames do not come out as sent{spurious}."
    doubt = f"{tried.in_doubt_ratio:.1%} of" if tried.symbols_in_doubt else "none of"
    return f"All {tried.frames:,} frames come out as sent; {doubt} the symbols are in doubt."
