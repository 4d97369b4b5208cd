"""Source lines, labels and disassembly against what cc65's own tools say of the same program."""

from __future__ import annotations

import platform
import re
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from py65.devices import mpu65c02, mpu6502
from py65.disassembler import Disassembler

from busplay.core.disassembly import disassemble
from busplay.core.instructions import INSTRUCTIONS, MODE_BYTES, Mode
from busplay.program.debug_file import DebugInfo, SourceLine, read_debug_file
from busplay.program.labels import find_labels_beside, read_labels

ROMS = Path(__file__).parents[2] / "roms"
MODULES = ("fill", "start", "panel", "sign", "decimal", "font")

needs_cc65 = pytest.mark.skipif(
    not shutil.which("ld65"), reason="cc65 is not installed (Debian: apt install cc65)"
)


@dataclass(frozen=True)
class Linked:
    """A program as ld65 linked it: its debug file, map, labels and listings."""

    folder: Path
    info: DebugInfo

    def text(self, name: str) -> str:
        return (self.folder / name).read_text()


@pytest.fixture(scope="module")
def linked(tmp_path_factory: pytest.TempPathFactory) -> Linked:
    folder = tmp_path_factory.mktemp("linked")

    def run(*words: str) -> None:
        subprocess.run(words, cwd=folder, check=True)

    for file in ROMS.iterdir():
        if file.suffix in (".s", ".inc", ".cfg"):
            shutil.copy(file, folder)
    for name in MODULES:
        run("ca65", "-g", "--cpu", "65C02", "-l", f"{name}.lst", "-o", f"{name}.o", f"{name}.s")
    objects = [f"{name}.o" for name in MODULES]
    outputs = ["--dbgfile", "fill.dbg", "-Ln", "listed.txt", "-m", "fill.map"]
    run("ld65", "-C", "dunlin.cfg", "-o", "fill.bin", *outputs, *objects)
    return Linked(folder, read_debug_file(folder / "fill.dbg"))


@needs_cc65
@pytest.mark.source("ld65 2.19", part="map file: where segments and modules lie", kind="library")
@pytest.mark.source("ca65 2.19", part="listings: the bytes of each line", kind="library")
def test_lines_are_where_map_and_listing_have_them(linked: Linked) -> None:
    said = linked.text("fill.map")
    found = re.findall(r"^(\w+) +(00\w{4})  (00\w{4})  (00\w{4})  \w+$", said, re.MULTILINE)
    segments = {name: (int(start, 16), int(size, 16)) for name, start, _, size in found}
    for segment in linked.info.segments:
        if segment.size_bytes:
            assert segments[segment.name] == (segment.address, segment.size_bytes)
    checked = 0
    for module in MODULES:
        part = said[said.index(f"{module}.o:") :].split(":", 1)[1].split(".o:")[0]
        offsets = dict(re.findall(r"^    (\w+) +Offs=(\w+)", part, re.MULTILINE))
        for segment_name, offset, data, line in listed(linked.text(f"{module}.lst")):
            address = segments[segment_name][0] + int(offsets[segment_name], 16) + offset
            for place in range(address, address + data):
                lines = linked.info.lines_of(place)
                assert SourceLine(f"{module}.s", line, "assembler") in lines
                checked += 1
    assert checked > 1000


def listed(listing: str) -> list[tuple[str, int, int, int]]:
    """Return (segment, offset, how many bytes are shown, line) of a source file's own lines."""
    segment, line, found = "CODE", 0, []
    for row in listing.splitlines()[4:]:
        match = re.match(r"(\w{6})r (\d)  ((?:\w\w ){0,4}) *(.*)", row)
        if match is None or match[2] != "1":
            continue
        offset, shown, text = int(match[1], 16), match[3].split(), match[4]
        if shown and not text:
            continue  # the bytes of the line before go on
        line += 1
        directive = text.split(";")[0].strip()
        if directive.startswith(".repeat"):
            break  # its lines are listed once for each round
        if directive in (".code", ".rodata", ".data", ".bss", ".zeropage"):
            segment = directive[1:].upper()
        elif named := re.match(r'\.segment\s+"(\w+)"', directive):
            segment = named[1]
        data = [one for one in shown if re.fullmatch("[0-9A-F]{2}", one)]
        if data and segment not in ("BSS", "ZEROPAGE"):
            found.append((segment, offset, len(data), line))
    return found


