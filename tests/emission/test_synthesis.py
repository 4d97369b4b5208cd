"""Figures of the logic are those of Yosys and nextpnr, and stand in the data sheet."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

import busplay
from busplay.emission.datasheet.figures import logic_section
from busplay.emission.emission import Emission
from busplay.emission.proof import synthesis
from busplay.emission.proof.synthesis import DEVICE, LogicFigures, placed_frame, synthesize
from busplay.emission.vectors import vectors
from busplay.emission.verilog_files import verilog_files
from tests.emission.firmware import missing, model_of
from tests.emission.logic import ICARUS, design, emit_verilog, quiet

needs_icarus = pytest.mark.skipif(bool(missing("iverilog")), reason=missing("iverilog"))
needs_yosys = pytest.mark.skipif(bool(missing("yosys")), reason=missing("yosys"))
FPGA = ("yosys", "nextpnr-ice40")
needs_fpga = pytest.mark.skipif(bool(missing(*FPGA)), reason=missing(*FPGA))

FIGURES = LogicFigures("guarded_receiver", DEVICE, "Yosys 0", 1_024, 526, 377, 5, 2, 19_574_000)


def test_sheet_has_cells_and_both_clocks() -> None:
    model = model_of(busplay.load_link("guarded"))
    half = replace(FIGURES, module="guarded_receiver_2x", symbols_a_clock=1)
    unplaced = replace(FIGURES, module="guarded_sender", clock_hz=None)
    grid, note = logic_section(model, (FIGURES, half, unplaced)).blocks
    assert [row[0:2] + row[-2:] for row in grid.rows] == [
        ("guarded_receiver", "1,024", "19.6 MHz", "19.6 MHz"),
        ("guarded_receiver_2x", "1,024", "19.6 MHz", "9.8 MHz"),
        ("guarded_sender", "1,024", "not known", "not known"),
    ]
    assert "For an iCE40 HX8K, package CT256, by Yosys 0, placed with seed 1." in note.text


@pytest.mark.thorough
@needs_icarus
@pytest.mark.parametrize(("name", "top"), [("strobed", "sender"), ("serial", "receiver")])
def test_frame_for_placing_connects_every_port(name: str, top: str, tmp_path: Path) -> None:
    folder = emit_verilog(name, tmp_path)
    text = (folder / f"verilog/{name}_{top}.v").read_text(encoding="utf-8")
    ports = {}
    for way, high, port in re.findall(
        r"^    (in|out)put (?:wire|reg)(?: \[(\d+):0\])? (\w+)", text, re.M
    ):
        ports[port] = (f"{way}put", int(high or 0) + 1)
    frame = tmp_path / "placed_frame.v"
    frame.write_text(placed_frame(f"{name}_{top}", ports, edge="posedge"), encoding="utf-8")
    # Of a port that is not connected, or of another width, Icarus warns.
    quiet([*ICARUS, "-s", "placed_frame", "-o", "unused", frame, *design(folder)], folder)


@pytest.mark.thorough
@needs_yosys
@pytest.mark.parametrize("name", ["guarded", "lean", "marked", "serial", "strobed"])
def test_yosys_makes_cells_of_receiver_and_sender(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    model = model_of(busplay.load_link(name))
    monkeypatch.setattr(synthesis, "TOPS", ("receiver", "sender"))
    monkeypatch.setattr(synthesis, "PLACED", ("nothing-that-is-installed",))
    proofs, figures = synthesize(model, tuple(verilog_files(Emission(model, vectors(model)))))
    assert [one.status for one in proofs if one.tool == "yosys"] == ["passed", "passed"]
    assert [one.module for one in figures] == [f"{name}_receiver", f"{name}_sender"]
    receiver, sender = figures
    # At least the counters: 12 of 32 bits, and 2 in the sender.
    assert 12 * 32 < receiver.flip_flops < receiver.lookup_tables + 400
    assert 2 * 32 < sender.flip_flops < receiver.flip_flops
    assert receiver.clock_hz is None


@pytest.mark.thorough
@needs_fpga
@pytest.mark.source("Yosys, nextpnr", part="an iCE40 HX8K", kind="library")
def test_data_sheet_states_what_the_tools_say(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Compilers of C would take a minute more.
    monkeypatch.setattr("busplay.emission.emit.prove_firmware", lambda model, files: ((), ()))
    report = busplay.emit("strobed", tmp_path, only=["verilog", "datasheet"], prove=True)
    assert report.is_proved
    assert [one.module for one in report.logic] == ["strobed_receiver", "strobed_sender"]
    text = (tmp_path / "datasheet/strobed.md").read_text(encoding="utf-8")
    for one in report.logic:
        assert one.clock_hz is not None
        # Faster than the processor whose clock it has.
        assert one.clock_hz > 16_000_000
        shown = f"{one.clock_hz / 1e6:.1f} MHz"
        assert re.search(rf"{one.lookup_tables:,} \| .* \| {shown} \| {shown} \|", text)


@pytest.mark.thorough
@needs_yosys
def test_logic_that_is_wrong_fails(monkeypatch: pytest.MonkeyPatch) -> None:
    model = model_of(busplay.load_link("strobed"))
    files = []
    for one in verilog_files(Emission(model, vectors(model))):
        files.append(replace(one, content=one.content.replace(b"endmodule", b"endmodul")))
    proofs, figures = synthesize(model, files)
    assert {one.status for one in proofs if one.tool == "yosys"} == {"failed"}
    assert figures == ()


def test_missing_tools_are_told_of(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shutil, "which", lambda _: None)
    model = model_of(busplay.load_link("strobed"))
    proofs, figures = synthesize(model, tuple(verilog_files(Emission(model, ()))))
    assert figures == ()
    assert {(one.tool, one.status) for one in proofs} == {(tool, "not run") for tool in FPGA}
