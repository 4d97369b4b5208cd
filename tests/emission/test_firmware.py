"""Emitted firmware agrees with busplay's own receiver, whatever happens on the wires."""

from __future__ import annotations

import subprocess
import tempfile
from dataclasses import replace
from pathlib import Path
from struct import pack

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import busplay
from busplay.batch import DeliveredFrames, FrameBatch
from busplay.description.board import Board
from busplay.description.faults import (
    BitFlips,
    EarlyLane,
    ExtraEdges,
    Faults,
    LateLane,
    LostEdges,
    StuckLane,
)
from busplay.description.link import Link
from busplay.description.read_font import shipped_font
from busplay.display.bank import DisplayBank
from busplay.emission.proof.firmware import CPPCHECK, SANITIZED, STRICT
from busplay.link.layout import FrameLayout
from tests.boards import board_with
from tests.emission.firmware import (
    assert_agree,
    build_harness,
    compile_c,
    correcting,
    emit_c,
    missing,
    model_of,
    over_the_wire,
    self_test,
)
from tests.receiver.wires import can_correct
from tests.strategies import links

COMPILED = (
    ("guarded", "clang"),
    ("corrected", "gcc"),
    ("lean", "gcc"),
    ("marked", "clang"),
    ("serial", "gcc"),
    ("strobed", "clang"),
)
DISPLAY_HARNESS = Path(__file__).with_name("display_harness.c")
needs_gcc = pytest.mark.skipif(bool(missing("gcc")), reason=missing("gcc"))
needs_compilers = pytest.mark.skipif(bool(missing("gcc", "clang")), reason=missing("gcc", "clang"))
# 6 links, 9 kinds of fault: over a million frames in all.
SLOTS_A_KIND = 20_000


def described(name: str) -> Link | Board:
    return correcting("dunlin") if name == "corrected" else busplay.load_link(name)


def every_fault(model_lanes: int) -> list[Faults]:
    """A plan for each kind of fault, and for all of them together."""
    lane = model_lanes - 1
    kinds = {
        "bit_flips": [BitFlips(0.003)],
        "stuck_lanes": [StuckLane(lane, 0)],
        "late_lanes": [LateLane(0, 0.01)],
        "early_lanes": [EarlyLane(lane, 0.01)],
        "lost_edges": [LostEdges(0.0008), LostEdges(0.0004, count=3)],
        "extra_edges": [ExtraEdges(0.0008)],
    }
    single = [Faults(seed=7, **{name: plan}) for name, plan in kinds.items()]
    bursts = Faults(seed=8, bit_flips=[BitFlips(0.0005, burst_edges=60)])
    together = {name: plan for name, plan in kinds.items() if name != "stuck_lanes"}
    return [Faults(), *single, bursts, Faults(seed=9, **together)]


def boards() -> dict[str, Board]:
    """Boards with bitmaps, text in two forms, and pages."""
    dunlin = busplay.load_board("dunlin")
    panel, sign = dunlin.units
    font = shipped_font("plain_8x8")
    text = replace(
        panel,
        mode="text",
        columns=32,
        rows=24,
        cell_bytes=2,
        stride_bytes=64,
        font=font,
        pages=3,
        page_bytes=2_048,
        memory_bytes=8_192,
    )
    own = replace(text, font_offset=6_144, pages=1, page_bytes=0)
    return {
        "bitmaps": dunlin,
        "marked": replace(dunlin, link=busplay.load_link("marked")),
        "text": replace(dunlin, units=(text, replace(sign, pages=2, page_bytes=256))),
        "own font": replace(dunlin, units=(own, sign)),
        "most pages": replace(dunlin, units=(panel, replace(sign, pages=256, page_bytes=1))),
    }


