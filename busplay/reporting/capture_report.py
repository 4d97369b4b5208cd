"""A report on a capture: what the wires were like, what is in doubt, and what came over them."""

from __future__ import annotations

import shlex
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Unpack

import numpy as np

from busplay.capture.report import DecodeReport
from busplay.capture.report_text import frame_rows, nanoseconds, verdict_text, wire_rows
from busplay.conversion.decode import DecodedCapture, DecodeWatch, decode
from busplay.description.board import Board
from busplay.description.link import Link
from busplay.errors import InputError
from busplay.export.eye import EXPLAINED, SHADED, eyes_size_px, eyes_svg
from busplay.formats.capture import ReadOptions
from busplay.formats.quantities import time_text
from busplay.program.labels import labels_for
from busplay.reporting.figures import draw_bars, draw_counts
from busplay.reporting.page import (
    CommandList,
    FactList,
    ReportFigure,
    ReportPage,
    ReportPart,
    ReportProse,
    ReportSection,
    ReportTable,
    data_address,
)
from busplay.reporting.trace_report import ReportRequest, trace_part
from busplay.run.replay import Replay
from busplay.units import PS_PER_S
from busplay.version import VERSION
from busplay.wording import counted

LISTED = 10
COLUMNS = 120


def capture_page(
    path: Path,
    request: ReportRequest,
    *,
    words: str,
    link: Link | str | Path | None,
    board: Board | str | Path | None,
    lane_map: str | None,
    watch: DecodeWatch | None,
    **reading: Unpack[ReadOptions],
) -> ReportPage:
    """Return the report on a capture; with a board also on what it shows.

    Args:
        path: of the capture.
        request: what else to look at.
        words: the command that makes the report.
        link, board, lane_map: as for `decode`.
        watch: follows the decode.
        reading: how to read the capture, and which part of it.

    Raises:
        InputError: a file cannot be read, is damaged, or says something impossible.
    """
    decoded = decode(path, link=link, board=board, lane_map=lane_map, watch=watch, **reading)
    health = replace(decoded.health, file=path.name)
    decoded = replace(decoded, health=health)
    sections = [
        _captured_section(health),
        _eyes_section(health),
        _doubt_section(decoded),
        _damage_section(health),
    ]
    verdict, is_fine = verdict_text(health), health.is_clean
    if board is not None and health.receiver.frames_received:
        with Replay(decoded.path) as replay:
            labels = labels_for(request.labels, request.program, replay.board.banks)
            found = trace_part(
                replay, request, program=request.program, labels=labels, captured=True
            )
            sections += [one for one in found.sections if one.title != "What ran"]
        if found.compared is not None:
            verdict = f"{verdict}; {found.compared}"
            is_fine = is_fine and found.is_fine
    elif request.against is not None:
        raise InputError(
            place="--against",
            found="a capture without frames or without --board",
            wanted="name the board that the capture is of, so that frames can be compared",
        )
    made = ReportSection(
        "How this was made",
        (
            ReportProse(f"Made by busplay {VERSION} from {health.file}."),
            CommandList(
                (
                    (words, "makes this page; the same file gives the same page, byte for byte."),
                    (
                        f"busplay decode {shlex.quote(path.name)} --link {health.link} --full",
                        "prints all of the wires' figures.",
                    ),
                    (f"busplay check {health.link} --full", "has all that the link can detect."),
                )
            ),
        ),
    )
    title = f"{health.file}, a capture of link {health.link}"
    return ReportPage(title, verdict, is_fine, (*sections, made))


def _captured_section(health: DecodeReport) -> ReportSection:
    """Return what was captured, and whether it is whole."""
    rows = [
        ("capture", f"{health.file}, {health.format}"),
        ("time", f"{time_text(health.start_ps)} to {time_text(health.stop_ps)}"),
        *frame_rows(health),
        ("map", ", ".join(f"{wire}={signal}" for wire, signal in health.map.items())),
    ]
    parts: list[ReportPart] = []
    if not health.is_complete:
        parts.append(ReportProse(f"The capture is cut: {health.cut_reason}.", is_warning=True))
    return ReportSection("What was captured", (*parts, FactList(tuple(rows))))


