"""Frames as rows: there and back, and every refusal with its line."""

from __future__ import annotations

import io

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busplay.batch import FrameBatch
from busplay.errors import InputError
from busplay.formats.frames_csv import FramesCsvWriter, is_frames_header, read_frames_csv


def read(content: bytes, word_bits: int = 40) -> list[tuple[int, int]]:
    return [
        pair
        for batch in read_frames_csv(io.BytesIO(content), file="x.csv", word_bits=word_bits)
        for pair in zip(batch.edge.tolist(), batch.word.tolist(), strict=True)
    ]


@given(
    st.lists(st.tuples(st.integers(0, (1 << 63) - 1), st.integers(0, (1 << 64) - 1)), max_size=30),
    st.booleans(),
)
def test_frames_come_back(pairs: list[tuple[int, int]], has_time: bool) -> None:
    pairs = sorted(pairs)
    frames = FrameBatch(
        np.array([edge for edge, _ in pairs], np.uint64),
        np.array([word for _, word in pairs], np.uint64),
    )
    stream = io.BytesIO()
    writer = FramesCsvWriter(stream, fields=[("data", 8), ("unit", 2)], has_time=has_time)
    fields = {"data": frames.word & np.uint64(255), "unit": frames.word & np.uint64(3)}
    writer.write(frames, fields, frames.edge if has_time else None)
    content = stream.getvalue()
    assert is_frames_header(content.split(b"\n", 1)[0])
    assert read(content, word_bits=64) == pairs


def test_columns_stand_in_any_order_and_numbers_are_decimal_or_hex() -> None:
    content = b"\xef\xbb\xbfnote, Word ,EDGE\r\nx,0x10,7\r\n\r\ny,$fF,7\r\nz,18,0x9\r\n"
    assert read(content) == [(7, 16), (7, 255), (9, 18)]


def test_rows_before_the_damage_are_given() -> None:
    found: list[int] = []
    stream = io.BytesIO(b"edge,word\n1,2\n3,4\n2,5\n")
    batches = read_frames_csv(stream, file="x.csv", word_bits=8)
    with pytest.raises(InputError):
        found.extend(word for batch in batches for word in batch.word.tolist())
    assert found == [2, 4]
