"""The shipped ROM images and labels, and that the sources build them."""

from __future__ import annotations

import math
import shutil
import struct
import subprocess
from pathlib import Path

import pytest

from busplay.program.labels import read_labels
from tests.roms.machine import ASSEMBLY, PROGRAMS, ROMS, C, Machine

SHIPPED_WITH = "Debian 2.19"


def require_the_compiler() -> None:
    """Skip unless cc65 is installed in the version that the shipped files are made with."""
    if not all(shutil.which(tool) for tool in ("ca65", "cc65", "ld65")):
        pytest.skip("cc65 is not installed here, so nothing can be built (apt install cc65)")
    told = subprocess.run(["ca65", "--version"], capture_output=True, text=True, check=True)
    version = (told.stdout + told.stderr).strip()
    if SHIPPED_WITH not in version:
        pytest.skip(f"the shipped files are made with {SHIPPED_WITH}; here is {version}")


@pytest.mark.parametrize("name", PROGRAMS)
def test_a_rom_is_16_kib_and_its_vectors_point_into_it(name: str) -> None:
    rom = (ROMS / f"{name}.bin").read_bytes()
    assert len(rom) == 0x4000
    nmi, reset, irq = struct.unpack("<3H", rom[-6:])
    assert reset == 0xC000
    assert 0xC000 < nmi < 0xFFFA
    assert 0xC000 < irq < 0xFFFA
    rti = 0x40
    assert rom[nmi - 0xC000] == rti


@pytest.mark.parametrize("name", PROGRAMS)
def test_labels_parse_and_name_the_vectors_and_main(name: str) -> None:
    labels = read_labels(ROMS / f"{name}.lbl")
    names = {each: address for address, found in labels.items() for each in found}
    assert names["reset"] == 0xC000
    assert 0xC000 < names["_main" if name in C else "main"] < 0xFFFA
    rom = (ROMS / f"{name}.bin").read_bytes()
    assert names["irq"] == int.from_bytes(rom[-2:], "little")
    assert names["nmi"] == int.from_bytes(rom[-6:-4], "little")


@pytest.mark.parametrize("name", PROGRAMS)
def test_a_source_gives_its_shipped_files(name: str) -> None:
    require_the_compiler()
    done = subprocess.run(
        [ROMS / "build.sh", "--check", name], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == f"roms: every shipped file is what its source gives: {name}\n"


def test_a_shipped_file_that_is_not_its_sources_is_named(tmp_path: Path) -> None:
    require_the_compiler()
    copy = tmp_path / "roms"
    shutil.copytree(ROMS, copy)
    rom = bytearray((copy / "fill.bin").read_bytes())
    rom[0x123] ^= 1
    (copy / "fill.bin").write_bytes(rom)
    done = subprocess.run(
        [copy / "build.sh", "--check", "fill"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 1
    assert done.stdout == ""
    assert done.stderr.splitlines()[0] == (
        "build.sh: roms/fill.bin is not what its source gives; run roms/build.sh"
    )


def test_an_unknown_program_is_refused() -> None:
    done = subprocess.run([ROMS / "build.sh", "tide"], capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert done.stderr == (
        f"build.sh: tide: no such program; there are: {' '.join(ASSEMBLY)} {' '.join(C)}\n"
    )


@pytest.mark.source(
    "definition of the sine", part="127 sin(2 pi i / 256), rounded", kind="computed"
)
def test_the_sine_table_is_the_nearest_whole_numbers() -> None:
    machine = Machine("tides")
    table = machine.bytes_at("sine", 256).astype("int8")
    assert [int(value) for value in table] == [
        round(127 * math.sin(2 * math.pi * index / 256)) for index in range(256)
    ]


def test_no_two_characters_of_the_font_look_alike() -> None:
    font = Machine("tides").bytes_at("font", 96 * 8).reshape(96, 8)
    assert len({row.tobytes() for row in font}) == 96
    assert not (font & 0b00000111).any()
    assert not font[0].any()
