"""Reports as JSON: one encoder, and reports that say what each key means."""

from __future__ import annotations

import doctest
import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from enum import Enum, IntEnum
from fractions import Fraction
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest

from busplay.cli import json_output
from busplay.cli.json_output import print_json, to_json
from busplay.trace.info import TraceInfo

# Every class whose fields a command prints with --json.
REPORTS = [TraceInfo]


class State(IntEnum):
    HUNT = 0
    SYNC = 2


class Kind(Enum):
    SERIAL_LINE = "serial line"


class Span(NamedTuple):
    first: int
    stop: int


@dataclass(frozen=True, slots=True)
class Inner:
    kind: Kind
    span: Span


@dataclass(frozen=True, slots=True)
class Report:
    file: Path
    loss_ratio: Fraction
    mean_ns: float | None
    parts: tuple[Inner, ...]
    counts: Mapping[State, int]
    _kept: list[int] = field(default_factory=list)


def test_fields_become_keys_in_order() -> None:
    report = Report(
        file=Path("a.trace"),
        loss_ratio=Fraction(1, 8),
        mean_ns=None,
        parts=(Inner(Kind.SERIAL_LINE, Span(3, 5)),),
        counts={State.HUNT: 4, State.SYNC: 1},
    )
    found = to_json(report)
    assert found == {
        "file": "a.trace",
        "loss_ratio": 0.125,
        "mean_ns": None,
        "parts": [{"kind": "serial_line", "span": {"first": 3, "stop": 5}}],
        "counts": {"hunt": 4, "sync": 1},
    }
    assert list(found) == ["file", "loss_ratio", "mean_ns", "parts", "counts"]


@pytest.mark.parametrize("number", [math.inf, -math.inf, math.nan, np.float64("nan")])
def test_number_that_json_has_not_is_null(number: float) -> None:
    assert to_json([number]) == [None]


def test_fraction_that_no_float_holds_is_null() -> None:
    assert to_json(Fraction(10**400)) is None


def test_numpy_values_become_plain_ones() -> None:
    report = {
        "edges": np.array([[1, 2], [3, 4]], np.uint64),
        "last": np.uint64(2**64 - 1),
        "ratio": np.float32(0.5),
        "whole": np.True_,
    }
    expected = {"edges": [[1, 2], [3, 4]], "last": 2**64 - 1, "ratio": 0.5, "whole": True}
    assert to_json(report) == expected
    assert json.loads(json.dumps(to_json(report))) == expected


def test_sets_are_sorted_and_bytes_are_hex() -> None:
    assert to_json({"taken": {3, 1, 2}, "code": b"\x00\xff", 5: range(2)}) == {
        "taken": [1, 2, 3],
        "code": "00ff",
        "5": [0, 1],
    }


@pytest.mark.parametrize("value", [object(), {1.5: 1}, {None: 1}, 1j])
def test_what_json_cannot_hold_is_refused(value: object) -> None:
    with pytest.raises(TypeError, match="JSON"):
        to_json(value)


def test_what_is_printed_is_json_of_the_report(capsys: pytest.CaptureFixture[str]) -> None:
    print_json(Inner(Kind.SERIAL_LINE, Span(0, 1)))
    printed = json.loads(capsys.readouterr().out)
    assert printed == {"kind": "serial_line", "span": {"first": 0, "stop": 1}}


def test_example_runs() -> None:
    results = doctest.testmod(json_output)
    assert results.attempted > 0
    assert results.failed == 0


@pytest.mark.parametrize("report", REPORTS, ids=lambda report: report.__name__)
def test_every_key_of_a_report_is_documented(report: type) -> None:
    attributes = (report.__doc__ or "").partition("Attributes:\n")[2]
    documented = re.findall(r"^        (\w+): ", attributes, flags=re.MULTILINE)
    assert documented == [one.name for one in fields(report)]