@pytest.mark.thorough
@needs_gcc
@pytest.mark.parametrize("name", boards())
def test_display_agrees_with_the_displays_of_a_board(name: str, tmp_path: Path) -> None:
    board = boards()[name]
    model = model_of(board)
    folder = emit_c(board, tmp_path)
    ident = model.ident
    resets = [
        f"{ident}_reset_{unit.name}(&units[{index}], memory[{index}], palettes[{index}]);"
        for index, unit in enumerate(board.units)
    ]
    text = DISPLAY_HARNESS.read_text(encoding="utf-8").replace("RESETS", " ".join(resets))
    text = text.replace("UNIT_COUNT", str(len(board.units)))
    source = folder / "harness.c"
    source.write_text(text.replace("LINK", ident).replace("CAPITALS", ident.upper()))
    program = folder / "harness"
    parts = [source, folder / f"{ident}_display.c", folder / f"{ident}_link.c"]
    compile_c("gcc", parts, program, *STRICT, *SANITIZED)
    random = np.random.default_rng(5)
    count = 100_000
    near = random.random(count) < 0.5
    offsets = random.integers(0, 1 << 16, count)
    words = model.layout.pack(
        space=random.integers(1, 4, count).astype(np.uint64),
        unit=random.integers(0, 4, count).astype(np.uint64),
        address=np.where(near, random.integers(0, 16, count), offsets).astype(np.uint64),
        data=random.integers(0, 256, count).astype(np.uint64),
    )
    (folder / "words.bin").write_bytes(words.astype("<u8").tobytes())
    done = subprocess.run([program, folder / "words.bin"], capture_output=True)
    assert done.returncode == 0, done.stderr
    bank = DisplayBank(board, model.layout)
    frames = FrameBatch(np.arange(count, dtype=np.uint64), words)
    bank.show(DeliveredFrames.copied(frames), refreshes=np.array([count], np.int64))
    expected = b""
    for display in bank.displays.values():
        expected += display.memory.tobytes() + display.palette.tobytes()
        outside = display.counters.frames_outside
        expected += pack(
            "<IBBI", display.base_offset, display.border_index, display.is_blank, outside
        )
        display.refresh()
        cursor, shape = display.cursor_offset, display.cursor_shape
        expected += pack("<IBBB", cursor, shape, display.text_colours, display.page)
    counts = bank.counters
    expected += pack("<II", counts.frames_reserved_space, counts.frames_unknown_unit)
    assert min(counts.frames_reserved_space, counts.frames_unknown_unit) > 1_000
    assert done.stdout == expected


@needs_gcc
def test_display_of_a_link_without_spaces_has_nothing_unused(tmp_path: Path) -> None:
    link = tmp_path / "bare.toml"
    link.write_text(
        'name = "bare"\nlanes = 8\nedges = "rising"\nframing = {method = "strobe"}\n'
        'fields = [{name = "address", bits = 16}, {name = "data", bits = 8}]\n'
    )
    folder = emit_c(busplay.load_link(link), tmp_path / "out")
    compile_c("gcc", [folder / "bare_display.c"], folder / "bare_display.o", *STRICT, "-c")


@needs_gcc
def test_self_test_passes_and_fails_for_a_receiver_that_is_wrong(tmp_path: Path) -> None:
    folder = emit_c("strobed", tmp_path)
    assert self_test("gcc", folder, "strobed") == 0
    source = folder / "strobed_link.c"
    text = source.read_text(encoding="utf-8")
    assert text.count("enter(receiver, ABORTED)") == 1
    source.write_text(text.replace("enter(receiver, ABORTED)", "(void)0"), encoding="utf-8")
    assert self_test("gcc", folder, "strobed") == 1


@pytest.mark.thorough
@pytest.mark.skipif(bool(missing("gcc", "g++")), reason=missing("gcc", "g++"))
def test_cxx_includes_the_headers_and_links_with_the_c(tmp_path: Path) -> None:
    folder = emit_c("dunlin", tmp_path)
    objects = []
    for part in ("link", "display"):
        objects.append(folder / f"{part}.o")
        compile_c("gcc", [folder / f"guarded_{part}.c"], objects[-1], *STRICT, "-c")
    program = folder / "program.cpp"
    program.write_text(
        '#include "guarded_display.h"\n#include "guarded_link.h"\n'
        "int main() {\n"
        "    guarded_receiver receiver;\n"
        "    guarded_frame frame;\n"
        "    guarded_reset(&receiver);\n"
        "    return guarded_receive_symbol(&receiver, 0, &frame) ? 1 : 0;\n"
        "}\n"
    )
    flags = ("-std=c++11", "-pedantic", "-Wall", "-Wextra", "-Werror")
    compile_c("g++", [program, *objects], folder / "program", *flags)
    assert subprocess.run([folder / "program"]).returncode == 0


