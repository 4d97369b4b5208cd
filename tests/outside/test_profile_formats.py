"""Profiles as other programs take them: speedscope's published schema, and callgrind_annotate."""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
import subprocess
from pathlib import Path

import jsonschema
import pytest

from busplay.analysis.profile.exports import CSV_COLUMNS, callgrind_of, csv_of, speedscope_of
from busplay.analysis.profile.profile import profile
from busplay.analysis.profile.report import ProfileReport

DATA = Path(__file__).parents[1] / "data"


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> ProfileReport:
    """The profile of a program with source lines, calls and macros."""
    folder = tmp_path_factory.mktemp("profiled")
    shutil.copy(DATA / "fuzz/debug_file/tiny.dbg", folder)
    code = bytes.fromhex("A200 A905 8D0040 E8 D0F8 4C00C0").ljust(0x3FFC, b"\0")
    (folder / "tiny.bin").write_bytes(code + bytes.fromhex("00C0 0000"))
    return profile("dunlin", folder / "tiny.bin", stop_cycle=100_000)


@pytest.fixture(scope="module")
def tides() -> ProfileReport:
    return profile("dunlin", "tides", stop_cycle=2_000_000)


@pytest.mark.source("speedscope file format schema", part="whole files", kind="standard")
@pytest.mark.parametrize("name", ["report", "tides"])
def test_speedscope_files_are_as_its_schema_has_them(
    name: str, request: pytest.FixtureRequest
) -> None:
    found: ProfileReport = request.getfixturevalue(name)
    schema = json.loads((DATA / "speedscope/file-format-schema.json").read_text())
    file = json.loads(speedscope_of(found))
    jsonschema.validate(file, schema)
    # The schema holds for what it names; a file it would refuse is refused.
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({**file, "profiles": [{"type": "sampled"}]}, schema)
    time, stores, unchanged = file["profiles"]
    for one in file["profiles"]:
        assert len(one["samples"]) == len(one["weights"])
        assert one["endValue"] == sum(one["weights"])
        assert {at for stack in one["samples"] for at in stack} < set(
            range(len(file["shared"]["frames"]) + 1)
        )
    assert time["endValue"] == found.cycles * 125  # ns a cycle at 8 MHz
    assert stores["endValue"] == found.stores
    assert unchanged["endValue"] == found.stores_unchanged
    # Own weights of a routine are its cycles.
    names = [frame["name"] for frame in file["shared"]["frames"]]
    own: dict[str, int] = {}
    for stack, weight in zip(time["samples"], time["weights"], strict=True):
        own[names[stack[-1]]] = own.get(names[stack[-1]], 0) + weight // 125
    assert own == {row.name: row.cycles for row in found.routines if row.cycles}


@pytest.mark.source("callgrind_annotate (Valgrind)", part="reads profiles", kind="library")
@pytest.mark.skipif(
    not shutil.which("callgrind_annotate"),
    reason="valgrind is not installed (Debian: apt install valgrind)",
)
@pytest.mark.parametrize("inclusive", ["yes", "no"])
def test_callgrind_annotate_reads_totals_and_routines(
    tides: ProfileReport, tmp_path: Path, inclusive: str
) -> None:
    path = tmp_path / "callgrind.out"
    path.write_text(callgrind_of(tides))
    words = ["callgrind_annotate", f"--inclusive={inclusive}", "--threshold=100", str(path)]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    assert not done.stderr
    assert "Events recorded:  Cycles Stores Unchanged" in done.stdout
    totals = re.search(r"([\d,]+) .*PROGRAM TOTALS", done.stdout)
    assert totals is not None
    assert int(totals[1].replace(",", "")) == tides.cycles
    rows = re.findall(r"^ *([\d,]+) \(.*\?\?\?:(\S+)", done.stdout, re.MULTILINE)
    theirs = {name: int(count.replace(",", "")) for count, name in rows}
    assert len(theirs) > 15
    ours = {
        row.name: row.cycles_with_callees if inclusive == "yes" else row.cycles
        for row in tides.routines
    }
    for name, count in theirs.items():
        assert ours[name] == count, name


@pytest.mark.source("callgrind_annotate (Valgrind)", part="counts of calls", kind="library")
@pytest.mark.skipif(
    not shutil.which("callgrind_annotate"),
    reason="valgrind is not installed (Debian: apt install valgrind)",
)
def test_callgrind_annotate_reads_how_often_routines_were_entered(
    tides: ProfileReport, tmp_path: Path
) -> None:
    (tmp_path / "callgrind.out").write_text(callgrind_of(tides))
    words = ["callgrind_annotate", "--tree=calling", "--threshold=100", "callgrind.out"]
    done = subprocess.run(words, cwd=tmp_path, capture_output=True, text=True, check=True)
    assert not done.stderr
    theirs = {}
    caller = ""
    for mark, name, count in re.findall(r" ([*>]) +\?\?\?:(\S+)(?: \(([\d,]+)x\))?", done.stdout):
        if mark == "*":
            caller = name
        else:
            theirs[caller, name] = int(count.replace(",", ""))
    ours = {
        (row.caller, row.callee): row.calls + row.entries
        for row in tides.calls
        if row.caller_address >= 0
    }
    assert theirs == ours
    assert any(row.entries and not row.calls for row in tides.calls)


@pytest.mark.source("callgrind_annotate (Valgrind)", part="source lines", kind="library")
@pytest.mark.skipif(
    not shutil.which("callgrind_annotate"),
    reason="valgrind is not installed (Debian: apt install valgrind)",
)
def test_callgrind_annotate_shows_source_lines(report: ProfileReport, tmp_path: Path) -> None:
    source = "\n".join(f"; line {number}" for number in range(1, 16)) + "\n"
    (tmp_path / "tiny.s").write_text(source)
    (tmp_path / "callgrind.out").write_text(callgrind_of(report))
    done = subprocess.run(
        ["callgrind_annotate", "--threshold=100", f"--include={tmp_path}", "callgrind.out"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
    )
    shown = {
        int(line): int(count.replace(",", ""))
        for count, line in re.findall(r"^ *([\d,]+) \(.*; line (\d+)$", done.stdout, re.MULTILINE)
    }
    assert shown == {row.line: row.cycles for row in report.source_lines}
    assert len(shown) == 5


@pytest.mark.source("csv (Python)", part="a table that it reads", kind="library")
def test_csv_has_every_routine_line_and_refresh(report: ProfileReport) -> None:
    rows = list(csv.DictReader(io.StringIO(csv_of(report))))
    assert tuple(rows[0]) == CSV_COLUMNS
    kinds = {kind: [row for row in rows if row["kind"] == kind] for kind in ("routine", "line")}
    assert [int(row["cycles"]) for row in kinds["routine"]] == [
        row.cycles for row in report.routines
    ]
    lines = [(row["file"], int(row["line"]), int(row["cycles"])) for row in kinds["line"]]
    assert lines == [(row.file, row.line, row.cycles) for row in report.source_lines]
    assert sum(row["kind"] == "refresh" for row in rows) == len(report.refreshes)
