"""`--prove` of the Verilog: what tools say of it."""

from __future__ import annotations

from pathlib import Path

import pytest

import busplay
from busplay.emission.emission import Emission
from busplay.emission.proof.logic import find_warnings, prove_logic, run_test_bench
from busplay.emission.proof.tools import Proof
from busplay.emission.vector_files import vector_files
from busplay.emission.vectors import vectors
from busplay.emission.verilog_files import verilog_files
from tests.emission.firmware import missing, model_of
from tests.emission.logic import emit_verilog

TOOLS = ("iverilog", "verilator", "yosys")
needs_tools = pytest.mark.skipif(bool(missing(*TOOLS)), reason=missing(*TOOLS))


def proofs_of(name: str) -> tuple[Proof, ...]:
    """Return the proofs of a shipped link."""
    model = model_of(busplay.load_link(name))
    emission = Emission(model, vectors(model))
    return prove_logic(model, (*verilog_files(emission), *vector_files(emission)))


def written(name: str, folder: Path, old: str, new: str) -> Path:
    """Emit Verilog and vectors, and replace a text that stands once; return the folder."""
    emit_verilog(name, folder)
    places = [one for one in folder.glob("verilog/*.v") if old in one.read_text(encoding="utf-8")]
    text = places[0].read_text(encoding="utf-8")
    assert len(places) == text.count(old) == 1
    places[0].write_text(text.replace(old, new), encoding="utf-8")
    return folder


@pytest.mark.thorough
@needs_tools
def test_every_tool_is_content() -> None:
    proofs = proofs_of("strobed")
    assert {one.status for one in proofs} == {"passed"}, proofs
    assert {one.tool for one in proofs} == set(TOOLS)


@pytest.mark.thorough
@needs_tools
def test_sender_that_is_wrong_fails_the_test_bench(tmp_path: Path) -> None:
    found = run_test_bench(written("guarded", tmp_path, "n_window << 5", "n_window << 4"))
    assert found.status == "failed"
    assert found.detail


@pytest.mark.thorough
@needs_tools
def test_warnings_fail_the_proof(tmp_path: Path) -> None:
    folder = written("guarded", tmp_path, "reg [39:0] spread;", "reg [40:0] spread;")
    assert run_test_bench(folder).status == "passed"
    found = list(find_warnings(model_of(busplay.load_link("guarded")), folder))
    assert [one.status for one in found] == ["passed", "passed", "failed", "failed"]


def test_missing_tools_are_told_of(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    proofs = proofs_of("marked")
    assert {(one.status, one.detail) for one in proofs} == {
        ("not run", f"{tool} is not installed") for tool in TOOLS
    }
