from __future__ import annotations

import io
import os
import struct
import threading
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import BinaryIO

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busplay.batch import StoreBatch
from busplay.errors import InputError
from busplay.formats.stores import read_stores
from busplay.formats.stores_binary import (
    parse_stores_binary,
    read_stores_binary,
    write_stores_binary,
)
from busplay.formats.stores_csv import parse_stores_csv, read_stores_csv, write_stores_csv

Row = tuple[int, int, int]


def batch_of(rows: list[Row]) -> StoreBatch:
    cycle, address, data = zip(*rows, strict=True) if rows else ((), (), ())
    return StoreBatch(
        np.array(cycle, np.uint64), np.array(address, np.uint16), np.array(data, np.uint8)
    )


def rows_of(batches: Iterable[StoreBatch]) -> list[Row]:
    rows: list[Row] = []
    for one in batches:
        assert len(one)
        columns = (one.cycle.tolist(), one.address.tolist(), one.data.tolist())
        rows += zip(*columns, strict=True)
    return rows


def until_fault(batches: Iterator[StoreBatch]) -> tuple[list[Row], str]:
    """Read until the reader refuses; give the stores before and the message."""
    rows: list[Row] = []
    try:
        for one in batches:
            rows += rows_of([one])
    except InputError as error:
        return rows, str(error)
    return rows, "no fault"


stores = st.lists(
    st.tuples(st.integers(0, 1 << 40), st.integers(0, 0xFFFF), st.integers(0, 0xFF)), max_size=30
).map(sorted)


@dataclass(frozen=True)
class Form:
    """Reader and writer of one form of stores; both forms pass the same tests."""

    read: Callable[[BinaryIO, str], Iterator[StoreBatch]]
    parse: Callable[..., Iterator[StoreBatch]]
    write: Callable[[BinaryIO, Iterable[StoreBatch]], None]

    def written(self, rows: list[Row], *, batches: int = 1) -> bytes:
        """Write rows, cut into that many batches."""
        stream = io.BytesIO()
        step = max(1, -(-len(rows) // batches))
        pieces = [batch_of(rows[first : first + step]) for first in range(0, len(rows), step)]
        self.write(stream, pieces)
        return stream.getvalue()


CSV = Form(read_stores_csv, parse_stores_csv, write_stores_csv)
BINARY = Form(read_stores_binary, parse_stores_binary, write_stores_binary)
both_forms = pytest.mark.parametrize("form", [CSV, BINARY], ids=["csv", "binary"])


@both_forms
@given(rows=stores, batches=st.integers(1, 4))
def test_what_is_written_reads_back(form: Form, rows: list[Row], batches: int) -> None:
    content = form.written(rows, batches=batches)
    assert rows_of(form.read(io.BytesIO(content), "it")) == rows


@both_forms
@given(rows=stores)
def test_form_is_recognised_by_the_first_bytes(form: Form, rows: list[Row]) -> None:
    content = form.written([*rows, (1 << 41, 0x4000, 7)])
    assert rows_of(read_stores(io.BytesIO(content), "it")) == [*rows, (1 << 41, 0x4000, 7)]


@both_forms
@given(rows=stores, data=st.data())
def test_every_cut_of_the_stream_gives_the_same(
    form: Form, rows: list[Row], data: st.DataObject
) -> None:
    content = form.written(rows)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(content)), max_size=10)))
    chunks = [content[a:b] for a, b in pairwise([0, *cuts, len(content)])]
    assert rows_of(form.parse(chunks, file="it")) == rows


@both_forms
def test_byte_by_byte_gives_the_same(form: Form) -> None:
    rows = [(cycle, cycle * 7 & 0xFFFF, cycle & 0xFF) for cycle in range(0, 900, 9)]
    content = form.written(rows)
    chunks = [content[i : i + 1] for i in range(len(content))]
    assert rows_of(form.parse(chunks, file="it")) == rows


@both_forms
def test_pipe_is_read_live(form: Form) -> None:
    content = form.written([(1, 0x4000, 2), (3, 0x4001, 4)])
    cut = len(form.written([(1, 0x4000, 2)])) + 3
    out, into = os.pipe()
    go_on = threading.Event()

    def feed() -> None:
        with os.fdopen(into, "wb", buffering=0) as pipe:
            pipe.write(content[:cut])
            go_on.wait(10)
            pipe.write(content[cut:])

    thread = threading.Thread(target=feed)
    thread.start()
    with os.fdopen(out, "rb") as pipe:
        batches = form.read(pipe, "pipe")
        # The first store is there while the writer still waits.
        assert rows_of([next(batches)]) == [(1, 0x4000, 2)]
        go_on.set()
        assert rows_of(batches) == [(3, 0x4001, 4)]
    thread.join()


