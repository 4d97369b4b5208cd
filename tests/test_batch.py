from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busplay.batch import DeliveredFrames, FrameBatch, StoreBatch


def test_lists_become_columns() -> None:
    batch = StoreBatch.of([1, 2], [0x4000, 0xFFFF], [0, 255])
    assert (batch.cycle.dtype, batch.address.dtype, batch.data.dtype) == ("u8", "u2", "u1")
    assert batch.address.tolist() == [0x4000, 0xFFFF]


@pytest.mark.parametrize(
    ("columns", "said"),
    [
        (([1], [0x10000], [0]), "address is 65536; it must be 0 to 65535"),
        (([1], [0], [256]), "data is 256; it must be 0 to 255"),
        (([-1], [0], [0]), f"cycle is -1; it must be 0 to {2**64 - 1}"),
    ],
)
def test_numbers_that_do_not_fit_are_refused(
    columns: tuple[list[int], list[int], list[int]], said: str
) -> None:
    with pytest.raises(ValueError, match="must be") as caught:
        StoreBatch.of(*columns)
    assert str(caught.value) == said


def test_columns_of_another_kind_are_refused() -> None:
    with pytest.raises(TypeError) as caught:
        FrameBatch(np.zeros(1, np.int64), np.zeros(1, np.uint64))  # type: ignore[arg-type]
    assert str(caught.value) == (
        "column edge is int64, 1 dimensions; it must be a NumPy column of uint64"
    )
    with pytest.raises(ValueError, match="differ in length"):
        FrameBatch(np.zeros(1, np.uint64), np.zeros(2, np.uint64))


def numbered(first: int, count: int) -> FrameBatch:
    """Make frames with distinct edges and words."""
    numbers = np.arange(first, first + count, dtype=np.uint64)
    return FrameBatch(numbers, numbers * np.uint64(7))


def frames_of(batch: FrameBatch) -> list[tuple[int, int]]:
    return list(zip(batch.edge.tolist(), batch.word.tolist(), strict=True))


@given(st.data())
def test_spans_and_copies_of_any_parts_come_in_the_order_in_which_they_were_delivered(
    data: st.DataObject,
) -> None:
    sent = numbered(1_000, 40)
    expected: list[tuple[int, int]] = []
    parts = []
    low = made = 0
    for _ in range(data.draw(st.integers(1, 4))):
        # A part may begin with frames that the one before it had too.
        low = data.draw(st.integers(max(0, low - 2), low))
        part = sent.between(low, data.draw(st.integers(low, 40)))
        spans, copies, at = [], 0, 0
        for kind in data.draw(st.lists(st.booleans(), max_size=6)):
            if kind:
                copies += 1
                expected += frames_of(numbered(made, 1))
                made += 1
                continue
            first = data.draw(st.integers(at, len(part)))
            at = data.draw(st.integers(first, len(part)))
            if first < at:
                spans.append((first, at - first, copies))
                expected += frames_of(part.between(first, at))
        low += len(part)
        rows = np.array(spans, np.int64).reshape(-1, 3)
        parts.append(DeliveredFrames(part, numbered(made - copies, copies), rows))
    joined = DeliveredFrames.joined(sent, parts)
    assert frames_of(joined.frames()) == expected


def test_frames_that_all_came_as_they_were_sent_are_not_copied() -> None:
    sent = numbered(0, 9)
    whole = DeliveredFrames(sent, FrameBatch.empty(), np.array([[0, 9, 0]]))
    assert whole.is_as_sent
    assert whole.frames() is sent
    part = DeliveredFrames(sent, FrameBatch.empty(), np.array([[2, 5, 0]])).frames()
    assert (part.edge.tolist(), part.word.base is sent.word) == ([2, 3, 4, 5, 6], True)


@pytest.mark.parametrize(
    ("spans", "copies", "is_as_sent"),
    [
        ([(0, 9, 0)], 0, True),
        ([(0, 4, 0), (4, 5, 0)], 0, True),
        ([(0, 8, 0)], 0, False),
        ([(1, 8, 0)], 0, False),
        ([(0, 4, 0), (5, 4, 0)], 0, False),
        # One frame twice and one not at all: as many as were sent.
        ([(0, 5, 0), (4, 4, 0)], 0, False),
        ([(0, 9, 0)], 1, False),
        ([], 9, False),
    ],
)
def test_delivered_is_as_sent_only_if_each_frame_came_once_in_its_place(
    spans: list[tuple[int, int, int]], copies: int, is_as_sent: bool
) -> None:
    rows = np.array(spans, np.int64).reshape(-1, 3)
    delivered = DeliveredFrames(numbered(0, 9), numbered(0, copies), rows)
    assert delivered.is_as_sent is is_as_sent
