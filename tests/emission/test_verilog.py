"""Emitted Verilog agrees with busplay's own receiver and layout, and its tools take it."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import busplay
from busplay.description.board import Board
from busplay.description.faults import BitFlips, ExtraEdges, Faults, LostEdges
from busplay.description.link import Link
from busplay.emission.verilog_files import no_verilog_reason
from busplay.link.layout import FrameLayout
from tests.boards import board_with
from tests.emission.firmware import correcting, missing, model_of, over_the_wire
from tests.emission.logic import (
    Drive,
    assert_all_agree,
    assert_logic_agrees,
    design,
    emit_verilog,
    quiet,
    run_test_bench,
    sent_symbols,
)
from tests.emission.test_firmware import described, every_fault
from tests.receiver.wires import can_correct
from tests.strategies import links

SHIPPED = ("guarded", "corrected", "lean", "marked", "serial", "strobed")
TOOLS = ("iverilog", "verilator", "yosys")
needs_icarus = pytest.mark.skipif(bool(missing("iverilog")), reason=missing("iverilog"))
needs_tools = pytest.mark.skipif(bool(missing(*TOOLS)), reason=missing(*TOOLS))
needs_verilator = pytest.mark.skipif(
    bool(missing("verilator", "g++", "make")), reason=missing("verilator", "g++", "make")
)
# Icarus simulates about 10,000 clocks a second, what Verilator compiles a hundred times as many.
ICARUS_SLOTS_A_KIND = 120
VERILATED_SLOTS_A_KIND = 12_500
DRAWN_SLOTS_A_KIND = 2_500
SENDER_CLOCKS = 4_000


def lint(folder: Path, ident: str) -> None:
    """Verilator takes each top module, without a warning."""
    for top in ("receiver", "receiver_2x", "sender", "sender_2x"):
        source = folder / f"verilog/{ident}_{top}.v"
        if source.exists():
            quiet(["verilator", "--lint-only", "-Wall", f"-I{source.parent}", source], folder)


@pytest.mark.thorough
@needs_tools
@pytest.mark.source("Icarus Verilog, Verilator, Yosys", part="take the sources", kind="library")
@pytest.mark.parametrize("name", SHIPPED)
def test_test_bench_passes_and_tools_warn_of_nothing(name: str, tmp_path: Path) -> None:
    model = model_of(described(name))
    folder = emit_verilog(described(name), tmp_path)
    assert run_test_bench(folder, model.ident).startswith("PASS: ")
    lint(folder, model.ident)
    sources = " ".join(str(one.relative_to(folder)) for one in design(folder))
    quiet(["yosys", "-q", "-p", f"read_verilog {sources}; proc; check -assert"], folder)


@pytest.mark.thorough
@needs_icarus
@pytest.mark.parametrize(
    ("file", "old", "new"),
    [
        ("receiver_core", "enter(ABORTED)", "good = 1'b0"),
        ("check", "check ^ 8'h55", "check ^ 8'h54"),
        ("sender_core", "n_window << 5", "n_window << 4"),
        ("receiver_2x", "{put_word, put_first}", "{put_word ^ 40'h1, put_first}"),
        ("receiver", "{risen, fallen}", "{fallen, risen}"),
    ],
)
def test_test_bench_fails_for_logic_that_is_wrong(
    file: str, old: str, new: str, tmp_path: Path
) -> None:
    name = "strobed" if "ABORTED" in old else "guarded"
    folder = emit_verilog(name, tmp_path)
    source = folder / f"verilog/{name}_{file}.v"
    text = source.read_text(encoding="utf-8")
    assert text.count(old) == 1
    source.write_text(text.replace(old, new), encoding="utf-8")
    assert "FAIL: " in run_test_bench(folder, name)


@pytest.mark.thorough
@needs_icarus
@pytest.mark.parametrize("name", SHIPPED)
def test_receiver_agrees_clock_by_clock_with_faults_of_every_kind(
    name: str, tmp_path: Path
) -> None:
    model = model_of(described(name))
    folder = emit_verilog(described(name), tmp_path)
    slots = ICARUS_SLOTS_A_KIND
    steps = (1, 2) if model.link.edges == "both" else (1,)
    plans = every_fault(model.layout.lanes)
    parts = [over_the_wire(model, plan, slots=slots, seed=seed) for seed, plan in enumerate(plans)]
    symbols = np.concatenate(parts)
    for step in steps:
        assert assert_logic_agrees(Drive(folder, model, symbols, step)) > slots


def named(described: Link | Board, name: str) -> Link | Board:
    """Return the same with another name of its link, and so of its modules."""
    if isinstance(described, Board):
        return replace(described, link=replace(described.link, name=name))
    return replace(described, name=name)


def drives_of(described: Link | Board, folder: Path, *, slots: int) -> list[Drive]:
    """Return drives with faults of every kind, for each count of symbols in a clock.

    All registers are compared about once in two frames, at changing positions within one.
    """
    model = model_of(described)
    emitted = emit_verilog(described, folder / model.ident)
    plans = every_fault(model.layout.lanes)
    parts = [over_the_wire(model, plan, slots=slots, seed=seed) for seed, plan in enumerate(plans)]
    symbols = np.concatenate(parts)
    steps = (1, 2) if model.link.edges == "both" else (1,)
    every = 2 * model.layout.frame_symbols + 1
    return [Drive(emitted, model, symbols, step, max(1, every // step)) for step in steps]


@pytest.mark.thorough
@needs_verilator
@pytest.mark.source("Verilator", part="as a simulator", kind="library")
def test_receivers_agree_over_many_frames_with_faults_of_every_kind(tmp_path: Path) -> None:
    drives = []
    for name in SHIPPED:
        drives += drives_of(named(described(name), name), tmp_path, slots=VERILATED_SLOTS_A_KIND)
    assert sum(len(one.symbols) // one.model.layout.slot_symbols for one in drives) > 1_000_000
    assert assert_all_agree(drives, tmp_path) > 350_000


@pytest.mark.thorough
@needs_verilator
@settings(max_examples=2)
@given(drawn=st.lists(links(), min_size=4, max_size=4))
def test_receivers_of_any_links_agree_over_many_frames(drawn: list[Link]) -> None:
    with tempfile.TemporaryDirectory() as name:
        drives = []
        for number, link in enumerate(drawn):
            of = named(link, f"drawn{number}")
            if no_verilog_reason(model_of(of)) is None:
                drives += drives_of(of, Path(name), slots=DRAWN_SLOTS_A_KIND)
        if drives:
            assert_all_agree(drives, Path(name))


@pytest.mark.thorough
@needs_tools
@settings(max_examples=4)
@given(link=links(), corrects=st.booleans(), seed=st.integers(0, 1 << 30))
def test_logic_of_any_link_agrees(link: Link, corrects: bool, seed: int) -> None:
    with tempfile.TemporaryDirectory() as name:
        of: Link | Board = link
        if corrects and can_correct(FrameLayout(link)):
            of = correcting(board_with(link))
        model = model_of(of)
        if no_verilog_reason(model) is not None:
            return
        folder = emit_verilog(of, Path(name))
        assert run_test_bench(folder, model.ident).startswith("PASS: ")
        lint(folder, model.ident)
        plan = Faults(
            seed=seed,
            bit_flips=[BitFlips(0.004)],
            lost_edges=[LostEdges(0.002)],
            extra_edges=[ExtraEdges(0.002)],
        )
        symbols = over_the_wire(model, plan, slots=150, seed=seed)
        noise = np.random.default_rng(seed).integers(0, 1 << model.symbol_bits, 1_000)
        symbols = np.concatenate([symbols, noise.astype(symbols.dtype), symbols])
        step = 2 if model.link.edges == "both" else 1
        assert_logic_agrees(Drive(folder, model, symbols, step))
        assert_sender_keeps_to_slots(folder, of, seed)


def assert_sender_keeps_to_slots(folder: Path, of: Link | Board, seed: int) -> None:
    """Bursts and pauses: each accepted store once, in order, in slots as the link file says."""
    model = model_of(of)
    layout, link = model.layout, model.link
    random = np.random.default_rng(seed)
    bursts = np.repeat(random.random(SENDER_CLOCKS // 50) < 0.5, 50)
    sends = bursts & (random.random(SENDER_CLOCKS) < 0.5)
    sends[-200:] = False
    fields = [
        {one.name: int(random.integers(0, 1 << min(one.bits, 62))) for one in model.inputs}
        for _ in range(SENDER_CLOCKS)
    ]
    symbols, accepted, sent, overrun = sent_symbols(folder, model, sends, fields)
    for number, values in enumerate(accepted):
        if model.sequence is not None and model.sequence.is_input:
            values["sequence"] = number & model.sequence.value_mask
    slots = [layout.to_symbols(layout.pack(**values)).tolist() for values in accepted]
    grid = link.edges_per_cycle if link.start == "cycle" else layout.slot_symbols
    step = -(-layout.slot_symbols // grid) * grid
    idle = [int(one) for one in layout.idle_symbols]
    rest = idle[:1] * (step - layout.slot_symbols)
    at = busy_run = found = 0
    while at + step <= len(symbols):
        wanted = slots[found] + rest if found < len(slots) else None
        if symbols[at : at + step] == wanted:
            found, busy_run, at = found + 1, busy_run + 1, at + step
            assert link.idle_every is None or busy_run < link.idle_every
            continue
        length = min(grid, step)
        assert symbols[at : at + length] == (idle + rest)[:length], at
        busy_run, at = 0, at + length
    assert found == len(accepted) == sent > 20
    assert overrun == int(sends.sum()) - len(accepted)


@pytest.mark.thorough
@needs_icarus
@pytest.mark.parametrize("name", ["guarded", "marked", "serial", "strobed"])
def test_sender_keeps_to_slots(name: str, tmp_path: Path) -> None:
    link = busplay.load_link(name)
    assert_sender_keeps_to_slots(emit_verilog(link, tmp_path), link, 3)


def test_link_with_frames_that_are_too_short_is_refused(tmp_path: Path) -> None:
    link = tmp_path / "short.toml"
    link.write_text(
        'name = "short"\nlanes = 12\nedges = "both"\nclock_hz = 1_000_000\n'
        'fields = [{ name = "address", bits = 4 }, { name = "data", bits = 8 }]\n'
        '[framing]\nmethod = "strobe"\nspan = "first"\nactive = "high"\n',
        encoding="utf-8",
    )
    with pytest.raises(busplay.InputError) as refused:
        busplay.emit(link, tmp_path / "out", only=["verilog"])
    assert str(refused.value) == (
        "--only: verilog cannot be made: link short has frames of one symbol on both edges, so two"
        " of them end within a clock cycle"
    )


def test_sources_name_each_field_with_its_line_of_the_link_file(tmp_path: Path) -> None:
    folder = emit_verilog("strobed", tmp_path)
    encoder = (folder / "verilog/strobed_encoder.v").read_text(encoding="utf-8")
    for field in busplay.load_link("strobed").fields:
        if field.name != "parity":
            assert f"field_{field.name}, // " in encoder
    assert encoder.count("(strobed.toml, line ") == 5
    check = (folder / "verilog/strobed_check.v").read_text(encoding="utf-8")
    assert check.count("(strobed.toml, line ") == 1
