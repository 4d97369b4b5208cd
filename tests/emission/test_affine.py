"""The emitted encoder is proved equal to the layout: it is affine, so n + 1 vectors settle it."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

import busplay
from busplay.emission.model import LinkModel
from tests.emission.firmware import missing, model_of
from tests.emission.logic import emit_verilog, simulate

needs_tools = pytest.mark.skipif(
    bool(missing("iverilog", "yosys")), reason=missing("iverilog", "yosys")
)
NETLIST = "proc; flatten; opt -full; techmap; opt -full"
ONLY_XOR = "select -assert-none t:* t:$_XOR_ %d t:$_XNOR_ %d t:$_NOT_ %d"


def is_affine(encoder: Path) -> bool:
    """Whether Yosys finds nothing but XOR and NOT in the encoder's netlist."""
    script = f"read_verilog {encoder.name}; hierarchy -top {encoder.stem}; {NETLIST}; {ONLY_XOR}"
    done = subprocess.run(
        ["yosys", "-q", "-p", script], capture_output=True, text=True, cwd=encoder.parent
    )
    if done.returncode != 0:
        assert "Assertion failed: selection is not empty" in done.stderr + done.stdout
    return done.returncode == 0


def agrees_at_its_base(model: LinkModel, encoder: Path) -> bool:
    """Whether encoder and layout agree for all zeros, and for each input bit by itself."""
    inputs = model.inputs
    bits = sum(one.bits for one in inputs)
    ports, at = "", bits
    for field in inputs:
        ports += f".field_{field.name}(given[{at - 1}:{at - field.bits}]), "
        at -= field.bits
    bench = encoder.parent / "base.v"
    bench.write_text(
        f"module base; reg [{bits - 1}:0] given; wire [{model.layout.frame_bits - 1}:0] word;"
        f" integer index; {encoder.stem} encoder ({ports}.word(word));\n"
        f'initial begin given = 0; #1 $display("%h", word);\n'
        f"for (index = 0; index < {bits}; index = index + 1) begin\n"
        f' given = 0; given[index] = 1; #1 $display("%h", word); end end\nendmodule\n',
        encoding="utf-8",
    )
    found = [int(one, 16) for one in simulate([encoder, bench], encoder.parent).split()]
    expected = []
    for given in [0, *(1 << index for index in range(bits))]:
        values: dict[str, int] = {}
        at = bits
        for field in inputs:
            at -= field.bits
            values[field.name] = given >> at & field.value_mask
        expected.append(int(model.layout.pack(**values)[0]))
    assert len(found) == len(expected) == bits + 1
    return found == expected


@pytest.mark.thorough
@needs_tools
@pytest.mark.source(
    "affine maps over GF(2)", part="equal at n + 1 points in general position", kind="computed"
)
@pytest.mark.parametrize("name", ["guarded", "lean", "marked", "serial", "strobed"])
def test_encoder_equals_the_layout_for_all_inputs(name: str, tmp_path: Path) -> None:
    model = model_of(busplay.load_link(name))
    encoder = emit_verilog(name, tmp_path) / f"verilog/{name}_encoder.v"
    assert is_affine(encoder)
    assert agrees_at_its_base(model, encoder)


@pytest.mark.thorough
@needs_tools
def test_mutants_of_the_encoder_are_refuted(tmp_path: Path) -> None:
    model = model_of(busplay.load_link("guarded"))
    encoder = emit_verilog("guarded", tmp_path) / "verilog/guarded_encoder.v"
    text = encoder.read_text(encoding="utf-8")
    assert text.count("8'h7 :") == text.count("plain | spread") == 1
    # Another polynomial: still affine, so only the vectors can tell.
    encoder.write_text(text.replace("8'h7 :", "8'h5 :"), encoding="utf-8")
    assert is_affine(encoder)
    assert not agrees_at_its_base(model, encoder)
    # Wrong for two bits together: right at every vector, so only the netlist can tell.
    both = "(plain | spread) ^ {39'd0, plain[30] & plain[20]}"
    encoder.write_text(text.replace("plain | spread", both), encoding="utf-8")
    assert agrees_at_its_base(model, encoder)
    assert not is_affine(encoder)