@needs_cc65
@pytest.mark.source("ld65 2.19", part="labels of -Ln, exports of the map", kind="library")
def test_labels_are_those_that_the_linker_lists(linked: Linked) -> None:
    ours = {(address, name) for address, names in linked.info.labels.items() for name in names}
    theirs = {
        (address, name)
        for address, names in read_labels(linked.folder / "listed.txt").items()
        for name in names
        if not name.startswith("__")  # the linker's own: sizes and places of segments
    }
    assert ours == theirs
    exports = re.findall(r"(\w+) +(00\w{4}) RL[AZ]", linked.text("fill.map"))
    assert {(int(address, 16), name) for name, address in exports if name[:2] != "__"} <= ours
    assert find_labels_beside(linked.folder / "fill.bin") == linked.folder / "fill.dbg"


@needs_cc65
@pytest.mark.source("cc65 2.19", part="lines of a C program", kind="library")
def test_lines_of_c_are_marked_and_stand_in_their_functions(tmp_path: Path) -> None:
    source = (
        "void one(void) {\n  *(char *)0x4000 = 1;\n}\nvoid main(void) {\n  for (;;) one();\n}\n"
    )
    (tmp_path / "two.c").write_text(source)
    for words in (
        ["cc65", "-g", "-t", "none", "two.c"],
        ["ca65", "-g", "two.s"],
        ["ld65", "-t", "none", "-o", "two.bin", "--dbgfile", "two.dbg", "two.o", "none.lib"],
    ):
        subprocess.run(words, cwd=tmp_path, check=True)
    info = read_debug_file(tmp_path / "two.dbg")
    starts = {name: address for address, names in info.labels.items() for name in names}
    assert re.search(r'name="L[0-9A-F]{4}"', (tmp_path / "two.dbg").read_text())
    assert not [name for name in starts if re.fullmatch("L[0-9A-F]{4}", name)]
    assert info.line_of(starts["_one"]) == SourceLine("two.c", 2, "c")
    assert info.line_of(starts["_main"]) == SourceLine("two.c", 5, "c")
    assert SourceLine("two.s", info.lines_of(starts["_one"])[1].line, "assembler").line > 10


SCOPED = """
.code
.scope screen
.proc clear
        ldx #3
@again: dex
        bne @again
next:   iny
@again: bne @again
        rts
.endproc
.endscope
main:   jmp @again
@again: jmp main
"""


@pytest.mark.source("ca65 2.19", part="parents and scopes of labels", kind="library")
@needs_cc65
def test_labels_have_the_parents_and_scopes_that_ca65_gave_them(tmp_path: Path) -> None:
    (tmp_path / "p.s").write_text(SCOPED)
    for words in (
        ["ca65", "-g", "p.s"],
        ["ld65", "-t", "none", "-o", "p.bin", "-Ln", "p.lbl", "--dbgfile", "p.dbg", "p.o"],
    ):
        subprocess.run(words, cwd=tmp_path, check=True)
    names = [
        "screen::clear", "screen::clear@again", "screen::clear::next",
        "screen::clear::next@again", "main", "main@again",
    ]  # fmt: skip

    def listed(file: str) -> list[str]:
        labels = read_labels(tmp_path / file)
        every = [name for address in sorted(labels) for name in labels[address]]
        return [name for name in every if not name.startswith("__")]

    assert listed("p.dbg") == listed("p.lbl") == names
    (tmp_path / "p.dbg").unlink()
    assert listed("p.lbl") == ["clear", "clear@again", "next", "next@again", "main", "main@again"]


