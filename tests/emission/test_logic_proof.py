"""`--prove` of the Verilog: what tools say of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

import busplay
from busplay.emission.emission import Emission
from busplay.emission.proof.logic import prove_logic
from busplay.emission.proof.tools import Proof
from busplay.emission.rendering import RenderedFile
from busplay.emission.vector_files import vector_files
from busplay.emission.vectors import vectors
from busplay.emission.verilog_files import verilog_files
from tests.emission.firmware import missing, model_of

TOOLS = ("iverilog", "verilator", "yosys")
needs_tools = pytest.mark.skipif(bool(missing(*TOOLS)), reason=missing(*TOOLS))


def proofs_of(
    name: str, change: Callable[[RenderedFile], bytes] = lambda one: one.content
) -> tuple[Proof, ...]:
    """Return the proofs of a shipped link; `change` may spoil a file before."""
    model = model_of(busplay.load_link(name))
    emission = Emission(model, vectors(model))
    files = (*verilog_files(emission), *vector_files(emission))
    return prove_logic(model, tuple(replace(one, content=change(one)) for one in files))


@pytest.mark.thorough
@needs_tools
def test_every_tool_is_content() -> None:
    proofs = proofs_of("guarded")
    assert {one.status for one in proofs} == {"passed"}, proofs
    assert {one.tool for one in proofs} == set(TOOLS)


@pytest.mark.thorough
@needs_tools
def test_sender_that_is_wrong_fails_the_test_bench_alone() -> None:
    def spoil(one: RenderedFile) -> bytes:
        return one.content.replace(b"n_window << 5", b"n_window << 4")

    failed = [one for one in proofs_of("guarded", spoil) if one.status == "failed"]
    assert [one.name for one in failed] == ["test bench over the vectors"]
    assert failed[0].detail


@pytest.mark.thorough
@needs_tools
def test_warnings_fail_the_proof() -> None:
    def spoil(one: RenderedFile) -> bytes:
        return one.content.replace(b"reg [39:0] spread;", b"reg [40:0] spread;")

    failed = {one.name for one in proofs_of("guarded", spoil) if one.status == "failed"}
    assert failed >= {"no warning about the sender", "no warning about the sender_2x"}


def test_missing_tools_are_told_of(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    proofs = proofs_of("marked")
    assert {(one.status, one.detail) for one in proofs} == {
        ("not run", f"{tool} is not installed") for tool in TOOLS
    }
