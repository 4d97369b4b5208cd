"""What `busplay decode` says: the same figures as text and as JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING

from busplay.capture.survey import EDGES_TO_JUDGE, SAMPLES_FOR_CERTAINTY
from busplay.cli.report import Figures
from busplay.formats.quantities import time_text

if TYPE_CHECKING:
    from busplay.capture.decode import DecodeReport
    from busplay.capture.eye import LaneEye
    from busplay.capture.find_map import FoundMap
    from busplay.capture.health import Health
    from busplay.capture.survey import ClockSurvey

LISTED = 10
JSON_LISTED = 1000


def show_ns(time_ps: int | None) -> str:
    """Write a margin in ns with two decimals."""
    return "-" if time_ps is None else f"{time_ps / 1000:.2f}"


def report_figures(report: DecodeReport) -> Figures:
    """Return all figures of a decode, ready for JSON; times are in the capture's own time."""
    seen, health, clock, survey = report.receiver, report.health, report.clock, report.survey
    zero = report.info.zero_ps
    symbols = max(1, report.symbols)
    return {
        "capture": report.info.file,
        "format": report.info.format,
        "link": report.link_name,
        "clean": report.is_clean,
        "map": {wire: str(probe) for wire, probe in report.lane_map.wires.items()},
        "idle_wires": list(report.idle_wires),
        "clock": {
            "edges": clock.edges,
            "edges_used": clock.edges_used,
            "edges_missing": clock.edges_missing,
            "edges_early": clock.edges_early,
            "edges_filled": clock.edges_filled,
            "edges_left_out": clock.edges_left_out,
            "glitches": clock.glitches,
            "pauses": clock.pauses,
            "period_ps": clock.period_ps,
            "jitter_rms_ps": clock.jitter_ps,
            "spacing_least_ps": clock.spacing_least_ps,
            "spacing_most_ps": clock.spacing_most_ps,
            "duty_ratio": clock.duty_ratio,
            "is_steady": survey.is_steady,
            "followed_as": "steady" if survey.plan.steady else "seen",
        },
        "sampling": {
            "sample_ps": survey.plan.resolution_ps or None,
            "samples_per_edge": round(survey.samples_per_edge, 3) or None,
            "symbols": report.symbols,
            "symbols_in_doubt": report.symbols_in_doubt,
            "in_doubt_ratio": round(report.symbols_in_doubt / symbols, 6),
            "symbols_unknown": report.symbols_unknown,
            "rests_inserted": report.rests_inserted,
            "symbols_beyond": report.symbols_beyond,
            "certain": _is_certain(survey, report.symbols_in_doubt),
        },
        "lanes": [_eye_figures(eye) for eye in report.eyes],
        "lane_errors": health.lane_errors,
        "lane_errors_unknown": health.lane_errors_unknown,
        "frames_good": seen.frames_received,
        "frames_idle": seen.frames_idle,
        "frames_damaged": report.frames_damaged,
        "checks_failed": seen.checks_failed,
        "frames_aborted": seen.frames_aborted,
        "frames_corrected": seen.frames_corrected,
        "frames_missed": seen.frames_missed,
        "syncs_gained": seen.syncs_gained,
        "syncs_lost": seen.syncs_lost,
        "symbols_skipped": seen.symbols_skipped,
        "pending_symbols": seen.pending_symbols,
        "first_step_ps": _moved(health.first_step_ps, zero),
        "first_good_ps": _moved(health.first_good_ps, zero),
        "last_good_ps": _moved(health.last_good_ps, zero),
        "outages": [
            {
                "first_ps": one.first_ps + zero,
                "stop_ps": _moved(one.stop_ps, zero),
                "symbols": one.symbols,
            }
            for one in health.outages[:JSON_LISTED]
        ],
        "gap_count": health.gap_count,
        "gaps": [
            {"first_ps": one.first_ps + zero, "stop_ps": one.stop_ps + zero, "edges": one.edges}
            for one in health.gaps[:JSON_LISTED]
        ],
        "glitch_ps": report.glitch_ps,
        "damaged": [
            {
                "time_ps": one.time_ps + zero,
                "kind": one.kind,
                "word": None if one.word is None else f"{one.word:X}",
                "lanes": list(one.lanes),
            }
            for one in health.damaged[:JSON_LISTED]
        ],
        "complete": report.info.complete,
        "cut_reason": report.info.cut_reason or None,
        "notes": list(report.info.notes),
    }


def map_figures(found: FoundMap) -> Figures:
    """Return what the search for the map found, ready for JSON."""
    runner = found.runner_up
    return {
        "map": str(found.best.lane_map),
        "sureness": found.sureness,
        "frames_right": found.best.trial.right,
        "frames_wrong": found.best.trial.wrong,
        "runner_up": None if runner is None else str(runner.lane_map),
        "runner_up_right": None if runner is None else runner.trial.right,
        "runner_up_wrong": None if runner is None else runner.trial.wrong,
        "tied": found.tied,
        "tried": found.tried,
        "dead": list(found.dead),
        "remarks": list(found.remarks),
    }


