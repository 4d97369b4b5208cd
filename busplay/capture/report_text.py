"""What was found in a capture, as labels and texts."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from busplay.capture.survey import EDGES_TO_JUDGE, SAMPLES_FOR_CERTAINTY
from busplay.formats.quantities import time_text
from busplay.wording import counted

if TYPE_CHECKING:
    from busplay.capture.eye import LaneEye
    from busplay.capture.report import DecodeReport

Row = tuple[str, str]


def verdict_text(health: DecodeReport) -> str:
    """Return whether the frames are whole, and what was wrong."""
    seen = health.receiver
    if not seen.syncs_gained:
        return "NO FRAMES FOUND"
    if health.is_clean:
        return f"CLEAN, {counted(seen.frames_received, 'frame')}"
    faults = [
        (health.frames_damaged, "damaged", "frame"),
        (seen.frames_missed, "missed", "frame"),
        (seen.frames_corrected, "corrected", "frame"),
    ]
    told = [f"{counted(n, noun)} {word}" for n, word, noun in faults if n]
    if seen.syncs_lost:
        told.append(f"sync lost {times(seen.syncs_lost)}")
    if not health.is_complete:
        told.append("interrupted" if health.is_interrupted else "the capture ends early")
    return f"DAMAGED: {', '.join(told)}"


def frame_rows(health: DecodeReport) -> list[Row]:
    """Return what became of the frames, and advice where hardly any was found."""
    return [("frames", _counts_text(health)), ("sync", _sync_text(health)), *_advice(health)]


def wire_rows(health: DecodeReport, *, full: bool) -> list[Row]:
    """Return what clock, samples and lanes were like.

    Args:
        health: of the capture.
        full: with the clock's jitter and duty.
    """
    return [
        *_clock_rows(health, full=full),
        *_sampling_rows(health),
        ("lanes", _margins_text(health.lanes)),
    ]


def times(count: int) -> str:
    """Write how often: `once`, `3 times`."""
    return "once" if count == 1 else f"{count:,} times"


def nanoseconds(time_ps: int) -> str:
    """Write a time in ns with two places."""
    return f"{time_ps / 1000:.2f}"


def _counts_text(health: DecodeReport) -> str:
    seen = health.receiver
    details = [
        (seen.checks_failed, "failed the check"),
        (seen.frames_aborted, "aborted"),
        (seen.frames_corrected, "corrected"),
        (seen.frames_missed, "missed by sequence"),
    ]
    told = "".join(f"; {count:,} {what}" for count, what in details if count)
    return (
        f"{seen.frames_received:,} valid, {seen.frames_idle:,} idle,"
        f" {health.frames_damaged:,} damaged{told}"
    )


def _sync_text(health: DecodeReport) -> str:
    seen, outages = health.receiver, health.health.outages
    if not seen.syncs_gained:
        return "never in sync: no frame was found"
    after = f", after {counted(outages[0].symbols, 'symbol')}" if outages else ""
    began = f"in sync from {time_text(health.health.first_sync_ps or 0)}{after}"
    lost = "never lost" if not seen.syncs_lost else f"lost {times(seen.syncs_lost)}"
    pending = seen.pending_symbols
    rest = f"; {counted(pending, 'symbol')} of a frame at the end" if pending else ""
    return f"{began}; {lost}; {counted(seen.symbols_skipped, 'symbol')} skipped{rest}"


def _advice(health: DecodeReport) -> list[Row]:
    if health.sampling.symbols_beyond_frame:
        return [
            (
                "",
                f"{counted(health.sampling.symbols_beyond_frame, 'symbol')} skipped while the"
                " strobe was held beyond a frame: is the frame longer than the link says?",
            )
        ]
    if health.has_hardly_a_frame:
        return [
            (
                "",
                "hardly a frame is valid: are the link, its edges and strobe right, and the map"
                " (--find-map)?",
            )
        ]
    return []


def _clock_rows(health: DecodeReport, *, full: bool) -> list[Row]:
    clock, sampling = health.clock, health.sampling
    if sampling.clock_is_gated:
        kind = "pauses between frames"
    elif sampling.clock_is_steady:
        kind = "runs steadily"
    elif sampling.clock_edges_judged < EDGES_TO_JUDGE:
        kind = "too few edges to say whether it runs steadily"
    else:
        kind = "does not run evenly"
    rows = [
        (
            "clock",
            f"{clock.edges:,} edges, {clock.edges_used:,} used, one every"
            f" {nanoseconds(clock.period_ps)} ns; {kind}",
        )
    ]
    if full:
        rows.append(
            (
                "",
                f"jitter {nanoseconds(clock.jitter_ps)} ns rms, duty {clock.duty_ratio:.1%},"
                f" spacings {nanoseconds(clock.spacing_least_ps)} to"
                f" {nanoseconds(clock.spacing_most_ps)} ns",
            )
        )
    odd = [
        (clock.edges_missing, "missing" if sampling.clock_is_steady else "late by half or more"),
        (clock.edges_early, "early by half or more"),
        (clock.edges_filled, "filled in, as the clock is steady"),
        (clock.edges_left_out, "left out, as the clock is steady"),
        (clock.pauses, "pause" if clock.pauses == 1 else "pauses"),
        (clock.glitches, "glitch" if clock.glitches == 1 else "glitches"),
    ]
    told = [f"{count:,} {what}" for count, what in odd if count]
    return rows + ([("", ", ".join(told))] if told else [])


def _sampling_rows(health: DecodeReport) -> list[Row]:
    sampling = health.sampling
    rows = []
    if sampling.sample_ps and sampling.samples_per_edge:
        told = "" if sampling.rate_is_told else ", inferred from the clock"
        few = sampling.samples_per_edge < SAMPLES_FOR_CERTAINTY
        text = f"{sampling.samples_per_edge:.2f} samples an edge"
        text += f" ({nanoseconds(sampling.sample_ps)} ns each{told})"
        rows.append(("sampling", text + ("; too few for certainty (4 are usual)" if few else "")))
    if sampling.symbols_in_doubt:
        ratio = sampling.symbols_in_doubt / max(1, sampling.symbols)
        rows.append(
            (
                "",
                f"{sampling.symbols_in_doubt:,} of {sampling.symbols:,} symbols ({ratio:.2%})"
                " in doubt: a wire changed within a sample",
            )
        )
    if sampling.clock_recovery == "steady":
        rows.append(("", "edges are taken from the steady clock; the check decides"))
    if count := sampling.symbols_unknown:
        rows.append(("", f"{counted(count, 'symbol')} read while a wire was unknown"))
    if count := sampling.rests_inserted:
        rows.append(
            (
                "",
                f"the strobe rested {times(count)} while the clock stood still; a symbol stands for"
                " each",
            )
        )
    return rows


def _margins_text(eyes: Sequence[LaneEye]) -> str:
    moving = [eye for eye in eyes if eye.histogram.any()]
    if not moving:
        return "none changes"

    def margin(eye: LaneEye) -> int:
        setup, hold = eye.usual_setup_ps, eye.usual_hold_ps
        return min(eye.period_ps if one is None else one for one in (setup, hold))

    worst = min(moving, key=margin)
    return (
        f"least margin {nanoseconds(margin(worst))} ns, on {worst.wire}, read at"
        f" {worst.sample_at_ps / 1000:+.2f} ns from the edge"
    )
