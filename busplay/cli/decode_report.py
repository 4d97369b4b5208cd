"""What `busplay decode` prints: a verdict and one screen, or all with `--full`."""

from __future__ import annotations

from textwrap import wrap
from typing import TYPE_CHECKING

from busplay.capture.report_text import frame_rows, nanoseconds, verdict_text, wire_rows
from busplay.cli.style import heading, verdict, warning
from busplay.description.full_address import address_text
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
    rows = [*frame_rows(health), *wire_rows(health, full=full)]
    lines += [f"{label:{len(INDENT)}}{text}" for label, text in rows]
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
    if expected is not None and seen.syncs_gained and expected.different_in_capture:
        rest = f"DIFFERS from what was sent in {counted(expected.different_in_capture, 'frame')}"
        return verdict(what + rest, ok=False)
    if health.is_clean:
        same = "" if expected is None else ", all as they were sent"
        return verdict(what + verdict_text(health) + same, ok=True)
    return verdict(what + verdict_text(health), ok=False)


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
        beyond = f">{nanoseconds(eye.period_ps)}"
        shown = [beyond if one is None else nanoseconds(one) for one in margins]
    return (
        f"  {eye.wire:7} {name[:12]:12} {nanoseconds(eye.sample_at_ps):>7}"
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
    where = address_text(one.address, one.page) if one.address is not None else one.place
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
