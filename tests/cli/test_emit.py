"""`busplay emit` from outside."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from busplay.description.shipped_files import shipped_links
from tests.cli.conftest import Busplay
from tests.emission.firmware import missing


def test_unsound_link_is_refused_with_its_reason(busplay: Busplay, tmp_path: Path) -> None:
    link = tmp_path / "lean.toml"
    text = shipped_links()["lean"].read_text(encoding="utf-8")
    link.write_text(text.replace("\nxor = 5\n", "\nxor = 0\n"), encoding="utf-8")
    found = busplay("emit", link, "--to", tmp_path / "out")
    assert found.status == 2
    assert "a stream of idle frames also passes" in found.err
    assert not (tmp_path / "out").exists()


@pytest.mark.thorough
def test_link_without_stores_has_no_display(busplay: Busplay, tmp_path: Path) -> None:
    link = tmp_path / "values.toml"
    link.write_text(
        'name = "values"\nlanes = 4\nedges = "rising"\nclock_hz = 1_000_000\n'
        'fields = [{name = "level", bits = 12}]\nframing = {method = "strobe"}\n'
    )
    found = busplay("emit", link, "--to", tmp_path / "out", "--only", "c", "--json")
    assert found.status == 0
    assert found.figures["left_out"] == [
        {
            "part": "display of c",
            "reason": "link values has no fields named address and data, so no frame carries a "
            "store",
        }
    ]
    assert not (tmp_path / "out" / "c" / "values_display.c").exists()


def test_unknown_part_is_refused_with_the_list(busplay: Busplay, tmp_path: Path) -> None:
    found = busplay("emit", "lean", "--to", tmp_path / "out", "--only", "c,pascal", "--json")
    assert found.status == 2
    assert json.loads(found.out)["error"] == (
        "--only: found pascal; give any of c, verilog, vectors, headers, datasheet"
    )


def test_only_without_a_part_is_refused(busplay: Busplay, tmp_path: Path) -> None:
    found = busplay("emit", "lean", "--to", tmp_path / "out", "--only", " ,", "--json")
    assert found.status == 2
    assert "found no name of a part; leave --only out" in json.loads(found.out)["error"]
    assert not (tmp_path / "out").exists()


def test_report_says_what_was_written(busplay: Busplay, tmp_path: Path) -> None:
    words = ("emit", "strobed", "--to", tmp_path / "out", "--only", "c, vectors")
    found = busplay(*words, "--full")
    assert found.status == 0
    lines = found.out.splitlines()
    assert lines[0] == f"{tmp_path / 'out'}: 13 files, 13 written"
    assert any(line.startswith("  c/strobed_link.h: ") for line in lines)
    assert busplay(*words).out.splitlines()[0].endswith("13 files, 0 written")


@pytest.mark.thorough
def test_missing_tools_are_told_of_and_are_no_success(
    busplay: Busplay, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(shutil, "which", lambda _: None)
    words = ("emit", "strobed", "--to", tmp_path / "out", "--only", "c", "--prove")
    found = busplay(*words, "--json")
    assert found.status == 0
    assert {one["status"] for one in found.figures["proofs"]} == {"not run"}
    assert found.figures["firmware"] == []
    text = busplay(*words).out
    assert "not run   gcc: self-test, check bitwise: gcc is not installed" in text
    assert "passed" not in text
    assert "iverilog" not in text
    logic = busplay("emit", "strobed", "--to", tmp_path / "out", "--only", "verilog", "--prove").out
    assert "not run   yosys: encoder equals the layout for all inputs: yosys is not in" in logic
    assert "gcc" not in logic


def test_where_nothing_is_proved_emit_says_so(busplay: Busplay, tmp_path: Path) -> None:
    found = busplay("emit", "lean", "--to", tmp_path / "out", "--only", "vectors", "--prove")
    assert found.status == 0
    assert "left out  proofs: none of c, datasheet, verilog is emitted" in found.out


@pytest.mark.thorough
@pytest.mark.skipif(bool(missing("yosys")), reason=missing("yosys"))
def test_report_tells_proofs_from_tests(busplay: Busplay, tmp_path: Path) -> None:
    words = ("emit", "strobed", "--to", tmp_path / "out", "--only", "verilog", "--prove")
    found = busplay(*words, "--full")
    assert found.status == 0
    assert ", 4 of them for all inputs\n" in found.out
    assert "  passed    yosys: receiver equals the table of states: by induction" in found.out