@pytest.mark.thorough
@needs_compilers
@pytest.mark.parametrize(("name", "compiler"), COMPILED)
def test_receiver_agrees_over_many_frames_with_faults_of_every_kind(
    name: str, compiler: str, tmp_path: Path
) -> None:
    model = model_of(described(name))
    program = build_harness(compiler, emit_c(described(name), tmp_path), model.ident)
    plans = every_fault(model.layout.lanes)
    frames = 0
    for seed, plan in enumerate(plans):
        symbols = over_the_wire(model, plan, slots=SLOTS_A_KIND, seed=seed)
        frames += len(symbols) // model.layout.slot_symbols
        assert_agree(program, model, symbols, step=997)
        assert_agree(program, model, symbols[:3_000], step=1)
    assert frames > 170_000


@pytest.mark.thorough
@needs_compilers
@settings(max_examples=4)
@given(
    link=links(),
    corrects=st.booleans(),
    compiler=st.sampled_from(("gcc", "clang")),
    seed=st.integers(0, 1 << 30),
)
def test_receiver_of_any_link_agrees(link: Link, corrects: bool, compiler: str, seed: int) -> None:
    with tempfile.TemporaryDirectory() as name:
        of: Link | Board = link
        if corrects and can_correct(FrameLayout(link)):
            of = correcting(board_with(link))
        model = model_of(of)
        folder = emit_c(of, Path(name))
        assert self_test(compiler, folder, model.ident) == 0
        words = ["cppcheck", "-q", *CPPCHECK, *sorted(folder.glob("*.c"))]
        checked = subprocess.run(words, capture_output=True, text=True)
        assert (checked.returncode, checked.stderr) == (0, "")
        program = build_harness(compiler, folder, model.ident)
        plan = Faults(
            seed=seed,
            bit_flips=[BitFlips(0.004)],
            lost_edges=[LostEdges(0.002)],
            extra_edges=[ExtraEdges(0.002)],
        )
        symbols = over_the_wire(model, plan, slots=400, seed=seed)
        noise = np.random.default_rng(seed).integers(0, 1 << model.symbol_bits, 2_000)
        symbols = np.concatenate([symbols, noise.astype(symbols.dtype), symbols])
        assert_agree(program, model, symbols, step=1)
        assert_agree(program, model, symbols, step=211)


PORT_TEST = """\
#include "guarded_port.c"

int main(void)
{
    static guarded_port port;
    guarded_frame frame = {0};
    uint32_t sent, taken = 0, lost = 0;

    guarded_port_start(&port);
    /* Three into it for two out of it, until its indexes have wrapped round several times. */
    for (sent = 0; sent < 3000; sent++) {
        const uint32_t overrun = port.frames_overrun;

        frame.word = sent;
        keep(&port, &frame);
        lost += port.frames_overrun - overrun;
        if (sent % 3 != 0 && guarded_port_take(&port, &frame)) {
            if (frame.word >= sent + 1)
                return 1;
            taken++;
        }
    }
    while (guarded_port_take(&port, &frame))
        taken++;
    return taken + lost == sent && lost == 3000 - 2000 - (PORT_FIFO_DEPTH - 1) ? 0 : 2;
}
"""


@pytest.mark.thorough
@needs_gcc
def test_fifo_of_the_port_keeps_every_frame_that_it_does_not_count_as_lost(tmp_path: Path) -> None:
    folder = emit_c("guarded", tmp_path)
    test = folder / "port_test.c"
    test.write_text(PORT_TEST, encoding="utf-8")
    program = tmp_path / "port_test"
    compile_c("gcc", [test, folder / "guarded_link.c"], program, *SANITIZED)
    assert subprocess.run([program], check=False).returncode == 0