def map_lines(found: FoundMap) -> list[str]:
    """Say in words what the search found."""
    best, runner = found.best, found.runner_up
    lines = [
        f"map found: {found.sureness}",
        f"  --map {best.lane_map}",
        f"  best       {best.trial.right:,} frames right, {best.trial.wrong:,} wrong"
        f" of {best.trial.symbols:,} symbols tried",
    ]
    if runner is not None:
        lines.append(
            f"  runner-up  {runner.trial.right:,} right, {runner.trial.wrong:,} wrong"
            f" with {runner.lane_map}"
        )
    if found.tied:
        lines.append(
            f"  {found.tied:,} other maps fare exactly as well: the capture cannot tell them apart;"
            " this one is the plainest"
        )
    return lines + [f"  {remark}" for remark in found.remarks]


def report_lines(report: DecodeReport) -> list[str]:
    """Say in words what came of a capture."""
    seen, health = report.receiver, report.health
    zero = report.info.zero_ps
    lines = [f"Decoded {report.info.file} with link {report.link_name}"]
    lines += _clock_lines(report)
    lines += _sampling_lines(report)
    lines += ["", "Lanes: changes round the moment of reading, a period to each side"]
    lines.append("                                   least        usual     ns")
    lines.append("  wire    signal        moment   setup    hold   setup    hold  eye")
    lines += [_eye_line(eye) for eye in report.eyes]
    lines += [f"  {wire} never changes: dead, or not connected" for wire in report.idle_wires]
    glitches = [f"{eye.wire} {eye.glitches:,}" for eye in report.eyes if eye.glitches]
    if report.clock.glitches:
        glitches.insert(0, f"clock {report.clock.glitches:,}")
    lines.append(
        f"  glitches shorter than {time_text(report.glitch_ps)}: {', '.join(glitches) or 'none'}"
    )
    lines += [
        "",
        f"frames    {seen.frames_received:,} good, {report.frames_damaged:,} damaged,"
        f" {seen.frames_idle:,} idle",
    ]
    details = [
        (seen.checks_failed, "failed the check"),
        (seen.frames_aborted, "aborted"),
        (seen.frames_corrected, "mended"),
        (seen.frames_missed, "missed by sequence"),
    ]
    if any(count for count, _ in details):
        lines.append("          " + ", ".join(f"{n:,} {what}" for n, what in details if n))
    lines.append(f"step      {_step_text(report)}")
    if report.symbols_beyond:
        lines.append(
            f"          {report.symbols_beyond:,} symbols skipped, as the strobe was held beyond"
            " a frame: is the frame longer?"
        )
    elif _is_mostly_damage(report):
        lines.append(
            "          hardly a frame is right: are the link, its edges and strobe, the map"
            " (--find-map)?"
        )
    lines += _list(
        [
            f"out of sync from {time_text(one.first_ps + zero)} for {one.symbols:,} symbols, "
            + ("to the end" if one.stop_ps is None else f"{time_text(one.stop_ps - one.first_ps)}")
            for one in health.outages[1:]
        ]
    )
    if report.frames_damaged and any(health.lane_errors):
        shares = [f"lane {n}: {count:,}" for n, count in enumerate(health.lane_errors) if count]
        lines.append(
            f"lanes     damaged frames by lane: {', '.join(shares)};"
            f" {health.lane_errors_unknown:,} do not tell"
        )
    if health.gap_count:
        lines.append(f"gaps      {health.gap_count:,} in the clock")
        lines += _list(
            [
                f"{time_text(one.first_ps + zero)} for {time_text(one.stop_ps - one.first_ps)},"
                f" {one.edges:,} edges"
                for one in health.gaps
            ]
        )
    if health.first_good_ps is not None and health.last_good_ps is not None:
        lines.append(
            f"good      first {time_text(health.first_good_ps + zero)},"
            f" last {time_text(health.last_good_ps + zero)}"
        )
    if health.damaged:
        lines.append("damaged   first edge, what, word, lanes")
        lines += _list(_damaged_rows(health, zero))
    if not report.info.complete:
        lines.append(f"cut       {report.info.cut_reason}")
    lines += [f"note      {note}" for note in report.info.notes]
    return lines


def _is_mostly_damage(report: DecodeReport) -> bool:
    seen = report.receiver
    return report.frames_damaged > 2 * seen.frames_received


def _damaged_rows(health: Health, zero: int) -> list[str]:
    return [
        f"{time_text(one.time_ps + zero)}  {one.kind}"
        + ("" if one.word is None else f"  {one.word:X}")
        + (f"  lane {', '.join(map(str, one.lanes))}" if one.lanes else "")
        for one in health.damaged
    ]


def _list(rows: list[str]) -> list[str]:
    lines = [f"          {row}" for row in rows[:LISTED]]
    if len(rows) > LISTED:
        lines.append(f"          and {len(rows) - LISTED:,} more (--json lists up to 1,000)")
    return lines


