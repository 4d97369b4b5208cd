"""The reference of the keys that `--json` prints, generated from the reports' classes.

A report is a frozen dataclass; its attributes are the keys, documented in its docstring. `REPORTS`
has the classes that each command prints.
"""

from __future__ import annotations

import ast
import dataclasses
import importlib
import inspect
import sys
from collections.abc import Iterator
from enum import Enum
from typing import Any, NamedTuple, get_args, get_type_hints

from busplay.guide.attributes import attribute_meanings


class Printed(NamedTuple):
    """A report that a command prints: of what, under which key, and its class."""

    what: str
    key: str
    place: str


REPORTS: dict[str, tuple[Printed, ...]] = {
    "demo": (Printed("", "", "busplay.cli.run_report:RunReport"),),
    "run": (Printed("", "", "busplay.cli.run_report:RunReport"),),
    "replay": (Printed("", "", "busplay.cli.run_report:RunReport"),),
    "decode": (Printed("", "", "busplay.cli.decode_command:DecodeOutput"),),
    "why": (Printed("", "", "busplay.chain.report:PixelReport"),),
    "compare": (Printed("", "", "busplay.analysis.compare.comparison:Comparison"),),
    "stress": (Printed("", "", "busplay.analysis.stress.stress:StressReport"),),
    "plan": (
        Printed("a plan", "", "busplay.analysis.plan:PlanReport"),
        Printed("--can-it-see", "", "busplay.analysis.sampling.visibility:VisibilityReport"),
        Printed("--explore", "", "busplay.analysis.explore:Exploration"),
    ),
    "profile": (Printed("", "", "busplay.analysis.profile.report:ProfileReport"),),
    "convert": (Printed("", "", "busplay.conversion.convert:ConvertReport"),),
    "emit": (Printed("", "", "busplay.emission.emit:EmitReport"),),
    "share": (Printed("", "", "busplay.export.page.share:PageReport"),),
    "report": (Printed("", "", "busplay.reporting.report:WrittenReport"),),
    "info": (
        Printed("a trace", "", "busplay.trace.info:TraceInfo"),
        Printed("a capture", "", "busplay.formats.capture_info:CaptureFileInfo"),
    ),
    "check": (
        Printed("a link", "description", "busplay.explain.link_facts:LinkFacts"),
        Printed("a board", "description", "busplay.explain.board_facts:BoardFacts"),
        Printed("both", "soundness", "busplay.analysis.soundness.report:CheckReport"),
    ),
}


def report_class(place: str) -> type:
    """Return the class at `module:name`."""
    module, _, name = place.partition(":")
    found = getattr(importlib.import_module(module), name)
    if not isinstance(found, type):
        raise TypeError(f"{place} is not a class")
    return found


def json_keys(kind: type, *, seen: tuple[type, ...] = ()) -> Iterator[tuple[int, str, str]]:
    """Return depth, key and meaning of a report's attributes, nested ones included."""
    meanings = attribute_meanings(kind)
    hints = get_type_hints(kind, localns=_names_for_checkers(kind))
    for field in dataclasses.fields(kind):
        if field.name.startswith("_") or not field.metadata.get("json", True):
            continue
        inner = _dataclass_in(hints[field.name])
        yield (
            len(seen),
            field.name,
            meanings.get(field.name, "").replace("None", "null").rstrip("."),
        )
        if inner is not None and inner not in (*seen, kind):
            yield from json_keys(inner, seen=(*seen, kind))


def _names_for_checkers(kind: type) -> dict[str, object]:
    """Return the names that a class's module imports only for type checkers."""
    tree = ast.parse(inspect.getsource(sys.modules[kind.__module__]))
    names: dict[str, object] = {}
    for node in tree.body:
        if not (isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"):
            continue
        for one in node.body:
            if isinstance(one, ast.ImportFrom) and one.module:
                module = importlib.import_module(one.module)
                names |= {alias.name: getattr(module, alias.name) for alias in one.names}
    return names


def _dataclass_in(hint: Any) -> type | None:
    """Return the dataclass in a hint such as `tuple[Window, ...]` or `Check | None`."""
    if isinstance(hint, type) and dataclasses.is_dataclass(hint) and not issubclass(hint, Enum):
        return hint
    return next((found for one in get_args(hint) if (found := _dataclass_in(one))), None)


def json_text() -> str:
    """Return the reference of all JSON keys, as Markdown."""
    lines = [
        "# Keys of `--json`",
        "",
        "Names end in their unit (`_ns`, `_hz`, `_cycles`, `_bytes`; `_ratio` is 0 to 1). A value",
        "that is not known is `null`. Errors have the keys `error`, `file`, `place`, `found` and",
        "`wanted`.",
    ]
    printed: dict[tuple[Printed, ...], str] = {}
    for command, reports in REPORTS.items():
        lines += ["", f"## {command}", ""]
        if reports in printed:
            lines.append(f"As `{printed[reports]}`.")
            continue
        printed[reports] = command
        for index, one in enumerate(reports):
            if index:
                lines.append("")
            if one.what:
                lines += [f"Of {one.what}:", ""]
            if one.key:
                lines.append(f"- `{one.key}`:")
            for depth, key, meaning in json_keys(report_class(one.place)):
                indent = "  " * (depth + bool(one.key))
                lines.append(f"{indent}- `{key}`: {meaning}." if meaning else f"{indent}- `{key}`")
    return "\n".join(lines) + "\n"
