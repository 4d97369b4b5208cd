"""Proofs are what tools say, and cycles are those of the longest path."""

from __future__ import annotations

import re
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

import busplay
from busplay.emission.c_files import c_files
from busplay.emission.emission import Emission
from busplay.emission.proof.cycles import CycleBounds, Listing, NoBoundError
from busplay.emission.proof.firmware import TARGETS, prove_firmware, try_target
from busplay.emission.vectors import vectors
from tests.emission.firmware import correcting, emit_c, missing, model_of

AVR_HARNESS = Path(__file__).with_name("avr_harness.c")
CROSS = ("arm-none-eabi-gcc", "avr-gcc")
TOOLS = ("gcc", "clang", "cppcheck", *CROSS)
needs_tools = pytest.mark.skipif(bool(missing(*TOOLS)), reason=missing(*TOOLS))

THUMB = """
00000000 <twice>:
   0:\tb510      \tpush\t{r4, lr}
   2:\tf7ff fffe \tbl\t10 <leaf>
   6:\t2800      \tcmp\tr0, #0
   8:\td101      \tbne.n\te <twice+0xe>
   a:\tf7ff fffe \tbl\t10 <leaf>
   e:\tbd10      \tpop\t{r4, pc}

00000010 <leaf>:
  10:\t6800      \tldr\tr0, [r0, #0]
  12:\t4770      \tbx\tlr

00000014 <around>:
  14:\t2300      \tmovs\tr3, #0
  16:\t3301      \tadds\tr3, #1
  18:\t2b05      \tcmp\tr3, #5
  1a:\td1fc      \tbne.n\t16 <around+0x2>
  1c:\t4770      \tbx\tlr
"""
AVR = """
00000000 <shifted>:
   0:\t2c e0       \tldi\tr18, 0x0C\t; 12
   2:\t96 95       \tlsr\tr25
   4:\t87 95       \tror\tr24
   6:\t2a 95       \tdec\tr18
   8:\te1 f7       \tbrne\t.-8      \t; 0x2 <shifted+0x2>
   a:\t08 95       \tret

0000000c <by_value>:
   c:\t02 c0       \trjmp\t.+4      \t; 0x12 <by_value+0x6>
   e:\t96 95       \tlsr\tr25
  10:\t87 95       \tror\tr24
  12:\t2a 95       \tdec\tr18
  14:\te2 f7       \tbrpl\t.-8      \t; 0xe <by_value+0x2>
  16:\t08 95       \tret

00000018 <skipping>:
  18:\t80 fd       \tsbrc\tr24, 0
  1a:\t0e 94 00 00 \tcall\t0\t; 0x0 <shifted>
  1e:\t08 95       \tret
"""


def most(text: str, function: str, machine: str = "cortex-m0plus", **rounds: int) -> int:
    listing = Listing(text, "avr" if machine == "avr" else "cortex-m0plus")
    return listing.most_cycles(function, CycleBounds(rounds))


@pytest.mark.source(
    "Cortex-M0+ TRM, instruction timing", part="counted by hand", kind="from memory"
)
def test_longest_path_counts_branches_calls_and_loops() -> None:
    # ldr 2, bx 2.
    assert most(THUMB, "leaf") == 4
    # push of 2: 3; bl 3 + 4; cmp 1; bne at most 2; bl 3 + 4; pop of 2 with pc: 3 + 2.
    assert most(THUMB, "twice") == 3 + 7 + 1 + 2 + 7 + 5
    # movs 1; at most 4 times back: adds, cmp, bne 4; then once through, and bx 2.
    assert most(THUMB, "around", around=4) == 1 + 4 * 4 + 4 + 2


def test_loop_without_a_bound_is_refused() -> None:
    with pytest.raises(NoBoundError, match="a loop of around has no bound"):
        most(THUMB, "around")


@pytest.mark.parametrize(
    ("last", "message"),
    [
        ("4687      \tmov\tpc, r0", "computed jumps to a computed address"),
        ("f7ff fffe \tbl\t20 <__gnu_thumb1_case_uqi>", "computed jumps to a computed address"),
        ("00008374 \t.word\t0x00008374", "no instruction at 0x2"),
    ],
)
def test_path_that_cannot_be_followed_is_refused(last: str, message: str) -> None:
    listing = f"\n00000000 <computed>:\n   0:\t3301      \tadds\tr3, #1\n   2:\t{last}\n"
    with pytest.raises(NoBoundError, match=message):
        most(listing + "   6:\t4770      \tbx\tlr\n", "computed")


