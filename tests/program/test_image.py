from __future__ import annotations

import io
import struct
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busplay.errors import InputError
from busplay.program.image import ImageSegment, parse_image, read_image


def ihex(*records: tuple[int, int, bytes]) -> bytes:
    """Write records of (type, offset, data)."""
    lines = []
    for kind, offset, data in records:
        body = bytes([len(data), offset >> 8, offset & 0xFF, kind]) + data
        lines.append(b":" + (body + bytes([-sum(body) & 0xFF])).hex().upper().encode())
    return b"\n".join(lines) + b"\n"


def srec(*records: tuple[str, int, bytes]) -> bytes:
    """Write records of (type, address, data)."""
    lines = []
    for kind, address, data in records:
        width = {"0": 2, "1": 2, "5": 2, "9": 2, "2": 3, "8": 3, "3": 4, "7": 4}[kind]
        body = address.to_bytes(width, "big") + data
        body = bytes([len(body) + 1]) + body
        lines.append(b"S" + kind.encode() + (body + bytes([~sum(body) & 0xFF])).hex().encode())
    return b"\r\n".join(lines) + b"\r\n"


IHEX_END = (1, 0, b"")


def elf(*parts: tuple[int, bytes], entry: int = 0xC000) -> bytes:
    """Write a 32-bit ELF file with one loadable segment and section for each part."""
    header_bytes, segment_bytes, section_bytes = 52, 32, 40
    segments_at = header_bytes
    data_at = segments_at + segment_bytes * len(parts)
    names = b"\0.text\0.names\0"
    body = b"".join(data for _, data in parts)
    names_at = data_at + len(body)
    sections_at = names_at + len(names)
    out = io.BytesIO()
    out.write(b"\x7fELF\x01\x01\x01" + bytes(9))
    counts = (header_bytes, segment_bytes, len(parts), section_bytes, len(parts) + 2)
    out.write(
        struct.pack(
            "<HHIIIIIHHHHHH", 2, 0, 1, entry, segments_at, sections_at, 0, *counts, len(parts) + 1
        )
    )
    place = data_at
    for address, data in parts:
        out.write(struct.pack("<8I", 1, place, address, address, len(data), len(data), 5, 1))
        place += len(data)
    out.write(body + names + bytes(section_bytes))
    place = data_at
    for address, data in parts:
        out.write(struct.pack("<10I", 1, 1, 6, address, place, len(data), 0, 0, 1, 0))
        place += len(data)
    out.write(struct.pack("<10I", 7, 3, 0, 0, names_at, len(names), 0, 0, 1, 0))
    return out.getvalue()


PARTS = ((0xC000, b"program"), (0xFFFA, b"vector"))
SEGMENTS = tuple(ImageSegment(address, data) for address, data in PARTS)
IHEX = ihex(*((0, address, data) for address, data in PARTS), IHEX_END)
SREC = srec(
    ("0", 0, b"hello"), *(("1", address, data) for address, data in PARTS), ("9", 0xC000, b"")
)


@pytest.mark.parametrize(
    ("content", "told", "entry"),
    [(IHEX, "ihex", None), (SREC, "srec", 0xC000), (elf(*PARTS), "elf", 0xC000)],
    ids=["ihex", "srec", "elf"],
)
def test_content_decides_the_format_for_any_name(content: bytes, told: str, entry: int) -> None:
    for name in ("program", "program.bin", "program.hex", "program.elf"):
        image = parse_image(content, file=name, load_address=0x0200)
        assert (image.format, image.segments, image.entry) == (told, SEGMENTS, entry)
        assert image.file == name


def test_raw_is_loaded_at_its_load_address(tmp_path: Path) -> None:
    path = tmp_path / "program.bin"
    path.write_bytes(b"program")
    image = read_image(path, load_address=0xC000)
    assert image.segments == (ImageSegment(0xC000, b"program"),)
    assert (image.format, image.entry, image.file) == ("raw", None, str(path))


def test_raw_may_be_asked_for_whatever_the_content() -> None:
    image = parse_image(IHEX, file="x", format="raw", load_address=0x1000)
    assert image.segments == (ImageSegment(0x1000, IHEX),)


def test_raw_fills_memory_to_its_last_byte() -> None:
    image = parse_image(b"12345", file="x", load_address=0xFFFB)
    assert image.segments[0].last_address == 0xFFFF


