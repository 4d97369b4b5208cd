"""What `busplay decode` prints: a verdict and one screen, or all with `--full`."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import wrap
from typing import TYPE_CHECKING

from busplay.capture.survey import EDGES_TO_JUDGE, SAMPLES_FOR_CERTAINTY
from busplay.cli.style import heading, verdict, warning
from busplay.errors import printable
from busplay.formats.quantities import time_text
from busplay.wording import counted

if TYPE_CHECKING:
    from busplay.capture.eye import LaneEye
    from busplay.capture.found_map import MapReport
    from busplay.capture.report import DecodeReport
    from busplay.conversion.decode import DecodedCapture
    from busplay.conversion.expect import ExpectReport, WriteRow

LISTED = 5
COLUMNS = 80
INDENT = " " * 10
ABSENT = "-"


def report_lines(decoded: DecodedCapture, *, full: bool) -> list[str]:
    """Return what was found in a capture, in words: the verdict first."""
    health, found, expected = decoded.health, decoded.found_map, decoded.expected
    lines = [_verdict(health, expected)]
    if health.is_interrupted:
        lines.append(warning("interrupted: the figures are of what was read until then"))
    if found is not None:
        lines += _map_lines(found)
    lines += [_counts_line(health), f"sync      {_sync_text(health)}"]
    lines += _advice(health)
    lines += _clock_lines(health, full=full)
    lines += _sampling_lines(health)
    lines.append(_margins_line(health.lanes))
    lines += [warning(f"          {wire} never changes: dead, or not connected")
              for wire in health.idle_wires]  # fmt: skip
    if not health.is_complete and health.cut_reason:
        lines.append(f"cut       {health.cut_reason}")
    lines += [f"note      {note}" for note in health.notes]
    lines += _damage_lines(health, full=full, lists_frames=full or expected is None)
    if full:
        lines += ["", *_eye_lines(health)]
    if expected is not None:
        lines += ["", *_expect_lines(expected, full=full)]
    if not full:
        lines.append("--full lists eyes, gaps, and every damaged frame")
    return [part for line in lines for part in _fitted(line)]


def _fitted(line: str) -> list[str]:
    """Break a line of text at 80 columns; rows of tables stay as they are."""
    is_text = not line.startswith("  ") or line.startswith(INDENT)
    if len(line) <= COLUMNS or not is_text or "\x1b" in line:
        return [line]
    return wrap(
        line, COLUMNS, subsequent_indent=INDENT, break_long_words=False, break_on_hyphens=False
    )


def _verdict(health: DecodeReport, expected: ExpectReport | None) -> str:
    seen = health.receiver
    what = f"{printable(health.file)} with link {health.link}: "
    if not seen.syncs_gained:
        return verdict(f"{what}NO FRAMES FOUND", ok=False)
    if expected is not None and expected.different_in_capture:
        rest = f"DIFFERS from what was sent in {counted(expected.different_in_capture, 'frame')}"
        return verdict(what + rest, ok=False)
    if health.is_clean:
        same = "" if expected is None else ", all as they were sent"
        return verdict(f"{what}CLEAN, {counted(seen.frames_received, 'frame')}{same}", ok=True)
    faults = [
        (health.frames_damaged, "damaged", "frame"),
        (seen.frames_missed, "missed", "frame"),
        (seen.frames_corrected, "corrected", "frame"),
    ]
    told = [f"{counted(n, noun)} {word}" for n, word, noun in faults if n]
    if seen.syncs_lost:
        told.append(f"sync lost {_times(seen.syncs_lost)}")
    if not health.is_complete:
        told.append("interrupted" if health.is_interrupted else "the capture ends early")
    return verdict(f"{what}DAMAGED: {', '.join(told)}", ok=False)


def _counts_line(health: DecodeReport) -> str:
    seen = health.receiver
    details = [
        (seen.checks_failed, "failed the check"),
        (seen.frames_aborted, "aborted"),
        (seen.frames_corrected, "corrected"),
        (seen.frames_missed, "missed by sequence"),
    ]
    told = "".join(f"; {count:,} {what}" for count, what in details if count)
    return (
        f"frames    {seen.frames_received:,} valid, {seen.frames_idle:,} idle,"
        f" {health.frames_damaged:,} damaged{told}"
    )


def _sync_text(health: DecodeReport) -> str:
    seen, outages = health.receiver, health.health.outages
    if not seen.syncs_gained:
        return "never in sync: no frame was found"
    after = f", after {counted(outages[0].symbols, 'symbol')}" if outages else ""
    began = f"in sync from {time_text(health.health.first_sync_ps or 0)}{after}"
    lost = "never lost" if not seen.syncs_lost else f"lost {_times(seen.syncs_lost)}"
    pending = seen.pending_symbols
    rest = f"; {counted(pending, 'symbol')} of a frame at the end" if pending else ""
    return f"{began}; {lost}; {counted(seen.symbols_skipped, 'symbol')} skipped{rest}"


def _advice(health: DecodeReport) -> list[str]:
    seen = health.receiver
    if health.sampling.symbols_beyond_frame:
        return [
            f"          {counted(health.sampling.symbols_beyond_frame, 'symbol')} skipped while the"
            " strobe was held beyond a frame: is the frame longer than the link says?",
        ]
    if not seen.syncs_gained or health.frames_damaged > 2 * seen.frames_received:
        return [
            "          hardly a frame is valid: are the link, its edges and strobe right, and the"
            " map (--find-map)?",
        ]
    return []


def _clock_lines(health: DecodeReport, *, full: bool) -> list[str]:
    clock, sampling = health.clock, health.sampling
    if sampling.clock_is_gated:
        kind = "pauses between frames"
    elif sampling.clock_is_steady:
        kind = "runs steadily"
    elif sampling.clock_edges_judged < EDGES_TO_JUDGE:
        kind = "too few edges to say whether it runs steadily"
    else:
        kind = "does not run evenly"
    lines = [
        f"clock     {clock.edges:,} edges, {clock.edges_used:,} used, one every"
        f" {_ns(clock.period_ps)} ns; {kind}"
    ]
    if full:
        lines.append(
            f"          jitter {_ns(clock.jitter_ps)} ns rms, duty {clock.duty_ratio:.1%}, spacings"
            f" {_ns(clock.spacing_least_ps)} to {_ns(clock.spacing_most_ps)} ns"
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
    return lines + ([f"          {', '.join(told)}"] if told else [])


def _sampling_lines(health: DecodeReport) -> list[str]:
    sampling = health.sampling
    lines = []
    if sampling.sample_ps and sampling.samples_per_edge:
        told = "" if sampling.rate_is_told else ", inferred from the clock"
        few = sampling.samples_per_edge < SAMPLES_FOR_CERTAINTY
        lines.append(
            f"sampling  {sampling.samples_per_edge:.2f} samples an edge"
            f" ({_ns(sampling.sample_ps)} ns each{told})"
            + ("; too few for certainty (4 are usual)" if few else "")
        )
    if sampling.symbols_in_doubt:
        ratio = sampling.symbols_in_doubt / max(1, sampling.symbols)
        lines.append(
            f"          {sampling.symbols_in_doubt:,} of {sampling.symbols:,} symbols ({ratio:.2%})"
            " in doubt: a wire changed within a sample"
        )
    if sampling.clock_recovery == "steady":
        lines.append("          edges are taken from the steady clock; the check decides")
    if count := sampling.symbols_unknown:
        lines.append(f"          {counted(count, 'symbol')} read while a wire was unknown")
    if count := sampling.rests_inserted:
        lines.append(
            f"          the strobe rested {_times(count)} while the clock stood still; a symbol"
            " stands for each"
        )
    return lines


def _margins_line(eyes: Sequence[LaneEye]) -> str:
    moving = [eye for eye in eyes if eye.histogram.any()]
    if not moving:
        return "lanes     none changes"

    def margin(eye: LaneEye) -> int:
        setup, hold = eye.usual_setup_ps, eye.usual_hold_ps
        return min(eye.period_ps if one is None else one for one in (setup, hold))

    worst = min(moving, key=margin)
    return (
        f"lanes     least margin {_ns(margin(worst))} ns, on {worst.wire}, read at"
        f" {worst.sample_at_ps / 1000:+.2f} ns from the edge"
    )


def _eye_lines(health: DecodeReport) -> list[str]:
    lines = [
        heading("Lanes: changes round the moment of reading, a period to each side"),
        "                                   least        usual     ns",
        "  wire    signal        moment   setup    hold   setup    hold  eye",
        *(_eye_line(eye) for eye in health.lanes),
    ]
    glitches = [f"{eye.wire} {eye.glitches:,}" for eye in health.lanes if eye.glitches]
    if health.clock.glitches:
        glitches.insert(0, f"clock {health.clock.glitches:,}")
    shortest = time_text(health.glitch_filter_ps)
    return [*lines, f"  glitches shorter than {shortest}: {', '.join(glitches) or 'none'}"]


def _eye_line(eye: LaneEye) -> str:
    name = eye.signal.rpartition(".")[2]
    margins = (eye.setup_ps, eye.hold_ps, eye.usual_setup_ps, eye.usual_hold_ps)
    shown = [ABSENT] * 4
    if eye.histogram.any():
        beyond = f">{_ns(eye.period_ps)}"
        shown = [beyond if one is None else _ns(one) for one in margins]
    return (
        f"  {eye.wire:7} {name[:12]:12} {_ns(eye.sample_at_ps):>7}"
        f" {shown[0]:>7} {shown[1]:>7} {shown[2]:>7} {shown[3]:>7}  [{eye.text(32)}]"
    )


def _damage_lines(health: DecodeReport, *, full: bool, lists_frames: bool) -> list[str]:
    found, lines = health.health, []
    if health.frames_damaged and any(found.lane_errors):
        shares = [f"lane{n} {count:,}" for n, count in enumerate(found.lane_errors) if count]
        unknown = f"not known {found.lane_errors_unknown:,}"
        lines.append(f"damage    frames by lane: {', '.join(shares)}; {unknown}")
    if found.gap_count:
        lines.append(f"gaps      {found.gap_count:,} in the clock")
        lines += _listed(
            [
                f"{time_text(one.first_ps)} for {time_text(one.stop_ps - one.first_ps)},"
                f" {counted(one.edges, 'edge')}"
                for one in found.gaps
            ],
            full=full,
        )
    # The first is the search at the start.
    if outages := found.outages[1:]:
        lines.append("outages   out of sync from")
        lines += _listed(
            [
                f"{time_text(one.first_ps)} for {counted(one.symbols, 'symbol')}, "
                + ("to the end" if one.stop_ps is None else time_text(one.stop_ps - one.first_ps))
                for one in outages
            ],
            full=full,
        )
    if found.damaged and lists_frames:
        lines.append("damaged   first edge, what, word, lanes")
        lines += _listed(
            [
                f"{time_text(one.time_ps)}  {one.kind}"
                + ("" if one.word is None else f"  {one.word:X}")
                + (f"  {_lanes(one.lanes)}" if one.lanes else "")
                for one in found.damaged
            ],
            full=full,
        )
    return lines


def _map_lines(found: MapReport) -> list[str]:
    lines = [
        f"map       {found.confidence}: --map {found.map}",
        f"          {found.frames_valid:,} valid, {found.frames_invalid:,} invalid frames in"
        f" {found.symbols_tried:,} symbols",
    ]
    if found.runner_up is not None:
        lines.append(
            f"          next best: {found.runner_up_valid:,} valid, {found.runner_up_invalid:,}"
            f" invalid with {found.runner_up}"
        )
    if found.maps_tied:
        lines.append(
            f"          as good as {counted(found.maps_tied, 'other map')}: the capture cannot"
            " tell them apart; this one is the plainest"
        )
    return lines + [f"          {remark}" for remark in found.remarks]


def _expect_lines(expected: ExpectReport, *, full: bool) -> list[str]:
    lines = [
        heading(
            f"Against what was sent: {expected.same:,} of {expected.frames_expected:,} frames are"
            " the same"
        ),
        f"  {expected.missing:,} missing ({expected.missing_at_start:,} before the first that came,"
        f" {expected.missing_at_end:,} after the last), {expected.changed:,} changed,",
        f"  {expected.added:,} added, {expected.out_of_order:,} out of order",
    ]
    if expected.missing_outside_capture:
        lines.append(
            f"  {expected.missing_outside_capture:,} of the missing lie outside the capture: before"
            " the first frame in sync, or after the end"
        )
    if expected.missing_damaged:
        lines.append(f"  {expected.missing_damaged:,} of the missing came, but failed their check")
    lines += [f"  {sentence}" for sentence in expected.patterns]
    inside = expected.differences[: expected.different_in_capture]
    if inside:
        lines.append(
            "  what          time in the capture   cycle       store          arrived  label, lanes"
        )
    shown = inside if full else inside[:LISTED]
    lines += [_write_line(one) for one in shown]
    if (more := expected.different_in_capture - len(shown)) > 0:
        lines.append(f"  and {more:,} more (--full lists them)")
    return lines


def _write_line(one: WriteRow) -> str:
    stored = ABSENT if one.stored is None else f"${one.stored:02X}"
    where = f"${one.address:04X}" if one.address is not None else one.place
    arrived = ABSENT if one.arrived is None else f"${one.arrived:02X}"
    cycle = ABSENT if one.cycle is None else f"{one.cycle:,}"
    named = ", ".join(filter(None, [one.label, _lanes(one.lanes)]))
    return (
        f"  {one.kind:12}  {time_text(one.time_ps):20}  {cycle:10}  {where}={stored:7}"
        f"  {arrived:7}  {named}"
    ).rstrip()


def _lanes(lanes: tuple[int, ...]) -> str:
    return f"lane {' '.join(map(str, lanes))}" if lanes else ""


def _listed(rows: list[str], *, full: bool) -> list[str]:
    shown = rows if full else rows[:LISTED]
    more = len(rows) - len(shown)
    return [f"          {row}" for row in shown] + (
        [f"          and {more:,} more"] if more else []
    )


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count:,} times"


def _ns(time_ps: int) -> str:
    return f"{time_ps / 1000:.2f}"