@pytest.mark.source("AVR Instruction Set Manual", part="counted by hand", kind="from memory")
def test_loop_that_shifts_goes_round_as_its_constant_or_its_value_says() -> None:
    # ldi 1; 12 times back, then out: lsr, ror, dec, brne 5; ret 4.
    assert most(AVR, "shifted", "avr") == 1 + 12 * 5 + 5 + 4
    # Two bytes are shifted: at most 16 times.
    assert most(AVR, "by_value", "avr") <= 2 + 16 * 5 + 5 + 4
    assert most(AVR, "by_value", "avr") >= 2 + 15 * 5 + 3 + 4
    # sbrc at most 3, call 4, what it calls 70, ret 4.
    assert most(AVR, "skipping", "avr") == 3 + 4 + 70 + 4


@pytest.mark.thorough
@needs_tools
@pytest.mark.parametrize("name", ["corrected", "serial"])
def test_every_tool_is_content_and_both_targets_have_figures(name: str) -> None:
    model = model_of(correcting("dunlin") if name == "corrected" else busplay.load_link(name))
    emission = Emission(model, vectors(model))
    proofs, figures = prove_firmware(model, tuple(c_files(emission)))
    assert {one.status for one in proofs} == {"passed"}
    assert {one.tool for one in proofs} == set(TOOLS)
    assert [one.target for one in figures] == [one.name for one in TARGETS]
    for one in figures:
        assert 300 < one.code_bytes < 6_000
        assert 60 < one.receiver_bytes < 80
        assert one.symbol_cycles is not None
        assert one.frame_cycles is not None
        most = model.layout.frame_symbols * one.symbol_cycles
        assert one.symbol_cycles < one.frame_cycles <= most


@pytest.mark.thorough
@needs_tools
@pytest.mark.parametrize("name", ["dunlin", "serial"])
@pytest.mark.parametrize("compiler", CROSS)
def test_firmware_needs_nothing_but_the_compiler(name: str, compiler: str, tmp_path: Path) -> None:
    folder = emit_c(name, tmp_path)
    name = "guarded" if name == "dunlin" else name
    target = next(one for one in TARGETS if one.prefix == compiler.removesuffix("gcc"))
    built = folder / "linked.elf"
    sources = [folder / f"{name}_{part}.c" for part in ("link", "display", "port")]
    entry = f"-Wl,-e,{name}_receive_packed"
    flags = (*target.flags, "-ffreestanding", "-Os", "-nostdlib", "-nostartfiles", entry)
    done = subprocess.run(
        [compiler, "-std=c99", *flags, *sources, "-lgcc", "-o", built],
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    sizes = subprocess.run(
        [f"{target.prefix}size", built], capture_output=True, text=True, check=True
    )
    # No variable of its own: all state is the caller's.
    assert int(sizes.stdout.splitlines()[1].split()[2]) == 0


@pytest.mark.thorough
@needs_tools
def test_firmware_that_is_wrong_fails_its_proof() -> None:
    model = model_of(busplay.load_link("strobed"))
    emission = Emission(model, vectors(model))
    files = []
    for one in c_files(emission):
        content = one.content.replace(b"enter(receiver, ABORTED)", b"(void)0")
        files.append(replace(one, content=content))
    proofs, _ = prove_firmware(model, tuple(files))
    failed = {one.name.partition(",")[0] for one in proofs if one.status == "failed"}
    assert failed == {"self-test"}


@pytest.mark.thorough
@pytest.mark.skipif(bool(missing("simavr", *TOOLS)), reason=missing("simavr", *TOOLS))
@pytest.mark.source("simavr 1.6", part="cycles of each symbol, with noise", kind="library")
@pytest.mark.parametrize("name", ["guarded", "strobed"])
def test_no_symbol_takes_more_cycles_than_the_bound(name: str, tmp_path: Path) -> None:
    model = model_of(busplay.load_link(name))
    folder = emit_c(name, tmp_path)
    _, figures = try_target(model, TARGETS[1], folder)
    assert figures is not None
    bound = figures.symbol_cycles
    text = AVR_HARNESS.read_text(encoding="utf-8")
    source = folder / "main.c"
    source.write_text(
        text.replace("LINK_link", f"{name}_link")
        .replace("LINK", name)
        .replace("CAPITALS", name.upper())
    )
    program = folder / "main.elf"
    flags = ["-std=gnu99", "-Os", "-fno-inline", *TARGETS[1].flags]
    sources = [source, folder / f"{name}_link.c"]
    built = subprocess.run(
        ["avr-gcc", *flags, *sources, "-o", program], capture_output=True, text=True
    )
    assert built.returncode == 0, built.stderr
    words = ["simavr", "-m", "atmega328p", "-f", "16000000", program]
    ran = subprocess.run(words, capture_output=True, text=True, timeout=120)
    most, received = (int(one) for one in re.findall(r"(\d+)\.", ran.stdout + ran.stderr)[-2:])
    assert received > 100
    assert bound is not None
    assert most <= bound < 4 * most