def test_segments_that_touch_are_one_and_come_in_order() -> None:
    content = ihex((0, 0x0210, b"cd"), (0, 0x0300, b"z"), (0, 0x020E, b"ab"), IHEX_END)
    image = parse_image(content, file="x")
    assert image.segments == (ImageSegment(0x020E, b"abcd"), ImageSegment(0x0300, b"z"))


def test_intel_hex_addresses_may_be_extended_within_64_kib() -> None:
    content = ihex(
        (2, 0, b"\x02\x00"), (0, 0x0010, b"a"), (4, 0, b"\x00\x00"), (0, 0x0010, b"b"), IHEX_END
    )
    image = parse_image(content, file="x")
    assert image.segments == (ImageSegment(0x0010, b"b"), ImageSegment(0x2010, b"a"))


@pytest.mark.parametrize(
    ("record", "entry"),
    [((5, 0, b"\x00\x00\xc0\x00"), 0xC000), ((3, 0, b"\x0c\x00\x00\x10"), 0xC010)],
)
def test_intel_hex_start_records_give_the_entry(record: tuple[int, int, bytes], entry: int) -> None:
    assert parse_image(ihex((0, 0, b"a"), record, IHEX_END), file="x").entry == entry


@pytest.mark.parametrize("kinds", ["19", "28", "37"])
def test_s_records_of_every_width(kinds: str) -> None:
    content = srec((kinds[0], 0x1234, b"abc"), ("5", 1, b""), (kinds[1], 0x1234, b""))
    image = parse_image(content, file="x")
    assert (image.segments, image.entry) == ((ImageSegment(0x1234, b"abc"),), 0x1234)


def message_of(content: bytes, **options: object) -> str:
    with pytest.raises(InputError) as caught:
        parse_image(content, file="p", **options)  # type: ignore[arg-type]
    return str(caught.value)


@pytest.mark.parametrize(
    ("content", "options", "message"),
    [
        (b"", {}, "p: found an empty file; give a program of 1 byte or more"),
        (
            b"raw bytes",
            {},
            "p: found neither Intel HEX, S-record nor ELF; a raw file needs a load address, so"
            " give one",
        ),
        (
            b"raw bytes",
            {"format": "raw"},
            "p: found a raw file and no load address; give a load address, or give Intel HEX,"
            " S-record or ELF",
        ),
        (
            b"12345",
            {"load_address": 0xFFFC},
            "p: found 5 bytes at $FFFC-$10000; the 6502 has addresses $0000 to $FFFF",
        ),
        (
            ihex((0, 0xFFFF, b"ab"), IHEX_END),
            {},
            "p: line 1: found 2 bytes at $FFFF-$10000; the 6502 has addresses $0000 to $FFFF",
        ),
        (
            ihex((4, 0, b"\x00\x01"), (0, 0x10, b"ab"), IHEX_END),
            {},
            "p: line 2: found 2 bytes at $10010-$10011; the 6502 has addresses $0000 to $FFFF",
        ),
        (
            ihex((0, 0x10, b"abc"), (0, 0x12, b"d"), IHEX_END),
            {},
            "p: line 2: found a second byte for $0012; an address may have only one",
        ),
        (
            ihex((0, 0x10, b"abc")),
            {},
            "p: found no end record; the file is cut off; its last line should be the record"
            " :00000001FF",
        ),
        (
            ihex((0, 0x10, b"abc"), IHEX_END, (0, 0x20, b"d")),
            {},
            "p: line 3: found a record after the end record; two files may have been joined;"
            " nothing follows the end record",
        ),
        (
            ihex((6, 0x10, b"abc"), IHEX_END),
            {},
            "p: line 1: found a record of type 6 with 3 bytes; types are 0 to 5, with 2 bytes in 2"
            " and 4, 4 bytes in 3 and 5",
        ),
        (
            ihex(IHEX_END),
            {},
            "p: found Intel HEX without any data; give a program of 1 byte or more",
        ),
        (
            ihex((0, 0, b"a"), (5, 0, b"\x00\x01\x00\x00"), IHEX_END),
            {},
            "p: found start address $10000; the 6502 has addresses $0000 to $FFFF",
        ),
        (
            srec(("1", 0x10, b"abc")),
            {},
            "p: found no end record; the file is cut off; its last line should be a record of type"
            " S7, S8 or S9",
        ),
        (
            srec(("1", 0x10, b"abc"), ("5", 2, b""), ("9", 0, b"")),
            {},
            "p: line 2: found a count of 2 data records after 1 of them; records are missing or"
            " were added; make it anew",
        ),
        (
            b":0300300002337A1E\n:0300300002337A1F\n",
            {},
            "p: line 2: the record is damaged (expected crc '1E' in record :0300300002337A1F, but"
            " got '1F'); make the file anew",
        ),
        (
            b"not a record\n",
            {"format": "ihex"},
            "p: line 1: the record is damaged (record 'not a record' not starting with a ':');"
            " make the file anew",
        ),
        (
            elf((0x1_2000, b"abc")),
            {},
            "p: found 3 bytes at $12000-$12002; the 6502 has addresses $0000 to $FFFF",
        ),
    ],
)
def test_refusals(content: bytes, options: dict[str, object], message: str) -> None:
    assert message_of(content, **options) == message


