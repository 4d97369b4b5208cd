"""The one road from a report to JSON: what a command found, as `--json` prints it.

A command's figures are a frozen dataclass. Its fields are the keys, with the unit in the name; a
test reads their meaning from the class's docstring, and so does the reference of JSON keys.
"""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping
from enum import Enum
from fractions import Fraction
from os import PathLike, fspath
from typing import TypeAlias

import click

from busplay.units import Ratio

Json: TypeAlias = "dict[str, Json] | list[Json] | str | int | float | bool | None"


def to_json(report: object) -> Json:
    """Return a report as values that JSON holds.

    Args:
        report: a dataclass or named tuple, whose fields become keys, in order (those with metadata
            `json` False, and private ones, are left out); or what stands in one: mappings,
            sequences, sets (sorted), NumPy arrays and numbers, fractions and ratios (as floats),
            enum members (the name in lower case), paths, bytes (as hex), plain values. Infinity
            and "not a number" become null, as JSON has neither.

    Raises:
        TypeError: it holds something else.

    >>> to_json({"speed_ratio": Ratio.of(1, 2), "share_ratio": Fraction(1, 4), "mean_ns": math.inf})
    {'speed_ratio': 0.5, 'share_ratio': 0.25, 'mean_ns': None}
    """
    match report:
        case Enum():
            return report.name.lower()
        case None | bool() | int() | str():
            return report
        case float():
            return report if math.isfinite(report) else None
        case Fraction():
            return _number(report)
        case Ratio():
            return _number(Fraction(report.numerator, report.denominator))
        case PathLike():
            path = fspath(report)
            return path if isinstance(path, str) else path.decode("utf-8", "backslashreplace")
        case bytes():
            return report.hex()
        case Mapping():
            return {_key(key): to_json(value) for key, value in report.items()}
        case set() | frozenset():
            return [to_json(one) for one in sorted(report)]
    if dataclasses.is_dataclass(report) and not isinstance(report, type):
        return {
            field.name: to_json(getattr(report, field.name))
            for field in dataclasses.fields(report)
            if not field.name.startswith("_") and field.metadata.get("json", True)
        }
    if isinstance(report, tuple) and hasattr(report, "_asdict"):
        return to_json(report._asdict())
    if isinstance(report, (tuple, list, range)):
        return [to_json(one) for one in report]
    # NumPy's arrays and numbers, known by what they do: reports that hold none do not load it.
    if hasattr(report, "tolist"):
        return to_json(report.tolist())
    raise TypeError(f"{type(report).__name__} has no form in JSON: {report!r}")


def print_json(report: object) -> None:
    """Print a report as JSON on standard output."""
    click.echo(json.dumps(to_json(report), indent=2, allow_nan=False))


def _key(key: object) -> str:
    if isinstance(key, Enum):
        return key.name.lower()
    if isinstance(key, (str, int)):
        return str(key)
    raise TypeError(f"{key!r} is no key in JSON")


def _number(exact: Fraction) -> float | None:
    try:
        return float(exact)
    except OverflowError:
        return None
