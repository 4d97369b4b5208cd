"""Encoder, check and syndrome equal the layout: they are affine, so n + 1 vectors settle it."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings

import busplay
from busplay.description.link import Link
from busplay.emission.proof.affine import prove_affine
from busplay.emission.proof.netlist import Cell, Netlist, NotAffineError, read_netlist
from busplay.emission.proof.tools import Proof
from busplay.emission.verilog_files import no_verilog_reason
from tests.emission.firmware import missing, model_of
from tests.emission.logic import emit_verilog
from tests.strategies import links

needs_yosys = pytest.mark.skipif(bool(missing("yosys")), reason=missing("yosys"))
PARTS = {
    "guarded": ["encoder", "check", "syndrome"],
    "lean": ["encoder", "check", "syndrome"],
    "marked": ["encoder", "syndrome"],
    "serial": ["encoder", "check", "syndrome"],
    "strobed": ["encoder", "check", "syndrome"],
}


def proofs_of(
    described: Link | str, folder: Path, change: Callable[[Path], None] = lambda _: None
) -> dict[str, Proof]:
    """Return the proofs of emitted Verilog, by part; `change` may spoil a file before."""
    link = busplay.load_link(described) if isinstance(described, str) else described
    sources = emit_verilog(link, folder) / "verilog"
    change(sources)
    found = prove_affine(model_of(link), sources)
    return {one.name.partition(" ")[0]: one for one in found}


@pytest.mark.thorough
@needs_yosys
@pytest.mark.source(
    "affine maps over GF(2)", part="equal at n + 1 points in general position", kind="computed"
)
@pytest.mark.parametrize("name", PARTS)
def test_affine_parts_equal_the_layout_for_all_inputs(name: str, tmp_path: Path) -> None:
    found = proofs_of(name, tmp_path)
    assert list(found) == PARTS[name]
    assert {one.status for one in found.values()} == {"passed"}, found


@pytest.mark.thorough
@needs_yosys
def test_proof_says_what_it_rests_on(tmp_path: Path) -> None:
    found = proofs_of("guarded", tmp_path)
    assert found["encoder"] == Proof(
        "encoder equals the layout for all inputs",
        "yosys",
        "passed",
        "affine: 91 XOR or NOT cells, settled by 33 vectors; each of 305 mutants differs",
        is_exhaustive=True,
    )


@pytest.mark.thorough
@needs_yosys
@settings(max_examples=5)
@given(link=links())
def test_affine_parts_of_any_link_equal_its_layout(link: Link) -> None:
    if no_verilog_reason(model_of(link)) is not None:
        return
    with tempfile.TemporaryDirectory() as name:
        found = proofs_of(link, Path(name))
        assert {one.status for one in found.values()} == {"passed"}, found


@pytest.mark.thorough
@needs_yosys
@pytest.mark.parametrize(
    ("file", "old", "new", "detail"),
    [
        # Another polynomial, and another constant: still affine, so the vectors tell.
        ("check", "8'h7 :", "8'h5 :", "guarded_encoder differs from the layout"),
        ("check", "check ^ 8'h55", "check ^ 8'h54", "guarded_encoder differs from the layout"),
        # Wrong for two bits together: right for every vector, so the netlist tells.
        (
            "encoder",
            "plain | spread",
            "(plain | spread) ^ {39'd0, plain[30] & plain[20]}",
            "guarded_encoder holds a cell $_AND_",
        ),
        ("encoder", "word = plain", "word == plain", "guarded_encoder.v:"),
        # Undefined where a choice would hide it.
        (
            "encoder",
            "plain | spread",
            "plain | (field_unit[0] ? spread : 40'hx)",
            "guarded_encoder holds a cell $anyseq",
        ),
    ],
)
def test_encoder_that_is_wrong_is_refuted(
    file: str, old: str, new: str, detail: str, tmp_path: Path
) -> None:
    def spoil(folder: Path) -> None:
        source = folder / f"guarded_{file}.v"
        text = source.read_text(encoding="utf-8")
        assert text.count(old) == 1
        source.write_text(text.replace(old, new), encoding="utf-8")

    found = proofs_of("guarded", tmp_path, spoil)
    assert found["encoder"].status == "failed"
    assert found["encoder"].detail.startswith(detail)


def test_missing_tool_proves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    for one in proofs_of("lean", tmp_path).values():
        assert (one.status, one.detail) == ("not run", "yosys is not installed")


def test_netlist_is_evaluated_for_all_vectors_at_once() -> None:
    cells = (Cell("xor", (2, 3), 4), Cell("not", (4,), 5), Cell("xnor", (5, "1"), 6))
    netlist = Netlist({"a": (2, 3)}, {"y": (4, 6, "0")}, cells)
    # Vectors 00, 10, 01, 11 of a.
    assert netlist.outputs_of({"a": [0b1010, 0b1100]}, 4) == {"y": [0b0110, 0b1001, 0]}
    # Each XOR inverted or with one input, the NOT taken out, each output bit inverted.
    assert len(list(netlist.mutants())) == 3 + 1 + 3 + 3


@pytest.mark.parametrize(
    ("cell", "message"),
    [
        ('"type": "$_AND_", "connections": {"A": [2], "B": [3], "Y": [4]}', "a cell $_AND_"),
        ('"type": "$_NOT_", "connections": {"A": [9], "Y": [4]}', "net 9, which nothing drives"),
        ('"type": "$_NOT_", "connections": {"A": [4], "Y": [4]}', "a loop"),
        ('"type": "$_XOR_", "connections": {"A": [2], "B": ["x"], "Y": [4]}', "net x"),
    ],
)
def test_netlist_that_is_not_affine_is_refused(cell: str, message: str) -> None:
    ports = '"a": {"direction": "input", "bits": [2, 3]}, "y": {"direction": "output", "bits": [4]}'
    text = f'{{"modules": {{"m": {{"ports": {{{ports}}}, "cells": {{"c": {{{cell}}}}}}}}}}}'
    with pytest.raises(NotAffineError, match="^m .*" + message.replace("$", r"\$")):
        read_netlist(text, "m")
