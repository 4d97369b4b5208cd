"""The kernel's text, its compilation, and the cache of its machine code."""

from __future__ import annotations

import os
import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import llvmlite
import llvmlite.binding as llvm
import pytest

from busplay.core.compiled import build, instructions, operations
from busplay.core.compiled.block import (
    ACTIONS_OFFSET,
    CELL_COUNT,
    MEMORY_BYTES,
    PLAIN_TABLE_OFFSET,
    TABLE_OFFSET,
    Cell,
    cell_offset,
)
from busplay.core.compiled.build import CompileError, build_kernel
from busplay.core.compiled.generate import kernel_text
from busplay.core.instructions import INSTRUCTIONS
from busplay.jit import machine_code
from busplay.jit.code_cache import CodeCache

PROJECT = Path(__file__).parents[3]


def kept_files(folder: Path) -> list[Path]:
    return sorted(folder.glob("*"))


# The text.


@pytest.mark.parametrize("processor", sorted(INSTRUCTIONS))
def test_text_is_the_same_every_time(processor: str) -> None:
    assert kernel_text(processor) == kernel_text(processor)


@pytest.mark.parametrize("processor", sorted(INSTRUCTIONS))
def test_every_instruction_has_its_function_in_the_table(processor: str) -> None:
    text = kernel_text(processor)
    (table,) = (line for line in text.splitlines() if line.startswith("@table"))
    entries = table[table.index("] [") + 3 : -1].split(", ")
    assert len(entries) == 258
    for opcode, entry in enumerate(entries[:256]):
        if opcode in INSTRUCTIONS[processor]:
            assert entry == f"ptr @op_{opcode:02X}"
            assert f"@op_{opcode:02X}(" in text
        else:
            assert entry == "ptr @undefined"


def test_no_offset_of_the_block_has_two_uses() -> None:
    spans = [
        (PLAIN_TABLE_OFFSET, PLAIN_TABLE_OFFSET + 8 * 256),
        (TABLE_OFFSET, TABLE_OFFSET + 8 * 256),
        (cell_offset(CELL_COUNT - 1), 0),
        (0, MEMORY_BYTES + 2),
        (ACTIONS_OFFSET, ACTIONS_OFFSET + MEMORY_BYTES),
    ]
    for (_, stop), (start, _) in pairwise(spans):
        assert stop <= start
    cells = [number for name, number in vars(Cell).items() if name.isupper()]
    assert sorted(cells) == list(range(len(cells)))
    assert max(cells) == Cell.PORT_WRITE


FOREIGN = ["aarch64-unknown-linux-gnu", "aarch64-apple-darwin", "x86_64-pc-windows-msvc"]


@pytest.mark.parametrize("triple", FOREIGN)
def test_compilers_for_other_machines_accept_the_kernel(triple: str) -> None:
    llvm.initialize_all_targets()
    llvm.initialize_all_asmprinters()
    machine = llvm.Target.from_triple(triple).create_target_machine(
        opt=1, reloc="pic", codemodel="small"
    )
    module = llvm.parse_assembly(kernel_text("6502"))
    module.triple = triple
    module.verify()
    assert len(machine.emit_object(module)) > 10_000


# The cache.


def test_code_is_cached_and_found(tmp_path: Path) -> None:
    first = build_kernel("6502", CodeCache([tmp_path]))
    again = build_kernel("6502", CodeCache([tmp_path]))
    assert (first.was_kept, again.was_kept) == (False, True)
    assert len(kept_files(tmp_path)) == 1


def test_processors_have_their_own_code() -> None:
    assert len({kernel_text(processor) for processor in INSTRUCTIONS}) == len(INSTRUCTIONS) == 2


@pytest.mark.thorough
def test_changed_template_never_uses_old_code(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    build_kernel("6502", CodeCache([tmp_path]))
    monkeypatch.setitem(operations.WRITES, "STA", lambda cpu: cpu.x)
    assert instructions.WRITES is operations.WRITES
    changed = build_kernel("6502", CodeCache([tmp_path]))
    assert not changed.was_kept
    assert len(kept_files(tmp_path)) == 2


def test_other_compiler_or_processor_never_uses_old_code(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    targets = {machine_code.target_text()}
    monkeypatch.setattr(llvm, "get_host_cpu_name", lambda: "another")
    targets.add(machine_code.target_text())
    monkeypatch.undo()
    monkeypatch.setattr(machine_code.llvmlite, "__version__", "0.0")
    targets.add(machine_code.target_text())
    assert len(targets) == 3


@pytest.mark.thorough
def test_damaged_file_is_made_anew(tmp_path: Path) -> None:
    build_kernel("6502", CodeCache([tmp_path]))
    (file,) = kept_files(tmp_path)
    whole = file.read_bytes()
    file.write_bytes(whole[:-1])
    assert not build_kernel("6502", CodeCache([tmp_path])).was_kept
    assert kept_files(tmp_path) == [file]
    assert file.read_bytes() == whole


def test_without_any_folder_the_kernel_is_built_all_the_same(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    cache = CodeCache([tmp_path / "file" / "below"])
    kernel = build_kernel("6502", cache)
    assert not kernel.was_kept
    assert len(kernel.table) == 256
    assert cache.keep("some", b"code") is None


def test_refusal_of_the_compiler_is_reported(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(build, "kernel_text", lambda processor, **_: "this is nothing")
    with pytest.raises(CompileError) as caught:
        build_kernel("6502", CodeCache([tmp_path]))
    assert str(caught.value) == (
        f"the compiled core of the 6502 cannot be built by llvmlite {llvmlite.__version__} here:"
        " LLVM IR parsing error; use llvmlite 0.45 or newer, or the reference core, which needs"
        " none"
    )


def test_machine_without_the_calling_convention_is_refused_before_the_compiler_sees_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(llvm, "get_process_triple", lambda: "riscv64-unknown-linux-gnu")
    with pytest.raises(CompileError) as caught:
        build_kernel("6502", CodeCache([tmp_path]))
    assert str(caught.value) == (
        "the compiled core supports x86_64, aarch64, arm64 and not riscv64; use the reference core"
    )


def test_core_runs_where_neither_installation_nor_home_can_be_written(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    nowhere = str(tmp_path / "file" / "below")
    code = (
        "from busplay.core.make import make_core\n"
        "core = make_core('compiled', '65c02')\n"
        "core.memory[0x200:0x203] = [0xA9, 0x2A, 0x1A]\n"
        "core.pc = 0x200\n"
        "core.run(4)\n"
        "print(core.a)\n"
    )
    environment = os.environ | {"BUSPLAY_CACHE_DIR": nowhere, "PYTHONPATH": str(PROJECT)}
    done = subprocess.run(
        [sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "43"
    assert done.stderr == ""