@pytest.mark.source("nm, ld (GNU binutils)", part="symbols of an ELF file", kind="library")
@pytest.mark.skipif(
    shutil.which("ld") is None or platform.machine() != "x86_64",
    reason="needs an ld that writes ELF for x86-64",
)
def test_symbols_of_an_elf_file_are_labels(tmp_path: Path) -> None:
    (tmp_path / "raw.bin").write_bytes(bytes(range(16)))
    symbols = ["--add-symbol", "start=.data:0x0,function,global", "--add-symbol"]
    for words in (
        ["objcopy", "-I", "binary", "-O", "elf32-i386", "-B", "i386", *symbols,
         "loop=.data:0x3,local", "raw.bin", "raw.o"],
        ["ld", "-m", "elf_i386", "-Tdata=0xC000", "-e", "0xC000", "raw.o", "-o", "raw.elf"],
    ):  # fmt: skip
        subprocess.run(words, cwd=tmp_path, check=True)
    listed = subprocess.run(
        ["nm", "raw.elf"], cwd=tmp_path, check=True, capture_output=True, text=True
    )
    rows = [row.split() for row in listed.stdout.splitlines()]
    expected = {(int(value, 16), name) for value, kind, name in rows if kind not in "Aa"}
    labels = read_labels(tmp_path / "raw.elf")
    assert {(address, name) for address, names in labels.items() for name in names} == expected
    assert {(0xC000, "start"), (0xC003, "loop")} <= expected
    # objcopy's own symbol stood before the function's.
    assert labels[0xC000] == ("start", "_binary_raw_bin_start")
    assert find_labels_beside(tmp_path / "raw.elf") == tmp_path / "raw.elf"


def all_instructions(processor: str, seed: int) -> np.ndarray[tuple[int], np.dtype[np.uint8]]:
    """Return memory from $0200 on with each instruction a few times, its operands drawn."""
    rng = np.random.default_rng(seed)
    code = bytearray()
    for row in list(INSTRUCTIONS[processor].values()) * 3:
        operand = rng.integers(0, 256, MODE_BYTES[row.mode] - 1, dtype=np.uint8)
        if len(operand) == 2 and row.mode is not Mode.ZERO_PAGE_RELATIVE:
            # An assembler would take the shorter form of an address in the zero page.
            operand[1] |= 0x10
        code += bytes([row.opcode]) + operand.tobytes()
    memory = np.zeros(0x10000, np.uint8)
    memory[0x0200 : 0x0200 + len(code)] = list(code)
    return memory


@pytest.mark.source("py65 1.2.0", part="its disassembler", kind="library")
@pytest.mark.parametrize(("processor", "device"), [("6502", mpu6502.MPU), ("65c02", mpu65c02.MPU)])
def test_text_is_that_of_py65(processor: str, device: type[mpu6502.MPU]) -> None:
    memory = all_instructions(processor, 1)
    theirs = Disassembler(device(memory=memory.tolist()))
    at, compared = 0x0200, 0
    while memory[at:].any():
        line = disassemble(memory, at, processor=processor)
        length, text = theirs.instruction_at(at)
        if text != "???" and not line.text.startswith(("bbr", "bbs", "rmb", "smb")):
            # py65 has no space before A, and writes STZ's operand as ours.
            assert (line.text.upper(), len(line.data)) == (text.upper(), length)
            compared += 1
        at += len(line.data)
    assert compared > 400


@needs_cc65
@pytest.mark.source("ca65 2.19", part="assembles a disassembly to the same bytes", kind="library")
@pytest.mark.parametrize("processor", ["6502", "65c02"])
def test_an_assembler_makes_the_same_bytes_of_it(processor: str, tmp_path: Path) -> None:
    memory = all_instructions(processor, 2)
    at, lines, expected = 0x0200, [], b""
    while memory[at:].any():
        line = disassemble(memory, at, processor=processor)
        # ca65 2.19 knows WAI and STP of the 65816 alone; a branch must lie near.
        unknown = line.text in ("wai", "stp")
        lines.append(f" .byte ${line.data[0]:02X}" if unknown else f" {line.text}")
        expected += line.data
        at += len(line.data)
    source = f'.setcpu "{processor.upper()}"\n.org $0200\n' + "\n".join(lines) + "\n"
    (tmp_path / "all.s").write_text(source)
    config = "MEMORY { M: start = $200, size = $4000, file = %O; } SEGMENTS { CODE: load = M; }"
    (tmp_path / "all.cfg").write_text(config)
    subprocess.run(["ca65", "all.s"], cwd=tmp_path, check=True)
    subprocess.run(["ld65", "-C", "all.cfg", "-o", "all.bin", "all.o"], cwd=tmp_path, check=True)
    assert (tmp_path / "all.bin").read_bytes() == expected