@both_forms
def test_stream_that_cannot_be_read_is_named(form: Form) -> None:
    class Broken(io.RawIOBase):
        def read(self, size: int = -1) -> bytes:
            raise OSError(5, "Input/output error")

    with pytest.raises(InputError) as caught:
        list(form.read(Broken(), "it"))
    assert str(caught.value) == "it: cannot be read: Input/output error"


class TestCsv:
    def rows(self, text: str | bytes) -> list[Row]:
        content = text.encode() if isinstance(text, str) else text
        return rows_of(read_stores_csv(io.BytesIO(content), "it.csv"))

    def fault(self, text: str | bytes) -> tuple[list[Row], str]:
        content = text.encode() if isinstance(text, str) else text
        return until_fault(read_stores_csv(io.BytesIO(content), "it.csv"))

    def test_written_form_is_what_the_documents_show(self) -> None:
        assert CSV.written([(7, 0x4000, 0x1F)]) == b"cycle,address,data\n7,0x4000,0x1F\n"

    @pytest.mark.parametrize(
        "text",
        [
            "cycle,address,data\n7,16384,31\n9,16385,0\n",
            "cycle,address,data\n7,16384,31\n9,16385,0",
            "cycle,address,data\r\n7,0x4000,0x1f\r\n9,$4001,$0\r\n",
            "\ufeffcycle,address,data\n7,0X4000,0x1F\n\n  \n9,$4001,00\n\n",
            "Data, CYCLE ,address\n$1F, 7 ,$4000\n0,9,0x04001\n",
            '"cycle","address","data"\n"7","$4000","31"\n"9","16385","0"\n',
            'pc,cycle,address,data,note\n$C000,7,$4000,31,hello\n1,9,$4001,0,"a, b"\n',
            "\n\ncycle,address,data\n7,$4000,31\n9,$4001,0\n",
        ],
    )
    def test_spellings(self, text: str) -> None:
        assert self.rows(text) == [(7, 0x4000, 0x1F), (9, 0x4001, 0)]

    def test_header_alone_is_no_stores(self) -> None:
        assert self.rows("cycle,address,data\n") == []

    def test_bytes_that_are_no_utf8_are_refused(self) -> None:
        assert self.fault(b"cycle,address,data\n7,1,2\n8,\xff,1\n") == (
            [(7, 1, 2)],
            "it.csv: line 3: found bytes that are no UTF-8 (invalid start byte); give UTF-8",
        )

    def test_line_without_end_is_refused_before_it_fills_memory(self) -> None:
        def endless() -> Iterator[bytes]:
            yield b"cycle,address,data\n7,1,2\n"
            while True:
                yield b"8" * 10_000

        assert until_fault(parse_stores_csv(endless(), file="it.csv")) == (
            [(7, 1, 2)],
            "it.csv: line 3: found more than 65,536 bytes without an end of line;"
            " a row is one short line",
        )


class TestBinary:
    def record(
        self, cycle: int, address: int = 1, data: int = 2, kind: int = 0, zero: int = 0
    ) -> bytes:
        return struct.pack("<QHBBI", cycle, address, data, kind, zero)

    def test_record_is_laid_out_as_the_documents_say(self) -> None:
        content = BINARY.written([(0x0102030405060708, 0x4000, 0x1F)])
        assert content == bytes.fromhex("0807060504030201 0040 1F 00 00000000")

    @pytest.mark.parametrize(
        ("bad", "message"),
        [
            (
                {"cycle": 8, "kind": 3},
                "found kind 3; a store has kind 0, other kinds are reserved",
            ),
            (
                {"cycle": 8, "zero": 0x100},
                "found 00000100 in the last four bytes; they are reserved, so give 0",
            ),
            ({"cycle": 6}, "found cycle 6 after cycle 7; cycles never fall"),
            ({"cycle": 1 << 63}, "found cycle 9223372036854775808; a cycle has 63 bits"),
        ],
    )
    def test_wrong_record_is_reported_after_the_stores_before_it(
        self, bad: dict[str, int], message: str
    ) -> None:
        content = self.record(5) + self.record(7) + self.record(**bad) + self.record(9)
        expected = ([(5, 1, 2), (7, 1, 2)], f"it: byte 32: {message}")
        assert until_fault(read_stores_binary(io.BytesIO(content), "it")) == expected
        pieces = [content[i : i + 5] for i in range(0, len(content), 5)]
        assert until_fault(parse_stores_binary(pieces, file="it")) == expected

    def test_record_cut_off_is_reported_with_its_byte(self) -> None:
        content = self.record(5) + self.record(7)[:9]
        assert until_fault(read_stores(io.BytesIO(content), "it")) == (
            [(5, 1, 2)],
            "it: byte 16: found 9 bytes of a record at the end; a record has 16 bytes;"
            " the stream was cut off",
        )
