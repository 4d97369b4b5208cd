"""Profiles for other programs: CSV, speedscope's JSON, callgrind's format.

# Follows: speedscope's file format (tests/data/speedscope), sampled profiles with weights;
#          Callgrind Format Specification of Valgrind's manual, version 1
# Read in: the schema itself; the specification from memory, and callgrind_annotate reads it
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator

from busplay.analysis.profile.call_tree import INTERRUPTS, PROGRAM, totals
from busplay.analysis.profile.report import ProfileReport
from busplay.version import VERSION

_SCHEMA = "https://www.speedscope.app/file-format-schema.json"
_NS_PER_S = 1_000_000_000
_INTERRUPT_NAME = "interrupt"

CSV_COLUMNS = (
    "kind", "name", "address", "page", "file", "line", "calls", "entries", "cycles",
    "cycles_with_callees", "stores", "stores_unchanged", "stores_replaced",
)  # fmt: skip


def csv_of(report: ProfileReport) -> str:
    """Return routines, source lines, calls, addresses and refreshes as one table.

    The column `kind` names the table; columns that a kind lacks are empty.
    """
    text = io.StringIO()
    writer = csv.DictWriter(text, CSV_COLUMNS, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(_csv_rows(report))
    return text.getvalue()


def _csv_rows(report: ProfileReport) -> Iterator[dict[str, object]]:
    for row in report.routines:
        yield {
            "kind": "routine",
            "name": row.name,
            "address": f"0x{row.address:04X}",
            "page": row.page,
            "calls": row.calls,
            "entries": row.entries,
            "cycles": row.cycles,
            "cycles_with_callees": row.cycles_with_callees,
            "stores": row.stores,
            "stores_unchanged": row.stores_unchanged,
            "stores_replaced": row.stores_replaced,
        }
    for line in report.source_lines:
        yield {
            "kind": "line",
            "name": line.routine,
            "file": line.file,
            "line": line.line,
            "cycles": line.cycles,
            "stores": line.stores,
            "stores_unchanged": line.stores_unchanged,
            "stores_replaced": line.stores_replaced,
        }
    for call in report.calls:
        yield {
            "kind": "call",
            "name": f"{call.caller} > {call.callee}",
            "address": f"0x{call.callee_address:04X}",
            "page": call.callee_page,
            "calls": call.calls,
            "entries": call.entries,
            "cycles_with_callees": call.cycles,
        }
    for one in report.written_most:
        yield {
            "kind": "address",
            "name": one.label or one.window,
            "address": f"0x{one.address:04X}",
            "page": one.page,
            "stores": one.stores,
            "stores_unchanged": one.stores_unchanged,
            "stores_replaced": one.stores_replaced,
        }
    for refresh in report.refreshes:
        yield {
            "kind": "refresh",
            "name": f"from cycle {refresh.first_cycle}",
            "cycles": refresh.cycles,
            "stores": refresh.stores,
            "stores_unchanged": refresh.stores_unchanged,
            "stores_replaced": refresh.stores_replaced,
        }


def speedscope_of(report: ProfileReport) -> str:
    """Return two profiles, of time and of stores, in speedscope's format."""
    first_line = {cost.routine: cost for cost in reversed(report.line_costs) if cost.file}
    frames: list[dict[str, object]] = []
    frame_of: dict[int, int] = {}
    samples: list[list[int]] = []
    weights: list[tuple[int, int, int]] = []
    stacks: list[list[int]] = []
    for index, node in enumerate(report.nodes):
        if index == PROGRAM or (index == INTERRUPTS and not report.interrupts):
            stacks.append([])
            continue
        if node.routine not in frame_of:
            frame_of[node.routine] = len(frames)
            name = _INTERRUPT_NAME if index == INTERRUPTS else _name(report, node.routine)
            frame: dict[str, object] = {"name": name}
            if node.routine in first_line:
                frame |= {
                    "file": first_line[node.routine].file,
                    "line": first_line[node.routine].line,
                }
            frames.append(frame)
        above = stacks[node.parent] if node.parent >= 0 else []
        stacks.append([*above, frame_of[node.routine]])
        if any(node.costs):
            samples.append(stacks[index])
            weights.append(node.costs)
    times = [cost[0] * _NS_PER_S // report.clock_hz for cost in weights]
    profiles = [
        _sampled("time", "nanoseconds", samples, times),
        _sampled("stores", "none", samples, [cost[1] for cost in weights]),
        _sampled("stores that changed nothing", "none", samples, [cost[2] for cost in weights]),
    ]
    return json.dumps(
        {
            "$schema": _SCHEMA,
            "name": report.program or report.board,
            "exporter": f"busplay {VERSION}",
            "activeProfileIndex": 0,
            "shared": {"frames": frames},
            "profiles": profiles,
        },
        indent=1,
    )


def _sampled(
    name: str, unit: str, samples: list[list[int]], weights: list[int]
) -> dict[str, object]:
    kept = [(sample, weight) for sample, weight in zip(samples, weights, strict=True) if weight]
    return {
        "type": "sampled",
        "name": name,
        "unit": unit,
        "startValue": 0,
        "endValue": sum(weight for _, weight in kept),
        "samples": [sample for sample, _ in kept],
        "weights": [weight for _, weight in kept],
    }


def callgrind_of(report: ProfileReport) -> str:
    """Return the profile in callgrind's format: costs by line, and calls with their costs."""
    files: dict[int, str] = {}
    for cost in report.line_costs:
        files.setdefault(cost.routine, cost.file or "???")
    lines = [
        "# callgrind format",
        "# As callgrind itself does, calls count what was entered by a jump or a fall-through too.",
        "version: 1",
        f"creator: busplay {VERSION}",
        f"cmd: {_one_line(report.program or report.board)}",
        "positions: line",
        "events: Cycles Stores Unchanged",
        f"summary: {report.cycles} {report.stores} {report.stores_unchanged}",
    ]
    calls = _calls_by_caller(report)
    routines = sorted({cost.routine for cost in report.line_costs} | set(calls))
    for routine in routines:
        own = [cost for cost in report.line_costs if cost.routine == routine]
        lines += ["", f"fl={_one_line(files.get(routine, '???'))}", f"fn={_name(report, routine)}"]
        file = files.get(routine, "???")
        for cost in own:
            if (cost.file or "???") != file:
                file = cost.file or "???"
                lines.append(f"fi={_one_line(file)}")
            lines.append(f"{cost.line} {' '.join(map(str, cost.costs))}")
        for callee, (count, sums) in sorted(calls.get(routine, {}).items()):
            lines.append(f"cfi={_one_line(files.get(callee, '???'))}")
            lines.append(f"cfn={_name(report, callee)}")
            lines.append(f"calls={count} 0")
            lines.append(f"0 {' '.join(map(str, sums))}")
    return "\n".join(lines) + "\n"


def _calls_by_caller(
    report: ProfileReport,
) -> dict[int, dict[int, tuple[int, tuple[int, ...]]]]:
    """Return caller, callee: calls and entries, and what they cost; interrupts have no caller."""
    sums = totals(report.nodes)
    found: dict[int, dict[int, tuple[int, tuple[int, ...]]]] = {}
    for index, node in enumerate(report.nodes):
        if node.parent <= INTERRUPTS:
            continue
        caller = report.nodes[node.parent].routine
        if caller == node.routine:
            # What calls itself has its cost already.
            continue
        by_callee = found.setdefault(caller, {})
        count, costs = by_callee.get(node.routine, (0, (0, 0, 0)))
        added = tuple(one + other for one, other in zip(costs, sums[index], strict=True))
        by_callee[node.routine] = count + node.calls + node.entries, added
    return found


def _name(report: ProfileReport, routine: int) -> str:
    return _one_line(report.routine_names.name(routine))


def _one_line(text: str) -> str:
    return " ".join(text.split()) or "?"