def _eyes_section(health: DecodeReport) -> ReportSection:
    """Return clock and eyes."""
    parts: list[ReportPart] = [FactList(tuple(wire_rows(health, full=True)))]
    if health.lanes:
        width, height = eyes_size_px(health.lanes)
        svg = eyes_svg(health.lanes, title=f"Eyes of {health.file}, link {health.link}")
        told = "; ".join(
            f"{eye.wire} read at {eye.sample_at_ps / 1000:+.2f} ns from the edge"
            for eye in health.lanes
        )
        parts.append(
            ReportFigure(
                "Eyes",
                data_address("image/svg+xml", svg.encode()),
                f"Eyes of each wire: {told}. The table below has the margins.",
                f"{EXPLAINED} {SHADED}",
                width,
                height,
            )
        )
        parts.append(
            ReportTable(
                "Margins of each wire, ns",
                ("wire", "signal", "read at", "setup", "hold", "usual setup", "usual hold"),
                tuple(
                    (
                        eye.wire,
                        eye.signal,
                        nanoseconds(eye.sample_at_ps),
                        *(
                            f">{nanoseconds(eye.period_ps)}" if one is None else nanoseconds(one)
                            for one in (
                                eye.setup_ps,
                                eye.hold_ps,
                                eye.usual_setup_ps,
                                eye.usual_hold_ps,
                            )
                        ),
                    )
                    for eye in health.lanes
                ),
                left=frozenset({0, 1}),
                more="Usual: with one change in a thousand left out on each side.",
            )
        )
    return ReportSection("Clock and eyes", tuple(parts))


def _doubt_section(decoded: DecodedCapture) -> ReportSection:
    """Return what the capture leaves in doubt."""
    health, found = decoded.health, decoded.found_map
    sampling = health.sampling
    ratio = sampling.symbols_in_doubt / max(1, sampling.symbols)
    per_edge = sampling.samples_per_edge
    rows = [
        ("certain", "yes" if sampling.is_certain else "no"),
        (
            "symbols in doubt",
            f"{sampling.symbols_in_doubt:,} of {sampling.symbols:,} ({ratio:.2%}): a wire changed"
            " within a sample",
        ),
        ("unknown", f"{sampling.symbols_unknown:,} symbols read while a wire was neither level"),
        (
            "samples",
            "finer than matters" if per_edge is None else f"{per_edge:.2f} an edge; 4 are usual",
        ),
        ("clock", f"edges taken {_recovery(sampling.clock_recovery)}"),
    ]
    if found is not None:
        rows.append(("map", f"found by trying: {found.confidence}"))
    rows += [("note", note) for note in health.notes]
    rows += [
        ("wire", f"{wire} never changes: dead, or not connected") for wire in health.idle_wires
    ]
    return ReportSection("Doubt", (FactList(tuple(rows)),))


def _recovery(kind: str) -> str:
    if kind == "steady":
        return "where an even clock must have them; the check decides"
    return "where the samples show them"


def _damage_section(health: DecodeReport) -> ReportSection:
    """Return damaged frames by lane and time, gaps, and stretches out of sync."""
    found = health.health
    parts: list[ReportPart] = []
    if not (found.damaged or found.gap_count or len(found.outages) > 1):
        parts.append(ReportProse("No frame was damaged, and sync was never lost."))
    if found.damaged and any(found.lane_errors):
        parts.append(
            draw_bars(
                [f"lane {lane}" for lane in range(len(found.lane_errors))],
                {"damaged frames": found.lane_errors},
                title="Errors by lane",
                label="damaged frames",
                note=f"The lane of {counted(found.lane_errors_unknown, 'frame')} is not known.",
            )
        )
    if found.damaged:
        edges = np.linspace(health.start_ps, max(health.stop_ps, health.start_ps + 1), COLUMNS + 1)
        kinds = Counter(one.kind for one in found.damaged)
        counts = {
            kind: np.histogram([one.time_ps for one in found.damaged if one.kind == kind], edges)[
                0
            ].astype(np.int64)
            for kind in kinds
        }
        parts.append(
            draw_counts(edges / PS_PER_S, counts, title="Errors by time", label="damaged frames")
        )
        parts.append(
            ReportTable(
                f"The first {min(LISTED, len(found.damaged)):,} damaged frames",
                ("first edge", "what", "word", "lanes"),
                tuple(
                    (
                        time_text(one.time_ps),
                        one.kind,
                        "" if one.word is None else f"{one.word:X}",
                        " ".join(map(str, one.lanes)),
                    )
                    for one in found.damaged[:LISTED]
                ),
                left=frozenset({1, 2, 3}),
            )
        )
    if len(found.outages) > 1:
        parts.append(
            ReportTable(
                "Out of sync",
                ("from", "to", "symbols"),
                tuple(
                    (
                        time_text(one.first_ps),
                        "the end" if one.stop_ps is None else time_text(one.stop_ps),
                        f"{one.symbols:,}",
                    )
                    for one in found.outages[1 : LISTED + 1]
                ),
                left=frozenset(),
            )
        )
    if found.gap_count:
        parts.append(
            ReportTable(
                f"Gaps in the clock: the first {min(LISTED, len(found.gaps))} of"
                f" {found.gap_count:,}",
                ("from", "to", "edges"),
                tuple(
                    (time_text(one.first_ps), time_text(one.stop_ps), f"{one.edges:,}")
                    for one in found.gaps[:LISTED]
                ),
                left=frozenset(),
            )
        )
    return ReportSection("Damage", tuple(parts))