def _clock_lines(report: DecodeReport) -> list[str]:
    clock, plan = report.clock, report.survey.plan
    if plan.is_gated:
        kind = "pauses between frames"
    elif report.survey.is_steady:
        kind = "runs steadily"
    elif report.survey.edges < EDGES_TO_JUDGE:
        kind = "too few edges to say whether it runs steadily"
    else:
        kind = "does not run evenly"
    lines = [
        f"clock     {clock.edges:,} edges, {clock.edges_used:,} used; one every"
        f" {show_ns(clock.period_ps)} ns, jitter {show_ns(clock.jitter_ps)} ns rms,"
        f" duty {clock.duty_ratio:.1%}",
        f"          {kind}; spacings {show_ns(clock.spacing_least_ps)} to"
        f" {show_ns(clock.spacing_most_ps)} ns",
    ]
    odd = [
        (clock.edges_missing, "missing" if report.survey.is_steady else "late by half or more"),
        (clock.edges_early, "early by half or more"),
        (clock.edges_filled, "filled in, as the steady clock tells"),
        (clock.edges_left_out, "left out, as the steady clock tells"),
        (clock.pauses, "pauses"),
    ]
    if any(count for count, _ in odd):
        lines.append("          " + ", ".join(f"{count:,} {what}" for count, what in odd if count))
    return lines


def _is_certain(survey: ClockSurvey, in_doubt: int) -> bool:
    return not in_doubt and not 0 < survey.samples_per_edge < SAMPLES_FOR_CERTAINTY


def _sampling_lines(report: DecodeReport) -> list[str]:
    survey = report.survey
    lines = []
    if survey.plan.resolution_ps:
        told = "" if survey.rate_is_told else ", worked out from the clock's spacings"
        lines.append(
            f"sampling  {survey.samples_per_edge:.2f} samples an edge"
            f" ({show_ns(survey.plan.resolution_ps)} ns a sample{told})"
        )
    share = report.symbols_in_doubt / max(1, report.symbols)
    doubt = (
        f"{report.symbols_in_doubt:,} of {report.symbols:,} symbols ({share:.2%}) are in doubt,"
        " as a wire changed within a sample"
    )
    if 0 < survey.samples_per_edge < SAMPLES_FOR_CERTAINTY:
        lines.append("          too few for certainty (4 are usual)")
    if report.symbols_in_doubt:
        lines.append(f"          {doubt}")
    if survey.plan.steady:
        lines.append(
            "          edges are taken from the steady clock, and the check has the last word"
        )
    if report.symbols_unknown:
        lines.append(f"          {report.symbols_unknown:,} symbols read while a wire was unknown")
    if report.rests_inserted:
        lines.append(
            f"          {report.rests_inserted:,} times the strobe rested while the clock stood"
            " still; a symbol stands for it"
        )
    return lines


def _eye_line(eye: LaneEye) -> str:
    name = eye.signal.rpartition(".")[2]
    margins = (eye.setup_ps, eye.hold_ps, eye.usual_setup_ps, eye.usual_hold_ps)
    if not eye.counts.any():
        shown = ["-"] * 4
    else:
        beyond = f">{show_ns(eye.period_ps)}"
        shown = [beyond if one is None else show_ns(one) for one in margins]
    return (
        f"  {eye.wire:7} {name[:12]:12} {show_ns(eye.offset_ps):>7}"
        f" {shown[0]:>7} {shown[1]:>7} {shown[2]:>7} {shown[3]:>7}  [{eye.text(32)}]"
    )


def _eye_figures(eye: LaneEye) -> Figures:
    return {
        "wire": eye.wire,
        "signal": eye.signal,
        "moment_ps": eye.offset_ps,
        "setup_ps": eye.setup_ps,
        "hold_ps": eye.hold_ps,
        "usual_setup_ps": eye.usual_setup_ps,
        "usual_hold_ps": eye.usual_hold_ps,
        "changes": eye.changes,
        "glitches": eye.glitches,
        "period_ps": eye.period_ps,
        "histogram_from_ps": -eye.period_ps,
        "histogram_to_ps": eye.period_ps,
        "histogram": eye.counts.tolist(),
    }


def _step_text(report: DecodeReport) -> str:
    seen, health = report.receiver, report.health
    if not seen.syncs_gained:
        return "never in sync: no frame was found; is the link right, and the map (--find-map)?"
    first = health.outages[0] if health.outages else None
    began = f"in sync from {time_text((health.first_step_ps or 0) + report.info.zero_ps)}" + (
        f", after {first.symbols:,} symbols" if first is not None else ""
    )
    lost = "never lost" if not seen.syncs_lost else f"lost {seen.syncs_lost:,} times"
    rest = f"; {seen.pending_symbols} symbols of a frame at the end" if seen.pending_symbols else ""
    return f"{began}; {lost}; {seen.symbols_skipped:,} symbols skipped{rest}"


def _moved(time_ps: int | None, zero_ps: int) -> int | None:
    return None if time_ps is None else time_ps + zero_ps
