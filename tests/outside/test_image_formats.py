"""Worked examples of program formats, and files made by other programs."""

from __future__ import annotations

import platform
import shutil
import subprocess
import zlib
from pathlib import Path

import pytest

from busplay.errors import InputError
from busplay.program.image import parse_image, read_image

HEX_EXAMPLE = b"""\
:10010000214601360121470136007EFE09D2190140
:100110002146017E17C20001FF5F16002148011928
:10012000194E79234623965778239EDA3F01B2CAA7
:100130003F0156702B5E712B722B732146013421C7
:00000001FF
"""
SREC_EXAMPLE = b"""\
S00F000068656C6C6F202020202000003C
S11F00007C0802A6900100049421FFF07C6C1B787C8C23783C6000003863000026
S11F001C4BFFFFE5398000007D83637880010014382100107C0803A64E800020E9
S111003848656C6C6F20776F726C642E0A0042
S5030003F9
S9030000FC
"""


@pytest.mark.source("Wikipedia, Intel HEX", part="four records from $0100", kind="open data")
@pytest.mark.source("bincopy and intelhex", part="CRC-32 of the same bytes", kind="library")
def test_intel_hex_example_has_its_64_bytes() -> None:
    image = parse_image(HEX_EXAMPLE, file="example.hex")
    assert image.format == "ihex"
    (segment,) = image.segments
    assert (segment.address, segment.last_address) == (0x0100, 0x013F)
    assert zlib.crc32(segment.data) == 0x506E38F1


@pytest.mark.source(
    "Intel HEX, widely published example", part=":0300300002337A1E", kind="computed"
)
def test_intel_hex_record_sums_to_zero() -> None:
    record = b":0300300002337A1E"
    assert sum(bytes.fromhex(record[1:].decode())) % 256 == 0
    image = parse_image(record + b"\n:00000001FF\n", file="one.hex")
    assert image.segments[0].address == 0x0030
    assert image.segments[0].data == bytes([0x02, 0x33, 0x7A])


@pytest.mark.source("Wikipedia, SREC (file format)", part="16-bit example", kind="open data")
def test_s_record_example_has_its_70_bytes() -> None:
    image = parse_image(SREC_EXAMPLE, file="example.s19")
    assert image.format == "srec"
    assert image.entry == 0
    (segment,) = image.segments
    assert (segment.address, len(segment.data)) == (0, 70)
    assert segment.data.endswith(b"Hello world.\n\0")


def changed_digits(example: bytes) -> list[bytes]:
    """Change each hex digit of the first data record to the next one, in turn."""
    start = example.index(b"S1") + 2 if b"S1" in example else 1
    stop = example.index(b"\n", start)
    digits = b"0123456789ABCDEF"
    return [
        example[:place]
        + bytes([digits[(digits.index(example[place]) + 1) % 16]])
        + example[place + 1 :]
        for place in range(start, stop)
    ]


@pytest.mark.source(
    "Intel HEX and S-record", part="checksum finds a changed digit", kind="computed"
)
@pytest.mark.source("bincopy", part="refuses a record with a changed digit", kind="library")
@pytest.mark.parametrize("example", [HEX_EXAMPLE, SREC_EXAMPLE], ids=["ihex", "srec"])
def test_every_changed_digit_is_refused(example: bytes) -> None:
    file_format = "srec" if example is SREC_EXAMPLE else "ihex"
    changed = changed_digits(example)
    assert len(changed) > 40
    for content in changed:
        with pytest.raises(InputError, match=r"^example: line \d: the record is damaged"):
            parse_image(content, file="example", format=file_format)


@pytest.mark.source(
    "GNU binutils", part="objcopy writes Intel HEX, S-record and ELF", kind="library"
)
@pytest.mark.skipif(shutil.which("objcopy") is None, reason="objcopy is not installed")
def test_what_objcopy_writes_reads_back(tmp_path: Path) -> None:
    raw = tmp_path / "program.bin"
    data = bytes(range(256)) * 3 + b"end"
    raw.write_bytes(data)
    for name, flags in (
        ("program.hex", ["-O", "ihex"]),
        ("program.s19", ["-O", "srec", "--srec-len=16"]),
    ):
        out = tmp_path / name
        subprocess.run(
            ["objcopy", "-I", "binary", *flags, "--change-addresses=0xC000", raw, out], check=True
        )
        image = read_image(out)
        (segment,) = image.segments
        assert segment.address == 0xC000, name
        assert segment.data == data, name


@pytest.mark.source("cc65", part="ld65 links to raw and lists labels", kind="library")
@pytest.mark.skipif(shutil.which("ld65") is None, reason="cc65 is not installed")
def test_what_ld65_writes_reads_back(tmp_path: Path) -> None:
    from busplay.program.labels import find_labels_beside, read_labels

    (tmp_path / "p.s").write_text(
        '.segment "CODE"\n.export start, loop\nstart: lda #1\nloop: sta $4000\n jmp loop\n'
    )
    (tmp_path / "p.cfg").write_text(
        "MEMORY { ROM: start = $C000, size = $0010, fill = yes; }\n"
        "SEGMENTS { CODE: load = ROM, type = ro; }\n"
    )
    subprocess.run(["ca65", "p.s"], cwd=tmp_path, check=True)
    subprocess.run(
        ["ld65", "-C", "p.cfg", "-o", "p.bin", "-Ln", "p.lbl", "p.o"], cwd=tmp_path, check=True
    )
    image = read_image(tmp_path / "p.bin", load_address=0xC000)
    assert image.segments[0].data[:8] == bytes.fromhex("A9018D00404C02C0")
    labels_file = find_labels_beside(tmp_path / "p.bin")
    assert labels_file == tmp_path / "p.lbl"
    labels = read_labels(labels_file)
    assert "start" in labels[0xC000]
    assert "loop" in labels[0xC002]


@pytest.mark.source("GNU binutils", part="ld links an ELF file", kind="library")
@pytest.mark.skipif(
    shutil.which("ld") is None or platform.machine() != "x86_64",
    reason="needs an ld that writes ELF for x86-64",
)
def test_what_gnu_ld_links_reads_back_and_is_refused_cut_off(tmp_path: Path) -> None:
    data = bytes(range(200))
    (tmp_path / "blob").write_bytes(data)
    (tmp_path / "script").write_text(
        "ENTRY(start)\nSECTIONS { . = 0xC000; start = .; .text : { *(.data) } }\n"
    )
    subprocess.run(
        [
            "ld",
            "-n",
            "--oformat=elf64-x86-64",
            "-b",
            "binary",
            "blob",
            "-T",
            "script",
            "-o",
            "p.elf",
        ],
        cwd=tmp_path,
        check=True,
    )
    image = read_image(tmp_path / "p.elf")
    assert (image.format, image.entry) == ("elf", 0xC000)
    assert [(one.address, one.data) for one in image.segments] == [(0xC000, data)]
    content = (tmp_path / "p.elf").read_bytes()
    for length in range(4, len(content), 16):
        with pytest.raises(InputError):
            parse_image(content[:length], file="cut.elf")