def test_suffix_decides_if_the_content_does_not() -> None:
    damaged = b"garbage\n" + IHEX
    with pytest.raises(InputError, match=r"^p\.hex: line 1: the record is damaged"):
        parse_image(damaged, file="p.hex", load_address=0x0200)
    assert parse_image(damaged, file="p.bin", load_address=0x0200).format == "raw"


TEXT = "; Größe\n  lda #1\n".encode()
GIVE = "give a program: a raw binary, Intel HEX, S-record or ELF"
LINK = "found an object file that is not linked; link it, and give the result"


@pytest.mark.parametrize(
    ("file", "content", "message"),
    [
        ("p.s", TEXT, "found source text; assemble and link it, and give the result"),
        ("p.asm", b"rts", "found source text; assemble and link it, and give the result"),
        ("p.lbl", b"al 000200 .start\n", f"found a list of labels; {GIVE}"),
        ("p", TEXT, f"found text; {GIVE}"),
        ("p.txt", b"garbage\n" + IHEX, f"found text; {GIVE}"),
        ("p.png", b"\x89PNG\r\n\x1a\n" + bytes(9), f"found a PNG picture; {GIVE}"),
        ("p.bin", b"\x89PNG\r\n\x1a\n" + bytes(9), f"found a PNG picture; {GIVE}"),
        ("p.gz", b"\x1f\x8b\x08" + bytes(9), f"found a gzip archive; {GIVE}"),
        ("p.o", b"\x55\x7a\x6e\x61" + bytes(9), LINK),
        ("p", elf(*PARTS)[:16] + b"\1" + elf(*PARTS)[17:], LINK),
    ],
)
def test_file_that_is_not_a_program_is_refused(file: str, content: bytes, message: str) -> None:
    """All of these once ran as raw programs."""
    with pytest.raises(InputError) as caught:
        parse_image(content, file=file, load_address=0x0200)
    assert str(caught.value) == f"{file}: {message}"
    assert parse_image(content, file=file, format="raw", load_address=0x0200).segments


def test_binary_may_have_any_name_and_text_may_be_data() -> None:
    for file in ("p.s", "p.o", "p.png", "p.lbl", "p"):
        image = parse_image(b"\xa9\x01\x8d\x00\x40", file=file, load_address=0x0200)
        assert image.format == "raw"
    assert parse_image(TEXT, file="p.bin", load_address=0x0200).format == "raw"
    assert parse_image(b"abc", file="p", load_address=0x0200).format == "raw"


@pytest.mark.parametrize("length", range(4, len(elf(*PARTS)), 7))
def test_elf_cut_off_anywhere_is_refused(length: int) -> None:
    assert message_of(elf(*PARTS)[:length]).startswith("p: ")


def test_missing_file_or_folder_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        read_image(tmp_path / "none.hex")
    assert str(caught.value) == f"{tmp_path}/none.hex: cannot be read: No such file or directory"
    with pytest.raises(InputError, match="cannot be read: Is a directory"):
        read_image(tmp_path)


def test_huge_file_is_refused_before_it_is_parsed(tmp_path: Path) -> None:
    path = tmp_path / "huge.hex"
    with path.open("wb") as stream:
        stream.truncate(1 << 25)
    with pytest.raises(InputError, match="found more than 16,777,216 bytes"):
        read_image(path)


@given(
    address=st.integers(0, 0xFFFF),
    data=st.binary(min_size=1, max_size=60),
    form=st.sampled_from(["ihex", "srec", "elf"]),
)
def test_written_image_reads_back(address: int, data: bytes, form: str) -> None:
    data = data[: 0x10000 - address]
    content = {
        "ihex": ihex((0, address, data), IHEX_END),
        "srec": srec(("1", address, data), ("9", 0, b"")),
        "elf": elf((address, data)),
    }[form]
    image = parse_image(content, file="x")
    assert (image.format, image.segments) == (form, (ImageSegment(address, data),))
